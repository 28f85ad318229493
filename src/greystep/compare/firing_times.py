"""When each flash fired: in which order and at what time, also where a file is lost or a frame carries no time."""

from typing import Final

import numpy as np
import pandas as pd

from greystep.arrays import Booleans, Floats, Indices, runs_of
from greystep.session.raw_files import SET_BACK_S

#: With fewer frames of known time than this share, times are not filled in but left out.
_ENOUGH_TIMES: Final = 0.5
#: Below so many flashes a turn the heads take turns.
_A_TURN: Final = 2.5


def text_column(table: pd.DataFrame, name: str) -> "pd.Series[str]":
    """Return a column as text, blank where it is missing."""
    if name not in table:
        return pd.Series("", index=table.index, dtype=str)
    column = table[name]
    return column.fillna("") if column.dtype == "str" else column.astype(object).where(column.notna(), "").astype(str)


def firing_order(log: pd.DataFrame, fired: Booleans, head: Indices) -> tuple[Indices, Floats]:
    """Return the flashes that fired in capture order, with their times.

    Args:
        log: The readings, with shot, captured and kind.
        fired: (r,) bool array. The rows that are flashes of a head by the log and by their flags, a row without file
            among them.
        head: (r,) int array. The head of each row.

    Returns:
        rows: (n,) int array. Into `log`. A row without file stands between its neighbours in the log where these follow
            each other in the camera's order too, and the time between them leaves room for it; else it is left out.
        seconds: (n,) array. From the first [s]. An unknown time is set beside those of the same head, evenly and no
            farther apart than usual. Empty where less than half of the times are known.
    """
    place = pd.to_numeric(log["shot"], errors="coerce").fillna(-1).to_numpy(np.float64, copy=True)
    times = pd.to_datetime(text_column(log, "captured"), format="ISO8601", errors="coerce")
    clock = np.array((times - times.min()).dt.total_seconds(), dtype=np.float64)
    known = np.sort(clock[np.isfinite(clock)])
    pace = float(np.median(np.diff(known))) if len(known) > 1 else 0.0
    _go_on(place, clock, pace)
    _place_lost(place, clock, pace, np.flatnonzero(text_column(log, "kind") != ""))
    placed = np.flatnonzero(place >= 0)
    placed = placed[np.argsort(place[placed], kind="stable")].astype(np.intp)
    seconds, wanted = clock[placed], fired[placed]
    rows = placed[wanted]
    if not len(rows) or np.isfinite(seconds[wanted]).mean() < _ENOUGH_TIMES:
        return rows, np.zeros(0)
    _fill(seconds, head[placed], pace)
    return rows, seconds[wanted] - seconds[wanted].min()


def _go_on(place: Floats, clock: Floats, pace: float) -> None:
    """Let the time go on at the usual pace where the camera's clock was set back."""
    rows = np.flatnonzero((place >= 0) & np.isfinite(clock))
    rows = rows[np.argsort(place[rows], kind="stable")]
    step = np.diff(clock[rows])
    clock[rows[1:]] += np.cumsum(np.where(step <= -SET_BACK_S, pace - step, 0.0))


def _place_lost(place: Floats, clock: Floats, pace: float, logged: Indices) -> None:
    """Give rows without file the place between their neighbours in the log."""
    rank = np.argsort(np.argsort(place[logged], kind="stable"), kind="stable")
    for start, end in runs_of(place[logged] < 0):
        if start == 0 or end == len(logged):
            continue
        lost, before, after = logged[start:end], logged[start - 1], logged[end]
        steps = np.arange(1, len(lost) + 1) / (len(lost) + 1)
        cramped = clock[after] - clock[before] < (len(lost) + 0.5) * pace  # not where a time is unknown
        if rank[end] == rank[start - 1] + 1 and not cramped:
            place[lost] = place[before] + steps * (place[after] - place[before])


def _fill(seconds: Floats, head: Indices, pace: float) -> None:
    """Set unknown times beside the known ones of the same head."""
    for start, end in runs_of(np.isnan(seconds)):
        count = np.arange(1, end - start + 1)
        first, last = start == 0, end == len(seconds)
        step = pace if first or last else min((seconds[end] - seconds[start - 1]) / (len(count) + 1), pace)
        if first or (not last and head[start] != head[start - 1] and head[end - 1] == head[end]):
            seconds[start:end] = seconds[end] - step * count[::-1]
        else:
            seconds[start:end] = seconds[start - 1] + step * count


def take_turns(head: Indices) -> bool:
    """Return whether heads take turns at every shot or two, by the heads of flashes that are no check frames."""
    turns = 1 + np.count_nonzero(np.diff(head))
    return bool(turns > len(np.unique(head)) and len(head) < _A_TURN * turns)


def index_clock(head: Indices, check: Booleans) -> Floats:
    """Return a stand-in for unknown times: the place in the sequence, with a long rest at each change of head.

    Where heads take turns there is no rest: the change costs no time then.
    """
    changes = np.cumsum(np.diff(head, prepend=head[:1]) != 0)
    return np.arange(len(head)) + (0.0 if take_turns(head[~check]) else 1e4) * changes
