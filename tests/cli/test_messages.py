"""Messages beside the results: no line wider than the screen, and each fault once."""

import os
import pty
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import greystep as package
from helpers.console import greystep

SAMPLE = Path(__file__).parents[2] / "sample_data" / "hire_kit"
pytestmark = pytest.mark.skipif(not SAMPLE.is_dir(), reason="sample_data is not part of this installation")
#: Frames of the first head: one is cut off, one is missing, one is not in the log.
FRAMES = 14


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("messages") / "prep"
    (folder / "frames").mkdir(parents=True)
    log = (SAMPLE / "shots.csv").read_text(encoding="utf-8").splitlines()
    (folder / "shots.csv").write_text("\n".join(log[: FRAMES + 1]) + "\n", encoding="utf-8")
    for path in sorted((SAMPLE / "frames").iterdir())[:FRAMES]:
        shutil.copy(path, folder / "frames")
    frames = sorted((folder / "frames").iterdir())
    frames[5].write_bytes(frames[5].read_bytes()[:4000])
    frames[9].unlink()
    shutil.copy(frames[4], folder / "frames" / "zz.dng")
    return folder


@pytest.mark.parametrize("command", ["ingest", "report", "correct"])
def test_each_fault_is_said_once_and_no_line_is_too_wide(command: str, session: Path) -> None:
    done = greystep(command, session, "--out", session.parent / "out")
    assert done.status == 0, done.err
    for name in ("f0006.dng", "f0010.dng", "zz.dng"):
        said = [line for line in (done.out + done.err).splitlines() if name in line]
        told = [line for line in said if "without: " not in line]  # how many have no correction, and which
        assert len(told) == 1, said
        assert told[0] in done.err
    lines = [line for line in (done.out + done.err_shown).splitlines() if str(session.parent) not in line]
    assert max(map(len, lines)) <= 80, lines
    assert "\n    " in done.err_shown


def test_an_error_is_one_line_for_a_script_and_folded_on_a_terminal(tmp_path: Path) -> None:
    (tmp_path / "shots.csv").write_text("frame,head,power\nf1.dng,A,16-Mar\n", encoding="utf-8")
    (tmp_path / "frames").mkdir()
    words = [sys.executable, "-m", "greystep", "ingest", "."]
    environment = os.environ | {"PYTHONPATH": str(Path(package.__file__).parents[1]), "COLUMNS": "60"}
    piped = subprocess.run(
        words, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False, timeout=60
    )
    assert piped.stderr.startswith("greystep: shots.csv: 1 fault")
    assert piped.stderr.count("\n") == 2  # its title, and a line a fault
    assert len(piped.stderr.splitlines()[1]) > 100
    ours, theirs = pty.openpty()
    done = subprocess.run(words, cwd=tmp_path, stderr=theirs, env=environment, check=False, timeout=60)
    shown = os.read(ours, 65536).decode().replace("\x1b[2K", "").replace("\r", "\n").split("\n")  # after a progress bar
    os.close(theirs)
    os.close(ours)
    assert done.returncode == 1
    assert len(shown) > 3
    assert max(map(len, shown)) <= 60
    assert " ".join(line.strip() for line in shown).split() == piped.stderr.split()
