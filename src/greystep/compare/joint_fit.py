"""One joint fit of a session's frames: every light at the mean heat of its head's test, and all that is unsure."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from greystep.arrays import Floats, Indices
from greystep.compare.blocks import Seen, Watch, visit_columns, watched
from greystep.compare.cell_doubts import COLOURS, add_between, hold_to_noise
from greystep.compare.cells import QUANTITIES, Cells, Frames
from greystep.compare.fit import Estimates, LeastSquares, effective_dof, least_squares
from greystep.compare.scatter import Pattern, Run, expected, find_pattern, moderated

#: The last sources of chance of `Fitted.cells`, which no further frame of the same blocks makes smaller.
LASTING: Final = 3
#: Of these, what lies between heads: blocks and places.
BETWEEN: Final = slice(-3, -1)


@dataclass(frozen=True)
class Fitted:
    """One quantity: its estimates, and what the joint fit leaves.

    Attributes:
        cells: Of the cells, at the mean heat of their head's frames. Their sources of chance are the heads, in their
            order; the common time constant of the heat; what moved between blocks, as far as it was watched; each
            head's place; and what has a known size: errors shared by a cell's frames, room light that changed, and the
            chance that there is no warm-up where a term is kept.
        amplitude: (h,) array. What a head changes by with its warmth; 0 where no warm-up term is kept.
        warmup, warmup_variances: (h,) array, (h, sources) array. From the first frame of a head to its hottest, and its
            variance by source; NaN where not kept.
        sums, dof: (h,) arrays. Residual sum of squares and degrees of freedom of each head.
        residuals, steady, heat: (n,) arrays. What the fit leaves of each frame, the frame brought to the mean heat, and
            what heat adds to it.
        watch: How camera and mains moved.
    """

    cells: Estimates
    amplitude: Floats
    warmup: Floats
    warmup_variances: Floats
    sums: Floats
    dof: Floats
    residuals: Floats
    steady: Floats
    heat: Floats
    watch: Watch


def fit_cells(cells: Cells, frames: Frames) -> dict[str, Fitted]:
    """Fit every quantity by one least-squares fit: cell means, and the warm-up terms that are kept.

    Returns: Without a warm-up term the estimates are the plain means, less the line that lights seen in several blocks
        follow over the test. Scatter: of each head, drawn towards that of all (`moderated`), with what it has in common
        (`Pattern`). No cell is held surer than its frames' own noise / sqrt(n). The time constant is taken one Newton
        step further, and its uncertainty, from the fit of mired, is in all others: ``C = s^2 G V G^T + var(ln tau) g
        g^T`` with ``g = G d(fit) / d(ln tau)`` (partitioned inverse of the normal matrix), V the pattern of scatter.
    """
    fitted: dict[str, Fitted] = {}
    tau = _Tau(0.0, 0.0, 1.0)
    for quantity in QUANTITIES:
        values = frames.values[quantity]
        system, watch = _system(cells, frames, values), Watch(0.0, 0.0, 0.0, 0.0)
        if quantity in COLOURS:
            watch = watched(_seen(cells, frames, quantity, system))
            if watch.slope:
                system = _system(cells, frames, values - watch.slope * (frames.clock - np.mean(frames.clock)))
        chance = _chance(system, frames.heat.doubt)
        if quantity == "mired":
            tau = _time_constant(system, chance, tau)
        fitted[quantity] = _solve(cells, frames, quantity, system, chance, tau, watch)
    return fitted


@dataclass(frozen=True)
class _System:
    """The least-squares problem of one quantity: its frames, design, where its columns stand among all, and its fit.

    `bend` is the fit's derivative by ln(tau); `free` the degrees of freedom of each head; `sums` its sum of squares.
    """

    rows: Indices
    head: Indices
    values: Floats
    design: Floats
    places: Indices
    fit: LeastSquares
    amplitude: Floats
    bend: Floats
    free: Floats
    sums: Floats
    runs: tuple[Run, ...]


@dataclass(frozen=True)
class _Chance:
    """How the frames scatter: each head's mean variance with its degrees of freedom (h,), and the common pattern."""

    variance: Floats
    dof: Floats
    pattern: Pattern


@dataclass(frozen=True)
class _Tau:
    """What mired says of ln(tau): the step from the scanned value, its variance and degrees of freedom."""

    step: float
    variance: float
    dof: float


def _system(cells: Cells, frames: Frames, values: Floats) -> _System:
    rows = np.flatnonzero(np.isfinite(values))
    cell, head, values = frames.cell[rows], frames.head[rows], values[rows]
    present, kept = np.unique(cell), np.flatnonzero(frames.heat.kept)
    terms = kept[np.isin(kept, head)]
    number = len(cells.heads)
    means = (cell[:, None] == present).astype(np.float64)
    own = (head[:, None] == terms).astype(np.float64)
    design = np.hstack([means, own * frames.warmth[rows, None]])
    fit = least_squares(design, values)
    owner = np.concatenate([cells.head[present], terms])
    estimator = np.where(owner[:, None] == head, fit.estimator, 0.0)  # heads share nothing here but rounding
    free = (np.bincount(head, minlength=number) - np.bincount(cells.head[present], minlength=number)).astype(np.float64)
    free[terms] -= 1.0 + 1.0 / max(len(terms), 1)  # the term, and its share of the common time constant
    free -= (frames.rounds - 1) * np.bincount(head, minlength=number) / max(len(head), 1)
    amplitude = np.zeros(number)
    amplitude[terms] = fit.coefficients[len(present) :]
    return _System(
        rows=rows,
        head=head,
        values=values,
        design=design,
        places=np.concatenate([present, len(cells.table) + np.searchsorted(kept, terms)]).astype(np.intp),
        fit=replace(fit, estimator=estimator),
        amplitude=amplitude,
        bend=amplitude[head] * frames.slope[rows],
        free=np.maximum(free, 0.0),
        sums=np.bincount(head, fit.residuals**2, minlength=number).astype(np.float64),
        runs=tuple(
            Run(
                fit.residuals[mine],
                frames.stops[rows[mine]],
                frames.place[rows[mine]],
                cell[mine],
                design[np.ix_(mine, np.flatnonzero(owner == one))],
            )
            for one in range(number)
            for mine in [np.flatnonzero(head == one)]
        ),
    )


def _seen(cells: Cells, frames: Frames, quantity: str, system: _System) -> list[Seen]:
    """Return the lights that were seen in several blocks: check frames by visit, and heads that were shot again."""
    free, sums = system.free, system.sums
    common = float(sums.sum() / free.sum()) if free.sum() > 0 else 0.0
    variance = np.where(free > 0, sums / np.maximum(free, 1e-9), common)
    seen: list[Seen] = []
    if frames.rounds > 1:
        return seen
    for light, (_, checks) in enumerate(frames.checks.groupby(["head", "stops"], sort=False)):
        head, visit = int(checks["head"].iloc[0]), pd.factorize(checks["visit"])[0]
        values = checks[quantity].to_numpy(np.float64)
        values = values - system.amplitude[head] * checks["warmth"].to_numpy(np.float64)
        design = np.hstack(visit_columns(visit))
        if visit.max() < 1 or not np.isfinite(values).all():
            continue
        levels = least_squares(design, values).coefficients
        clock = checks["clock"].to_numpy(np.float64)
        seen += [
            Seen(-1 - light, float(clock[visit == at].mean()), float(levels[at]), variance[head] / (visit == at).sum())
            for at in range(visit.max() + 1)
        ]
    block, cell = frames.block[system.rows], frames.cell[system.rows]
    several = np.bincount(np.unique(np.stack([cell, block]), axis=1)[0]) > 1
    again = several[cell]
    for head in np.unique(system.head[again]):
        mine = again & (system.head == head)
        for one in np.unique(block[mine]):
            here = mine & (block == one)
            clock = frames.clock[system.rows][here]
            value, noise = float(system.fit.residuals[here].mean()), float(variance[head]) / int(here.sum())
            seen.append(Seen(int(head), float(clock.mean()), value, noise))
    return seen


def _chance(system: _System, doubt: float) -> _Chance:
    """Return the scatter of each head, drawn towards that of all; as far as a warm-up is in `doubt`, without it."""
    pattern = find_pattern(system.runs)
    variance, dof = np.full(len(system.free), np.nan), np.zeros(len(system.free))
    for head, run in enumerate(system.runs):
        if system.free[head] <= 0:
            continue
        trace, free = expected(run, pattern)
        share = system.free[head] / (run.design.shape[0] - run.design.shape[1])
        variance[head], dof[head] = system.sums[head] / (trace * share), free * share
        if doubt:
            cell, values = run.cell, system.values[system.head == head]
            n = np.bincount(cell)
            plain = values - (np.bincount(cell, values) / np.maximum(n, 1))[cell]
            without = float(plain @ plain) / max(len(values) - int(np.count_nonzero(n)), 1)
            variance[head] += doubt * max(without - float(variance[head]), 0.0)
    return _Chance(*moderated(variance, dof), pattern)


def _time_constant(system: _System, chance: _Chance, unknown: _Tau) -> _Tau:
    """Return the Newton step of ln(tau) and its variance; `unknown` where no term is kept."""
    seen = system.bend - system.design @ (system.fit.estimator @ system.bend)
    certain = np.where(chance.variance > 0, chance.variance, np.inf)[system.head]
    known = float(np.sum(seen**2 / certain))
    if known <= 0:
        return unknown
    row = seen / certain / known
    brought = np.nan_to_num(_by_head(system, chance, row[None, :])[:, 0, 0])
    return _Tau(float(row @ system.fit.residuals), float(brought.sum()), float(effective_dof(brought, chance.dof)))


def _by_head(system: _System, chance: _Chance, weights: Floats) -> Floats:
    """Return the covariance (h, k, k) that each head's scatter brings to k sums of frames, with weights (k, n)."""
    found = np.zeros((len(system.free), len(weights), len(weights)))
    for head, run in enumerate(system.runs):
        if len(run.residuals):
            own = weights[:, system.head == head]
            found[head] = chance.variance[head] * (own @ chance.pattern.covariance_of(run.stops, run.place, own.T))
    return found


def _solve(
    cells: Cells, frames: Frames, quantity: str, system: _System, chance: _Chance, tau: _Tau, watch: Watch
) -> Fitted:
    count, number, kept = len(cells.table), len(cells.heads), np.flatnonzero(frames.heat.kept)
    estimator, rows = system.fit.estimator, system.rows
    swing = estimator @ system.bend
    coefficients = system.fit.coefficients - swing * tau.step
    residuals = system.values - system.design @ coefficients - system.bend * tau.step
    estimates = np.full(count + len(kept), np.nan)
    at = np.ix_(np.arange(number), system.places, system.places)
    estimates[system.places] = coefficients
    parts = np.zeros((number + 4, len(estimates), len(estimates)))
    parts[at] = _by_head(system, chance, estimator)
    parts[number][np.ix_(system.places, system.places)] = tau.variance * np.outer(swing, swing)

    heat, left, steady = (np.full(len(frames.cell), np.nan) for _ in range(3))
    terms = system.places >= count
    heat[rows] = system.design[:, terms] @ coefficients[terms] + system.bend * tau.step
    left[rows], steady[rows] = residuals, system.values - heat[rows]
    turned = np.zeros(len(estimates))
    turned[system.places] = swing
    own = np.diagonal(parts, axis1=1, axis2=2).T[count:]
    amplitude, warmup, warmup_variances = _warm_ups(frames, system, tau, heat, own, turned[count:])

    of_cells = hold_to_noise(cells, frames.cell[rows], frames.noise[quantity][rows], parts[:, :count, :count])
    means = np.zeros((count, len(rows)))
    means[system.places[~terms]] = estimator[~terms]
    last = of_cells[number + 1 :]
    dof = add_between(cells, frames, quantity, rows, system.values, means, estimates[:count], watch, last)
    joint = Estimates(estimates[:count], of_cells, np.concatenate([chance.dof, [tau.dof], dof]))
    return Fitted(joint, amplitude, warmup, warmup_variances, system.sums, system.free, left, steady, heat, watch)


def _warm_ups(
    frames: Frames, system: _System, tau: _Tau, heat: Floats, own: Floats, turned: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return each head's amplitude, and its warm-up from the first frame to the hottest with its variance by source.

    Args:
        heat: (n,) array. What heat adds to each frame.
        own: (k, sources) array. Variance of each kept term; `turned` (k,) is its derivative by ln(tau), turned round.
    """
    number = len(system.free)
    amplitude, warmup = np.zeros(number), np.full(number, np.nan)
    variances = np.full((number, own.shape[1]), np.nan)
    for term, one in enumerate(np.flatnonzero(frames.heat.kept)):
        mine = np.flatnonzero((frames.head == one) & np.isfinite(heat))
        if not len(mine):
            continue
        hottest = mine[int(np.argmax(frames.warmth[mine]))]
        reach, bent = (float(name[hottest] - name[mine[0]]) for name in (frames.warmth, frames.slope))
        warmup[one] = heat[hottest] - heat[mine[0]]
        amplitude[one] = warmup[one] / reach if reach > 0 else system.amplitude[one]
        variances[one] = own[term] * reach**2
        variances[one, number] = tau.variance * (system.amplitude[one] * bent - reach * turned[term]) ** 2
        variances[one, -1] += frames.heat.doubt * warmup[one] ** 2
    return amplitude, warmup, variances
