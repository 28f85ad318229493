"""Change one line of the package at a time and see whether a test beside it notices: by hand, never in the suite.

    python tests/benchmarks/mutate_lines.py map                       # once: which test calls which function
    python tests/benchmarks/mutate_lines.py run --each 40 --seed 7    # 40 changes in each room
    python tests/benchmarks/mutate_lines.py run --changes list.txt    # changes by hand, one a line: FILE @@ OLD @@ NEW

All works on a copy of the tree (`--tree`), at low priority (NICE, 10). A change is an operator, a comparison, a
constant, a dropped term, a dropped call, a dropped option, two arguments the other way round, a condition negated.
Beside a file of the package stand the tests of its room, the thresholds of its room and whatever test file imports it.
Of these, those tests run that call the changed function, first the quick ones, then those named after the file, then of
each file in turn, to the first failure; a line outside all functions is tried by those that call any function of its
file. A test that hangs has noticed too. What is not changed: annotations, texts, messages of errors, constants that
`mutate_thresholds` leaves alone, conversions of type, and `<` against `<=` where both sides are measured numbers.

The state of things, and each change that no test can see with its reason: `survivors.md`.
"""

import argparse
import ast
import contextlib
import copy
import json
import os
import random
import re
import resource
import shutil
import signal
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
ROOMS = ("measure", "session", "compare", "mix", "correct")
COPIED = ("src", "tests", "pyproject.toml", "sample_data", "reports", "README.md", "DEVELOPERS.md", ".ci")
#: Seconds of tests that one change is given where nothing else is said, and how much longer they may take before they
#: count as hanging.
GIVEN, SLACK = 12.0, 4.0
#: Tests of so many seconds at most come first.
QUICK = 0.2
MEMORY = 6 << 30
#: Test files that run whole commands or read whole sessions: they stand beside nothing.
FAR = (
    "tests/cli/", "tests/test_doors.py", "tests/test_nothing_lost.py", "tests/test_one_generation.py",
    "tests/test_faults_and_coverage.py", "tests/test_truth.py", "tests/test_foreign_session.py",
    "tests/test_breakage.py",
)  # fmt: skip
#: Libraries that are imported once, before each change has a process of its own.
LIBRARIES = (
    "numpy", "pandas", "scipy.optimize", "scipy.ndimage", "scipy.stats", "scipy.interpolate", "tifffile", "imagecodecs",
    "PIL.Image", "exifread", "rawpy", "cattrs", "typer", "jinja2", "hypothesis", "matplotlib.figure", "colour",
)  # fmt: skip


# --- changes ---------------------------------------------------------------------------------------------------------

OPERATORS: dict[type, tuple[type, ...]] = {
    ast.Add: (ast.Sub,), ast.Sub: (ast.Add,), ast.Mult: (ast.Div,), ast.Div: (ast.Mult,), ast.Pow: (ast.Mult,),
    ast.FloorDiv: (ast.Mult,), ast.Mod: (ast.FloorDiv,), ast.BitAnd: (ast.BitOr,), ast.BitOr: (ast.BitAnd,),
    ast.MatMult: (), ast.LShift: (ast.RShift,), ast.RShift: (ast.LShift,), ast.BitXor: (ast.BitAnd,),
}  # fmt: skip
COMPARISONS: dict[type, type] = {
    ast.Lt: ast.Gt, ast.Gt: ast.Lt, ast.LtE: ast.GtE, ast.GtE: ast.LtE, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip
#: Functions that take their arguments either way round.
EITHER_WAY = (
    "maximum", "minimum", "max", "min", "hypot", "fmax", "fmin", "add", "multiply", "isclose", "allclose", "same_power",
)  # fmt: skip
#: Calls that make another type of the same value, for the type checker as a rule.
CONVERTS = ("int", "bool", "float", "np.asarray", "tuple", "list")
EDGES: dict[type, type] = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt}


@dataclass(frozen=True)
class Change:
    """One line of one file, changed."""

    file: str  # room/name
    line: int
    function: str  # its qualified name, "" outside all functions
    kind: str
    old: str
    new: str
    start: int  # in bytes of the file
    end: int

    def __str__(self) -> str:
        where = f"{self.file}:{self.line} {self.function} [{self.kind}]"
        return f"{where}: {self.old} -> {self.new}".replace("\n", " ")

    def applied(self, text: bytes) -> bytes:
        return text[: self.start] + self.new.encode() + text[self.end :]


def counted(node: ast.expr) -> bool:
    """Whether an expression is a whole number, so that the edge of a comparison matters."""
    text = ast.unparse(node)
    return (isinstance(node, ast.Constant) and type(node.value) is int) or text.startswith("len(") or ".size" in text


def variants(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    """Yield what a node may become, with the kind of the change."""

    def made(**fields: Any) -> Any:
        other = copy.copy(node)
        for name, value in fields.items():
            setattr(other, name, value)
        return other

    match node:
        case ast.BinOp(left=left, op=op, right=right):
            for other in OPERATORS[type(op)]:
                yield "operator", made(op=other())
            if isinstance(op, ast.Add | ast.Sub | ast.Mult | ast.Div | ast.BitAnd | ast.BitOr):
                yield "dropped term", left
                if isinstance(op, ast.Add | ast.Mult | ast.BitAnd | ast.BitOr):
                    yield "dropped term", right
        case ast.BoolOp(op=op, values=values):
            yield "operator", made(op=ast.Or() if isinstance(op, ast.And) else ast.And())
            for n in range(len(values)):
                rest = values[:n] + values[n + 1 :]
                yield "dropped term", rest[0] if len(rest) == 1 else made(values=rest)
        case ast.Compare(left=left, ops=[op], comparators=[right]):
            yield "comparison", made(ops=[COMPARISONS[type(op)]()])
            if type(op) in EDGES and (counted(left) or counted(right)):
                yield "comparison", made(ops=[EDGES[type(op)]()])
        case ast.UnaryOp(op=ast.Not() | ast.USub() | ast.Invert(), operand=operand):
            if not isinstance(operand, ast.Constant):
                yield "operator", operand
        case ast.Constant(value=bool(value)):
            yield "constant", made(value=not value)
        case ast.Constant(value=int(value)):
            yield "constant", made(value=value + 1)
        case ast.Constant(value=float(value)) if value:
            yield "constant", made(value=round(value * 1.3, 12))
        case ast.If(test=test) | ast.While(test=test) if not isinstance(test, ast.Compare | ast.Name):
            yield "condition", ast.UnaryOp(ast.Not(), test)
        case ast.IfExp(test=test, body=body, orelse=orelse):
            yield "condition", made(body=orelse, orelse=body)
            yield "dropped term", body
        case ast.Call(func=func, args=args, keywords=keywords):
            if any(isinstance(arg, ast.Starred) for arg in args) or ast.unparse(func) in CONVERTS:
                return
            if len(args) >= 2 and ast.unparse(func).split(".")[-1] not in EITHER_WAY:
                yield "arguments", made(args=[args[1], args[0], *args[2:]])
            if (len(args) == 1 and not keywords) or (len(args) > 1 and ast.unparse(func).startswith("np.")):
                yield "dropped call", args[0]
            elif not args and isinstance(func, ast.Attribute):
                yield "dropped call", func.value
            for n, keyword in enumerate(keywords):
                if keyword.arg not in (None, "strict", "dtype"):
                    yield "dropped option", made(keywords=keywords[:n] + keywords[n + 1 :])


class Places(ast.NodeVisitor):
    """Every place of a module that may be changed, with the function it stands in."""

    def __init__(self) -> None:
        self.found: list[tuple[str, ast.AST, list[tuple[str, ast.AST]]]] = []
        self.names: list[str] = []

    def inside(self, node: Any, name: str, *parts: ast.AST) -> None:
        self.names.append(name)
        for part in parts:
            self.visit(part)
        self.names.pop()

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        for default in [*node.args.defaults, *filter(None, node.args.kw_defaults)]:
            self.visit(default)
        self.inside(node, node.name, *node.body)

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        self.inside(node, f"class {node.name}", *node.body)

    def visit_Assign(self, node: ast.Assign) -> None:
        kinds = isinstance(node.value, ast.BinOp) and not self.names and "_" not in ast.unparse(node.targets[0])
        if not (kinds and ast.unparse(node.targets[0]).istitle()):  # a name for several types
            self.generic_visit(node)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)

    def visit_Expr(self, node: ast.Expr) -> None:
        if isinstance(node.value, ast.Call):
            self.add(node, [("dropped call", ast.Pass())])
        self.generic_visit(node)

    def skip(self, node: ast.AST) -> None:
        """Texts, messages of errors, imports: nothing there is changed."""

    def visit_keyword(self, node: ast.keyword) -> None:
        if node.arg != "strict":  # two of one length, as the type checker is told
            self.visit(node.value)

    visit_JoinedStr = visit_Raise = visit_Assert = visit_Import = visit_ImportFrom = skip  # noqa: N815

    def add(self, node: ast.AST, made: list[tuple[str, ast.AST]]) -> None:
        names = [name.removeprefix("class ") for name in self.names]
        inner = max((n for n, name in enumerate(self.names) if not name.startswith("class ")), default=-1)
        self.found.append((".".join(names[: inner + 1]), node, made))

    def generic_visit(self, node: ast.AST) -> None:
        if made := list(variants(node)):
            self.add(node, made)
        super().generic_visit(node)


def changes_of(path: Path, exempt: set[str]) -> list[Change]:
    """Return every change of one file, each on one line."""
    data = path.read_bytes()
    starts = [0]
    for line in data.split(b"\n"):
        starts.append(starts[-1] + len(line) + 1)
    tree = ast.parse(data)
    left_alone = set()
    for node in tree.body:
        targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
        if any(isinstance(target, ast.Name) and f"{path.stem}:{target.id}" in exempt for target in targets):
            left_alone |= set(range(node.lineno, (node.end_lineno or node.lineno) + 1))
    places, found = Places(), []
    places.visit(tree)
    name = f"{path.parent.name}/{path.stem}"
    for function, node, made in places.found:
        place: Any = node.test if isinstance(node, ast.If | ast.While) else node
        if place.lineno != place.end_lineno or place.lineno in left_alone:
            continue
        start, end = starts[place.lineno - 1] + place.col_offset, starts[place.lineno - 1] + place.end_col_offset
        old = data[start:end].decode()
        for kind, other in made:
            text = ast.unparse(other)
            new = text if isinstance(other, ast.Pass | ast.Constant) else f"({text})"
            found.append(Change(name, place.lineno, function, kind, old, new, start, end))
    return found


def sampled(tree: Path, rooms: list[str], each: int, seed: int) -> list[Change]:
    """Draw changes: in each room alike often from every kind that it has, not from the most frequent alone."""
    sys.path.insert(0, str(ROOT / "tests"))
    from benchmarks.mutate_thresholds import EXEMPT  # what it leaves alone has its reason there

    lots = random.Random(seed)
    chosen = []
    for room in rooms:
        kinds: dict[str, list[Change]] = {}
        for path in sorted((tree / "src" / "greystep" / room).glob("*.py")):
            for change in changes_of(path, set(EXEMPT)):
                kinds.setdefault(change.kind, []).append(change)
        for of_kind in kinds.values():
            lots.shuffle(of_kind)
        taken: list[Change] = []
        while len(taken) < each and any(kinds.values()):
            taken += [of_kind.pop() for of_kind in kinds.values() if of_kind]
        chosen += taken[:each]
    return chosen


def by_hand(tree: Path, text: str) -> list[Change]:
    """Read changes from a list; OLD must stand once in its file."""
    found = []
    for line in filter(None, (line.strip() for line in text.splitlines())):
        if line.startswith("#"):
            continue
        file, old, new = (part.strip().replace("\\n", "\n") for part in line.split("@@"))
        data = (tree / "src" / "greystep" / f"{file}.py").read_bytes()
        if data.count(old.encode()) != 1:
            raise SystemExit(f"{file}: {data.count(old.encode())} times: {old}")
        start = data.index(old.encode())
        row, places = data[:start].count(b"\n") + 1, Places()
        places.visit(ast.parse(data))
        name = max(
            ((node.lineno, function) for function, node, _ in places.found if node.lineno <= row),  # type: ignore[attr-defined]
            default=(0, ""),
        )[1]
        found.append(Change(file, row, name, "by hand", old, new, start, start + len(old.encode())))
    return found


# --- which test calls what -------------------------------------------------------------------------------------------


class Recorder:
    """A plugin of the test runner: the functions of the package that each test calls, its fixtures included."""

    def __init__(self, package: Path) -> None:
        self.package = f"{package}/"
        self.seen: list[set[str]] = [set()]
        self.fixtures: dict[tuple[str, str], set[str]] = {}
        self.tests: dict[str, tuple[float, list[str]]] = {}

    def trace(self, frame: FrameType, event: str, argument: object) -> None:
        code = frame.f_code
        if code.co_filename.startswith(self.package):
            file = code.co_filename[len(self.package) : -3]
            self.seen[-1].add(f"{file}:{code.co_qualname.replace('.<locals>', '')}")

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any, request: Any) -> Any:
        if fixturedef.scope == "function":
            return (yield)
        self.seen.append(set())
        try:
            return (yield)
        finally:
            self.fixtures.setdefault((fixturedef.baseid, fixturedef.argname), set()).update(self.seen.pop())

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: Any, nextitem: Any) -> Any:
        self.seen, begun = [set()], time.process_time()
        threading.settrace(self.trace)
        sys.settrace(self.trace)
        try:
            return (yield)
        finally:
            sys.settrace(None)
            called = self.seen[0]
            for name, definitions in item._fixtureinfo.name2fixturedefs.items():
                for one in definitions:
                    called |= self.fixtures.get((one.baseid, name), set())
            self.tests[item.nodeid] = (time.process_time() - begun, sorted(called))


def beside(tree: Path, file: str) -> set[str]:
    """Return the test files beside a file of the package."""
    room, name = file.split("/")
    found = {f"tests/thresholds/test_{room}.py"}
    imports = (f"greystep.{room}.{name} import", f"import greystep.{room}.{name}", f"greystep.{room} import {name}")
    for path in (tree / "tests").rglob("test_*.py"):
        if path.relative_to(tree).as_posix().startswith(FAR):
            continue
        if path.parent.name == room or any(text in path.read_text("utf-8") for text in imports):
            found.add(path.relative_to(tree).as_posix())
    return found


def make_map(tree: Path, rooms: list[str]) -> None:
    """Run each test file that stands beside any file of the rooms, and write down what its tests call."""
    files = set[str]()
    for room in rooms:
        for path in (tree / "src" / "greystep" / room).glob("*.py"):
            files |= {file for file in beside(tree, f"{room}/{path.stem}") if (tree / file).exists()}
    for file in sorted(files):
        target = tree / "calls" / f"{file.replace('/', '.')}.json"
        if target.exists() and target.stat().st_mtime > (tree / file).stat().st_mtime:
            continue
        target.parent.mkdir(exist_ok=True)

        def record(file: str = file, target: Path = target) -> int:
            recorder = Recorder(tree / "src" / "greystep")
            status = tests_of(tree, [file], [recorder], stop=False)
            target.write_text(json.dumps(recorder.tests))
            return status

        begun = time.monotonic()
        print(f"{forked(record, 1800.0):8s} {time.monotonic() - begun:6.1f} s  {file}", flush=True)


# --- running ---------------------------------------------------------------------------------------------------------


def tests_of(tree: Path, tests: list[str], plugins: list[object], stop: bool) -> int:
    """Run tests in this process; return the status of the test runner."""
    words = ["-o", "addopts=", "--import-mode=importlib", "-q", "-p", "no:cacheprovider", f"--basetemp={tree}/scratch"]
    words += ["-x", "--tb=no"] if stop else []
    return int(pytest.main([*words, *tests], plugins=plugins))


def forked(work: Any, seconds: float) -> str:
    """Do it in a process of its own; return `passed`, `caught`, `hangs` or `broken`."""
    child = os.fork()
    if child == 0:
        os.setsid()
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        resource.setrlimit(resource.RLIMIT_CPU, (int(seconds), int(seconds) + 1))
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, 1)
        os.dup2(null, 2)
        status = 99
        with contextlib.suppress(BaseException):
            status = work()
        os._exit(status)
    until = time.monotonic() + 20.0 * seconds  # others may work on this machine too: processor time is what counts
    while not os.waitid(os.P_PID, child, os.WEXITED | os.WNOHANG | os.WNOWAIT):
        if time.monotonic() > until:
            os.killpg(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return "hangs"
        time.sleep(0.02)
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    ends = {0: "passed", 5: "passed", 3: "broken", 4: "broken", 99: "broken", -signal.SIGXCPU: "hangs"}
    return ends.get(status, "caught")


def chosen(
    change: Change, known: dict[str, dict[str, tuple[float, list[str]]]], tree: Path, given: float
) -> tuple[list[str], float]:
    """Return the tests that may notice a change with the seconds that they take: all quick ones, then of each file."""
    found: list[tuple[bool, bool, int, float, str]] = []
    for file in beside(tree, change.file):
        other = re.search(rf"/test_{change.file.split('/')[1]}[._]", file) is None
        place = f"{change.file}:{change.function}"
        fit = [
            (takes, test)
            for test, (takes, called) in known.get(file, {}).items()
            if place in called or (not change.function and any(one.startswith(place) for one in called))
        ]
        found += [
            (takes > QUICK, other, at if other else 0, takes, test) for at, (takes, test) in enumerate(sorted(fit))
        ]
    tests, total = list[str](), 0.0
    for *_, takes, test in sorted(found):
        if total + takes <= given:
            total += takes
            tests.append(test)
    return tests, total


def prepared(tree: Path) -> None:
    """Copy the tree, and import what every process needs."""
    os.environ |= {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "PYTHONPATH": f"{tree / 'src'}"}
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"  # a second of each process
    os.nice(int(os.environ.get("NICE", "10")))
    tree.mkdir(parents=True, exist_ok=True)
    for name in COPIED:
        if (ROOT / name).is_dir():
            shutil.copytree(ROOT / name, tree / name, dirs_exist_ok=True, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy2(ROOT / name, tree / name)
    os.chdir(tree)
    sys.path[:0] = [str(tree / "src"), str(tree / "tests")]
    for library in LIBRARIES:
        __import__(library)


def run(tree: Path, changes: list[Change], log: Path, given: float) -> None:
    """Make each change, run its tests and print what came of it; at the end the share that was noticed."""
    known: dict[str, dict[str, tuple[float, list[str]]]] = {}
    for path in (tree / "calls").glob("*.json"):
        tests = json.loads(path.read_text())
        known |= {next(iter(tests)).split("::")[0]: tests} if tests else {}
    counts: dict[str, Counter[str]] = {}
    begun = int(time.time()) + 100_000_000  # later than any file, and than those of an earlier run
    for number, change in enumerate(changes):
        path = tree / "src" / "greystep" / f"{change.file}.py"
        whole, tests = path.read_bytes(), chosen(change, known, tree, given)
        try:
            path.write_bytes(change.applied(whole))
            os.utime(path, (begun + number, begun + number))  # no compiled file of another change is taken for it
            came = "passed"
            if tests[0]:
                came = forked(lambda tests=tests[0]: tests_of(tree, tests, [], stop=True), SLACK * tests[1] + 20.0)
        finally:
            path.write_bytes(whole)
        counts.setdefault(change.file.split("/")[0], Counter())[came] += 1
        said = f"{came:7s} {change} ({len(tests[0])} tests)"
        print(said, flush=True)
        with log.open("a") as file:
            file.write(f"{said}\n")
    counts["all"] = sum(counts.values(), Counter[str]())
    for room, count in counts.items():
        print(f"{room:8s} {count.total():4d} changes, noticed {1 - count['passed'] / count.total():.1%}")


def main() -> None:
    """Read the options and do it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=["map", "run", "list"])
    parser.add_argument("--tree", type=Path, required=True, help="where the copy of the tree lies")
    parser.add_argument("--rooms", nargs="*", default=list(ROOMS))
    parser.add_argument("--each", type=int, default=40, help="changes in each room")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--changes", type=Path, help="a list of changes by hand")
    parser.add_argument("--again", type=Path, help="a log: only what was not noticed there")
    parser.add_argument("--given", type=float, default=GIVEN, help="seconds of tests for one change")
    parser.add_argument("--log", type=Path, default=Path("/dev/null"), help="a file that each line is added to")
    given = parser.parse_args()
    tree, log = given.tree.resolve(), given.log.resolve()
    before = given.again.read_text().splitlines() if given.again else []
    changes = given.changes.read_text() if given.changes else ""
    prepared(tree)
    if given.what == "map":
        make_map(tree, given.rooms)
        return
    made = by_hand(tree, changes) if changes else sampled(tree, given.rooms, given.each, given.seed)
    open_ones = [line.partition(" ")[2].strip() for line in before if not line.startswith("caught")]
    made = [change for change in made if not before or any(line.startswith(str(change)) for line in open_ones)]
    if given.what == "run":
        run(tree, made, log, given.given)
        return
    for change in made:
        print(change)


if __name__ == "__main__":
    main()
