"""What moves between the heads of a test: camera, mains, and each head put on the stand anew.

Heads that take turns are compared within each round. Heads that are shot one after the other are as far apart as their
stretches of the test, their *blocks*; what is shot in several of these tells how camera and mains moved.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from greystep.arrays import Booleans, Floats, Indices
from greystep.compare.firing_times import take_turns
from greystep.compare.fit import least_squares, shrunk


@dataclass(frozen=True)
class Blocks:
    """The stretches of a test, for each flash that fired, in capture order.

    Attributes:
        of: (m,) int array. Number of the block: flashes of one head without another's between, check frames aside; of
            check frames -1. Where the heads take turns: of the round.
        in_turns: The heads take turns at every shot or two.
        clock: (m,) array. Time from the first flash, in units of the whole test; the place in the order without times.
    """

    of: Indices
    in_turns: bool
    clock: Floats


@dataclass(frozen=True)
class Seen:
    """A light seen in one block: which light, when, how far it read from the fit, and the variance of its noise."""

    light: int
    clock: float
    value: float
    noise: float


@dataclass(frozen=True)
class Watch:
    """How one quantity moved with the test, as far as anything watched it.

    Attributes:
        slope, slope_variance: Over the whole test; 0 where no line can be told from scatter.
        variance: That each block adds to all its frames, beyond the noise of what watched it.
        dof: Degrees of freedom of both; infinite where the scatter is no more than the noise, whose size is known; 0
            where nothing was seen in two blocks.
    """

    slope: float
    slope_variance: float
    variance: float
    dof: float


def find_blocks(head: Indices, cell: Indices, check: Booleans, seconds: Floats) -> Blocks:
    """Find the blocks of a test.

    Args:
        head, cell, check: (m,) arrays. Of each flash that fired, in capture order; the cell is -1 where the frame is in
            no mean. A check frame that is in one, of a light that was not shot otherwise, lies in the block about it.
        seconds: (m,) array; empty where the times are not known.
    """
    clock = seconds if len(seconds) else np.arange(len(head), dtype=np.float64)
    clock = (clock - clock.min()) / max(float(np.ptp(clock)), 1e-9) if len(clock) else clock
    tested = np.flatnonzero(~check)
    used = check & (cell >= 0)
    in_turns = take_turns(head[tested])
    block = np.full(len(head), -1)
    if in_turns:
        for one in np.unique(cell[~check & (cell >= 0)]):
            mine = np.flatnonzero((cell == one) & ~check)
            block[mine] = np.arange(len(mine))
        block[used] = np.maximum(pd.Series(np.where(check, np.nan, block)).replace(-1, np.nan).ffill().bfill(), 0)[used]
    else:
        block[tested] = np.cumsum(np.diff(head[tested], prepend=head[tested][:1]) != 0)
        block[used] = len(head) + head[used]
    return Blocks(block.astype(np.intp), in_turns, clock)


def round_levels(values: Floats, cell: Indices, block: Indices) -> Floats:
    """Return how far each round reads from the mean of all, at each frame (n,): least squares beside the cells."""
    known = np.isfinite(values)
    cells, rounds = np.unique(cell[known]), np.unique(block[known])
    if len(rounds) < 2:
        return np.zeros(len(values))
    of_cell = (cell[known][:, None] == cells).astype(np.float64)
    of_round = (block[:, None] == rounds[1:]).astype(np.float64)
    design = np.hstack([of_cell, of_round[known]])
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return np.zeros(len(values))
    levels = of_round @ least_squares(design, values[known]).coefficients[len(cells) :]
    return np.asarray(levels - levels[known].mean())


def visit_columns(visit: Indices) -> tuple[Floats, Floats]:
    """Return the columns of visits (n, v), and of the second, third, ... frame of a visit (n, p - 1).

    A rested head warms from one frame of a visit to the next, so that these have levels of their own.
    """
    place = np.array([np.count_nonzero(visit[:at] == one) for at, one in enumerate(visit)])
    visits, places = np.arange(visit.max() + 1), np.arange(1, place.max() + 1)
    return (visit[:, None] == visits).astype(np.float64), (place[:, None] == places).astype(np.float64)


def watched(seen: list[Seen]) -> Watch:
    """Return how the lights that were seen in several blocks moved.

    A line over the test, and the scatter of the blocks about it, less the noise of what was seen; each light has a
    level of its own. The line needs two degrees of freedom, and is shrunk by its own doubt as James and Stein have it.
    The same light before and after what it encloses is the idea of NIST's X R R X design (NIST/SEMATECH e-Handbook of
    Statistical Methods, section 2.3.3.1.2).
    """
    lights = {light: at for at, light in enumerate(dict.fromkeys(one.light for one in seen))}
    value, noise, clock = (np.array([getattr(one, name) for one in seen]) for name in ("value", "noise", "clock"))
    own = np.array([[one.light == light for light in lights] for one in seen], dtype=np.float64)
    free = len(seen) - len(lights)
    if free < 1:
        return Watch(0.0, 0.0, 0.0, 0.0)
    line = free >= 2 and np.linalg.matrix_rank(np.column_stack([own, clock])) > len(lights)
    fit = least_squares(np.column_stack([own, clock]) if line else own, value)
    scatter, known = fit.sum_of_squares / fit.dof, float(noise.mean())
    slope, row = float(fit.coefficients[-1]), fit.estimator[-1]
    doubt = max(scatter, known) * float(row @ row)
    return Watch(
        slope=shrunk(slope, doubt) if line else 0.0,
        slope_variance=doubt if line else 0.0,
        variance=max(scatter - known, 0.0),
        dof=fit.dof if scatter > known else float("inf"),
    )
