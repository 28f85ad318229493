"""What ends the wait between two looks at a folder: a decision, or a notice of the system that a file has changed."""

import threading
from contextlib import suppress
from pathlib import Path
from typing import Final

#: Notices are collected for so long, and gathered while they follow each other so closely [ms].
_COLLECTED: Final = 100
_CLOSELY: Final = 20


class Bell:
    """Rung by others, waited for by one."""

    def __init__(self) -> None:
        self._rung = threading.Event()
        self._asked = threading.Event()

    def ring(self) -> None:
        """Tell that files may have changed."""
        self._rung.set()

    def ask(self) -> None:
        """Tell that there is something to do, whether or not files have changed."""
        self._asked.set()
        self._rung.set()

    def wait(self, at_most_s: float) -> None:
        """Wait until it is rung."""
        self._rung.wait(at_most_s)
        self._rung.clear()

    def asked(self) -> bool:
        """Say whether there is something to do since this was called last."""
        asked = self._asked.is_set()
        self._asked.clear()
        return asked


class Notices:
    """The system's own notices of a folder, which ring a bell; none where they cannot be had.

    A network share sends none, nor does a linked folder to the one that links to it, and the system may have no more to
    give: whoever waits for them must look by itself too.
    """

    def __init__(self, bell: Bell) -> None:
        self._bell = bell
        self._folder: tuple[int, int] | None = None
        self._end = threading.Event()
        self._thread: threading.Thread | None = None

    def follow(self, folder: Path) -> None:
        """Take notices of a folder from now on; of another one in its place where it has gone and come back."""
        try:
            found = folder.stat()
        except OSError:  # still to come, or gone
            return self.close()
        if (found.st_dev, found.st_ino) != self._folder:
            self.close()
            self._folder, self._end = (found.st_dev, found.st_ino), threading.Event()
            self._thread = threading.Thread(target=self._listen, args=(folder, self._end), name="notices", daemon=True)
            self._thread.start()

    def _listen(self, folder: Path, end: threading.Event) -> None:
        with suppress(OSError, RuntimeError, ValueError):  # no more to be had, the folder gone, an odd name
            from watchfiles import watch

            for _ in watch(
                folder, watch_filter=None, debounce=_COLLECTED, step=_CLOSELY, stop_event=end, force_polling=False,
                raise_interrupt=False,
            ):  # fmt: skip
                self._bell.ring()

    def close(self) -> None:
        """Take no more notices; wait until the thread that took them has ended."""
        if self._thread is not None:
            self._end.set()
            self._thread.join()
        self._thread = self._folder = None
