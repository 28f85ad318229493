"""Frames placed on the rows of a log that names none: in capture order, and by the light in them where that slipped."""

from collections.abc import Hashable, Sequence
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from greystep.errors import FaultsError
from greystep.log.sequence import NAME_THEM, assign_frames, miscount, without_frame, without_row
from greystep.log.table import exposure_stops
from greystep.measure.exposure import body_label
from greystep.measure.reading import DARKEST, Reading

Floats = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]

#: The costs: on simulated plans with lost and surplus frames none is placed on a wrong light; no source.
#:
#: A row without a frame, or a frame without a row, costs as much as this many stops of disagreement; both together more
#: than a flash that did not fire, and less than a frame one stop off.
_GAP: Final = 0.45
_NO_FLASH: Final = 0.8
#: What is not known of a row (a job) or of a frame (one that cannot be read) fits anything, but nothing well.
_UNKNOWN: Final = 0.3
#: Another place that costs no more than this [stop] above the best is as good.
_AS_GOOD: Final = 0.25
#: A frame that may as well be left out, to within this [stop], is one of two alike: neither has the row.
_ALIKE: Final = 0.08
#: Rounds in which the heads' levels and the places settle on each other; in each, every head is tried at levels up to
#: four stops off [stop].
_ROUNDS: Final = 2
_LEVELS: Final = (0.0, *(sign * step / 2.0 for step in range(1, 9) for sign in (1, -1)))
#: More rows or frames left over than this share, and than two, are no slip, but a log or a folder that is not whole.
_MOST_LEFT: Final = 0.1
#: The frames of a plan shot in part have their places by light to this share at least.
_MOST_PLACED: Final = 0.8
#: With more of the range than this, a frame is no frame without flash (the contract's limit of too dark).
_UNLIT: Final = 0.02
#: Frames without flash lie at least this far below the others [stop], or light does not tell them apart.
_PARTED: Final = 1.5
#: What parts the lights of a log, as far as it has it; each set of these but power and kind has a level of its own.
_OWN_LEVEL: Final = ("head", "pack", "channel", "with", "modifier")


def place_frames(
    shots: pd.DataFrame, files: Sequence[str], readings: Sequence[Reading]
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Fill the frame column of a log that names no frames.

    In capture order, row after row, where the numbers agree and the measured light does not contradict. A plan that is
    shot in part is read as far as it goes, where the light of its frames fits its first rows. Where the numbers differ
    by a few, the light places the frames if it places all of them beyond doubt: then a row that is left has no frame,
    and a frame that is left has no row. A sequence that has slipped in any other way is an error.

    Parameters
    ----------
    shots : DataFrame
        The log, see ``read_shots``, its frame column blank.
    files : sequence of str
        The session's files in capture order.
    readings : sequence of Reading
        Of each file.

    Returns
    -------
    shots : DataFrame
        With every frame named that has a row.
    messages : tuple of str
        What was placed by light, and frames whose light is far from what their rows say.

    Raises
    ------
    FaultsError
        If the sequence has slipped; it says where: by the light as far as that tells, else by exposure data.
    """
    surplus, few = len(files) - len(shots), max(2.0, _MOST_LEFT * len(shots))
    begun = surplus < 0 and _is_start(shots, readings)
    if begun and surplus < -few:
        return _started(shots, files)
    light = light_of(readings, int(shots["kind"].isin(["ambient", "dark"]).sum()))
    placed = np.full(len(files), -1) if light is None else place_by_light(shots, light)
    agree = len(shots) == len(files)
    lights = _keys(shots, (*_OWN_LEVEL, "stops", "kind"))
    moved = agree and any(row >= 0 and lights[row] != lights[at] for at, row in enumerate(placed.tolist()))
    if not (moved if agree else _tells(shots, placed)):
        if begun:
            return _started(shots, files)
        shots = assign_frames(shots, files, [reading.exposure for reading in readings])
        return shots, () if light is None else _misfits(shots, light, placed)

    slips = _slips(shots, files, placed, lights)
    if agree:
        count = f"{len(shots)} rows and as many frames in capture order, but their light says that the sequence slipped"
        raise FaultsError("shots.csv", [f"{count}; mend the log or the folder, {NAME_THEM}", *slips])
    left = shots["kind"].iloc[np.setdiff1d(np.arange(len(shots)), placed)]
    sure = int((placed < 0).sum()) == max(0, surplus) and not (left == "job").any()
    if not sure or abs(surplus) > few:
        if begun:
            return _started(shots, files)
        count = f"{miscount(shots, files)}; mend the log or the folder so that the numbers agree, {NAME_THEM}"
        raise FaultsError("shots.csv", [count, *slips])
    frame = np.full(len(shots), "", dtype=object)
    frame[placed[placed >= 0]] = np.array(files, dtype=object)[placed >= 0]
    line = f"shots.csv: {miscount(shots, files)}; placed by their light: {'; '.join(slips)}"
    return shots.assign(frame=pd.array(frame, dtype="str")), (line,)


def _started(shots: pd.DataFrame, files: Sequence[str]) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Name the first rows of a log that is shot in part."""
    left = len(shots) - len(files)
    line = f"shots.csv: the light of the {len(files)} frames fits the first rows; the other {left} are not shot yet"
    return shots.assign(frame=pd.array([*files, *[""] * left], dtype="str")), (line,)


def _is_start(shots: pd.DataFrame, readings: Sequence[Reading]) -> bool:
    """Say whether the frames are the first ones of a log, row after row, and the rest is still to be shot."""
    begun = shots.iloc[: len(readings)]
    if begun["kind"].isin(["ambient", "dark"]).all():
        return not any(_share(reading) > _UNLIT for reading in readings)
    light = light_of(readings, int(begun["kind"].isin(["ambient", "dark"]).sum()))
    if light is None:
        return False
    placed = place_by_light(begun, light)
    lights = _keys(begun, (*_OWN_LEVEL, "stops", "kind"))
    found = np.flatnonzero(placed >= 0).tolist()
    return len(found) >= _MOST_PLACED * len(begun) and all(lights[placed[at]] == lights[at] for at in found)


def light_of(readings: Sequence[Reading], unlit: int) -> Floats | None:
    """Return of each frame log2 of the flash in it, exposure settings taken out, in a unit of the session's own.

    Parameters
    ----------
    readings : sequence of Reading
        Of one session.
    unlit : int
        How many frames without flash the log has; the gap in level nearest to that number parts them from the others.

    Returns
    -------
    (n,) array or None
        -inf without flash, NaN where a frame cannot tell. None where the light of the session cannot be compared:
        more than one camera body, or no gap.
    """
    exposures = [reading.exposure for reading in readings]
    labels = [body_label(exposure) for exposure in exposures]
    if len(set(labels)) != 1:
        return None
    settings = exposure_stops(
        pd.DataFrame(
            {
                "f_number": [exposure.f_number for exposure in exposures],
                "iso": [exposure.iso for exposure in exposures],
            },
            dtype=np.float64,
        ).assign(body=labels)
    )
    share = np.array([_share(reading) for reading in readings])
    level = np.log2(np.maximum(share, DARKEST)) + settings
    known = np.sort(level[np.isfinite(level)])
    if not len(known):
        return None
    below = np.concatenate([[np.log2(DARKEST) + np.nanmin(settings)], known[:-1]])
    gaps = np.flatnonzero(known - below >= _PARTED)
    if not len(gaps):
        return None
    first = int(gaps[np.argmin(np.abs(gaps - unlit))])
    room = 2.0 ** known[first - 1] if first else 0.0
    flash = np.log2(np.maximum(2.0**level - room, np.finfo(np.float64).tiny))
    return np.asarray(np.where(level >= known[first], flash, level - np.inf))


def _tells(shots: pd.DataFrame, placed: Places) -> bool:
    """Say whether every head has frames on half of its rows; else neither its level nor its rows are known."""
    filled = pd.Series(np.isin(np.arange(len(shots)), placed))[(shots["kind"] == "flash").to_numpy()]
    own = pd.Series(_keys(shots, _OWN_LEVEL))
    return bool(len(filled)) and bool((filled.groupby(own).mean() >= 0.5).all())


def _share(reading: Reading) -> float:
    """Return the green of a frame as a share of the range; NaN where nothing was measured."""
    signal = reading.signal
    return np.nan if signal is None or signal.damage else signal.mean[1] / (signal.white[1] - signal.black[1])


def place_by_light(shots: pd.DataFrame, light_stops: Floats) -> Places:
    """Return the row of each frame, -1 where it fits none or more than one light.

    Parameters
    ----------
    shots : DataFrame
        The log, rows in the order of shooting: head, stops, kind.
    light_stops : (n,) array
        Of each frame in capture order: log2 of its light, exposure settings taken out, in any unit; -inf where there
        is no flash in it, NaN where it is not known.

    Returns
    -------
    (n,) int array
        Positions in `shots`: the alignment of expected and measured stops with gaps that disagrees least (dynamic
        programming, forwards and backwards). Each head's level is the median of its frames, found with the places.
        Rows of one light in succession are one place, of which the first rows are filled. A frame of which there are
        two alike, or that is far from the light of its place, has none.
    """
    if not len(light_stops) or not len(shots):
        return np.full(len(light_stops), -1)
    stops = _expected(shots)
    lit = np.isfinite(stops)
    own = pd.factorize(pd.Series(_keys(shots, _OWN_LEVEL)))[0]
    lights = _keys(shots, (*_OWN_LEVEL, "stops", "kind"))

    def cost(level: Floats) -> Floats:
        return _disagreement(np.where(lit, level - stops, stops), light_stops)

    def total(level: Floats) -> float:
        return float(_best(cost(level))[-1, -1])

    one = _one_level(stops, light_stops)
    in_order = np.rint(np.linspace(0, len(shots) - 1, len(light_stops))).astype(np.intp)
    found = []
    for level in (_levels(stops, light_stops, own, in_order, one), one):
        for _ in range(_ROUNDS):
            for number in np.unique(own[lit]):
                level = min((level + step * (own == number) for step in _LEVELS), key=total)
            level = _levels(stops, light_stops, own, _sure(cost(level), lights), level)
        found.append(level)
    level = min(found, key=total)
    placed = _sure(cost(level), lights)
    far = np.isfinite(light_stops) & (cost(level)[placed, np.arange(len(placed))] > _GAP)
    return np.where(far, -1, placed)


def _keys(shots: pd.DataFrame, names: Sequence[str]) -> list[Hashable]:
    """Return what these columns say of each row, as far as the log has them."""
    return list(shots[[name for name in names if name in shots]].fillna(-1.0).itertuples(index=False, name=None))


def _expected(shots: pd.DataFrame) -> Floats:
    """Return the stops below full of each row; inf where no flash is due, NaN where its light is not known."""
    unlit = shots["kind"].isin(["ambient", "dark"]).to_numpy()
    flash = (shots["kind"] == "flash").to_numpy()
    return np.where(unlit, np.inf, np.where(flash, shots["stops"].to_numpy(np.float64), np.nan))


def _one_level(stops: Floats, light: Floats) -> Floats:
    """Take every head for one whose highest power is the brightest frame."""
    known = light[np.isfinite(light)], stops[np.isfinite(stops)]
    return np.full(len(stops), known[0].max() + known[1].min() if len(known[0]) and len(known[1]) else 0.0)


def _levels(stops: Floats, light: Floats, own: Places, placed: Places, level: Floats) -> Floats:
    """Return the level of each row's head at full: the median of its placed frames; without any, as it was."""
    found = level.copy()
    at = np.flatnonzero(placed >= 0)
    row = placed[at]
    usable = np.isfinite(light[at]) & np.isfinite(stops[row])
    at, row = at[usable], row[usable]
    for number in np.unique(own[row]):
        mine = own[row] == number
        found[own == number] = np.median(light[at[mine]] + stops[row[mine]])
    return found


def _disagreement(expected: Floats, measured: Floats) -> Floats:
    """Return the cost (rows, frames) of each frame on each row [stop]; infinite is no flash, NaN is not known."""
    dark_row, dark_frame = np.isinf(expected)[:, None], np.isinf(measured)[None, :]
    apart = np.abs(np.where(dark_frame, 0.0, measured[None, :]) - np.where(dark_row, 0.0, expected[:, None]))
    cost = np.where(dark_row & dark_frame, 0.0, np.where(dark_row, 2.0, np.where(dark_frame, _NO_FLASH, apart)))
    return np.where(np.isnan(apart), _UNKNOWN, cost)


def _sure(cost: Floats, lights: Sequence[Hashable]) -> Places:
    """Return the row of each frame in the best alignment; -1 where another light, or no place, is as good."""
    forward = _best(cost)
    backward = _best(cost[::-1, ::-1])[::-1, ::-1]
    through = forward[:-1, :-1] + cost + backward[1:, 1:]  # (rows, frames): best alignment with this match in it
    skipped = np.min(forward[:, :-1] + _GAP + backward[:, 1:], axis=0)
    best = float(forward[-1, -1])
    placed = np.full(cost.shape[1], -1)
    taken = -1
    for frame in range(cost.shape[1]):
        near = np.flatnonzero(through[:, frame] <= best + _AS_GOOD)
        exact = near[through[near, frame] <= best + 1e-9]
        exact = exact[exact > taken]
        if len(exact):
            taken = int(exact[0])
            if len({lights[row] for row in near.tolist()}) == 1 and skipped[frame] > best + _ALIKE:
                placed[frame] = taken
    return placed


def _best(cost: Floats) -> Floats:
    """Return the least cost (rows + 1, frames + 1) of aligning the first rows with the first frames."""
    rows, frames = cost.shape
    gaps = _GAP * np.arange(frames + 1)
    total = np.tile(gaps, (rows + 1, 1))
    for row in range(rows):
        total[row + 1, 0] = total[row, 0] + _GAP
        total[row + 1, 1:] = np.minimum(total[row, :-1] + cost[row], total[row, 1:] + _GAP)
        total[row + 1] = np.minimum.accumulate(total[row + 1] - gaps) + gaps  # frames skipped on this row
    return total


def _slips(shots: pd.DataFrame, files: Sequence[str], placed: Places, lights: Sequence[Hashable]) -> list[str]:
    """Say between which frames rows and frames do not go on alike; rows of one light in succession are one place."""
    sure = [(-1, -1), *((at, row) for at, row in enumerate(placed.tolist()) if row >= 0), (len(files), len(shots))]
    lines = []
    for (at, row), (next_at, next_row) in pairwise(sure):
        surplus = (next_at - at) - (next_row - row)
        if surplus > 0:
            line = without_row(files, at + 1, next_at - 1, surplus)
        elif surplus < 0:
            first, last = row + 1, next_row - 1
            while first > 0 and lights[first - 1] == lights[first]:
                first -= 1
            while last + 1 < len(shots) and lights[last + 1] == lights[last]:
                last += 1
            line = without_frame(shots, first, last, -surplus)
        else:
            continue
        lines.append(f"{'after ' + files[at] if at >= 0 else 'at the start'}, {line}")
    return lines


def _misfits(shots: pd.DataFrame, light: Floats, placed: Places) -> tuple[str, ...]:
    """Name frames that stand in capture order, but whose light is so far from their rows that these may be others."""
    stops = _expected(shots)
    own = pd.factorize(pd.Series(_keys(shots, _OWN_LEVEL)))[0]
    level = _levels(stops, light, own, placed, _one_level(stops, light))
    cost = _disagreement(np.where(np.isfinite(stops), level - stops, stops), light).diagonal()
    odd = np.flatnonzero((cost > 2 * _GAP) & (placed < 0))
    if not len(odd):
        return ()
    named = ", ".join(f"{shots['frame'].iloc[at]} (row {shots['row'].iloc[at]})" for at in odd.tolist())
    return (f"{named}: the light is not what the row says; check the log's order, {NAME_THEM}",)
