"""``greystep camera``: what it writes, prints and refuses."""

import datetime
import json
import sys
from fractions import Fraction
from pathlib import Path

import colour
import numpy as np
import pytest
import typer
from numpy.typing import NDArray
from typer.testing import CliRunner

from greystep.cli.camera import camera
from greystep.demo.dngfile import Picture, dng_bytes
from greystep.errors import FrameError, GreystepError
from greystep.measure.camera_json import read_camera_json

TRUE = np.array([[0.92, -0.25, -0.10], [-0.52, 1.30, 0.25], [-0.15, 0.25, 0.70]])
CORNERS = "0.25,0.25,0.75,0.25,0.75,0.75,0.25,0.75"

app = typer.Typer(pretty_exceptions_enable=False)
app.command()(camera)


def mosaic(top: float = 0.7) -> NDArray[np.uint16]:
    """An upright chart of 300 x 200 px in the middle of 600 x 400, under a black body of 5600 K."""
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    sds = [sd.copy().align(cmfs.shape).values for sd in colour.SDS_COLOURCHECKERS["babel_average"].values()]
    lit = colour.sd_blackbody(5600, cmfs.shape).values[:, None] * cmfs.values / 1.0
    signals = np.array(sds) @ (lit / lit[:, 1].sum()) @ TRUE.T
    picture = np.full((400, 600, 3), 0.03) * signals[18]
    for number, signal in enumerate(signals):
        y, x = 100 + 51 * (number // 6), 150 + 51 * (number % 6)
        picture[y : y + 44, x : x + 44] = signal
    sites = np.tile([[0, 1], [1, 2]], (200, 300))[..., None]
    counts = top * 15000 * np.take_along_axis(picture, sites, axis=2)[..., 0] / signals[18, 1]
    counts += np.random.default_rng(1).normal(0.0, 2.0, counts.shape)
    return np.clip(np.rint(counts + 512), 0, 16383).astype(np.uint16)


def write(path: Path, top: float = 0.7) -> Path:
    picture = Picture(
        captured=datetime.datetime(2020, 1, 2, 3, 4, 5),
        exposure_s=Fraction(1, 125),
        f_number=8.0,
        iso=100,
        focal_mm=100.0,
        fired=True,
        matrix_a=TRUE,
        matrix_d65=TRUE,
        neutral=(0.6, 1.0, 0.8),
        black=(512.0,) * 4,
        white=16383,
    )
    path.write_bytes(dng_bytes(mosaic(top), picture, compressed=False))
    return path


@pytest.fixture(scope="module")
def chart(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write(tmp_path_factory.mktemp("chart") / "chart.dng")


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def test_it_writes_camera_json_here_and_says_how_well_it_fits(chart: Path, tmp_path: Path) -> None:
    result = CliRunner().invoke(app, [str(chart), "--cct", "5600"])
    assert result.exit_code == 0, result.output
    document = json.loads((tmp_path / "camera.json").read_text(encoding="ascii"))
    assert document["schema"] == 1
    assert document["illuminant_1"] == 4
    assert document["body"] == "Invented Bench 14 000417"
    assert document["light"] == {"cct_k": 5600.0, "duv": 0.0, "from": "given"}
    assert [row["patch"] for row in document["patches"]][:2] == ["dark skin", "light skin"]
    residuals = document["residuals"]
    assert residuals["median_delta_e_2000"] < 0.1
    wanted = TRUE / (TRUE @ colour.xy_to_XYZ(colour.temperature.CCT_to_xy(5600, method="Kang 2002")))[1]
    np.testing.assert_allclose(read_camera_json(tmp_path / "camera.json").matrix_1, wanted, atol=2e-3)
    for said in (
        "24-patch colour chart found at 0.2",
        "Light: 5600 K, as given",
        "own matrix reads 5600 K",
        "Patches used: 24 of 24",
        f"median {residuals['median_delta_e_2000']:.2f}, worst {residuals['worst_delta_e_2000']:.2f}",
        f"({residuals['worst_patch']})",
        '[camera] matrix = "camera.json"',
    ):
        assert said in result.output


def test_json_alone_and_the_place_of_the_file(chart: Path, tmp_path: Path) -> None:
    (tmp_path / "made").mkdir()
    result = CliRunner().invoke(app, [str(chart), "--corners", CORNERS, "--out", "made", "--json"])
    assert result.exit_code == 0, result.output
    printed = json.loads(result.stdout)
    assert printed.pop("wrote") == [str(Path("made") / "camera.json")]
    assert printed == json.loads((tmp_path / "made" / "camera.json").read_text(encoding="ascii"))
    assert printed["light"]["from"] == "file"
    assert printed["chart"]["found"] is False
    assert np.ravel(printed["chart"]["corners"]).tolist() == [float(part) for part in CORNERS.split(",")]


def test_it_refuses_to_overwrite_before_it_reads_anything(tmp_path: Path) -> None:
    (tmp_path / "camera.json").write_text("mine", encoding="ascii")
    result = CliRunner().invoke(app, ["there_is_no_such_frame.dng"])
    assert isinstance(result.exception, GreystepError)
    assert "camera.json: there already" in str(result.exception)
    assert "--out" in str(result.exception)
    assert (tmp_path / "camera.json").read_text(encoding="ascii") == "mine"


def test_what_cannot_be_done_leaves_nothing_behind(tmp_path: Path) -> None:
    over = write(tmp_path / "over.dng", top=6.0)
    result = CliRunner().invoke(app, [str(over), "--corners", CORNERS])
    assert isinstance(result.exception, GreystepError)
    gone = CliRunner().invoke(app, ["gone.dng"])
    assert isinstance(gone.exception, FrameError)
    assert [path.name for path in tmp_path.iterdir()] == ["over.dng"]


@pytest.mark.parametrize(
    "words",
    [
        ["--corners", "0.1,0.2,0.3"],
        ["--corners", "a,b,c,d,e,f,g,h"],
        ["--duv", "0.002"],
        ["--cct", "100"],
        ["--cct", "nan"],
        ["--cct", "5600", "--duv", "0.2"],
        [],
    ],
)
def test_wrong_usage_is_exit_2(chart: Path, tmp_path: Path, words: list[str]) -> None:
    result = CliRunner().invoke(app, [str(chart), *words] if words else [])
    assert result.exit_code == 2
    assert not list(tmp_path.iterdir())


def test_the_modules_import_does_not_open_the_measuring_chain() -> None:
    import subprocess

    code = (
        "import sys; import greystep.cli.camera; "
        "print(sorted({'numpy', 'scipy', 'colour', 'rawpy', 'pandas'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
