"""What foreign files and their decoders may do: raise anything, and write on the terminal. Here it becomes one line."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from io import UnsupportedOperation
from pathlib import Path
from threading import Lock
from typing import Any, Final

from greystep.errors import FrameError
from greystep.flags import Flag

_GATE: Final = Lock()
#: Of decoders at work: how many, the terminal that the first of them put aside, and Python's own way to it.
_aside: list[tuple[int, Any]] = []
_at_work: list[int] = []


@contextmanager
def one_line(path: Path, wrong: str, flag: str = Flag.UNREADABLE) -> Iterator[None]:
    """Turn whatever a parser of foreign files raises into one `FrameError` of one line."""
    try:
        yield
    except FrameError:
        raise
    except FileNotFoundError as error:
        raise FrameError(f"{path.name}: there is no such file in {path.parent}; copy it again", Flag.MISSING) from error
    except OSError as error:
        raise FrameError(f"{path.name}: cannot be read ({_brief(error)}); copy it from the card again") from error
    except Exception as error:  # damaged files raise nearly anything
        unknown = "Unsupported" in type(error).__name__  # LibRaw's words for what it cannot decode; a copy is no better
        remedy = "convert it to a lossless DNG" if unknown else "copy it from the card again"
        raise FrameError(f"{path.name}: {wrong} ({_brief(error)}); {remedy}", flag) from error


@contextmanager
def silent() -> Iterator[None]:
    """Keep off the terminal what a decoder in C writes to stderr; what Python writes there meanwhile still comes.

    The stream belongs to the process: the first of several decoders puts it aside, the last one puts it back.
    """
    with _GATE:
        _at_work.append(1)
        if len(_at_work) == 1:
            _put_aside()
    try:
        yield
    finally:
        with _GATE:
            _at_work.pop()
            if not _at_work:
                _put_back()


def _put_aside() -> None:
    with suppress(OSError):  # a process without stderr has nothing to keep clean
        kept = os.dup(2)
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 2)
        os.close(nowhere)
        own = sys.stderr
        with suppress(AttributeError, OSError, UnsupportedOperation, ValueError):
            if own.fileno() == 2:
                own.flush()
                sys.stderr = os.fdopen(kept, "w", 1, own.encoding, own.errors, closefd=False)
        _aside.append((kept, own))


def _put_back() -> None:
    while _aside:
        kept, own = _aside.pop()
        if sys.stderr is not own:
            with suppress(AttributeError, OSError, ValueError):
                sys.stderr.flush()
            sys.stderr = own
        os.dup2(kept, 2)
        os.close(kept)


def _brief(error: Exception) -> str:
    raw = error.args[-1] if error.args else ""
    text = raw.decode("utf-8", "replace") if isinstance(raw, bytes) else str(raw)  # LibRaw's messages are bytes
    return " ".join(text.split())[:100] or type(error).__name__
