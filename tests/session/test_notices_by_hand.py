"""The bell and the listener to the system's notices, with a listener that is played."""

import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from greystep.session.notices import Bell, Notices


def test_a_bell_is_rung_once_for_one_who_waits() -> None:
    bell = Bell()
    bell.ring()
    begun = time.monotonic()
    bell.wait(30.0)
    assert time.monotonic() - begun < 10.0
    assert not bell._rung.is_set(), "it rings once"
    assert not bell.asked(), "files may have changed; nobody has asked"
    bell.ask()
    bell.wait(30.0)
    assert time.monotonic() - begun < 10.0
    assert bell.asked()
    assert not bell.asked()
    bell.wait(0.001)
    assert time.monotonic() - begun < 10.0, "nobody rings"


class Listener:
    """Plays the system's notices of a folder: two of them, then none until it is told to stop."""

    def __init__(self) -> None:
        self.calls: list[tuple[Path, dict[str, Any], threading.Thread]] = []

    def watch(self, folder: Path, **options: Any) -> Iterator[set[Any]]:
        self.calls.append((folder, options, threading.current_thread()))
        yield set()
        yield set()
        options["stop_event"].wait(30.0)


@pytest.fixture
def listener(monkeypatch: pytest.MonkeyPatch) -> Listener:
    played = Listener()
    monkeypatch.setattr("watchfiles.watch", played.watch)
    return played


def heard(bell: Bell) -> None:
    assert bell._rung.wait(30.0)
    bell.wait(0.0)


def test_every_notice_of_the_folder_rings_until_it_is_closed(tmp_path: Path, listener: Listener) -> None:
    bell = Bell()
    notices = Notices(bell)
    notices.close()
    notices.follow(tmp_path)
    heard(bell)
    ((folder, options, thread),) = listener.calls
    assert folder == tmp_path
    end = options.pop("stop_event")
    asked = {"watch_filter": None, "debounce": 100, "step": 20, "force_polling": False, "raise_interrupt": False}
    assert options == asked, "all files; each fifth of a tenth of a second; from the system; Ctrl-C is for others"
    assert (thread.name, thread.daemon, thread.is_alive()) == ("notices", True, True)
    notices.follow(tmp_path)
    assert len(listener.calls) == 1
    assert not end.is_set()
    notices.close()
    assert not thread.is_alive()
    assert end.is_set()
    bell.wait(0.0)
    notices.follow(tmp_path)
    heard(bell)
    assert len(listener.calls) == 2
    notices.close()


def test_another_folder_in_its_place_is_followed_anew_and_none_while_it_is_gone(
    tmp_path: Path, listener: Listener
) -> None:
    bell, place = Bell(), tmp_path / "frames"
    notices = Notices(bell)
    notices.follow(place)
    assert listener.calls == []
    place.mkdir()
    notices.follow(place)
    heard(bell)
    (tmp_path / "other").mkdir()
    notices.follow(tmp_path / "other")
    heard(bell)
    assert [folder.name for folder, *_ in listener.calls] == ["frames", "other"]
    assert [options["stop_event"].is_set() for _, options, _ in listener.calls] == [True, False]
    notices.follow(tmp_path / "gone")
    assert all(not thread.is_alive() for *_, thread in listener.calls)


@pytest.mark.parametrize("error", [OSError, RuntimeError, ValueError])
def test_what_cannot_be_listened_to_ends_quietly(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: type[Exception]
) -> None:
    tried, raised = threading.Event(), list[Any]()

    def watch(*_: Any, **__: Any) -> Iterator[set[Any]]:
        tried.set()
        raise error("no more watches")

    monkeypatch.setattr("watchfiles.watch", watch)
    monkeypatch.setattr(threading, "excepthook", raised.append)
    notices = Notices(Bell())
    notices.follow(tmp_path)
    assert tried.wait(30.0)
    notices.close()
    assert raised == []
