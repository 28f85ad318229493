"""Which of several lights has changed: a frame taken apart into frames of the same scene that one light lit each."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy  # its parts are imported when they are first named: that takes half of the start

from greystep.arrays import Floats, jackknife_deviations, tukey_weights
from greystep.correct.alignment import align, bloomed, laid_over
from greystep.correct.overlap import (
    AGREE_FIELDS,
    AGREE_SHARE,
    PARTS,
    agreement_limit,
    evenness,
    field_means,
    parts_to_leave_out,
    well_exposed,
)
from greystep.measure.uncertainty import student_factor
from greystep.raw.blocks import Blocks

_ROUNDS: Final = 30
#: Lights whose pictures are more alike than this (condition number) cannot be told apart.
_ALIKE: Final = 100.0


@dataclass(frozen=True)
class Unmixed:
    """A frame as a sum of lights.

    Attributes:
        amounts: Array (n, 3). How much of each of n single frames is in it, by channel; 1 is as much as that frame
            itself.
        u_stops: Array (n,). 95 % half-width of the green of each [stops].
        u_contrast: Array (n,). 95 % half-width of the logarithm of blue over red of each.
        agreed_pct: Share of the comparable fields that the sum explains [%].
    """

    amounts: Floats
    u_stops: Floats
    u_contrast: Floats
    agreed_pct: float


def unmix(singles: Sequence[Blocks], mixed: Blocks) -> Unmixed | None:
    """Take a frame apart by least squares, channel by channel, into frames that one light lit each.

    Args:
        singles: The same scene and exposure, one light at a time, room light off.
        mixed: The frame; several of those lights at once.

    Returns: None where the lights do not explain the frame, or cannot be told apart. Shares are never negative; fields
        that the sum does not explain (a thing that moved) are left out by Tukey's weights.
    """
    seen = [laid_over(single, mixed, *align(mixed, single)) for single in singles]
    good = ~bloomed(mixed.clipped)
    for _, there in seen:
        good = good & there
    whole = field_means(mixed.signal)
    squares = field_means(mixed.signal[..., 1] ** 2)
    usable = (field_means(good.astype(np.float64)) > 0.999) & well_exposed(whole)
    if np.count_nonzero(usable) < AGREE_FIELDS:
        return None
    frame = whole[usable]
    lights = np.stack([field_means(signal)[usable] for signal, _ in seen], axis=1)
    structure = np.sqrt(np.maximum(squares[usable] / frame[:, 1] ** 2 - 1.0, 0.0))
    even = evenness(structure)
    found = _solve(lights, frame, even, None)
    if found is None or np.count_nonzero(found[1]) < AGREE_SHARE * len(frame):
        return None
    light, weight = found
    y, x = np.nonzero(usable)
    group = y * PARTS // usable.shape[0] * PARTS + x * PARTS // usable.shape[1]
    parts, shares = parts_to_leave_out(group, weight)
    solved = [_solve(lights[group != part], frame[group != part], even[group != part], light) for part in parts]
    told = [one is not None for one in solved]
    if sum(told) < 3:
        return None
    without = np.array([one[0] for one in solved if one is not None])
    logs = [np.log(np.maximum(values, 1e-9)) for values in (light, without)]
    spread = jackknife_deviations(logs[0], logs[1], shares[told])
    factor = student_factor(len(without) - 1)
    u_stops = factor * np.sqrt(np.mean(spread[:, :, 1] ** 2, axis=0)) / np.log(2.0)
    u_contrast = factor * np.sqrt(np.mean((spread[:, :, 2] - spread[:, :, 0]) ** 2, axis=0))
    return Unmixed(light, u_stops, u_contrast, 100.0 * float(np.mean(weight > 0)))


def _solve(lights: Floats, frame: Floats, even: Floats, start: Floats | None) -> tuple[Floats, Floats] | None:
    """Return the share (n, 3) of each light and the weight of each field; None where the lights are as good as one.

    Without a start the sum of absolute errors over all fields is minimised first, which no minority can move.
    """
    light, weight = start, np.ones(len(frame))
    for _ in range(_ROUNDS if start is None else 0):
        light = _least_squares(lights, frame, weight)
        if light is None:
            return None
        weight = 1.0 / np.maximum(np.abs(_left(lights, frame, light)).max(axis=1), 1e-3)
    assert light is not None  # there is a round at least
    calm = even >= np.median(even)
    for _ in range(_ROUNDS):
        distance = np.abs(_left(lights, frame, light)).max(axis=1) * np.sqrt(even)
        weight = even * tukey_weights(distance, agreement_limit(distance, calm))
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
        solved.append(scipy.optimize.nnls(design, root)[0])
    return np.stack(solved, axis=1)
