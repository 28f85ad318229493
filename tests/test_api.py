"""The door for programs: what a notebook asks, what the commands print, and the examples in the docstrings."""

import contextlib
import doctest
import importlib
import inspect
import io
import json
import pkgutil
import re
import shutil
import typing
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

import greystep
from greystep import api, arrays, columns, results
from greystep.cli.app import app
from greystep.compare import drift
from greystep.results import session

ROOT = Path(__file__).parents[1]
SAMPLE = ROOT / "sample_data" / "hire_kit"

pytestmark = pytest.mark.skipif(not SAMPLE.is_dir(), reason="sample_data is not part of this installation")


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a copy of the sample, as somebody who reads README stands in."""
    folder = tmp_path_factory.mktemp("api")
    ignored = shutil.ignore_patterns(".greystep", "report", "readings.csv")
    shutil.copytree(SAMPLE, folder / "sample_data" / "hire_kit", ignore=ignored)
    return folder


@pytest.fixture(scope="module")
def kit(place: Path) -> greystep.Session:
    return greystep.open_session(place / "sample_data" / "hire_kit")


def test_every_public_entry_has_an_example_and_all_of_them_run(place: Path) -> None:
    finder = doctest.DocTestFinder(exclude_empty=True)
    found = finder.find(api, "api") + finder.find(session, "session", extraglobs={"open_session": api.open_session})
    examples = {test.name: test for test in found if test.examples}
    entries = [name for name in greystep.__all__ if inspect.isfunction(getattr(greystep, name))]
    methods = [
        f"session.Session.{name}"
        for name, member in vars(api.Session).items()
        if inspect.isfunction(member) and name[0] != "_"
    ]
    assert entries
    assert {*methods, *(f"api.{name}" for name in entries)} <= set(examples)
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE | doctest.ELLIPSIS)
    said = io.StringIO()
    with contextlib.chdir(place):
        for test in examples.values():
            runner.run(test, out=said.write)
    assert runner.summarize(verbose=False).failed == 0, said.getvalue()


def test_the_five_lines_of_the_readme_print_the_worst_pair(place: Path, kit: greystep.Session) -> None:
    (code,) = re.findall(r"```python\n(.+?)```", (ROOT / "README.md").read_text(encoding="utf-8"), flags=re.DOTALL)
    assert len([line for line in code.splitlines() if line]) == 5
    said = io.StringIO()
    with contextlib.chdir(place), contextlib.redirect_stdout(said):
        exec(compile(code, "README.md", "exec"), {})
    worst = kit.worst_pair
    assert worst is not None
    for part in (worst.head_a, worst.power_a, worst.head_b, worst.power_b, f"{worst.delta_mired:+.1f}"):
        assert part in said.getvalue()


def test_summary_json_and_json_are_what_the_api_gives_whole(place: Path, kit: greystep.Session) -> None:
    folder = place / "sample_data" / "hire_kit"
    printed = CliRunner().invoke(app, ["report", str(folder), "--json"])
    assert printed.exit_code == 0, printed.output
    document = json.loads(json.dumps(kit.report().document))
    assert json.loads(printed.stdout) == document
    assert json.loads((folder / "report" / "summary.json").read_text()) == document


def test_the_tables_are_those_that_the_command_writes(place: Path, kit: greystep.Session) -> None:
    report = place / "sample_data" / "hire_kit" / "report"
    assert CliRunner().invoke(app, ["report", str(report.parent)]).exit_code == 0
    for name in ("powers", "heads", "pairs"):
        written = pd.read_csv(report / f"{name}.csv", keep_default_na=False, dtype=str)
        given = getattr(kit, name)
        assert list(written) == list(given)
        assert len(written) == len(given)
    assert list(pd.read_csv(report.parent / "readings.csv", nrows=1)) == list(kit.readings)


def test_a_notebook_shows_the_verdict_and_names_as_typed(place: Path, kit: greystep.Session) -> None:
    for shown in (kit, kit.report(), kit.correct(to="A@full"), kit.choose(2)):
        html = shown._repr_html_()
        assert html.startswith("<")
        assert "<script" not in html
    assert "Send back" in kit._repr_html_()
    folder = place / "marked"
    shutil.copytree(place / "sample_data" / "hire_kit", folder, ignore=shutil.ignore_patterns("report"))
    log = (folder / "shots.csv").read_text().replace(",D,", ",<b>D</b>,")
    (folder / "shots.csv").write_text(log)
    assert "<b>D</b>" not in greystep.open_session(folder)._repr_html_()


def test_no_annotation_of_the_door_says_any() -> None:
    entries = {name: getattr(greystep, name) for name in greystep.__all__}
    for module in pkgutil.iter_modules(results.__path__, "greystep.results."):
        entries |= vars(importlib.import_module(module.name))
    members = {}
    # Types of rooms that are brought in when they are asked for.
    elsewhere = {key: one for room in (arrays, columns, drift) for key, one in vars(room).items()} | entries
    for name, entry in entries.items():
        if not re.match(r"greystep\.(api|results)\b", str(getattr(entry, "__module__", ""))):
            continue
        if inspect.isfunction(entry):
            members[name] = entry
        elif inspect.isclass(entry):
            inside = {f"{name}.{key}": getattr(member, "fget", member) for key, member in vars(entry).items()}
            members |= {key: member for key, member in inside.items() if inspect.isfunction(member)}
    assert len(members) > 60
    shapes = "tuple[typing.Any, ...]"  # numpy's own way to say an array of any shape
    for name, member in members.items():
        for hint in typing.get_type_hints(member, localns=elsewhere).values():
            assert "Any" not in str(hint).replace(shapes, ""), (name, hint)


def test_opening_needs_no_command_line(place: Path) -> None:
    with pytest.raises(greystep.GreystepError, match="no such folder"):
        greystep.open_session(place / "nowhere")
