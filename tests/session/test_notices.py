"""What ends the wait between two looks: notices of the system, and decisions; looks serve where there are none."""

import threading
from collections.abc import Collection, Iterator
from itertools import count
from pathlib import Path

import pytest

from greystep.session.notices import Bell, Notices
from greystep.session.settings import load_settings
from greystep.session.watch import arrivals

#: Nobody waits for so long here: who needs the look of a clock fails [s].
NEVER_S = 3600.0
#: What a slow machine may take [s].
SLOW_S = 60.0


def listeners(but: Collection[threading.Thread] = ()) -> list[threading.Thread]:
    return [thread for thread in threading.enumerate() if thread.name == "notices" and thread not in but]


@pytest.fixture
def frames(tmp_path: Path) -> Path:
    (tmp_path / "frames").mkdir()
    (tmp_path / "frames" / "f0.dng").write_bytes(b"raw")
    return tmp_path / "frames"


def change(frames: Path, until: threading.Event) -> threading.Thread:
    """Write a frame now and then, as notices begin some time after they were asked for."""

    def write() -> None:
        for number in count(1):
            (frames / f"f{number}.dng").write_bytes(b"raw")
            if until.wait(0.5):
                return

    thread = threading.Thread(target=write)
    thread.start()
    return thread


def next_within(look: Iterator[None], came: threading.Event) -> threading.Thread:
    def wait() -> None:
        next(look)
        came.set()

    thread = threading.Thread(target=wait, daemon=True)
    thread.start()
    return thread


def test_a_new_frame_is_seen_by_its_notice_before_the_next_look_is_due(frames: Path) -> None:
    others = listeners()
    look, came = arrivals(load_settings(frames.parent), NEVER_S), threading.Event()
    next(look)
    waits, writes = next_within(look, came), change(frames, came)
    try:
        assert came.wait(SLOW_S)
    finally:
        came.set()
        writes.join()
    waits.join()
    look.close()
    assert not listeners(others)


def test_a_decision_is_taken_before_the_next_look_is_due(frames: Path) -> None:
    bell, came = Bell(), threading.Event()
    look = arrivals(load_settings(frames.parent), NEVER_S, bell=bell)
    next(look)
    waits = next_within(look, came)
    bell.ring()  # files may have changed: they have not, so there is nothing to do
    bell.ask()
    assert came.wait(SLOW_S)
    waits.join()
    assert not bell.asked()
    look.close()


def test_where_no_notices_can_be_had_looks_serve(frames: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tried = threading.Event()

    def refused(*_: object, **__: object) -> Iterator[None]:
        tried.set()
        raise OSError("OS file watch limit reached")

    monkeypatch.setattr("watchfiles.watch", refused)
    look = arrivals(load_settings(frames.parent), 0.005)
    next(look)
    assert tried.wait(SLOW_S)
    (frames / "f1.dng").write_bytes(b"raw")
    next(look)


def test_a_folder_that_has_gone_and_come_back_is_followed_again(frames: Path) -> None:
    others, rung = listeners(), threading.Event()
    bell = Bell()
    bell.ring = rung.set  # type: ignore[method-assign]
    notices = Notices(bell)
    notices.follow(frames)
    first = listeners(others)
    notices.follow(frames)
    assert listeners(others) == first
    frames.rename(frames.parent / "away")
    notices.follow(frames)
    assert not listeners(others)
    frames.mkdir()
    notices.follow(frames)
    assert len(listeners(others)) == 1
    writes = change(frames, rung)
    assert rung.wait(SLOW_S)
    writes.join()
    notices.close()
    assert not listeners(others)
