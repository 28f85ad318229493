"""Room light and black level taken off each frame's patch, with what that leaves uncertain.

Where room light changed between two flash-off frames, the frames between them are a stretch: it changed before or after
each of them. `greystep.session.switched` says how likely it is that it had changed.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
import pandas as pd

from greystep.arrays import Booleans, Floats, Indices
from greystep.raw.exposure import nominal_f_number, nominal_iso, nominal_time
from greystep.terms import LIT, Kind

ExposureSettings = tuple[float | None, float | None, float | None]

#: Standard uncertainty of a black level that no frame takes off [raw counts]: files give it rounded to whole counts, so
#: the true one lies evenly within half a count of it (JCGM 100:2008 4.3.7: half-width over the root of 3).
U_BLACK: Final = 0.5 / np.sqrt(3.0)
#: What is left above a file's black where no dark frame tells, and its covariance.
_NO_DARKS: Final = (np.zeros(3), np.full((3, 3), U_BLACK**2))
#: A file's black level this far from masked or dark pixels is wrong [raw counts].
BLACK_COUNTS: Final = 1.0
#: Ambient frames differ when a channel does by more than this many standard uncertainties: in a test with ten of them
#: chance does it once in 500.
CHANGED_SD: Final = 4.0


@dataclass(frozen=True, eq=False)
class Patches:
    """Patch statistics of n frames, one row each of red, green, blue; NaN where a frame has none.

    Attributes:
        mean, u: Array (n, 3). Above the file's black level, and its standard uncertainty [raw counts].
        black, white: Array (n, 3). What the file says [raw counts].
        masked: Array (n, 3). Mean of masked pixels [raw counts].
    """

    mean: Floats
    u: Floats
    black: Floats
    white: Floats
    masked: Floats


@dataclass(frozen=True, eq=False)
class Signals:
    """What is left of n frames once room light and black are off.

    Attributes:
        signal: Array (n, 3). Raw counts; of ambient, dark and unknown frames the mean above the file's black level.
        covariance: Array (n, 3, 3). Of the signal, k = 1: noise of the frame and of what was taken off; an unknown
            black level moves all channels alike.
        causes: Dict of str to array (n, 3, 3). What the covariance is the sum of: ``frame`` (the frame's own noise,
            light's gradient and correlated pixels in it), ``ambient`` (noise of the ambient frames taken off),
            ``black`` (the black level, or its dark frames) and ``room`` (whether room light had changed).
        ambient_pct: Array (n,). 100 * ambient / (ambient + flash) in green; NaN where no ambient frame serves.
        no_ambient: Array (n,). Lit frames for which there is no ambient frame at their own settings.
        black_known: Array (n,). There is an ambient or dark frame at the row's ISO.
        black_wrong: Array (n,). The file's black level is more than a count from masked or dark pixels, or from that of
            the frame taken off.
        room: Int array (n,). Number of the stretch of changed room light in which a lit frame lies, in capture order;
            -1 for none.
        share: Array (n,). Of rows in a stretch: the chance that room light had changed before the frame, and so the
            share of the change that is taken off; NaN elsewhere.
        change: Array (n, 3). Of rows in a stretch: the change at the row's settings [raw counts]; 0 elsewhere.
        seen: Array (n, 2). An ambient frame of the same body was taken before the lit frame, and one after it.
    """

    signal: Floats
    covariance: Floats
    causes: dict[str, Floats]
    ambient_pct: Floats
    no_ambient: Booleans
    black_known: Booleans
    black_wrong: Booleans
    room: Indices
    share: Floats
    change: Floats
    seen: Booleans


@dataclass(frozen=True, eq=False)
class _Change:
    """Room light that changed between two flash-off frames that follow each other at one setting.

    Attributes:
        first, last: Shots of the two frames; other settings may have brought them closer.
        weights: Array (n,). The change is so many times each row's mean.
        stops: Exposure of these frames [log2].
    """

    first: int
    last: int
    weights: Floats
    stops: float


def settings_of(table: pd.DataFrame) -> list[ExposureSettings]:
    """Return shutter time [s], f-number and ISO of each row on exact thirds of a stop; None where unknown."""
    columns = (("exposure_s", nominal_time), ("f_number", nominal_f_number), ("iso", nominal_iso))
    nominal = [
        [None if math.isnan(value) else exact(value) for value in table[name].to_numpy(dtype=np.float64).tolist()]
        for name, exact in columns
    ]
    return list(zip(*nominal, strict=True))


def steady_stops(settings: Sequence[ExposureSettings]) -> Floats:
    """Return log2(t * ISO / N^2) of each row (n,), by which steady light grows; NaN where a setting is unknown."""
    known = np.array([[np.nan if one is None else one for one in row] for row in settings]).reshape(-1, 3)
    return np.asarray(np.log2(known[:, 0] * known[:, 2] / known[:, 1] ** 2))


def take_off(table: pd.DataFrame, patches: Patches, accepted: Booleans, shares: Floats | None = None) -> Signals:
    """Take room light and black off every flash and job frame.

    The mean of the ambient frames at the frame's own settings takes both off at once; one that names the frame's head
    serves before one that names none, and that before one of another head. Without one, the nearest is scaled by
    t * ISO / N^2, its black first taken off by dark frames at its ISO: an error of the black level does not scale.
    Where room light changed, frames of the other side are brought to the light of the frame by that change.

    Args:
        table: With body, head, kind, shot, exposure_s, f_number, iso.
        patches: In the same order.
        accepted: Array (n,). Rows that may be taken off others.
        shares: Array (n,). See `Signals.share`; without it the moment of a change is taken as alike in all gaps between
            the frames of its stretch, the first and last gap included.
    """
    count = len(table)
    kind, head = table["kind"].tolist(), table["head"].tolist()
    shot = table["shot"].to_numpy()
    settings = settings_of(table)
    exposure = steady_stops(settings)
    sensor = [(body, iso) for body, (_, _, iso) in zip(table["body"].tolist(), settings, strict=True)]
    measured = np.isfinite(patches.mean).all(axis=1)
    usable = accepted & measured
    ambients: dict[str, list[int]] = {}
    darks: dict[tuple[str, float | None], list[int]] = {}
    for row in np.flatnonzero(usable).tolist():
        if kind[row] == Kind.AMBIENT:
            ambients.setdefault(sensor[row][0], []).append(row)
        elif kind[row] == Kind.DARK:
            darks.setdefault(sensor[row], []).append(row)
    known_at = {sensor[row] for rows in ambients.values() for row in rows} | set(darks)
    lit = np.flatnonzero(measured & table["kind"].isin(LIT).to_numpy())

    signal, frame = patches.mean.copy(), patches.u[:, :, None] ** 2 * np.eye(3)
    of_ambient, of_black = np.zeros((count, 3, 3)), np.full((count, 3, 3), U_BLACK**2)
    ambient_pct, change = np.full(count, np.nan), np.zeros((count, 3))
    no_ambient, seen = np.zeros(count, dtype=bool), np.zeros((count, 2), dtype=bool)
    wrong = np.zeros(count, dtype=bool)
    blacks = {key: _mean(patches, rows) for key, rows in darks.items()}  # that is left above the file's black
    wrong[measured] = _apart(patches.black - patches.masked)[measured]
    for key, rows in darks.items():
        of_sensor = measured & np.array([one == key for one in sensor])
        levels = (patches.black[rows] + patches.mean[rows]).mean(axis=0)
        wrong[of_sensor] |= _apart(patches.black[of_sensor] - levels)
    wrong &= (table["kind"] != Kind.DARK).to_numpy()
    changes = {body: _changes(rows, settings, exposure, head, shot, patches) for body, rows in ambients.items()}
    room, share = _stretches(changes, lit, table["body"].to_numpy(), shot)
    share = share if shares is None else np.where(room >= 0, shares, np.nan)
    alike: dict[tuple[object, ...], list[int]] = {}  # what serves one of these serves all
    for row in lit.tolist():
        apart = row if changes.get(sensor[row][0]) else None
        alike.setdefault((sensor[row], settings[row], head[row], apart), []).append(row)
    for rows in alike.values():
        row = rows[0]
        mine = ambients.get(sensor[row][0], [])
        taken_at = shot[rows][:, None]
        seen[rows] = np.column_stack([(shot[mine] < taken_at).any(axis=1), (shot[mine] > taken_at).any(axis=1)])
        black, black_covariance = blacks.get(sensor[row], _NO_DARKS)
        chosen, scale = _serving(row, mine, settings, exposure, head)
        own = bool(chosen) and settings[chosen[0]] == settings[row]
        no_ambient[rows] = not own
        off, light, of_black[rows] = black, np.full(3, np.nan), black_covariance
        if chosen:
            if changes[sensor[row][0]]:
                taken, moves = _weights(row, chosen, changes[sensor[row][0]], share, exposure, shot)
                level, of_level = _sum(patches, taken)
                change[rows] = scale * _sum(patches, moves)[0]
            else:
                level, of_level = _mean(patches, chosen)
            of_ambient[rows] = scale**2 * of_level
        if own:
            off = level
            of_black[rows] = 0.0  # the ambient frame carries the same black level
            light = off - black
            wrong[rows] |= _apart(patches.black[rows] - patches.black[chosen].mean(axis=0))
        elif chosen:
            there, there_covariance = blacks.get(sensor[chosen[0]], _NO_DARKS)
            light = scale * (level - there)
            off = black + light
            # At one ISO it is one black level, of which the scaled frame takes off only a part.
            same = sensor[chosen[0]] == sensor[row]
            of_black[rows] = (
                (1 - scale) ** 2 * black_covariance if same else black_covariance + scale**2 * there_covariance
            )
        signal[rows] -= off
        total = light[1] + signal[rows, 1]
        ambient_pct[rows] = 100.0 * light[1] / np.where(total > 0, total, np.nan)
    known = np.array([key in known_at for key in sensor], dtype=bool)
    open_share = np.nan_to_num(share * (1.0 - share))
    of_room = open_share[:, None, None] * change[:, :, None] * change[:, None, :]
    causes = {"frame": frame, "ambient": of_ambient, "black": of_black, "room": of_room}
    return Signals(
        signal, np.sum(list(causes.values()), axis=0), causes, ambient_pct, no_ambient, known, wrong, room, share,
        change, seen,
    )  # fmt: skip


def _changes(
    ambients: Sequence[int],
    settings: Sequence[ExposureSettings],
    exposure: Floats,
    head: Sequence[str],
    shot: Indices,
    patches: Patches,
) -> list[_Change]:
    """Return the changes of room light that a body's ambient frames show beyond their noise, in capture order.

    Only frames at one setting, and of one head where they name one, are compared. Where several settings show a change,
    it lies where all of them have it; the frames that lie closest give its size.
    """
    groups: dict[tuple[ExposureSettings, str], list[int]] = {}
    for row in sorted(ambients, key=lambda row: int(shot[row])):
        groups.setdefault((settings[row], head[row]), []).append(row)
    seen: list[_Change] = []
    for rows in groups.values():
        alike = [rows[:1]]
        for row in rows[1:]:
            level, covariance = _mean(patches, alike[-1])
            noise = np.sqrt(np.diagonal(covariance) + patches.u[row] ** 2)
            if np.any(np.abs(patches.mean[row] - level) > CHANGED_SD * noise):
                alike.append([row])
            else:
                alike[-1].append(row)
        for before, after in pairwise(alike):
            weights = _share_of(after, len(shot)) - _share_of(before, len(shot))
            seen.append(_Change(int(shot[before[-1]]), int(shot[after[0]]), weights, float(exposure[rows[0]])))
    kept: list[_Change] = []
    for one in sorted(seen, key=lambda one: one.last - one.first):
        same = [place for place, other in enumerate(kept) if one.first < other.last and other.first < one.last]
        if not same:
            kept.append(one)
        elif len(same) == 1:
            other = kept[same[0]]
            kept[same[0]] = replace(other, first=max(one.first, other.first), last=min(one.last, other.last))
    return sorted(kept, key=lambda one: one.first)


def _stretches(
    changes: dict[str, list[_Change]], lit: Indices, body: np.ndarray, shot: Indices
) -> tuple[Indices, Floats]:
    """Return the number of each row's stretch, and the share of its gaps that lie before the row."""
    room, share = np.full(len(shot), -1, dtype=np.intp), np.full(len(shot), np.nan)
    found = []
    for label, those in changes.items():
        for one in those:
            rows = lit[(body[lit] == label) & (one.first < shot[lit]) & (shot[lit] < one.last)]
            if len(rows):
                found.append(rows[np.argsort(shot[rows])])
    for number, rows in enumerate(sorted(found, key=lambda rows: int(shot[rows[0]]))):
        room[rows], share[rows] = number, np.arange(1, len(rows) + 1) / (len(rows) + 1)
    return room, share


def _weights(
    row: int, chosen: Sequence[int], changes: Sequence[_Change], share: Floats, exposure: Floats, shot: Indices
) -> tuple[Floats, Floats]:
    """Return the weights (n,) of the ambient frames in the room light of a row, and in the change within its stretch.

    Both are at the settings of the chosen frames. The size of a change is theirs where they lie on both of its sides
    and no other change is between; else it is scaled.
    """
    taken, moves = _share_of(chosen, len(shot)), np.zeros(len(shot))
    when = shot[list(chosen)]
    passed = np.array([[one.last <= at for one in changes] for at in when], dtype=bool).reshape(len(when), -1)
    for place, one in enumerate(changes):
        before = [at for at, gone in zip(chosen, passed, strict=True) if gone.sum() == place and shot[at] <= one.first]
        after = [at for at, gone in zip(chosen, passed, strict=True) if gone[place] and gone.sum() == place + 1]
        if before and after:
            by = _share_of(after, len(shot)) - _share_of(before, len(shot))
        else:
            by = np.nan_to_num(2.0 ** (exposure[chosen[0]] - one.stops)) * one.weights
        inside = one.first < shot[row] < one.last
        here = share[row] if inside else float(shot[row] >= one.last)
        there = np.where(when <= one.first, 0.0, np.where(when >= one.last, 1.0, 0.5)).mean()
        taken = taken + (here - there) * by
        moves = by if inside else moves
    return taken, moves


def _serving(
    row: int, ambients: Sequence[int], settings: Sequence[ExposureSettings], exposure: Floats, head: Sequence[str]
) -> tuple[list[int], float]:
    """Return the ambient frames that serve a row, all of one setting, and the factor that their light is scaled by."""

    def rank(place: int) -> int:
        return 0 if head[place] and head[place] == head[row] else 1 if not head[place] else 2

    equal = [place for place in ambients if settings[place] == settings[row]]
    if equal:
        first = min(map(rank, equal))
        return [place for place in equal if rank(place) == first], 1.0
    away = {place: float(exposure[row] - exposure[place]) for place in ambients}
    away = {place: stops for place, stops in away.items() if np.isfinite(stops)}
    if not away:
        return [], 1.0

    def distance(place: int) -> tuple[bool, float, bool, int]:
        return rank(place) == 2, round(abs(away[place]), 6), settings[place][2] != settings[row][2], rank(place)

    nearest = min(away, key=distance)
    same = [place for place in away if settings[place] == settings[nearest] and rank(place) == rank(nearest)]
    return same, float(2.0 ** away[nearest])


def _share_of(rows: Iterable[int], count: int) -> Floats:
    """Return the weights (count,) of the mean of some rows."""
    chosen = list(rows)
    weights = np.zeros(count)
    weights[chosen] = 1.0 / len(chosen)
    return weights


def _sum(patches: Patches, weights: Floats) -> tuple[Floats, Floats]:
    """Return the weighted sum of frames above their file's black, and its covariance (3, 3)."""
    rows = np.flatnonzero(weights)
    return weights[rows] @ patches.mean[rows], np.diag(weights[rows] ** 2 @ patches.u[rows] ** 2)


def _mean(patches: Patches, rows: Sequence[int]) -> tuple[Floats, Floats]:
    """Return the mean of some frames above their file's black, and its covariance (3, 3)."""
    return _sum(patches, _share_of(rows, len(patches.mean)))


def _apart(counts: Floats) -> Booleans:
    """Say where black levels (..., 3) differ by more than they may; not where one is unknown."""
    return np.asarray(np.any(np.abs(np.nan_to_num(counts)) > BLACK_COUNTS, axis=-1))
