"""Frames placed on the rows of a log that names none: in capture order, and by the light in them where that slipped."""

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from greystep.arrays import Floats, Indices
from greystep.errors import FaultsError
from greystep.measure.patch import PatchSignal
from greystep.measure.reading import Reading
from greystep.session.ambient import U_BLACK
from greystep.session.costs import GAP, disagreement
from greystep.session.flash_light import light_by_count, share_of
from greystep.session.log_slips import NAME_THEM, Slip, assign_frames, between, miscount, placed_slips, slip_text
from greystep.session.shots import row_names
from greystep.terms import PARTS, TESTED, UNLIT, Kind

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
_NO_LIGHT: Final = 0.02
#: What parts the lights of a log, as far as it has it; each set of these but power and kind has a level of its own.
_OWN_LEVEL: Final = ("head", *PARTS)
_LIGHT: Final = (*_OWN_LEVEL, "stops", "kind")
#: A dark frame lies this many standard uncertainties below the ambient ones.
_DARKER_SD: Final = 3.0


@dataclass(frozen=True)
class PlacedByLight:
    """Rows and frames differ in number, and the light in the frames told where the sequence slipped."""

    rows: int
    frames: int
    slips: tuple[Slip, ...]


@dataclass(frozen=True)
class ShotInPart:
    """The light of the `frames` fits the first rows of the log; the other `left` rows are not shot yet."""

    frames: int
    left: int


@dataclass(frozen=True)
class OtherLight:
    """Frames in capture order whose light is not what their rows say.

    Attributes:
        rows: As a person calls them.
        exchanged: It is what another of these rows says, so neither rows nor frames count.
    """

    frames: tuple[str, ...]
    rows: tuple[str, ...]
    exchanged: bool


#: What there is to say of how frames came to their rows.
PlacingNote = PlacedByLight | ShotInPart | OtherLight


def place_frames(
    shots: pd.DataFrame, files: Sequence[str], readings: Sequence[Reading]
) -> tuple[pd.DataFrame, tuple[PlacingNote, ...]]:
    """Fill the frame column of a log that names no frames.

    In capture order, row after row, where the numbers agree and the measured light does not contradict. A plan that is
    shot in part is read as far as it goes, where the light of its frames fits its first rows. Where the numbers differ
    by a few, the light places the frames if it places all of them beyond doubt: then a row that is left has no frame,
    and a frame that is left has no row. A sequence that has slipped in any other way is an error.

    Args:
        shots: The log, see ``read_shots``, its frame column blank.

    Returns:
        shots: With every frame named that has a row.
        notes: What was placed by light, and frames whose light is far from what their rows say; such frames have no row
            where they fit each other's, or are too bright for theirs.

    Raises:
        FaultsError: If the sequence has slipped; it says where: by the light as far as that tells, else by exposure
            data.
    """
    surplus, few = len(files) - len(shots), max(2.0, _MOST_LEFT * len(shots))
    begun = surplus < 0 and _is_start(shots, readings)
    if begun and surplus < -few:
        return _started(shots, files, readings)
    light, placed = _read(shots, readings)
    agree = len(shots) == len(files)
    lights = _keys(shots, _LIGHT)
    moved = agree and any(row >= 0 and lights[row] != lights[at] for at, row in enumerate(placed.tolist()))
    if surplus < -few:
        _refuse_part(shots, files, readings)
    if not (moved if agree else _tells(shots, placed)):
        if begun:
            return _started(shots, files, readings)
        shots = assign_frames(shots, files, [reading.exposure for reading in readings])
        return (shots, ()) if light is None else _misfits(shots, light, placed)

    slips = placed_slips(shots, files, placed, lights)
    if light is not None and surplus < 0:
        placed = _place_unlit(shots, readings, light, placed)
    if agree:
        count = f"{len(shots)} rows and as many frames in capture order, but their light says that the sequence slipped"
        raise _slipped(count, slips)
    left = _expected(shots)[np.setdiff1d(np.arange(len(shots)), placed)]
    sure = int((placed < 0).sum()) == max(0, surplus) and not np.isnan(left).any()
    if not sure or abs(surplus) > few:
        if begun:
            return _started(shots, files, readings)
        raise _slipped(miscount(len(shots), len(files)), slips)
    frame = np.full(len(shots), "", dtype=object)
    frame[placed[placed >= 0]] = np.array(files, dtype=object)[placed >= 0]
    return _named(shots, frame.tolist()), (PlacedByLight(len(shots), len(files), tuple(slips)),)


def _slipped(count: str, slips: Sequence[Slip]) -> FaultsError:
    return FaultsError(
        "shots.csv", [f"{count}; correct the log or the folder, {NAME_THEM}", *(slip_text(slip) for slip in slips)]
    )


def _named(shots: pd.DataFrame, frames: Sequence[str]) -> pd.DataFrame:
    return shots.assign(frame=pd.array(list(frames), dtype="str"))


def _read(shots: pd.DataFrame, readings: Sequence[Reading]) -> tuple[Floats | None, Indices]:
    """Return the light of the frames and the rows where it places them: none where it cannot be compared."""
    light = light_by_count(readings, int(shots["kind"].isin(UNLIT).sum()))
    return light, np.full(len(readings), -1) if light is None else place_by_light(shots, light)


# --- a log that is shot in part -------------------------------------------------------------------------------------


def _started(
    shots: pd.DataFrame, files: Sequence[str], readings: Sequence[Reading]
) -> tuple[pd.DataFrame, tuple[PlacingNote, ...]]:
    """Name the first rows of a log that is shot in part."""
    left = len(shots) - len(files)
    begun = _named(shots.iloc[: len(files)], files)
    light, placed = _read(begun, readings)
    begun, misfits = (begun, ()) if light is None else _misfits(begun, light, placed)
    return _named(shots, [*begun["frame"], *[""] * left]), (*misfits, ShotInPart(len(files), left))


def _is_start(shots: pd.DataFrame, readings: Sequence[Reading]) -> bool:
    """Say whether the frames are the first ones of a log, row after row, and the rest is still to be shot."""
    begun = shots.iloc[: len(readings)]
    if begun["kind"].isin(UNLIT).all():
        return not any(share_of(reading) > _NO_LIGHT for reading in readings)
    placed = _read(begun, readings)[1]
    lights = _keys(begun, _LIGHT)
    found = np.flatnonzero(placed >= 0).tolist()
    return len(found) >= _MOST_PLACED * len(begun) and all(lights[placed[at]] == lights[at] for at in found)


def _refuse_part(shots: pd.DataFrame, files: Sequence[str], readings: Sequence[Reading]) -> None:
    """Raise FaultsError where the frames are those of the first rows, but for one or two lost or too many."""
    for more in (1, -1, 2, -2):
        first = shots.iloc[: len(files) + more]
        light, placed = _read(first, readings)
        if light is not None and _tells(first, placed):
            left = int((_place_unlit(first, readings, light, placed) < 0).sum())
            if left <= max(0, -more):
                count = miscount(len(shots), len(files))
                slips = placed_slips(first, files, placed, _keys(first, _LIGHT))
                raise _slipped(f"{count}; their light fits the first {len(first)} rows but for a slip", slips)


# --- the light of frames and rows -----------------------------------------------------------------------------------


def _tells(shots: pd.DataFrame, placed: Indices) -> bool:
    """Say whether every head has frames on half of its rows; else neither its level nor its rows are known."""
    filled = pd.Series(np.isin(np.arange(len(shots)), placed))[shots["kind"].isin(TESTED).to_numpy()]
    own = pd.Series(_keys(shots, _OWN_LEVEL))
    return bool(len(filled)) and bool((filled.groupby(own).mean() >= 0.5).all())


def place_by_light(shots: pd.DataFrame, light_stops: Floats) -> Indices:
    """Return the row of each frame, -1 where it fits none or more than one light.

    Args:
        shots: The log, rows in the order of shooting: head, stops, kind.
        light_stops: (n,) array. Of each frame in capture order: log2 of its light, exposure settings taken out, in any
            unit; -inf where there is no flash in it, NaN where it is not known.

    Returns: (n,) int array: Positions in `shots`: the alignment of expected and measured stops with gaps that disagrees
        least (dynamic programming, forwards and backwards). Each head's level is the median of its frames, found with
        the places. Rows of one light in succession are one place, of which the first rows are filled. A frame of which
        there are two alike, or that is far from the light of its place, has none.
    """
    if not len(light_stops) or not len(shots):
        return np.full(len(light_stops), -1)
    stops = _expected(shots)
    lit = np.isfinite(stops)
    own = pd.factorize(pd.Series(_keys(shots, _OWN_LEVEL)))[0]
    lights = _keys(shots, _LIGHT)

    def cost(level: Floats) -> Floats:
        return disagreement(np.where(lit, level - stops, stops), light_stops)

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
    far = np.isfinite(light_stops) & (cost(level)[placed, np.arange(len(placed))] > GAP)
    return np.where(far, -1, placed)


def _keys(shots: pd.DataFrame, names: Sequence[str]) -> list[Hashable]:
    """Return what these columns say of each row, as far as the log has them; a check is a flash."""
    shots = shots.assign(kind=shots["kind"].where(shots["kind"] != Kind.CHECK, Kind.FLASH.value))
    return list(shots[[name for name in names if name in shots]].fillna(-1.0).itertuples(index=False, name=None))


def _expected(shots: pd.DataFrame) -> Floats:
    """Return the stops below full of each row; inf where no flash is due, NaN where its light is not known."""
    unlit = shots["kind"].isin(UNLIT).to_numpy()
    known = shots["kind"].isin([*TESTED, Kind.CARD]).to_numpy() & (shots["head"] != "").to_numpy()
    return np.where(unlit, np.inf, np.where(known, shots["stops"].to_numpy(np.float64), np.nan))


def _one_level(stops: Floats, light: Floats) -> Floats:
    """Take every head for one whose highest power is the brightest frame."""
    known = light[np.isfinite(light)], stops[np.isfinite(stops)]
    return np.full(len(stops), known[0].max() + known[1].min() if len(known[0]) and len(known[1]) else 0.0)


def _levels(stops: Floats, light: Floats, own: Indices, placed: Indices, level: Floats) -> Floats:
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


def _sure(cost: Floats, lights: Sequence[Hashable]) -> Indices:
    """Return the row of each frame in the best alignment; -1 where another light, or no place, is as good."""
    forward = _best(cost)
    backward = _best(cost[::-1, ::-1])[::-1, ::-1]
    through = forward[:-1, :-1] + cost + backward[1:, 1:]  # (rows, frames): best alignment with this match in it
    skipped = np.min(forward[:, :-1] + GAP + backward[:, 1:], axis=0)
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
    gaps = GAP * np.arange(frames + 1)
    total = np.tile(gaps, (rows + 1, 1))
    for row in range(rows):
        total[row + 1, 0] = total[row, 0] + GAP
        total[row + 1, 1:] = np.minimum(total[row, :-1] + cost[row], total[row, 1:] + GAP)
        total[row + 1] = np.minimum.accumulate(total[row + 1] - gaps) + gaps  # frames skipped on this row
    return total


def _place_unlit(shots: pd.DataFrame, readings: Sequence[Reading], light: Floats, placed: Indices) -> Indices:
    """Place frames without flash that lie between placed ones on ambient and dark rows, by the room light in them.

    Room light is that of placed ambient frames at the same settings; where there is none, nothing is placed. A frame
    is dark that lies below it by more than noise, and at less than half of it but for the doubt of the black level.
    """
    kinds, found = shots["kind"].tolist(), placed.copy()
    ambient: dict[Hashable, list[PatchSignal]] = {}
    for at, row in enumerate(placed.tolist()):
        signal = readings[at].signal
        if row >= 0 and kinds[row] == Kind.AMBIENT and signal is not None:
            ambient.setdefault(_settings(readings[at]), []).append(signal)

    def kind(at: int) -> str:
        signal, room = readings[at].signal, ambient.get(_settings(readings[at]))
        if signal is None or room is None:
            return ""
        level, green = float(np.mean([other.mean[1] for other in room])), signal.mean[1]
        below = level - green > _DARKER_SD * math.hypot(signal.u[1], room[0].u[1])
        return Kind.DARK if below and green < level / 2.0 + 2.0 * U_BLACK else Kind.AMBIENT

    for (at, row), (next_at, next_row) in between(len(light), len(shots), placed):
        if not np.isneginf(light[at + 1 : next_at]).all() or not set(kinds[row + 1 : next_row]) <= set(UNLIT):
            continue
        for frame in range(at + 1, next_at):
            row = next((other for other in range(row + 1, next_row) if kinds[other] == kind(frame)), next_row)
            if row == next_row:
                found[at + 1 : next_at] = -1
                break
            found[frame] = row
    return found


def _settings(reading: Reading) -> Hashable:
    return reading.exposure.exposure_s, reading.exposure.f_number, reading.exposure.iso


def _misfits(shots: pd.DataFrame, light: Floats, placed: Indices) -> tuple[pd.DataFrame, tuple[OtherLight, ...]]:
    """Return the log, and the frames in capture order whose light is far from their rows; none may rest on a wrong row.

    Those that fit each other's rows, and those brighter than their row while another frame of that light fits, lose
    their rows. One that is darker stays, since a flash may fall short, and so do all of a light that is unlike its
    setting: that is the head.
    """
    stops, lights = _expected(shots), _keys(shots, _LIGHT)
    own = pd.factorize(pd.Series(_keys(shots, _OWN_LEVEL)))[0]
    level = _levels(stops, light, own, placed, _one_level(stops, light))
    expected = np.where(np.isfinite(stops), level - stops, stops)
    cost = disagreement(expected, light)
    away, used = cost.diagonal(), placed[placed >= 0]
    odd = (away > 2 * GAP) & (placed < 0)
    known = np.isinf(stops) | np.isin(own, own[used])  # the level of a head without a placed frame is a guess
    loose = (away > GAP) & ((placed < 0) | np.isinf(light)) & known
    fits = (cost <= GAP) & loose[:, None] & loose & (odd[:, None] | odd)
    exchanged = np.asarray(fits.any(axis=0))
    witnessed = np.array([there in {lights[row] for row in used.tolist()} for there in lights])
    brighter = odd & known & witnessed & (np.isinf(expected) | (light > expected))
    names = np.array(row_names(shots), dtype=object)
    found = [
        OtherLight(tuple(shots["frame"][which]), tuple(names[which]), told)
        for which, told in ((exchanged, True), (odd & ~exchanged, False))
        if which.any()
    ]
    return _named(shots, shots["frame"].mask(exchanged | brighter, "").tolist()), tuple(found)
