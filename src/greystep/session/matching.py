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
from greystep.session.alignment import (
    LIGHT,
    OWN_LEVEL,
    expected_stops,
    levels_of,
    light_keys,
    one_level,
    place_by_light,
)
from greystep.session.ambient import U_BLACK
from greystep.session.costs import GAP, disagreement
from greystep.session.flash_light import light_by_count, share_of
from greystep.session.log_slips import NAME_THEM, Slip, assign_frames, between, miscount, placed_slips, slip_text
from greystep.session.shots import row_names
from greystep.terms import TESTED, UNLIT, Kind

#: More rows or frames left over than this share, and than two, are no slip, but a log or a folder that is not whole.
_MOST_LEFT: Final = 0.1
#: The frames of a plan shot in part have their places by light to this share at least.
_MOST_PLACED: Final = 0.8
#: With more of the range than this, a frame is no frame without flash (the contract's limit of too dark).
_NO_LIGHT: Final = 0.02
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
    lights = light_keys(shots, LIGHT)
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
    left = expected_stops(shots)[np.setdiff1d(np.arange(len(shots)), placed)]
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
    lights = light_keys(begun, LIGHT)
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
                slips = placed_slips(first, files, placed, light_keys(first, LIGHT))
                raise _slipped(f"{count}; their light fits the first {len(first)} rows but for a slip", slips)


# --- the light of frames and rows -----------------------------------------------------------------------------------


def _tells(shots: pd.DataFrame, placed: Indices) -> bool:
    """Say whether every head has frames on half of its rows; else neither its level nor its rows are known."""
    filled = pd.Series(np.isin(np.arange(len(shots)), placed))[shots["kind"].isin(TESTED).to_numpy()]
    own = pd.Series(light_keys(shots, OWN_LEVEL))
    return bool(len(filled)) and bool((filled.groupby(own).mean() >= 0.5).all())


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
    stops, lights = expected_stops(shots), light_keys(shots, LIGHT)
    own = pd.factorize(pd.Series(light_keys(shots, OWN_LEVEL)))[0]
    level = levels_of(stops, light, own, placed, one_level(stops, light))
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
