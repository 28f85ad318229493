"""Frames worked on with all cores: in threads, and in processes of their own where a decoder may crash or hang.

What is read by region lets other threads run and comes from decoders that raise. Whatever LibRaw decodes is worked on
in a process: one that crashes or takes too long costs its frame alone. These are plain interpreters that are told what
to do through pipes, and none of `multiprocessing`: that would run the caller's own script once more in each of them.
"""

import ctypes
import os
import pickle
import signal
import subprocess
import sys
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from threading import Condition, Timer
from typing import Any, Final, Self, TypeVar

from greystep.errors import FrameError
from greystep.measure.reading import unreadable
from greystep.raw.frame import needs_library

T = TypeVar("T")
#: Called with (done, total) frames.
Progress = Callable[[int, int], None]

#: A decoder that takes longer with one frame hangs [s].
LIMIT_S: Final = 20.0
#: So long a process may take to begin, on a machine that is busy [s].
_BEGIN_S: Final = 60.0
#: Another process is begun for so many bytes of raw files: less than that is decoded while it begins (0.2 s of one
#: core, against 0.6 s for a lossless frame of 75 MB).
_BYTES_A_PROCESS: Final = 48 << 20
#: So much memory that is free is not given back to the system; a quarter of it is the most that mallopt takes.
_KEPT_BYTES: Final = 128 << 20
#: How one begins. It finds modules where this process does.
_BEGIN: Final = "import sys; sys.path[:] = {path!r}; from greystep.session.workers import serve; serve()"
#: One frame is one task: threads within a decoder would only get into each other's way.
_ONE_THREAD: Final = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


def keep_memory() -> None:
    """Let the C library keep the memory of arrays for the next ones: each page that it asks for anew takes its time.

    By mallopt of glibc (M_TRIM_THRESHOLD -1, M_MMAP_THRESHOLD -3, from memory); other libraries are left as they are.
    """
    with suppress(AttributeError, OSError, TypeError):
        for option, size in ((-1, _KEPT_BYTES), (-3, _KEPT_BYTES // 4)):
            ctypes.CDLL(None).mallopt(option, size)


def cores() -> int:
    """Return how many cores this process may use."""
    if sys.platform == "linux":
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class Crew:
    """Those who work on frames; to be used in a `with` block, at whose end no process is left."""

    def __init__(self, jobs: int | None = None, limit_s: float = LIMIT_S) -> None:
        """Hire nobody yet: threads and processes begin when there is work for them.

        Args:
            jobs: Frames at once, each decoded frame in memory; the cores that this process may use by default. With 1
                there are no threads.
            limit_s: A frame that takes a process longer is lost [s].
        """
        keep_memory()
        self._jobs = jobs or cores()
        self._limit_s = limit_s
        self._threads: ThreadPoolExecutor | None = None
        self._turn = Condition()
        self._idle: list[_Process] = []
        self._all: list[_Process] = []
        self._asked_bytes = 0
        self._closed = False
        self._lost: dict[Path, FrameError] = {}
        self._at_risk: dict[Path, bool] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        with self._turn:
            self._closed = True
            for process in self._all:
                process.kill()
            self._turn.notify_all()
        if self._threads is not None:
            self._threads.shutdown(wait=True, cancel_futures=True)
        for process in self._all:
            process.end()

    def each(
        self, work: Callable[..., T], tasks: Sequence[tuple[Any, ...]], light: bool = False
    ) -> Iterator[T | FrameError]:
        """Work on frames and yield the results in their order, few of them waiting to be taken.

        Args:
            work: A function of a module, so that another process finds it; called with the members of a task. What it
                returns must be fit for pickle.
            tasks: The path of a raw file and further arguments each.
            light: It holds the interpreter's lock nearly all the time: threads only wait for each other, unless another
                process does the work.

        Yields: What `work` returned; a `FrameError` where it raised anything, crashed or took too long. A file that has
            crashed or taken too long is not tried again by this crew.
        """
        if self._jobs == 1 or len(tasks) < 2 or (light and not self._is_at_risk(tasks[0][0])):
            yield from (self._do(work, task) for task in tasks)
            return
        if self._threads is None:
            self._threads = ThreadPoolExecutor(self._jobs)
        begun: deque[Future[T | FrameError]] = deque()
        try:
            for task in tasks:
                if len(begun) >= 2 * self._jobs:
                    yield begun.popleft().result()
                begun.append(self._threads.submit(self._do, work, task))
            while begun:
                yield begun.popleft().result()
        finally:
            for future in begun:
                future.cancel()

    def _do(self, work: Callable[..., T], task: tuple[Any, ...]) -> T | FrameError:
        path = task[0]
        if path in self._lost:
            return self._lost[path]
        process = self._free_process(path) if self._is_at_risk(path) else None
        if process is None:
            return _attempt(work, task)
        try:
            return process.ask(work, task, self._limit_s)  # type: ignore[no-any-return]
        except _LostError as lost:
            remedy = "copy it from the card again, and if that is no help convert it to a lossless DNG"
            self._lost[path] = FrameError(f"{path.name}: {lost}; {remedy}")
            return self._lost[path]
        finally:
            with self._turn:
                if process.alive:
                    self._idle.append(process)
                else:
                    self._all.remove(process)
                self._turn.notify()

    def _is_at_risk(self, path: Path) -> bool:
        """Say whether a file is decoded by what may crash."""
        if path not in self._at_risk:
            self._at_risk[path] = needs_library(path)
        return self._at_risk[path]

    def _free_process(self, path: Path) -> "_Process | None":
        """Return a process that waits for work, or a new one where it is worth that; None where none can be begun."""
        with self._turn:
            with suppress(OSError):
                self._asked_bytes += path.stat().st_size
            while self._all and not self._idle and self._asked_bytes < len(self._all) * _BYTES_A_PROCESS:
                self._turn.wait()
            while self._idle:
                process = self._idle.pop()
                if process.alive:
                    return process
                self._all.remove(process)
                process.end()
            if self._closed:  # nothing is worked on here instead: it might hang the one who wants to go
                raise CancelledError
            try:
                process = _Process()
            except OSError:
                return None
            self._all.append(process)
        try:
            process.ask(cores, (), _BEGIN_S)
        except _LostError:
            with self._turn:
                self._all.remove(process)
                if self._closed:
                    raise CancelledError from None
            return None
        return process


class _LostError(Exception):
    """A process that is no more; the text says why."""


class _Process:
    """An interpreter that does what it is asked, one task at a time."""

    def __init__(self) -> None:
        """Begin one.

        Raises:
            OSError: If none can be begun.
        """
        self._at_work = subprocess.Popen(
            [sys.executable or "python", "-c", _BEGIN.format(path=sys.path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,  # decoders write there
            env=os.environ | _ONE_THREAD,
        )

    @property
    def alive(self) -> bool:
        """It has not ended."""
        return self._at_work.poll() is None

    def ask(self, work: Callable[..., Any], task: tuple[Any, ...], limit_s: float) -> Any:
        """Let it do something and return the result.

        Raises:
            _LostError: If it ended meanwhile, or took longer than `limit_s`.
        """
        assert self._at_work.stdin is not None
        assert self._at_work.stdout is not None
        late: list[bool] = []

        def stop() -> None:
            late.append(True)
            self.kill()

        timer = Timer(limit_s, stop)
        timer.daemon = True
        timer.start()
        try:
            with suppress(BrokenPipeError):  # it has just ended, which reading its answer tells
                pickle.dump((limit_s, work, task), self._at_work.stdin)
                self._at_work.stdin.flush()
            return pickle.load(self._at_work.stdout)
        except (EOFError, OSError, ValueError, pickle.UnpicklingError) as error:
            self.end()
            raise _LostError(f"took longer than {limit_s:g} s" if late else "the decoder stopped") from error
        except BaseException:
            self.end()  # its answer to this would be taken for the next one
            raise
        finally:
            timer.cancel()

    def kill(self) -> None:
        """End it now, whatever it does."""
        self._at_work.kill()

    def end(self) -> None:
        """End it and give back what it took."""
        self.kill()
        for stream in (self._at_work.stdin, self._at_work.stdout):
            with suppress(OSError):  # of what it was not told any more
                if stream is not None:
                    stream.close()
        self._at_work.wait()


def serve() -> None:
    """Do what comes through stdin and answer through stdout, until stdin ends: the life of one process.

    Ctrl-C is for the one who asks. Where there are alarms, one ends a hanging decoder although nobody is left to do it.
    """
    keep_memory()
    with os.fdopen(os.dup(0), "rb") as tasks, os.fdopen(os.dup(1), "wb") as answers:
        os.dup2(2, 1)  # what a decoder prints is no answer
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        while True:
            try:
                limit_s, work, task = pickle.load(tasks)
            except EOFError:
                return
            if sys.platform != "win32":
                signal.alarm(int(limit_s) + 10)
            pickle.dump(_attempt(work, task), answers)
            answers.flush()
            if sys.platform != "win32":
                signal.alarm(0)


def _attempt(work: Callable[..., T], task: tuple[Any, ...]) -> T | FrameError:
    """Work on a frame; whatever a reader raises is an answer, as a file may break any decoder in its own way."""
    try:
        return work(*task)
    except FrameError as error:
        return error
    except Exception as error:
        return unreadable(task[0], error)
