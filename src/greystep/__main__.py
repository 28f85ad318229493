"""The ``greystep`` command as a process of its own: Ctrl-C ends it without a traceback, from its first import on."""

import _signal  # type: ignore[import-not-found]  # the public module imports a dozen others first, and Ctrl-C is quick
import gc
import os
import sys

TYPE_CHECKING = False
if TYPE_CHECKING:
    from types import FrameType

#: Exit status of a command that was stopped.
_STOPPED = 130


def _stop(number: int, frame: "FrameType | None") -> None:
    """Stop at once while a module is imported, where an exception may be lost or turned into another one."""
    while frame is not None:
        if frame.f_code.co_filename.startswith("<frozen importlib"):
            os._exit(_STOPPED)
        frame = frame.f_back
    raise KeyboardInterrupt


def main() -> None:
    """Entry point of the installed command and of ``python -m greystep``."""
    if _signal.getsignal(_signal.SIGINT) is _signal.default_int_handler:  # else the caller wants no Ctrl-C
        _signal.signal(_signal.SIGINT, _stop)
    # Matrices are small here: more threads would only wait for each other, at the cost of all cores.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # A command makes many objects and few circles of them: to look for those takes a tenth of it, as often as is usual.
    gc.set_threshold(1_000_000, 20, 20)
    try:
        from greystep.cli.app import run

        run()
    except KeyboardInterrupt:
        sys.exit(_STOPPED)
    finally:
        _signal.signal(_signal.SIGINT, _signal.SIG_DFL)  # while Python shuts down, an exception has nowhere to go
        gc.freeze()  # all goes with the process


if __name__ == "__main__":
    main()
