"""``greystep watch`` over a plan: slips are told within one frame and stop nothing; the log says what happened."""

import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

from cli.test_plan_command import shoot
from greystep.api import open_session
from greystep.cli.app import app
from greystep.planning.cells import Cell, all_cells
from greystep.planning.order import FRAMES, Action, Step, arrange

CELLS = all_cells(["A", "B", "C"], ["full", "1/4", "1/64"], 2)
STEPS = arrange(CELLS, check=Cell("A", "full", 0.0))


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plan") / "prep"
    words = ["plan", str(folder), "--heads", "A,B,C", "--powers", "full,1/4,1/64", "--repeats", "2"]
    assert CliRunner().invoke(app, words, catch_exceptions=False).exit_code == 0
    return folder


def flashes() -> list[int]:
    """Places of the steps that are the middle of a leg: lowered from the one before, and lowered again behind."""
    frames = [at for at, step in enumerate(STEPS) if step.what in FRAMES]
    return [
        at for before, at, behind in zip(frames, frames[1:], frames[2:], strict=False)
        if STEPS[at].what == STEPS[before].what == STEPS[behind].what == Action.FLASH
        and len({STEPS[place].power for place in (before, at, behind)}) == 3
        and len({STEPS[place].head for place in (before, at, behind)}) == 1
    ]  # fmt: skip


def watched(
    plan: Path, folder: Path, steps: tuple[Step, ...], monkeypatch: pytest.MonkeyPatch, single: range = range(8)
) -> tuple[Path, str]:
    """Watch a shoot of these steps: frame after frame where that is told, else as after a pulled card."""
    shot = folder / "shot"
    shot.mkdir()
    shoot(shot, steps)
    session = folder / "prep"
    shutil.copytree(plan, session)
    (session / "frames").mkdir(exist_ok=True)

    def arrive(*_: object) -> Iterator[None]:
        paths = sorted((shot / "frames").iterdir(), reverse=True)
        for at, path in enumerate(paths):
            shutil.copy2(path, session / "frames")
            if at in single or at == len(paths) - 1:
                yield

    monkeypatch.setattr("greystep.session.watch.arrivals", arrive)
    result = CliRunner().invoke(app, ["watch", str(session)], catch_exceptions=False)
    return session, result.output


@pytest.fixture(scope="module")
def clean(plan: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    with pytest.MonkeyPatch.context() as patch:
        return watched(plan, tmp_path_factory.mktemp("clean"), STEPS, patch)


def verdicts(session: Path) -> tuple[str, dict[str, str]]:
    document = open_session(session).report().document
    return document["kit_verdict"], {head["label"]: head["verdict"] for head in document["heads"]}


def log(session: Path) -> pd.DataFrame:
    return pd.read_csv(session / "shots.csv", dtype=str, keep_default_na=False)


def test_a_clean_shoot_is_conducted_to_its_end(clean: tuple[Path, str], plan: Path) -> None:
    session, told = clean
    assert "NEXT   FLASH OFF" in told
    assert "turn down, dump, wait for ready" in told
    assert "ALL SHOT" in told
    assert " ! " not in told
    assert (log(session)["placed"] == "in order").all()
    assert (session / "shots_planned.csv").read_bytes() == (plan / "shots.csv").read_bytes()


def slips() -> dict[str, tuple[tuple[Step, ...], str]]:
    at = flashes()[1]
    step = STEPS[at]
    behind = next(place for place in range(at + 1, len(STEPS)) if STEPS[place].what in FRAMES)
    misfire = replace(step, what=Action.AMBIENT, head="", power="")
    return {
        "misfire": ((*STEPS[:at], misfire, *STEPS[at:]), "the pack did not fire"),
        "missed": ((*STEPS[:at], *STEPS[at + 1 : behind + 1], step, *STEPS[behind + 1 :]), "missing: shoot it now"),
    }


@pytest.mark.parametrize("name", list(slips()))
def test_a_slip_is_told_within_one_frame_and_the_verdict_is_that_of_the_clean_test(
    name: str, plan: Path, clean: tuple[Path, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps, said = slips()[name]
    slip = sum(step.what in FRAMES for step in STEPS[: flashes()[1]])
    session, told = watched(plan, tmp_path, steps, monkeypatch, range(slip, slip + 3))
    assert sum(said in line for line in " ".join(told.split()).split(" ! ")) == 1, told
    assert "ALL SHOT" in told
    assert verdicts(session) == verdicts(clean[0])
