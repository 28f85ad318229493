"""One frame of a shoot as it came, as far as placing needs it."""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from greystep.flags import REJECTING, Flag
from greystep.measure.reading import Reading
from greystep.session.flash_light import is_dim, light_as_it_comes, share_of
from greystep.session.raw_files import falls


class Mark(StrEnum):
    """What else there is to a frame, wherever it goes."""

    SET_BACK = "clock set back"  # before it; its number tells its place
    MOVED = "target moved"  # or the camera: its light is not known


@dataclass(frozen=True)
class Arrived:
    """One frame, as far as placing needs it.

    Attributes:
        light: log2 of the flash in it, exposure settings taken out [stop]; -inf without flash, NaN where not known.
        rejected: The flag for which it cannot be used; blank where it can.
        share: Green of the patch as a share of the range.
        dim: It may have no flash in it, whatever its light.
        uneven: What was measured is not all of one light, as it is in the others: the target may have moved.
        late: That it cannot be used was found out when further frames had come.
    """

    frame: str
    light: float
    rejected: str = ""
    iso: float = math.nan
    share: float = math.nan
    dim: bool = False
    uneven: bool = False
    marks: tuple[Mark, ...] = ()
    late: bool = False


def arrived(
    names: Sequence[str],
    readings: Sequence[Reading],
    rejected: Mapping[str, str],
    moved: Collection[str] = (),
    late: Collection[str] = (),
) -> list[Arrived]:
    """Return of each frame what placing needs.

    Args:
        names, readings: In the order in which they came.
        rejected: By frame: why it cannot be used as the others show it.
        moved: Frames whose target does not stand in its place: what was measured there is not its light.
        late: Frames of `rejected` of which that was found out when further ones had come.
    """
    captured = [one.exposure.captured for one in readings]
    light = np.where([name in moved for name in names], np.nan, light_as_it_comes(readings))
    dim = np.array([is_dim(one) for one in readings], dtype=bool)
    uneven = np.array([Flag.UNEVEN in one.flags for one in readings], dtype=bool) & ~dim
    uneven &= 2 * uneven.sum() <= (~dim).sum()  # where most are, the light falls off
    return [
        Arrived(
            name,
            float(level),
            rejected.get(name) or _own_fault(one),
            one.exposure.iso or math.nan,
            share_of(one),
            bool(dim[at]),
            bool(uneven[at]),
            (*[Mark.SET_BACK] * falls(before, one.exposure.captured), *[Mark.MOVED] * (name in moved)),
            name in late,
        )
        for at, (name, one, level, before) in enumerate(zip(names, readings, light, ["", *captured], strict=False))
    ]


def _own_fault(reading: Reading) -> str:
    """Return the first flag for which a frame cannot be used, by itself; where there is no light, no target is none."""
    return next(
        (flag for flag in reading.flags if flag in REJECTING and not (is_dim(reading) and flag == Flag.NO_TARGET)), ""
    )
