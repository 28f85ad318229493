"""Threads take turns at calculating, while others read and decode beside them.

Two threads that calculate at once wait for each other at every step, as the interpreter has one lock: of 200 frames in
tiles that took a sixth more processor time, and no less time by the clock. Decoders and disks give that lock back.
"""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

_TURN: Final = threading.Lock()
_OWN: Final = threading.local()


@contextmanager
def taken() -> Iterator[None]:
    """Calculate while no other thread does; a thread takes it once."""
    with _TURN:
        _OWN.taken = True
        try:
            yield
        finally:
            _OWN.taken = False


@contextmanager
def left() -> Iterator[None]:
    """Read or decode within one's own turn while others calculate; without a turn it changes nothing."""
    if not getattr(_OWN, "taken", False):
        yield
        return
    _TURN.release()
    try:
        yield
    finally:
        _TURN.acquire()
