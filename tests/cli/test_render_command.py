"""``greystep render`` and ``greystep correct --check`` from the command line, on the demo's focus stack."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import tifffile
import typer
from typer.testing import CliRunner, Result

from greystep.cli.correct import correct
from greystep.cli.render import render
from greystep.demo.scenario import write_demo
from greystep.errors import GreystepError

app = typer.Typer()
app.command()(correct)
app.command()(render)


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cli") / "stack"
    write_demo(folder, "stack", "exact")
    return folder


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], catch_exceptions=True)


def test_render_then_check(session: Path) -> None:
    first = run("render", session, "--to", "median", "--stack", "--as", "tiff", "--json")
    assert first.exit_code == 0, first.output
    told = json.loads(first.stdout)
    assert (told["schema"], len(told["frames"]), len(told["wrote"])) == (1, 12, 12)
    assert all(Path(path).is_file() for path in told["wrote"])
    again = run("render", session, "--to", "median", "--stack")
    assert "12 kept from before" in again.stdout
    checked = run("correct", session, "--to", "median", "--stack", "--check")
    assert checked.exit_code == 0, checked.output
    assert "12 files measured again." in checked.stdout
    table = pd.read_csv(session / "report" / "check.csv")
    assert table["steps_after"].max() < 0.1 < table["steps_before"].max()
    assert (session / "report" / "check.svg").read_text().startswith("<svg")
    as_json = json.loads(run("correct", session, "--to", "median", "--stack", "--check", "--json").stdout)
    assert len(as_json["check"]) == 12


def test_check_asks_for_rendered_frames_of_these_options(session: Path, tmp_path: Path) -> None:
    result = run("correct", session, "--to", "median", "--out", tmp_path, "--check")
    assert isinstance(result.exception, GreystepError)
    assert "run greystep render first" in str(result.exception)


def test_plates_are_added(session: Path, tmp_path: Path) -> None:
    (tmp_path / "PLATES.csv").write_text("plate,stops\nf0002.dng,-1\nf0003.dng,-1\n")
    result = run("render", session, "--to", "median", "--sum", tmp_path / "PLATES.csv", "--out", tmp_path)
    assert result.exit_code == 0, result.output
    assert "2 plates added" in result.stdout
    image = tifffile.imread(tmp_path / "sum.tif")
    assert image.shape == (320, 480, 3)
    assert image.dtype == np.uint16


def test_the_raw_folder_is_refused(session: Path) -> None:
    result = run("render", session, "--to", "median", "--as", "dng", "--out", session / "frames" / "x")
    assert isinstance(result.exception, GreystepError)
    assert not (session / "frames" / "x").exists()
