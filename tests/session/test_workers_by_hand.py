"""How many cores there are, on any system; how long a decoder may take; what one process does of what it is told."""

import io
import os
import pickle
import re
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from greystep.errors import FrameError
from greystep.session import workers
from greystep.session.workers import Crew, cores

on_unix = pytest.mark.skipif(sys.platform == "win32", reason="there are no alarms")


def test_the_cores_that_this_process_may_use(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0, 3, 5}, raising=False)
    monkeypatch.setattr(os, "cpu_count", lambda: 8)
    assert cores() == 3
    assert Crew()._jobs == 3
    assert Crew(2)._jobs == 2
    monkeypatch.setattr(sys, "platform", "darwin")
    assert cores() == 8
    monkeypatch.setattr(os, "cpu_count", lambda: None)
    assert cores() == 1


def thread_of(path: Path) -> str:
    return threading.current_thread().name


def test_two_frames_are_worked_on_in_threads_and_one_is_not(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "needs_library", lambda path: False)
    here = threading.current_thread().name
    tasks = [(Path(name),) for name in "abc"]
    with Crew(2) as crew:
        assert here not in list(crew.each(thread_of, tasks[:2]))
        assert list(crew.each(thread_of, tasks[:1])) == [here]
        assert list(crew.each(thread_of, tasks, light=True)) == [here] * 3, "what holds the lock gains nothing by them"
        assert list(crew.each(thread_of, [])) == []
    with Crew(1) as crew:
        assert list(crew.each(thread_of, tasks)) == [here] * 3


def test_what_has_not_begun_when_a_crew_goes_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two threads wait with the second and the third frame until the crew goes; the fourth has been handed in."""
    monkeypatch.setattr(workers, "needs_library", lambda path: False)
    gate, done = threading.Event(), list[str]()

    def work(path: Path) -> None:
        if path.name != "0":
            gate.wait(10.0)
        done.append(path.name)

    with Crew(2) as crew:
        results = crew.each(work, [(Path(str(at)),) for at in range(6)])
        next(results)
        threading.Timer(0.03, gate.set).start()
    assert set(done) <= {"0", "1", "2"}


def test_the_c_library_keeps_memory_as_far_as_it_can_be_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """32 MiB is the most that glibc takes for blocks that it maps (mallopt, M_MMAP_THRESHOLD; from memory)."""
    told: list[tuple[int, int]] = []

    class Library:
        def __init__(self, name: None) -> None:
            """The one of this process."""

        def mallopt(self, option: int, value: int) -> None:
            told.append((option, value))

    monkeypatch.setattr(workers.ctypes, "CDLL", Library)
    workers.keep_memory()
    assert told == [(-1, 128 << 20), (-3, 32 << 20)]
    monkeypatch.setattr(workers.ctypes, "CDLL", lambda name: object())
    workers.keep_memory()  # another C library knows no such word


def test_a_decoder_may_take_as_long_as_the_developers_are_told() -> None:
    written = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text("utf-8")
    (said,) = re.findall(r"costs one frame; (\d+) s are the limit", written)
    assert Crew()._limit_s == float(said)


def told(path: Path, lines: int = 1) -> tuple[str, int, bool]:
    """Print something, as a decoder does; tell the seconds to the alarm and whether Ctrl-C is left to others."""
    os.write(1, b"a remark\n" * lines)
    return path.name, signal.alarm(0), signal.getsignal(signal.SIGINT) == signal.SIG_IGN


def refused(path: Path) -> None:
    raise FrameError(f"{path.name}: no")


@contextmanager
def in_place_of(*files: Any) -> Iterator[None]:
    """Let stdin, stdout and stderr of this process be these files for a while."""
    own, ctrl_c = [os.dup(number) for number in range(3)], signal.getsignal(signal.SIGINT)
    try:
        for number, file in enumerate(files):
            os.dup2(file.fileno(), number)
        yield
    finally:
        signal.signal(signal.SIGINT, ctrl_c)
        for number, kept in enumerate(own):
            os.dup2(kept, number)
            os.close(kept)


@on_unix
def test_a_process_answers_what_it_is_asked_and_what_a_decoder_prints_is_no_answer(tmp_path: Path) -> None:
    asked, answers, said = (tmp_path / name for name in ("asked", "answers", "said"))
    tasks = [(5.4, told, (Path("a"),)), (7.0, refused, (Path("b"),)), (20.0, told, (Path("c"), 2))]
    asked.write_bytes(b"".join(pickle.dumps(task) for task in tasks))
    with asked.open("rb") as first, answers.open("wb") as second, said.open("wb") as third:
        with in_place_of(first, second, third):
            workers.serve()
        left = signal.alarm(0)
    with answers.open("rb") as stream:
        found = [pickle.load(stream) for _ in tasks]
        assert stream.read() == b""
    assert (found[0], str(found[1]), found[2]) == (("a", 15, True), "b: no", ("c", 30, True))
    assert left == 0, "no alarm is left behind the last task"
    assert said.read_bytes() == b"a remark\n" * 3


def test_a_process_finds_the_modules_of_this_one_and_works_in_one_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    begun: list[tuple[list[str], dict[str, Any]]] = []
    monkeypatch.setattr(workers.subprocess, "Popen", lambda words, **options: begun.append((words, options)))
    monkeypatch.setenv("OMP_NUM_THREADS", "8")
    monkeypatch.setenv("OWN", "kept")
    workers._Process()
    ((words, options),) = begun
    assert words[:2] == [sys.executable, "-c"]
    assert repr(sys.path) in words[2]
    assert words[2].endswith("serve()")
    threads = [options["env"][name] for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")]
    assert threads == ["1"] * 3
    assert options["env"]["OWN"] == "kept"
    pipe, nowhere = workers.subprocess.PIPE, workers.subprocess.DEVNULL
    assert (options["stdin"], options["stdout"], options["stderr"]) == (pipe, pipe, nowhere)


class Played:
    """A process that has written its answer already, or stops without one."""

    def __init__(self, answer: bytes) -> None:
        self.stdin, self.stdout, self.ends = io.BytesIO(), io.BytesIO(answer), list[str]()
        self.kill, self.wait = (lambda: self.ends.append("killed")), (lambda: self.ends.append("waited for"))

    def ask(self, limit_s: float) -> Any:
        process = workers._Process.__new__(workers._Process)
        process._at_work = self  # type: ignore[assignment]
        return process.ask(told, (Path("a"), 3), limit_s)


class Clock:
    """A timer that is played: it rings at once if it is set to less than a second."""

    def __init__(self, seconds: float, ring: Any) -> None:
        self.seconds, self.ring, self.daemon = seconds, ring, False

    def start(self) -> None:
        assert self.daemon, "it keeps nobody from going"
        if self.seconds < 1.0:
            self.ring()

    def cancel(self) -> None:
        self.seconds = 0.0


def test_what_a_process_is_asked_and_how_it_may_be_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    clocks: list[Clock] = []
    monkeypatch.setattr(workers, "Timer", lambda *given: clocks.append(Clock(*given)) or clocks[-1])
    well = Played(pickle.dumps("so"))
    assert well.ask(5.0) == "so"
    assert pickle.loads(well.stdin.getvalue()) == (5.0, told, (Path("a"), 3))
    assert well.ends == []
    stopped = Played(b"")
    with pytest.raises(workers._LostError, match=r"^the decoder stopped$"):
        stopped.ask(5.0)
    late = Played(b"")
    with pytest.raises(workers._LostError, match=r"^took longer than 0.5 s$"):
        late.ask(0.5)
    assert stopped.ends == ["killed", "waited for"]
    assert late.ends == ["killed", "killed", "waited for"]
    assert stopped.stdin.closed
    assert stopped.stdout.closed

    def interrupted(_: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(workers.pickle, "load", interrupted)
    left = Played(b"")
    with pytest.raises(KeyboardInterrupt):
        left.ask(5.0)
    assert left.ends == ["killed", "waited for"]
    assert [clock.seconds for clock in clocks] == [0.0] * 4
