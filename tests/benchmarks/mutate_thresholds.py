"""Move each threshold of the package by 30 % and see whether a test notices (run by hand, never by the suite).

A threshold is a module-level constant in capitals that is a number, or a tuple or dict of numbers. The package is
copied into a temporary folder; there one constant at a time is multiplied by 1.3 and by 0.7 (whole numbers move by at
least one), and the tests beside its file run until the first one fails.

    python tests/benchmarks/mutate_thresholds.py --list
    python tests/benchmarks/mutate_thresholds.py --only measure/patch --seconds 120
    python tests/benchmarks/mutate_thresholds.py --only OUTLIER_SD

What it does not see: numbers inside functions; limits inside an object, such as the default tolerance of a session
(tested in test_session.py of the thresholds); of a tuple or dict its single numbers, which all move together. Some are
caught one way by their own test and the other way by chance of another: the exit code is 1 only where both survive.
"""

import argparse
import ast
import importlib.util
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "src" / "greystep"
TESTS = ROOT / "tests"
WAYS = (1.3, 0.7)
NAME = re.compile(r"_?[A-Z][A-Z0-9_]*")

#: Of the file of constants only what stands below this line is moved: above are figures from documents.
OWN_VALUES = "# Part 2: "

#: Rooms that hold no thresholds, with the reason.
NO_THRESHOLDS = {"demo": "its numbers shape invented data and decide nothing"}

#: Constants that are left alone, by file (without its room) and name, with the reason.
EXEMPT = {
    "camera:SLOPE_MIRED": "a step of finite differences",
    "camera:SLOPE_DUV": "a step of finite differences",
    "heat:_NO_POWER": "a guard against rounding",
    "joint_fit:LASTING": "a number of places",
    "target_moved:_ROUNDING": "a guard against rounding",
    "scatter:_ROUNDING": "a guard against rounding",
    "switched:_LEAST": "a guard against rounding",
    "switched:_LOGS": "derivatives",
    # Codes of file formats, versions, shapes of a chart: another number is another thing, not a looser limit.
    "calibration:_FILED_UNDER": "EXIF codes of lights",
    "raster:CFA": "a TIFF code",
    "raster:LINEAR_RAW": "a TIFF code",
    "levels:_POINTS": "points of an integral, of which half as many give it to 1e-9",
    "reading:MEASURE_VERSION": "a version of stored readings",
    "dng_from_raw:_D65": "an EXIF code of a light",
    "dng_writer:_IS_EXPOSURE_INDEX": "an EXIF code",
    "dng_writer:_PLACEHOLDER": "a tag number that is replaced before anybody reads it",
    "dng_writer:_TILE": "a size of tiles: any multiple of 16 gives the same pixels",
    "dng_writer:_TILE_STEP": "TIFF asks for multiples of 16; readers take others too",
    "camera:_D50_XY": "the white point of standard light D50",
    "jobs:RENDER_VERSION": "a version of rendered files",
    "generation:_LOCKED_BYTE": "a place beyond the file's end: every process takes the same",
    # Speed and memory: the result does not depend on them, or by less than its last printed digit.
    "fit:_CHUNK": "memory at a time",
    "demosaic:BAND": "memory at a time",
    "plates:_PIXEL_BYTES": "an estimate of room on the disk",
    "render:_OVERHEAD": "an estimate of room on the disk",
    "render:_MOSAIC_BYTES": "an estimate of room on the disk",
    "render:_PIXEL_BYTES": "an estimate of room on the disk",
    "render:_WORKERS": "frames at a time",
    "generation:_TRY_S": "how often a lock is tried",
    "patch:_MOST_LEVELS": "from where sorting is quicker than counting",
    "target_moved:_AT_ONCE": "memory at a time",
    "dng:_MASKED_SIDE": "how many masked pixels the mean is taken of",
    "raster:_MOST_PAGES": "a guard against files whose pages go in circles",
    "reading:_BAND": "memory at a time",
    "reading:_LARGEST_REGION": "memory at a time",
    "reading:_THINNED": "memory at a time",
    "measured:_LOOKED_AT": "how many frames the target is sought in",
    "target:FRAMES_LOOKED_AT": "how many frames the median is taken of",
    "notices:_CLOSELY": "how long notices are gathered before a look",
    "notices:_COLLECTED": "how long notices are gathered before a look",
    "workers:_BYTES_A_PROCESS": "an estimate of when another process is worth its beginning",
    "workers:_KEPT_BYTES": "memory that is kept for the next array",
    "differences:DRAWS": "draws of a simulation: its noise only",
    "limits:_DRAWS": "draws of a simulation: its noise only",
    "limits:_MANY": "from how many rows on half as many draws are enough: the simulation's noise only",
    "heat:_GRID": "steps of a search that is made finer about the best",
    "casts:_DRAWS": "draws of a simulation: its noise only",
    "search:MOST_STEPS": "a guard against searches that take for ever; only a tie's sum hangs on it",
    # Sizes and amounts on a page or the screen: the numbers that are shown do not depend on them.
    "images:_ICC_HEADER": "the length of an ICC header",
    "audit:_ABREAST": "patches side by side in a table",
    "correct:_WORST": "frames that are shown large",
    "first_page:CLOSE_FROM": "from how many heads the printed page is set closer",
    "first_page:OPEN_TO": "up to how many heads the printed page is set wider",
    "first_page:LONGEST": "letters of a name that a table has room for",
    "setup_figures:_LEAST_NAME": "letters of a name below which a drawing gives none",
    "svg:LETTER": "an estimate of the width of a letter",
    "at_set:_WIDE": "length of a line on the screen",
    "frame_sheet:LARGEST": "size of small pictures",
    "frame_sheet:SMALLEST": "size of small pictures",
    "frame_sheet:THUMBNAIL_PIXELS": "size of small pictures",
    "panels:_EDGE": "shape of a drawing",
    "panels:_ABREAST": "panels side by side in a drawing",
    "panels:_FARTHEST": "reach of a drawing",
    "figures:_CELL": "size of a drawing",
    "history:_APART": "size of a drawing",
    "history:_LANE": "size of a drawing",
    "history:_NAMES": "size of a drawing",
    "panels:PANEL": "size of a drawing",
    "panels:STRIP": "size of a drawing",
    "panels:_PLOT": "place in a drawing",
    "svg:_FOOT": "size of a drawing",
    "tables:PAST_THE_LIMIT": "reach of a drawing",
    "pictures:_QUALITY": "how finely small pictures are stored",
    "setup_figures:_CARD": "size of a drawing",
    "setup_figures:_FARTHEST": "reach of a drawing",
    "setup_figures:_LIT": "tone of a drawing",
    "setup_figures:_SPILL": "tone of a drawing",
    "setup_figures:_REACH": "shape of a drawing",
    "setup_figures:_EDGE": "shape of a drawing",
    "strips:_LEVEL": "tone of a drawing",
    "strips:_REACH": "reach of a drawing",
    "strips:_WIDTH": "size of a drawing",
    "strips:_HIGH": "size of a drawing",
    "strips:_GAP": "size of a drawing",
    "strips:_NAMED": "names that a drawing has room for",
    # Rounds of iterations that have settled before they end.
    "alignment:_ROUNDS": "rounds until it has settled",
    "trend:_ROUNDS": "rounds until it has settled",
    "bodies:_ROUNDS": "rounds until it has settled",
    "unmix:_ROUNDS": "rounds until it has settled",
    # Equivalent: the number cancels out.
    "chart:LOOKED_AT": "sizes of pictures tried in turn; a chart shows at several of them",
    "chart:_ANY_LIGHT": "the matrix that is fitted takes up the light's colour",
    "dng_copy:_NEUTRAL_DENOMINATOR": "denominator of a stored fraction: its last digit only",
    "dng_copy:_STOPS_DENOMINATOR": "denominator of a stored fraction: its last digit only",
    "uncertainty:_DOF_NORMAL": "Student's factor is the normal one from far below on",
    "search:UNIT": "rounds distances far below what is measured",
    "lights:_MANY": "degrees of freedom that stand for infinity",
}


@dataclass(frozen=True)
class Constant:
    """One constant: its file, its name, the lines it stands on and its value as an expression."""

    file: Path
    name: str
    value: ast.expr

    @property
    def label(self) -> str:
        return f"{self.file.relative_to(PACKAGE).with_suffix('').as_posix()}:{self.name}"


def is_numbers(node: ast.expr) -> bool:
    """Whether an expression is made of numbers only: 0.4, -3, 2 * 512, (1, 2), {"a": 3}."""
    match node:
        case ast.Constant(value=bool()):
            return False
        case ast.Constant(value=int() | float()):
            return True
        case ast.UnaryOp(operand=inner):
            return is_numbers(inner)
        case ast.BinOp(left=left, right=right):
            return all(is_numbers(one) or isinstance(one, ast.Name | ast.Call) for one in (left, right))
        case ast.Call(func=ast.Attribute(attr="array"), args=[inner], keywords=[]):
            return is_numbers(inner)
        case ast.Tuple(elts=several) | ast.List(elts=several) | ast.Dict(values=several):
            return bool(several) and all(map(is_numbers, several))
    return False


def constants() -> Iterator[Constant]:
    """Every constant of the package that is made of numbers, exempt or not."""
    for file in sorted(PACKAGE.rglob("*.py")):
        if file.relative_to(PACKAGE).parts[0] in NO_THRESHOLDS:
            continue
        text = file.read_text("utf-8")
        first = text[: max(text.find(OWN_VALUES), 0)].count("\n") if file.name == "constants.py" else 0
        for node in ast.parse(text).body:
            if node.lineno < first:
                continue
            match node:
                case ast.AnnAssign(target=ast.Name(id=name), value=ast.expr() as value):
                    pass
                case ast.Assign(targets=[ast.Name(id=name)], value=value):
                    pass
                case _:
                    continue
            if NAME.fullmatch(name) and is_numbers(value):
                yield Constant(file, name, value)


def scaled(node: ast.expr, way: float) -> str:
    """The expression with every number in it (or its outcome, where it is a sum or product) moved one way."""
    match node:
        case ast.Constant(value=int() as number):
            moved = round(number * way)
            return str(moved if moved != number else number + (1 if way > 1 else -1))
        case ast.Tuple(elts=several):
            return "(" + "".join(f"{scaled(one, way)}, " for one in several) + ")"
        case ast.List(elts=several):
            return "[" + ", ".join(scaled(one, way) for one in several) + "]"
        case ast.Dict(keys=keys, values=several):
            pairs = zip(keys, several, strict=True)
            return "{" + ", ".join(f"{ast.unparse(key)}: {scaled(one, way)}" for key, one in pairs) + "}"
        case ast.Call(func=maker, args=[inner]):
            return f"{ast.unparse(maker)}({scaled(inner, way)})"
        case ast.BinOp():
            text = ast.unparse(node)
            return f"type({text})(({text}) * {way})"
    return f"({ast.unparse(node)}) * {way}"


def mutated(constant: Constant, way: float) -> str:
    """The text of the constant's file with the constant moved."""
    lines = constant.file.read_bytes().splitlines(keepends=True)
    node = constant.value
    first, last = node.lineno - 1, node.end_lineno - 1
    before, after = lines[first][: node.col_offset], lines[last][node.end_col_offset :]
    lines[first : last + 1] = [before + scaled(node, way).encode() + after]
    return b"".join(lines).decode()


def tests_of(constant: Constant) -> list[Path]:
    """Test files that may notice, the most likely first: thresholds, the file's own, others of its room."""
    place = constant.file.relative_to(PACKAGE).with_suffix("")
    room, name = place.parent.as_posix(), place.name
    limits_of = name if room == "." else room
    likely = [TESTS / "thresholds" / f"test_{limits_of}.py", TESTS / room / f"test_{name}.py"]
    users = [] if constant.name.startswith("_") else users_of(constant)
    near = importers_of(place)
    further = list(dict.fromkeys(file for user in users for file in importers_of(user)))
    limits = [file for file in (*near, *further) if file.parent.name == "thresholds"]
    found = [*likely, *limits, *(file for file in near if file.parent.name == room)]
    found = [file for file in dict.fromkeys(found) if file.is_file()]
    if not any(file.parent.name != "thresholds" for file in found):
        rest = [*near, *further] or sorted((TESTS / room).glob("test_*.py"))
        found = list(dict.fromkeys([*found, *rest]))
    return found


def importers_of(place: Path) -> list[Path]:
    """Test files that import a file of the package, given by its path in it without a suffix; quick ones first."""
    dotted = ".".join(("greystep", *place.parts))
    imports = re.compile(
        rf"{re.escape(dotted)}\b|from {re.escape(dotted.rpartition('.')[0])} import .*\b{place.name}\b"
    )
    found = [file for file in sorted(TESTS.rglob("test_*.py")) if imports.search(file.read_text("utf-8"))]
    return sorted(found, key=lambda file: "by_hand" not in file.stem)


def users_of(constant: Constant) -> list[Path]:
    """Other files of the package that name a constant, as paths in it without a suffix."""
    named = re.compile(rf"\b{constant.name}\b")
    files = (file for file in sorted(PACKAGE.rglob("*.py")) if file != constant.file)
    return [file.relative_to(PACKAGE).with_suffix("") for file in files if named.search(file.read_text("utf-8"))]


def verdict_of(constant: Constant, way: float, copy: Path, seconds: float) -> str:
    """What the tests say of the package with the constant moved: the test that fails, or 'survived'."""
    target = copy / "greystep" / constant.file.relative_to(PACKAGE)
    tests = tests_of(constant)
    if not tests:
        return "SURVIVED (no tests)"
    target.write_text(mutated(constant, way), "utf-8")
    Path(importlib.util.cache_from_source(str(target))).unlink(missing_ok=True)
    places = [os.environ["PYTHONPATH"]] if "PYTHONPATH" in os.environ else []
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(copy), *places])}
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-n", "0", "-p", "no:cacheprovider", "--tb=no", "-rfE"]
    try:
        run = subprocess.run(
            [*command, *map(str, tests)], cwd=ROOT, env=environment, capture_output=True, text=True, timeout=seconds
        )
    except subprocess.TimeoutExpired:
        return f"UNDECIDED after {seconds:.0f} s"
    finally:
        shutil.copyfile(constant.file, target)
        Path(importlib.util.cache_from_source(str(target))).unlink(missing_ok=True)
    if run.returncode == 0:
        return "SURVIVED"
    failed = re.search(r"^(?:FAILED|ERROR) (\S+)", run.stdout, re.MULTILINE)
    return f"caught by {failed[1]}" if failed else f"caught (exit code {run.returncode})"


def main() -> int:
    """Moves the constants that were asked for; the exit code is 1 where one of them survived both ways."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", default="", help="part of FILE:NAME, such as measure/patch or OUTLIER_SD")
    parser.add_argument("--list", action="store_true", help="list the constants and their test files, run nothing")
    parser.add_argument("--seconds", type=float, default=300.0, help="longest time for one run of the tests")
    options = parser.parse_args()
    chosen = [one for one in constants() if options.only in one.label]
    unnoticed = 0
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder)
        shutil.copytree(PACKAGE, copy / "greystep", ignore=shutil.ignore_patterns("__pycache__"))
        for one in chosen:
            if reason := EXEMPT.get(one.label.rpartition("/")[2]):
                print(f"{one.label} = {ast.unparse(one.value)}: left alone, {reason}", flush=True)
                continue
            if options.list:
                files = ", ".join(file.relative_to(TESTS).as_posix() for file in tests_of(one))
                print(f"{one.label} = {ast.unparse(one.value)}: {files or 'no tests'}")
                continue
            said = {way: verdict_of(one, way, copy, options.seconds) for way in WAYS}
            unnoticed += not any(text.startswith("caught") for text in said.values())
            for way, text in said.items():
                print(f"{one.label} x {way}: {text}", flush=True)
    if not options.list:
        print(f"{unnoticed} of {len(chosen)} constants moved unnoticed both ways")
    return int(unnoticed > 0)


if __name__ == "__main__":
    raise SystemExit(main())
