"""The commands of the README in their order: each prints what is shown, and its demo is the committed sample."""

import json
import re
import shlex
import shutil
from contextlib import chdir
from pathlib import Path

import numpy as np
import pytest
import rawpy

from helpers.console import Result, greystep

ROOT = Path(__file__).parents[1]
README, SAMPLE = ROOT / "README.md", ROOT / "sample_data" / "hire_kit"
MIDDLE = (slice(100, 190), slice(156, 256))  # well within the card

pytestmark = pytest.mark.skipif(
    not (README.is_file() and SAMPLE.is_dir()), reason="README.md and sample_data are not part of this installation"
)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("readme")


@pytest.fixture(scope="module")
def printed(place: Path) -> list[tuple[str, Result]]:
    """Every line of a plain ``sh`` block that calls greystep, run; the set-up block is for .ci/run."""
    lines = [
        line
        for block in re.findall(r"^```sh\n(.*?)^```", README.read_text("utf-8"), flags=re.MULTILINE | re.DOTALL)
        for line in block.replace("\\\n", " ").splitlines()
        if line.startswith("greystep ")
    ]
    shutil.copytree(ROOT / "sample_data", place / "sample_data")
    with chdir(place):
        return [(line, greystep(*shlex.split(line, comments=True)[1:])) for line in lines]


def test_the_commands_run_in_their_order(printed: list[tuple[str, Result]]) -> None:
    text = README.read_text("utf-8")
    pairs = re.findall(r"^(greystep [^\n]*)\n```\n(?:\nprints\n)?\n```text\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
    shown = dict(pairs)
    assert len(shown) == text.count("```text")
    assert set(shown) <= {line for line, _ in printed}
    assert any(line.startswith("greystep report") for line, _ in printed)
    for line, result in printed:
        assert result.status == 0, (line, result.err)
        if line in shown:  # word by word; another library may round a last digit otherwise
            assert re.sub(r"\d", "0", result.out).split() == re.sub(r"\d", "0", shown[line]).split()


def card(path: Path) -> np.ndarray:
    """Mean R, G, B of the card above the nominal black, as the raw library decodes it."""
    with rawpy.imread(str(path)) as raw:
        sites = raw.raw_image[MIDDLE].astype(np.float64) - 512.0
    return np.array(
        [sites[0::2, 0::2].mean(), (sites[0::2, 1::2].mean() + sites[1::2, 0::2].mean()) / 2, sites[1::2, 1::2].mean()]
    )


def truth_of(folder: Path) -> dict:
    return json.loads((folder / "truth.json").read_text("ascii"))


@pytest.mark.usefixtures("printed")
def test_the_committed_sample_is_what_the_demo_makes(place: Path) -> None:
    again = place / "hire_kit"
    shipped = [path for path in SAMPLE.rglob("*") if path.is_file() and ".greystep" not in path.parts]
    assert sum(path.stat().st_size for path in shipped) < 10e6
    for name in ("shots.csv", "session.toml", "grey.csv"):
        assert (SAMPLE / name).read_text(encoding="utf-8") == (again / name).read_text(encoding="utf-8")
    made, kept = truth_of(again), truth_of(SAMPLE)
    assert [f["frame"] for f in kept["frames"]] == sorted(path.name for path in (SAMPLE / "frames").glob("*.dng"))
    for new, old in zip(made["frames"], kept["frames"], strict=True):
        assert new.keys() == old.keys()
        for name, value in new.items():
            assert old[name] == (pytest.approx(value, rel=1e-6, abs=1e-6) if isinstance(value, float) else value)
        means = [card(folder / "frames" / new["frame"]) for folder in (SAMPLE, again)]
        np.testing.assert_allclose(means[0], means[1], rtol=1e-3, atol=0.2)
