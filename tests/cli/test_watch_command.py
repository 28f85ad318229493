"""``greystep watch``: frames that arrive one by one are told one by one, and what is read is what ingest reads."""

import json
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

import greystep.cli.options
from greystep.cli.app import app

SAMPLE = Path(__file__).parents[2] / "sample_data" / "hire_kit"
pytestmark = pytest.mark.skipif(not SAMPLE.is_dir(), reason="sample_data is not part of this installation")
ROWS = 7


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], catch_exceptions=False)


@pytest.fixture
def session(tmp_path: Path) -> Path:
    """The first rows of the sample's log, and no frame yet."""
    folder = tmp_path / "prep"
    (folder / "frames").mkdir(parents=True)
    log = (SAMPLE / "shots.csv").read_text(encoding="utf-8").splitlines()
    (folder / "shots.csv").write_text("\n".join(log[: ROWS + 1]) + "\n", encoding="utf-8")
    return folder


def frames() -> list[Path]:
    return sorted((SAMPLE / "frames").iterdir())[:ROWS]


@contextmanager
def meanwhile(act: Callable[[], None]) -> Iterator[None]:
    """Let something happen while a watch runs."""
    thread = threading.Thread(target=act)
    thread.start()
    yield
    thread.join()


def wait_for(path: Path) -> None:
    """Wait until a file is written, however slow this machine is."""
    end = time.monotonic() + 60.0
    while not path.exists() and time.monotonic() < end:
        time.sleep(0.02)


@pytest.fixture
def open_log(session: Path) -> str:
    """All frames of the log, which has one row more, so that a watch does not end at once; the log without that row."""
    for path in frames():
        shutil.copy(path, session / "frames")
    log = (session / "shots.csv").read_text(encoding="utf-8")
    (session / "shots.csv").write_text(log + "later.dng,A,1/2\n", encoding="utf-8")
    return log


def test_frames_are_told_as_they_arrive_and_the_end_of_the_log_ends_it(session: Path) -> None:
    def copy() -> None:
        for path in frames():
            shutil.copy(path, session / "frames")
            wait_for(session / "readings.csv")
            time.sleep(0.25)

    with meanwhile(copy):
        result = run("watch", session, "--every", "0.05", "--idle", "20")
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    told = [line.split(":")[0] for line in lines if line.startswith("f0")]
    assert [path.name for path in frames()] == list(dict.fromkeys(told))
    assert "  next: A at 1/1" in result.stdout
    assert "discharge" in result.stdout
    assert any(line.startswith(f"{ROWS} frames: ") for line in lines)
    watched = (session / "readings.csv").read_bytes()
    assert run("ingest", session).exit_code == 0
    assert (session / "readings.csv").read_bytes() == watched


@pytest.mark.usefixtures("open_log")
def test_a_file_that_is_still_growing_is_told_again_when_it_is_whole(session: Path) -> None:
    last = session / "frames" / frames()[-1].name
    whole = last.read_bytes()
    last.write_bytes(whole[: len(whole) // 3])

    def finish() -> None:
        wait_for(session / "readings.csv")
        time.sleep(0.5)
        last.write_bytes(whole)

    with meanwhile(finish):
        result = run("watch", session, "--every", "0.05", "--idle", "3", "--json")
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    assert document["frames"] == {"total": ROWS + 1, "ok": ROWS, "doubtful": 0, "rejected": 1}
    told = [line for line in result.stderr.splitlines() if line.startswith(f"{last.name}: A at 1/1, ")]
    assert len(told) == 2
    assert "rejected" in told[0]
    assert "rejected" not in told[1]
    assert "copy it from the card again" in result.stderr
    assert "  next: A at 1/2" in result.stderr


def test_without_any_frame_there_is_nothing_to_end_with(session: Path) -> None:
    result = CliRunner().invoke(app, ["watch", str(session), "--every", "0.02", "--idle", "0.1"])
    assert result.exit_code == 1
    assert "no raw frame came" in str(result.exception)
    assert not (session / "readings.csv").exists()


def test_an_address_without_the_page_is_a_mistake(session: Path) -> None:
    result = CliRunner().invoke(app, ["watch", str(session), "--host", "0.0.0.0", "--idle", "0.1"])
    assert result.exit_code == 1
    assert "add --page" in str(result.exception)


def test_a_wrong_log_stops_it_before_the_first_frame(session: Path) -> None:
    (session / "shots.csv").write_text("frame,head,power\nf0001.dng,A,twice\n", encoding="utf-8")
    result = CliRunner().invoke(app, ["watch", str(session)])
    assert result.exit_code == 1
    assert 'power "twice"' in str(result.exception)


def test_it_ends_only_when_every_row_has_its_frame(session: Path) -> None:
    for path in (frames()[0], frames()[-1]):
        shutil.copy(path, session / "frames")
    shutil.copy(frames()[1], session / "frames" / "not_in_the_log.dng")
    result = run("watch", session, "--every", "0.02", "--idle", "0.5")
    assert result.exit_code == 0, result.output
    assert "  next: A at 1/16" in result.stdout
    assert f"{ROWS - 2} rows of the log still to be shot." in result.stdout
    assert "3 frames: 2 good, 1 rejected." in result.stdout
    assert "not_in_the_log.dng: no row of the log names it" in result.stderr


def test_a_log_that_is_corrected_meanwhile_is_read_again(
    session: Path, open_log: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = threading.Event()

    def say(*lines: str) -> None:
        greystep.cli.options.say(*lines)
        if any("1/16+x" in line for line in lines):
            told.set()

    monkeypatch.setattr("greystep.cli.watch.say", say)

    def correct() -> None:
        wait_for(session / "readings.csv")
        (session / "shots.csv").write_text(open_log.replace("1/16", "1/16+x"), encoding="utf-8")
        told.wait(60.0)
        (session / "shots.csv").write_text(open_log, encoding="utf-8")

    with meanwhile(correct):
        result = run("watch", session, "--every", "0.05", "--idle", "20")
    assert result.exit_code == 0, result.output
    assert 'power "1/16+x"' in result.stderr
    assert f"{ROWS} frames: {ROWS} good." in result.stdout


def test_a_last_look_that_failed_is_no_success(session: Path, open_log: str) -> None:
    def spoil() -> None:
        wait_for(session / "readings.csv")
        (session / "shots.csv").write_text(open_log.replace("1/16", "1/16+x"), encoding="utf-8")

    with meanwhile(spoil):
        result = CliRunner().invoke(app, ["watch", str(session), "--every", "0.05", "--idle", "2"])
    assert result.exit_code == 1
