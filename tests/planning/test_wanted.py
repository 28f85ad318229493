"""What a plan takes up beside every head at every power: runs for stacks, heads fired together, recycle time, dial."""

import json
from pathlib import Path

import pandas as pd
import pytest
import typer
from typer.testing import CliRunner, Result

from greystep.cli.plan import plan
from greystep.errors import GreystepError
from greystep.planning.cells import all_cells
from greystep.planning.order import Action, Step, arrange
from greystep.planning.wanted import stack_runs, together_cells
from greystep.session.runs import RUN_NOTE
from greystep.session.settings import load_settings
from greystep.session.shots import read_shots

app = typer.Typer(pretty_exceptions_enable=False)
app.command()(plan)


@app.command()
def other() -> None:
    """Two commands, so that the first has its name."""


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments], catch_exceptions=False)


def log_of(folder: Path) -> pd.DataFrame:
    return read_shots(load_settings(folder))


CELLS = all_cells(["A", "B", "C"], ["full", "1/4"], 2, {"A": "P1", "B": "P1", "C": "P2"})


def of(steps: tuple[Step, ...], head: str) -> list[Step]:
    return [step for step in steps if step.head == head]


# --- a run for a stack ----------------------------------------------------------------------------------------------


def test_a_head_that_will_stack_begins_with_a_run_from_rest_at_the_pace_of_the_stack() -> None:
    runs = stack_runs(["B"], CELLS, 12, 2.5)
    steps = of(arrange(CELLS, runs=runs), "B")
    assert [step.what for step in steps[:2]] == [Action.HEAD, Action.RUN]  # cold: no warm-up shots before it
    frames = steps[2:14]
    assert {(step.what, step.power, step.note, step.seconds) for step in frames} == {("flash", "full", RUN_NOTE, 2.5)}
    rest = steps[14:]
    assert sum(step.what == Action.FLASH for step in rest) == 4  # and then the test as ever
    assert Action.WARM_UP not in {step.what for step in rest}  # it is warm by then
    assert Action.WARM_UP in {step.what for step in of(arrange(CELLS, runs=runs), "A")}


@pytest.mark.parametrize("order", ["by-head", "mixed", "shuffled"])
def test_the_run_may_be_at_a_lower_power_and_comes_once(order: str) -> None:
    steps = of(arrange(CELLS, order, runs=stack_runs(["C@1/4", "A"], CELLS, 12, 2.5)), "C")
    frames = [step for step in steps if step.note == RUN_NOTE]
    assert [step.power for step in frames] == ["1/4"] * 12
    places = [place for place, step in enumerate(steps) if step.note == RUN_NOTE]
    assert places == list(range(places[0], places[0] + 12))
    assert sum(step.what == Action.RUN for step in steps) == 1


@pytest.mark.parametrize(
    ("text", "says"),
    [("D", "no head D in this test"), ("A@1/8", "1/8 is not among the powers of A"), ("A@x", "not understood")],
)
def test_a_run_that_cannot_be_is_refused(text: str, says: str) -> None:
    with pytest.raises(GreystepError, match=says):
        stack_runs([text], CELLS, 12, 2.5)


# --- heads fired together -------------------------------------------------------------------------------------------


def test_a_head_is_shot_once_more_while_another_fires_from_its_pack() -> None:
    cells = together_cells(["A:B"], CELLS)
    assert [cell.parts for cell in cells if cell.parts] == [(("with", "B"),)] * 2
    assert [cell.head for cell in cells] == ["A", "A", "A", "A", "B", "B", "C", "C"]  # at its own turn
    assert len([step for step in arrange(cells) if step.what == "flash" and step.parts]) == 4
    check = next(cell for cell in cells if cell.head == "A")
    with_checks = arrange(cells, check=check)
    assert [step.what for step in with_checks].count(Action.CHECK) == 6  # A stays where it stands


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("A", "write A:B"),
        ("A:D", "no head D"),
        ("A:A", "itself"),
        ("A:C", "head A is on pack P1 and C on P2"),
    ],
)
def test_heads_that_cannot_fire_together_are_refused(text: str, says: str) -> None:
    with pytest.raises(GreystepError, match=says):
        together_cells([text], CELLS)


# --- the command ----------------------------------------------------------------------------------------------------


def test_the_command_plans_all_of_it_and_the_log_reads_back(tmp_path: Path) -> None:
    made = run(
        "plan", tmp_path / "prep", "--heads", "A,B", "--packs", "P1", "--powers", "10,8,6.5", "--dial", "10",
        "--with", "A:B", "--stack", "B@8", "--run", "9", "--recycle", "2,5", "--json",
    )  # fmt: skip
    assert made.exit_code == 0, made.output
    settings = load_settings(tmp_path / "prep")
    assert (settings.dial, settings.recycle_s) == (10.0, 2.5)
    log = log_of(tmp_path / "prep")
    ran = log[log["note"].str.contains(RUN_NOTE)]
    assert (len(ran), set(ran["head"]), set(ran["power"]), set(ran["stops"])) == (9, {"B"}, {"8"}, {2.0})
    together = log[log["with"] == "B"]
    assert set(together["head"]) == {"A"}
    assert set(together["power"]) == {"10", "8", "6.5"}
    sheet = (tmp_path / "prep" / "shotsheet.html").read_text(encoding="utf-8")
    assert "9 frames of B at 8, from rest, one every 2.5 s" in sheet
    assert "Head A with B firing" in sheet
    assert "light of B kept off the target" in sheet
    assert "least 2.5 s from flash to flash" in sheet
    assert "2 rounds of each light" in sheet  # the run is none of them
    assert json.loads(made.stdout)["wrote"]


def test_the_pace_of_the_sheet_is_no_faster_than_the_recycle_time(tmp_path: Path) -> None:
    minutes = []
    for seconds in (1, 60):
        made = run("plan", tmp_path / str(seconds), "--heads", "A,B", "--recycle", seconds)
        minutes.append(int(made.stdout.split("about ")[1].split(" min")[0]))
    assert minutes[1] > minutes[0] + 10


@pytest.mark.parametrize(
    "options", [("--recycle", "0"), ("--dial", "99"), ("--run", "2"), ("--stack", "A", "--order", "")]
)
def test_what_is_no_amount_is_wrong_usage(tmp_path: Path, options: tuple[str, ...]) -> None:
    assert run("plan", tmp_path / "x", "--heads", "A,B", *options).exit_code == 2
    assert not (tmp_path / "x").exists()
