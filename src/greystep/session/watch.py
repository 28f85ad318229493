"""Frames as they arrive: when there is something new to read, and what is new in it."""

import os
import time
from collections.abc import Generator, Mapping, Sequence
from contextlib import closing, suppress
from typing import Final

import numpy as np
import pandas as pd

from greystep.session.matching import OtherLight, PlacedByLight
from greystep.session.messages import FrameFault, Message
from greystep.session.notices import Bell, Notices
from greystep.session.raw_files import list_raw
from greystep.session.settings import Settings

#: A file that nobody has written to for so long is whole [s]; own assumption, as a writer tells nobody that it is done.
_STILL_S: Final = 0.2


def arrivals(
    settings: Settings, every_s: float, idle_s: float | None = None, bell: Bell | None = None
) -> Generator[None]:
    """Yield each time that raw files or the log have changed and then stood still for a moment, and when asked.

    The system's notices tell of a change at once; looks with size and time to the nanosecond tell whether it is one and
    whether the file stands still, and find what no notice tells of. Nanoseconds, because a frame is often whole within
    the second in which it was begun.

    Args:
        settings: Its frames folder is looked at; it may be still to come.
        every_s: Longest time from look to look [s].
        idle_s: End when nothing has changed for so long [s].
        bell: Rung by others where there is something to do although no file has changed.
    """
    bell, still_s = bell or Bell(), min(every_s, _STILL_S)
    before: dict[str, tuple[int, int]] = {}
    read: dict[str, tuple[int, int]] = {}
    since = time.monotonic()
    with closing(Notices(bell)) as notices:
        while True:
            notices.follow(settings.frames_dir)
            now = _states(settings)
            if now != before:
                before, since = now, time.monotonic()
            stood = time.monotonic() - since
            if stood < still_s:
                bell.wait(still_s - stood)
                continue
            if bell.asked() or now != read:
                read = now
                yield
            elif idle_s is not None and stood >= idle_s:
                return
            bell.wait(every_s)


def _states(settings: Settings) -> dict[str, tuple[int, int]]:
    """Return size [bytes] and time of change [ns] of each raw file, and of the log where there are some."""
    states, folder = {}, str(settings.frames_dir)
    names = list_raw(settings.frames_dir, settings.path / "report") if settings.frames_dir.is_dir() else []
    for path in (*(os.path.join(folder, name) for name in names), str(settings.path / "shots.csv")):
        with suppress(FileNotFoundError):  # taken away meanwhile, or a session without log
            found = os.stat(path)
            states[path] = found.st_size, found.st_mtime_ns
    return states if names else {}


def changed_frames(readings: pd.DataFrame, told: Mapping[str, str]) -> pd.DataFrame:
    """Return the rows of frames that are new, or whose flags have changed since they were told, in capture order.

    Args:
        readings: The contract's columns.
        told: By frame: its flags when it was told.
    """
    seen = readings[readings["shot"] >= 0]
    news = [told.get(str(frame)) != flags for frame, flags in zip(seen["frame"], seen["flags"], strict=True)]
    return seen[news].sort_values("shot", kind="stable")


def next_to_shoot(readings: pd.DataFrame) -> pd.DataFrame:
    """Return the row of the log that is to be shot next, as a table; empty where every row has its frame.

    The first without frame behind the last that has one; where that was the last row, the first that was left out.
    """
    logged = readings[readings["kind"] != ""]
    shot = (logged["shot"] >= 0).to_numpy()
    behind = np.arange(len(logged)) > (np.flatnonzero(shot)[-1] if shot.any() else -1)
    left = np.flatnonzero(~shot)
    left = left[np.argsort(~behind[left], kind="stable")]
    return logged.iloc[left[:1]]


def messages_of(messages: Sequence[Message], rows: pd.DataFrame) -> list[Message]:
    """Return what an ingest says of these frames, and where the sequence slipped.

    What many frames share is said once, with the first of them.
    """
    names = set(rows["frame"])
    return [
        message
        for message in messages
        if isinstance(message, PlacedByLight)
        or (isinstance(message, FrameFault | OtherLight) and message.frames[0] in names)
    ]
