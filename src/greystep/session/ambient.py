"""Room light and black level taken off each frame's patch, with what that leaves uncertain."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from greystep.arrays import Booleans, Floats
from greystep.raw.exposure import nominal_f_number, nominal_iso, nominal_time
from greystep.terms import LIT, Kind

ExposureSettings = tuple[float | None, float | None, float | None]

#: Standard uncertainty of a black level that no frame takes off [raw counts]: files give it rounded to whole counts, so
#: the true one lies evenly within half a count of it (JCGM 100:2008 4.3.7: half-width over the root of 3).
U_BLACK: Final = 0.5 / np.sqrt(3.0)
#: A file's black level this far from masked or dark pixels is wrong [raw counts].
BLACK_COUNTS: Final = 1.0
#: Two ambient frames differ when a channel does by more than this many standard uncertainties.
CHANGED_SD: Final = 3.0


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
            light's gradient and correlated pixels in it), ``ambient`` (noise of the ambient frames taken off) and
            ``black`` (the black level, or its dark frames).
        ambient_pct: Array (n,). 100 * ambient / (ambient + flash) in green; NaN where no ambient frame serves.
        no_ambient: Array (n,). Lit frames for which there is no ambient frame at their own settings.
        black_known: Array (n,). There is an ambient or dark frame at the row's ISO.
        black_wrong: Array (n,). The file's black level is more than a count from masked or dark pixels, or from that of
            the frame taken off.
        drift: Array (n, 3). Change from the first to the last ambient frame of those that serve the row [raw counts]; 0
            within their noise.
        serving: Tuple of tuples of int. The rows whose mean was taken off as room light.
    """

    signal: Floats
    covariance: Floats
    causes: dict[str, Floats]
    ambient_pct: Floats
    no_ambient: Booleans
    black_known: Booleans
    black_wrong: Booleans
    drift: Floats
    serving: tuple[tuple[int, ...], ...]


def settings_of(table: pd.DataFrame) -> list[ExposureSettings]:
    """Return shutter time [s], f-number and ISO of each row on exact thirds of a stop; None where unknown."""
    columns = (("exposure_s", nominal_time), ("f_number", nominal_f_number), ("iso", nominal_iso))
    nominal = [
        [None if np.isnan(value) else exact(value) for value in table[name].to_numpy(dtype=np.float64)]
        for name, exact in columns
    ]
    return list(zip(*nominal, strict=True))


def take_off(table: pd.DataFrame, patches: Patches, accepted: Booleans) -> Signals:
    """Take room light and black off every flash and job frame.

    The mean of the ambient frames at the frame's own settings takes both off at once; one that names the frame's head
    serves before one that names none, and that before one of another head. Without one, the nearest is scaled by
    t * ISO / N^2, its black first taken off by dark frames at its ISO: an error of the black level does not scale.

    Args:
        table: With body, head, kind, shot, exposure_s, f_number, iso.
        patches: In the same order.
        accepted: Array (n,). Rows that may be taken off others.
    """
    count = len(table)
    kind, head = table["kind"].tolist(), table["head"].tolist()
    settings = settings_of(table)
    sensor = [(body, iso) for body, (_, _, iso) in zip(table["body"], settings, strict=True)]
    usable = accepted & np.isfinite(patches.mean).all(axis=1)
    ambients = [row for row in range(count) if kind[row] == Kind.AMBIENT and usable[row]]
    darks: dict[tuple[str, float | None], list[int]] = {}
    for row in range(count):
        if kind[row] == Kind.DARK and usable[row]:
            darks.setdefault(sensor[row], []).append(row)
    known_at = {sensor[row] for row in ambients} | set(darks)

    signal, frame = patches.mean.copy(), patches.u[:, :, None] ** 2 * np.eye(3)
    of_ambient, of_black = np.zeros((count, 3, 3)), np.full((count, 3, 3), U_BLACK**2)
    ambient_pct, drift = np.full(count, np.nan), np.zeros((count, 3))
    no_ambient, wrong = np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
    serving: list[tuple[int, ...]] = [()] * count
    for row in range(count):
        if not np.isfinite(patches.mean[row]).all() or kind[row] == Kind.DARK:
            continue
        dark = darks.get(sensor[row], [])
        wrong[row] = _black_wrong(patches, row, dark)
        if kind[row] not in LIT:
            continue
        black, black_covariance = _black(patches, dark)
        chosen, scale = _serving(
            row, [place for place in ambients if sensor[place][0] == sensor[row][0]], settings, head
        )
        own = bool(chosen) and settings[chosen[0]] == settings[row]
        no_ambient[row], serving[row] = not own, tuple(chosen)
        off, light, of_black[row] = black, np.full(3, np.nan), black_covariance
        if own:
            off, of_ambient[row] = _mean(patches, chosen)
            of_black[row] = 0.0  # the ambient frame carries the same black level
            light = off - black
            wrong[row] |= _apart(patches.black[row] - patches.black[chosen].mean(axis=0))
        elif chosen:
            room, room_covariance = _mean(patches, chosen)
            there, there_covariance = _black(patches, darks.get(sensor[chosen[0]], []))
            light = scale * (room - there)
            off = black + light
            of_ambient[row] = scale**2 * room_covariance
            # At one ISO it is one black level, of which the scaled frame takes off only a part.
            same = sensor[chosen[0]] == sensor[row]
            of_black[row] = (
                (1 - scale) ** 2 * black_covariance if same else black_covariance + scale**2 * there_covariance
            )
        signal[row] -= off
        total = light[1] + signal[row, 1]
        ambient_pct[row] = 100.0 * light[1] / total if total > 0 else np.nan
        drift[row] = scale * _drift(chosen, table["shot"].to_numpy(), patches)
    known = np.array([key in known_at for key in sensor], dtype=bool)
    causes = {"frame": frame, "ambient": of_ambient, "black": of_black}
    return Signals(
        signal, frame + of_ambient + of_black, causes, ambient_pct, no_ambient, known, wrong, drift, tuple(serving)
    )


def _serving(
    row: int, ambients: Sequence[int], settings: Sequence[ExposureSettings], head: Sequence[str]
) -> tuple[list[int], float]:
    """Return the ambient frames that serve a row, all of one setting, and the factor that their light is scaled by."""

    def rank(place: int) -> int:
        return 0 if head[place] and head[place] == head[row] else 1 if not head[place] else 2

    equal = [place for place in ambients if settings[place] == settings[row]]
    if equal:
        first = min(map(rank, equal))
        return [place for place in equal if rank(place) == first], 1.0
    own = _exposure_stops(settings[row])
    away = {place: own - _exposure_stops(settings[place]) for place in ambients}
    away = {place: stops for place, stops in away.items() if np.isfinite(stops)}
    if not away:
        return [], 1.0

    def distance(place: int) -> tuple[bool, float, bool, int]:
        return rank(place) == 2, round(abs(away[place]), 6), settings[place][2] != settings[row][2], rank(place)

    nearest = min(away, key=distance)
    same = [place for place in away if settings[place] == settings[nearest] and rank(place) == rank(nearest)]
    return same, float(2.0 ** away[nearest])


def _exposure_stops(settings: ExposureSettings) -> float:
    """Return log2(t * ISO / N^2), by which steady light grows; NaN where a setting is unknown."""
    time_s, f_number, iso = settings
    if time_s is None or f_number is None or iso is None:
        return float("nan")
    return float(np.log2(time_s * iso / f_number**2))


def _mean(patches: Patches, rows: Sequence[int]) -> tuple[Floats, Floats]:
    """Return the mean of some frames above their file's black, and its covariance (3, 3)."""
    chosen = list(rows)
    return patches.mean[chosen].mean(axis=0), np.diag((patches.u[chosen] ** 2).sum(axis=0)) / len(chosen) ** 2


def _black(patches: Patches, darks: Sequence[int]) -> tuple[Floats, Floats]:
    """Return what dark frames leave above the file's black, and its covariance; without any, nothing and the doubt."""
    return _mean(patches, darks) if darks else (np.zeros(3), np.full((3, 3), U_BLACK**2))


def _black_wrong(patches: Patches, row: int, darks: Sequence[int]) -> bool:
    """Say whether masked pixels of the frame, or dark frames at its ISO, contradict the file's black level."""
    if _apart(patches.black[row] - patches.masked[row]):
        return True
    if not darks:
        return False
    levels = (patches.black[list(darks)] + patches.mean[list(darks)]).mean(axis=0)
    return _apart(patches.black[row] - levels)


def _apart(counts: Floats) -> bool:
    return bool(np.any(np.abs(np.nan_to_num(counts)) > BLACK_COUNTS))


def _drift(rows: Sequence[int], shot: NDArray[np.int64], patches: Patches) -> Floats:
    """Return last minus first of some ambient frames; 0 where no channel differs beyond its noise."""
    if len(rows) < 2:
        return np.zeros(3)
    first, last = min(rows, key=lambda row: shot[row]), max(rows, key=lambda row: shot[row])
    change = patches.mean[last] - patches.mean[first]
    noise = np.hypot(patches.u[first], patches.u[last])
    return change if np.any(np.abs(change) > CHANGED_SD * noise) else np.zeros(3)
