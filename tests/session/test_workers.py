"""A decoder that crashes or hangs costs its own frame; all cores work, and give what one gives."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from greystep.errors import FrameError
from greystep.sentences.frames import lines
from greystep.session import cache, workers
from greystep.session.ingest import ingest, overviews
from greystep.session.settings import load_settings
from greystep.session.workers import Crew
from helpers import bad_decoders
from helpers.bad_decoders import decode


def at_risk(path: Path) -> bool:
    return path.suffix == ".nef"


@pytest.fixture(autouse=True)
def risks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a name say what has to be decoded elsewhere."""
    monkeypatch.setattr(workers, "needs_library", at_risk)
    monkeypatch.setattr(workers, "_BYTES_A_PROCESS", 0)


def children() -> set[int]:
    """Those of every thread of this process."""
    return {int(pid) for one in Path("/proc/self/task").glob("*/children") for pid in one.read_text().split()}


on_linux = pytest.mark.skipif(sys.platform != "linux", reason="children are listed in /proc")


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_decoder_that_crashes_or_hangs_costs_its_own_frame(jobs: int, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []
    ask = workers._Process.ask

    def counted(process: workers._Process, work: Callable[..., Any], task: tuple[Any, ...], limit_s: float) -> Any:
        asked.extend(path.name for path in task[:1])
        return ask(process, work, task, limit_s)

    monkeypatch.setattr(workers._Process, "ask", counted)
    names = ["1.nef", "segfault.nef", "2.nef", "exits.nef", "hangs.nef", "refused.nef", "hungry.nef", "prints.nef"]
    with Crew(jobs, limit_s=0.8) as crew:
        tasks = [(Path(name), "so") for name in names]
        found = dict(zip(names, crew.each(decode, tasks), strict=True))
        again = list(crew.each(decode, tasks))
    assert asked.count("hangs.nef") == 1, "what hung once is not waited for again"
    assert asked.count("1.nef") == 2
    said = {name: str(one) for name, one in found.items() if isinstance(one, FrameError)}
    assert list(said) == ["segfault.nef", "exits.nef", "hangs.nef", "refused.nef", "hungry.nef"]
    assert [str(one) for one in again if isinstance(one, FrameError)] == list(said.values())
    remedy = "copy it from the card again, and if that is no help convert it to a lossless DNG"
    assert said["segfault.nef"] == f"segfault.nef: the decoder stopped; {remedy}"
    assert said["exits.nef"] == f"exits.nef: the decoder stopped; {remedy}"
    assert said["hangs.nef"] == f"hangs.nef: took longer than 0.8 s; {remedy}"
    assert said["refused.nef"] == (
        "refused.nef: cannot be read (IndexError: list index out of range); copy it from the card again"
    )
    assert said["hungry.nef"] == (
        "hungry.nef: takes more memory than there is (MemoryError); close other programs or give --jobs 1"
    )
    for name in ("1.nef", "2.nef", "prints.nef"):
        assert found[name][:2] == (name, "so")
        assert found[name][2] != os.getpid()


@pytest.mark.parametrize(("jobs", "kind"), [(1, ".dng"), (2, ".dng"), (3, ".dng"), (1, ".nef"), (2, ".nef")])
def test_results_come_in_order_whoever_is_first(jobs: int, kind: str) -> None:
    names = [f"slow{0.08 if place % 3 == 0 else 0.0}{place}{kind}" for place in range(9)]
    with Crew(jobs) as crew:
        found = list(crew.each(decode, [(Path(name),) for name in names]))
    assert [one[0] for one in found] == names
    places = {one[2] for one in found}
    assert (places == {os.getpid()}) == (kind == ".dng")
    assert len(places) <= jobs


@on_linux
def test_no_process_begins_where_nothing_is_at_risk_and_none_is_left() -> None:
    before = children()
    with Crew(2) as crew:
        list(crew.each(decode, [(Path(f"{place}.dng"),) for place in range(9)]))
        assert children() == before
        list(crew.each(decode, [(Path(f"{place}.nef"),) for place in range(9)]))
        assert 1 <= len(children() - before) <= 2
        list(crew.each(decode, [(Path(f"{place}.nef"),) for place in range(9)]))
        assert len(children() - before) <= 2, "they are asked again"
    assert children() == before


@on_linux
def test_small_files_are_not_worth_a_second_process(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(workers, "_BYTES_A_PROCESS", 1000)
    paths = [tmp_path / f"slow0.0{place}.nef" for place in range(6)]
    used = {}
    for size in (100, 600):
        for path in paths:
            path.write_bytes(bytes(size))
        with Crew(2) as crew:
            used[size] = len({one[2] for one in crew.each(decode, [(path,) for path in paths])})  # type: ignore[index]
    assert used == {100: 1, 600: 2}


def test_few_results_wait_to_be_taken() -> None:
    """What is held is bounded: not all frames are worked on before the first result is looked at."""
    begun: list[int] = []

    def note(path: Path) -> int:
        begun.append(int(path.stem))
        return len(begun)

    with Crew(2) as crew:
        results = crew.each(note, [(Path(f"{place}.dng"),) for place in range(100)])
        next(results)
        time.sleep(0.05)
        assert len(begun) <= 6


@on_linux
def test_ctrl_c_leaves_no_process_behind(tmp_path: Path) -> None:
    """Ctrl-C reaches every process of the terminal's group, here as there."""
    code = (
        "from pathlib import Path\nfrom greystep.session import workers\nfrom helpers.bad_decoders import decode\n"
        "workers.needs_library = lambda path: True\nworkers._BYTES_A_PROCESS = 0\n"
        "with workers.Crew(2) as crew:\n"
        "    results = crew.each(decode, [(Path(name),) for name in ('1.nef', 'hangs.nef', 'hangs.nef')])\n"
        "    print(next(results)[2], flush=True)\n    list(results)\n"
    )
    env = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    started = subprocess.Popen(
        [sys.executable, "-c", code],
        env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    assert started.stdout is not None
    worker = int(started.stdout.readline())
    os.killpg(started.pid, signal.SIGINT)
    begun = time.monotonic()
    _, err = started.communicate(timeout=10)
    assert time.monotonic() - begun < 5
    assert "KeyboardInterrupt" in err
    assert started.returncode != 0
    assert not Path(f"/proc/{worker}").exists()
    with pytest.raises(ProcessLookupError):
        os.killpg(started.pid, 0)  # nobody of the group is left


@pytest.fixture
def mixed_session(small_session: Path) -> Path:
    """The small session with frames that have to be decoded elsewhere among the others."""
    for path in sorted(small_session.glob("frames/A/*/f[235].dng")):
        path.rename(path.with_suffix(".nef"))
    return small_session


def test_one_job_and_two_give_the_same(mixed_session: Path) -> None:
    (mixed_session / "session.toml").write_text("")  # the target is sought
    tables, pictures = [], []
    for jobs in (1, 2):
        for entry in mixed_session.glob(".greystep/*"):
            entry.unlink()
        found = ingest(load_settings(mixed_session), jobs=jobs)
        tables.append(found.readings)
        pictures.append(overviews(found))
        assert len(pictures[-1]) == 6
    pd.testing.assert_frame_equal(*tables, check_exact=True)
    for name, picture in pictures[0].items():
        assert picture == pictures[1][name]


def test_the_session_goes_on_and_the_rows_say_why(
    mixed_session: Path, shoot: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    reasons = {
        "exits": "the decoder stopped; copy it from the card again",
        "hangs": "took longer than 1.5 s; copy it from the card again",
        "hungry": "takes more memory than there is",
        "segfault": "the decoder stopped; copy it from the card again",
    }
    for name in reasons:
        shoot(mixed_session / f"frames/A/1-1/{name}.nef")
    monkeypatch.setattr(cache, "measure_frame", bad_decoders.measure_frame)
    monkeypatch.setattr(Crew.__init__, "__defaults__", (None, 1.5))
    found = ingest(load_settings(mixed_session), jobs=2)
    table = found.readings.set_index("frame")
    lost = [f"A/1-1/{name}.nef" for name in reasons]
    rows = table.loc[lost]
    assert (rows[["head", "power", "status", "flags"]] == ["A", "1/1", "rejected", "unreadable"]).all(axis=None)
    assert (rows["iso"] == 100).all(), "what the camera wrote is still known"
    assert (table.drop(index=lost)["status"] == "ok").all()
    assert len(table) == 10
    for frame, said in zip(lost, lines(found.messages), strict=True):
        assert said.startswith(f"{frame}: {reasons[Path(frame).stem]}")
    assert not set(lost) & overviews(found).keys()
    monkeypatch.undo()
    assert (ingest(load_settings(mixed_session)).readings["status"] == "ok").all(), "nothing of them was kept"
