"""Where a log and its frames slipped, as far as exposure data tell: rows without a frame, frames without a row."""

import itertools
from collections.abc import Hashable, Sequence
from dataclasses import asdict, dataclass
from typing import Final

import numpy as np
import pandas as pd

from greystep.arrays import Indices
from greystep.errors import FaultsError
from greystep.raw.exposure import Exposure
from greystep.session.shots import row_names


def assign_frames(shots: pd.DataFrame, files: Sequence[str], exposures: Sequence[Exposure]) -> pd.DataFrame:
    """Fill the frame column of a log that names no frames: row after row, in capture order.

    Args:
        shots: The log, see ``read_shots``.
        files, exposures: The session's files in capture order, and their exposure data.

    Returns: The log with every frame named.

    Raises:
        FaultsError: If rows and files differ in number; it says where the sequence slipped, as far as exposure data
            tell.
    """
    if len(shots) == len(files):
        return shots.assign(frame=pd.array(list(files), dtype="str"))
    data = pd.DataFrame([asdict(item) for item in exposures], columns=list(Exposure.__dataclass_fields__))
    count = f"{miscount(len(shots), len(files))}; correct the log or the folder so that the numbers agree, {NAME_THEM}"
    raise FaultsError("shots.csv", [count, *_slips(shots, list(files), data)])


#: The way out that is always open.
NAME_THEM: Final = "or name each row's file in column frame"


def miscount(rows: int, frames: int) -> str:
    """Say by how many frames a log and a folder differ."""
    more = frames - rows
    count = f"{rows} rows, {frames} frames in capture order"
    return f"{count}: {abs(more)} frame{'s' if abs(more) > 1 else ''} too {'many' if more > 0 else 'few'}"


# --- where the sequence slipped -------------------------------------------------------------------------------------

#: More rows without frames (or frames without rows) than this are no slip, but another log.
_MOST_SLIPS: Final = 30
_NO_TRACE: Final = "the exposure data do not tell where the sequence slipped"


@dataclass(frozen=True)
class _Traces:
    """What log and frames can be held against each other by: steps in the log, and steps in the exposure data."""

    head: list[str]
    cell: list[tuple[str, float, str]]
    setting: list[tuple[float, ...]]
    long_pauses: list[int] | None  # how many lie before each frame; None where pauses do not part the heads


def _slips(shots: pd.DataFrame, files: list[str], exposures: pd.DataFrame) -> list[str]:
    """Say where rows without a frame, or frames without a row, lie: by the alignment that agrees best."""
    surplus = abs(len(shots) - len(files))
    if min(len(shots), len(files)) < 2 or surplus > _MOST_SLIPS:
        return [_NO_TRACE]
    ranges, disagreements = _align(_traces(shots, exposures), surplus)
    merged: list[tuple[int, int, int]] = []  # first and last place, and how many of them
    for first, last in ranges:
        start, end, many = merged[-1] if merged else (0, -2, 0)
        exact = first == last == end + 1 and end - start + 1 == many
        if first <= end or exact:
            merged[-1] = (start, max(last, end), many + 1)
        else:
            merged.append((first, last, 1))
    if sum(last - first + 1 for first, last, _ in merged) - surplus > min(len(shots), len(files)) // 2:
        return [_NO_TRACE]
    rows_over = len(shots) > len(files)
    lines = [
        gap_text(_rows_without_frame(shots, *stretch) if rows_over else _frames_without_row(files, *stretch))
        for stretch in merged
    ]
    if disagreements:
        lines.append(f"so read, pauses or settings still disagree with the log at {disagreements} places")
    return lines


@dataclass(frozen=True)
class Gap:
    """Of a stretch of the log or of the frames, from `first` to `last`, `many` have no frame, or no row.

    Attributes:
        first, last: Numbers of rows, or names of files.
        lights: Tuple of 2 str or None. What the first and the last row say; None where files are meant.
        rows_are: What numbers of rows count: ``row`` of the spreadsheet, or ``box`` of the shot sheet.
    """

    first: str
    last: str
    many: int
    whole: bool
    lights: tuple[str, str] | None
    rows_are: str = "row"


@dataclass(frozen=True)
class Slip:
    """A gap, and the frame after which it lies; blank at the start."""

    after: str
    gap: Gap


def slip_text(slip: Slip) -> str:
    """Say where the sequence slipped: ``after f07.dng, row 9 (A 1/4): no frame``."""
    return f"{f'after {slip.after}' if slip.after else 'at the start'}, {gap_text(slip.gap)}"


def gap_text(gap: Gap) -> str:
    """Say what of a stretch has no frame, or no row."""
    several = gap.many > 1 or not gap.whole
    what, stretch = "row", f"{gap.first} to {gap.last}" if several else gap.first
    if gap.lights is not None:
        named = gap.rows_are if not several else "boxes" if gap.rows_are == "box" else "rows"
        what, stretch = "frame", f"{named} {stretch} ({' to '.join(dict.fromkeys(gap.lights))})"
    return f"{stretch}: no {what}" if gap.whole else f"{stretch}: {gap.many} of them without a {what}"


def _rows_without_frame(shots: pd.DataFrame, first: int, last: int, many: int) -> Gap:
    ends = shots.iloc[[first, last]]
    lights = [
        " ".join(filter(None, cell)) or kind
        for *cell, kind in ends[["head", "power", "kind"]].itertuples(index=False, name=None)
    ]
    names = row_names(shots)
    (are, _, start), (_, _, end) = names[first].partition(" "), names[last].partition(" ")
    return Gap(start, end, many, last - first + 1 == many, (lights[0], lights[1]), are)


def _frames_without_row(files: Sequence[str], first: int, last: int, many: int) -> Gap:
    return Gap(files[first], files[last], many, last - first + 1 == many, None)


def between(files: int, rows: int, placed: Indices) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Return each two placed frames in succession with their rows; the ends of both sequences count as placed."""
    sure = [(at, row) for at, row in enumerate(placed.tolist()) if row >= 0]
    return list(itertools.pairwise([(-1, -1), *sure, (files, rows)]))


def placed_slips(shots: pd.DataFrame, files: Sequence[str], placed: Indices, lights: Sequence[Hashable]) -> list[Slip]:
    """Return between which frames rows and frames do not go on alike; rows of one light in succession are one place."""
    slips = []
    for (at, row), (next_at, next_row) in between(len(files), len(shots), placed):
        surplus = (next_at - at) - (next_row - row)
        if surplus > 0:
            gap = _frames_without_row(files, at + 1, next_at - 1, surplus)
        elif surplus < 0:
            first, last = row + 1, next_row - 1
            while first > 0 and lights[first - 1] == lights[first]:
                first -= 1
            while last + 1 < len(shots) and lights[last + 1] == lights[last]:
                last += 1
            gap = _rows_without_frame(shots, first, last, -surplus)
            at = max(np.flatnonzero((placed >= 0) & (placed < first)).tolist(), default=-1)
        else:
            continue
        slips.append(Slip(files[at] if at >= 0 else "", gap))
    return slips


def _traces(shots: pd.DataFrame, exposures: pd.DataFrame) -> _Traces:
    """Gather the log's heads and cells, the frames' settings, and the pauses long enough for a change of head."""
    head = shots["head"].tolist()
    cell = list(zip(head, shots["stops"].fillna(-1.0), shots["kind"], strict=True))
    settings = exposures[["exposure_s", "f_number", "iso"]].astype("float64").fillna(-1.0)
    times = pd.to_datetime(exposures["captured"], format="ISO8601", errors="coerce")
    pauses = times.diff().dt.total_seconds().to_numpy()[1:]
    changes = sum(1 for a, b in itertools.pairwise(filter(None, head)) if a != b)
    limit = _long_pause(pauses, changes, abs(len(shots) - len(exposures)))
    long_pauses = None if limit is None else [0, *np.cumsum(pauses >= limit).tolist()]
    return _Traces(head, cell, list(settings.itertuples(index=False, name=None)), long_pauses)


def _long_pause(pauses: np.ndarray, changes: int, surplus: int) -> float | None:
    """Return the shortest pause [s] in which a head was changed, None where pauses do not part the heads.

    About as many pauses are long as heads change; the widest step between lengths near that number parts them.
    """
    counts = np.arange(max(1, changes - surplus), min(changes + surplus, len(pauses) - 1) + 1)
    if changes == 0 or len(counts) == 0 or np.isnan(pauses).any():
        return None
    longest = np.sort(pauses)[::-1]
    steps = longest[counts - 1] / np.maximum(longest[counts], 1.0)  # clocks without fractions: pauses of 0 s
    limit = float(longest[counts[np.argmax(steps)] - 1])
    return limit if limit > 2 * np.median(pauses) else None


def _step_cost(traces: _Traces, rows: tuple[int, int], frames: tuple[int, int]) -> int:
    """Count what disagrees when two rows in succession belong to two frames in succession."""
    cost = 0
    heads = traces.head[rows[0]], traces.head[rows[1]]
    if traces.long_pauses is not None and all(heads):
        paused = traces.long_pauses[frames[1]] > traces.long_pauses[frames[0]]
        cost += paused != (heads[0] != heads[1])
    if traces.cell[rows[0]] == traces.cell[rows[1]]:
        cost += traces.setting[frames[0]] != traces.setting[frames[1]]
    return cost


def _align(traces: _Traces, surplus: int) -> tuple[list[tuple[int, int]], int]:
    """Align the shorter sequence with the longer one, which has `surplus` items too many.

    Dynamic programming over (item of the shorter one, items of the longer one passed over so far), forwards and
    backwards, so that every alignment of the least cost is known.

    Returns:
        list of (int, int): For each item passed over: first and last place in the longer sequence where a best
            alignment has it.
        Disagreements that the best alignment leaves.
    """
    rows_longer = len(traces.head) > len(traces.setting)
    length = min(len(traces.head), len(traces.setting))
    skips = range(surplus + 1)

    def step(item: int, before: int, after: int) -> int:
        short, long = (item, item + 1), (item + before, item + 1 + after)
        return _step_cost(traces, long, short) if rows_longer else _step_cost(traces, short, long)

    steps = [{(a, b): step(item, a, b) for a in skips for b in range(a, surplus + 1)} for item in range(length - 1)]
    forward = [[0] * (surplus + 1)]
    for costs in steps:
        forward.append([min(forward[-1][a] + costs[a, b] for a in range(b + 1)) for b in skips])
    backward = [[0] * (surplus + 1)]
    for costs in reversed(steps):
        backward.append([min(backward[-1][b] + costs[a, b] for b in range(a, surplus + 1)) for a in skips])
    backward.reverse()
    best = min(forward[-1])
    states = [(item, k) for item in range(length) for k in skips if forward[item][k] + backward[item][k] == best]
    ranges = []
    for count in skips[1:]:
        first = min((item for item, k in states if k >= count), default=length) + count - 1
        last = max((item for item, k in states if k < count), default=-1) + count
        ranges.append((first, last))
    return ranges, best
