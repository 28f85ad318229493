"""A stack folder without any log: its frames are those of a job, in ``frames`` or in the folder itself."""

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from greystep.cli.correct import correct
from greystep.cli.render import render
from greystep.errors import GreystepError
from greystep.session.ingest import ingest
from greystep.session.settings import load_settings
from helpers.stack import Stack


def run(command: Callable[..., None], *arguments: object) -> tuple[int, str]:
    app = typer.Typer(pretty_exceptions_enable=False)
    app.command()(command)
    done = CliRunner().invoke(app, [str(argument) for argument in arguments], catch_exceptions=False)
    return done.exit_code, done.output


@pytest.mark.parametrize("below", ["frames", ""])
def test_a_stack_without_a_log_gets_the_gains_of_its_logged_twin(stack: Stack, tmp_path: Path, below: str) -> None:
    """Without its flash-off frame, which nothing tells from a job frame without a log."""
    logged, bare = tmp_path / "logged", tmp_path / "bare"
    (bare / below).mkdir(parents=True)
    frames = sorted((stack.folder / "frames").iterdir())[1:6]
    for path in frames:
        shutil.copy(path, bare / below)
    (logged / "frames").mkdir(parents=True)
    for path in frames:
        (logged / "frames" / path.name).symlink_to(path)
    rows = [f"{path.name},job" for path in frames]
    (logged / "shots.csv").write_text("\n".join(["frame,kind", *rows]))
    before = sorted(path.name for path in (bare / below).iterdir())
    for session in (logged, bare):
        code, said = run(correct, session, "--stack", "--out", tmp_path / f"out of {session.name}")
        assert code == 0, said
    made = [(tmp_path / f"out of {name}" / "corrections.csv").read_text() for name in ("logged", "bare")]
    assert made[0] == made[1]
    if not below:  # nothing is written among the raw files
        assert sorted(path.name for path in bare.iterdir()) == before
        with pytest.raises(GreystepError, match="raw frames are never written to; give another folder with --out"):
            run(correct, bare, "--stack")
        code, said = run(render, bare, "--stack", "--as", "dng", "--out", tmp_path / "rendered")
        assert code == 0, said
        assert len(list((tmp_path / "rendered" / "dng").iterdir())) >= len(frames)


def test_without_stack_a_folder_without_a_log_is_told_what_is_missing(stack: Stack, tmp_path: Path) -> None:
    (tmp_path / "frames").symlink_to(stack.folder / "frames")
    with pytest.raises(GreystepError, match=r"no shots\.csv, and no file name"):
        run(correct, tmp_path)


def test_names_that_say_head_and_power_of_every_frame_stay_a_log(stack: Stack, tmp_path: Path) -> None:
    (tmp_path / "frames").mkdir()
    for at, path in enumerate(sorted((stack.folder / "frames").iterdir())[1:4]):
        shutil.copy(path, tmp_path / "frames" / f"A_1-4_{at}.dng")
    assert set(ingest(load_settings(tmp_path), stack=True).readings["kind"]) == {"flash"}
    shutil.copy(path, tmp_path / "frames" / "IMG_0007.dng")
    assert set(ingest(load_settings(tmp_path), stack=True).readings["kind"]) == {"job"}
