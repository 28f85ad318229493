"""Threads calculate one at a time, and read and decode beside that."""

import threading
from collections.abc import Callable
from contextlib import AbstractContextManager

import pytest

from greystep.raw import turns


def beside(work: Callable[[], None]) -> bool:
    """Say whether another thread has done its work while this one stands here."""
    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    thread.join(0.2)
    return not thread.is_alive()


def calculate() -> None:
    with turns.taken():
        pass


def test_one_thread_calculates_at_a_time_and_others_while_it_reads() -> None:
    with turns.taken():
        with turns.left():
            assert beside(calculate)
        assert not beside(calculate)
    assert beside(calculate)


def broken(within: Callable[[], AbstractContextManager[None]]) -> None:
    with pytest.raises(ValueError, match="damaged"), within():
        raise ValueError("damaged")


def test_an_error_ends_a_turn_and_an_error_while_reading_does_not() -> None:
    broken(turns.taken)
    assert beside(calculate)
    with turns.taken():
        broken(turns.left)
        assert not beside(calculate)


def test_who_has_no_turn_reads_without_one() -> None:
    with turns.taken():
        assert beside(read)


def read() -> None:
    with turns.left():
        pass
