"""Which of several lights has changed: a frame taken apart into frames of the same scene that one light lit each."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.optimize import nnls

from greystep.arrays import Floats
from greystep.correct.blocks import Blocks
from greystep.correct.framing import DARK, align, bloomed, laid_over
from greystep.correct.overlap import AGREE_FIELDS, AGREE_SHARE, BRIGHT, FIELD
from greystep.measure.uncertainty import student_factor

#: Structure [share of the mean] up to which a field counts in full, as in an overlap.
_EVEN: Final = 0.03
_CUT_SD: Final = 4.5
_FAR: Final = 0.04
_ROUNDS: Final = 30
#: Lights whose pictures are more alike than this (condition number) cannot be told apart.
_ALIKE: Final = 100.0
#: The frame is cut into so many by so many parts, each left out in turn.
_PARTS: Final = 4


@dataclass(frozen=True)
class Unmixed:
    """A frame as a sum of lights.

    Attributes
    ----------
    light : array (n, 3)
        How much of each of n single frames is in it, by channel; 1 is as much as that frame itself.
    u_stops : array (n,)
        95 % half-width of the green of each [stops].
    u_contrast : array (n,)
        95 % half-width of the logarithm of blue over red of each.
    agreed_pct : float
        Share of the comparable fields that the sum explains [%].
    """

    light: Floats
    u_stops: Floats
    u_contrast: Floats
    agreed_pct: float


def unmix(singles: Sequence[Blocks], mixed: Blocks) -> Unmixed | None:
    """Take a frame apart by least squares, channel by channel, into frames that one light lit each.

    Parameters
    ----------
    singles : sequence of Blocks
        The same scene and exposure, one light at a time, room light off.
    mixed : Blocks
        The frame; several of those lights at once.

    Returns
    -------
    Unmixed or None
        None where the lights do not explain the frame, or cannot be told apart. Shares are never negative; fields that
        the sum does not explain (a thing that moved) are let go by Tukey's weights.
    """
    seen = [laid_over(single, mixed, *align(mixed, single)) for single in singles]
    good = ~bloomed(mixed.clipped)
    for _, there in seen:
        good = good & there
    rows, columns = (length // FIELD for length in good.shape)

    def fold(values: Floats) -> Floats:
        cut = values[: rows * FIELD, : columns * FIELD]
        return np.asarray(cut.reshape(rows, FIELD, columns, FIELD, *cut.shape[2:]).mean(axis=(1, 3)))

    whole = fold(mixed.signal)
    squares = fold(mixed.signal[..., 1] ** 2)
    usable = (fold(good.astype(np.float64)) > 0.999) & (whole > DARK).all(axis=-1) & (whole < BRIGHT).all(axis=-1)
    if np.count_nonzero(usable) < AGREE_FIELDS:
        return None
    frame = whole[usable]
    lights = np.stack([fold(signal)[usable] for signal, _ in seen], axis=1)
    structure = np.sqrt(np.maximum(squares[usable] / frame[:, 1] ** 2 - 1.0, 0.0))
    even = 1.0 / (1.0 + (structure / _EVEN) ** 2)
    found = _solve(lights, frame, even, None)
    if found is None or np.count_nonzero(found[1]) < AGREE_SHARE * len(frame):
        return None
    light, weight = found
    y, x = np.nonzero(usable)
    group = y * _PARTS // rows * _PARTS + x * _PARTS // columns
    share = np.bincount(group, weight, minlength=_PARTS**2) / weight.sum()
    away = []
    for part in np.flatnonzero(share > 0.005):
        keep = group != part
        without = _solve(lights[keep], frame[keep], even[keep], light)
        if without is not None:
            scale = np.sqrt(max(1.0 / share[part] - 1.0, 0.0))
            away.append(scale * (np.log(np.maximum(without[0], 1e-9)) - np.log(np.maximum(light, 1e-9))))
    if len(away) < 3:
        return None
    spread = np.array(away)
    factor = student_factor(len(away) - 1)
    u_stops = factor * np.sqrt(np.mean(spread[:, :, 1] ** 2, axis=0)) / np.log(2.0)
    u_contrast = factor * np.sqrt(np.mean((spread[:, :, 2] - spread[:, :, 0]) ** 2, axis=0))
    return Unmixed(light, u_stops, u_contrast, 100.0 * float(np.mean(weight > 0)))


def _solve(lights: Floats, frame: Floats, even: Floats, start: Floats | None) -> tuple[Floats, Floats] | None:
    """Return the share (n, 3) of each light and the weight of each field; None where the lights are as good as one.

    Without a start the sum of absolute errors is made least first, over all fields alike: no minority can draw it.
    """
    light, weight = np.ones((lights.shape[1], 3)), np.ones(len(frame))
    if start is None:
        for _ in range(_ROUNDS):
            solved = _least_squares(lights, frame, weight)
            if solved is None:
                return None
            light = solved
            weight = 1.0 / np.maximum(np.abs(_left(lights, frame, light)).max(axis=1), 1e-3)
    else:
        light = start
    calm = even >= np.median(even)
    for _ in range(_ROUNDS):
        distance = np.abs(_left(lights, frame, light)).max(axis=1) * np.sqrt(even)
        middle = max(float(np.quantile(distance, 0.4)), float(np.quantile(distance[calm], 0.4)))
        weight = even * np.clip(1.0 - (distance / min(max(_CUT_SD * middle, 1e-4), _FAR)) ** 2, 0.0, None) ** 2
        before, solved = light, _least_squares(lights, frame, weight)
        if solved is None:
            return None
        light = solved
        if np.abs(light - before).max() < 1e-6:
            break
    return light, weight


def _left(lights: Floats, frame: Floats, light: Floats) -> Floats:
    """Return what the sum of lights leaves of each field (n, 3), as a share of it."""
    return np.asarray(np.einsum("fnc,nc->fc", lights, light) / frame - 1.0)


def _least_squares(lights: Floats, frame: Floats, weight: Floats) -> Floats | None:
    root = np.sqrt(weight)
    solved = []
    for channel in range(3):
        design = (root / frame[:, channel])[:, None] * lights[:, :, channel]
        if np.linalg.cond(design) > _ALIKE:
            return None
        solved.append(nnls(design, root)[0])
    return np.stack(solved, axis=1)
