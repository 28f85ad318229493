"""One joint fit of a session's frames: every light at the mean heat of its head's test, and all that is unsure."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from greystep.arrays import Floats, Indices
from greystep.compare.blocks import Seen, Watch, visit_columns, watched
from greystep.compare.cells import QUANTITIES, Cells, Frames, settings, size_of
from greystep.compare.fit import Estimates, LeastSquares, effective_dof, least_squares
from greystep.compare.scatter import Pattern, Run, expected, find_pattern, moderated
from greystep.constants import PLACEMENT_DUV, PLACEMENT_MIRED, UNWATCHED_DUV, UNWATCHED_MIRED
from greystep.measure.uncertainty import student_factor

#: A head so many standard deviations of a place off the others is another light, and tells nothing of places.
_ODD_SD: Final = 3.0
#: The last sources of chance of `Fitted.cells`, which no further frame of the same blocks makes smaller.
LASTING: Final = 3
#: Of these, what lies between heads: blocks and places.
BETWEEN: Final = slice(-3, -1)
#: What is compared between heads, so that what moves between them matters.
_COLOURS: Final = tuple(name for name in QUANTITIES if name != "output_stops")


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
        if quantity in _COLOURS:
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

    of_cells = _hold_to_noise(cells, frames.cell[rows], frames.noise[quantity][rows], parts[:, :count, :count])
    means = np.zeros((count, len(rows)))
    means[system.places[~terms]] = estimator[~terms]
    dof = _add_between(cells, frames, quantity, system, means, estimates[:count], watch, of_cells[number + 1 :])
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


def _add_between(
    cells: Cells,
    frames: Frames,
    quantity: str,
    system: _System,
    means: Floats,
    values: Floats,
    watch: Watch,
    parts: Floats,
) -> list[float]:
    """Put the last sources into `parts` (3, c, c): blocks, places, and what has a known size; return their freedom.

    Args:
        means: (c, n) array. The cells as sums of the frames of the system.
    """
    rows, count = system.rows, len(values)
    place, freedom = _place(cells, quantity, values, watch)
    apart, line = _between(frames, quantity, rows, means)
    if np.isinf(freedom):  # else the heads' own scatter holds what camera and mains did as well
        parts[0] = watch.variance * apart + watch.slope_variance * line
    parts[1] = place * apart
    parts[2] = _shared(frames, quantity, rows, means, count)
    if frames.heat.kept.any():  # there may be no warm-up at all: the cells would be their plain means
        cell = frames.cell[rows]
        plain = np.bincount(cell, system.values, count) / np.maximum(np.bincount(cell, minlength=count), 1)
        away = np.nan_to_num(plain - values)
        parts[2] += frames.heat.doubt * np.outer(away, away)
    return [watch.dof, freedom, float("inf")]


def _hold_to_noise(cells: Cells, cell: Indices, noise: Floats, parts: Floats) -> Floats:
    """Raise the uncertainty of cells that would be surer than their frames' own noise / sqrt(n)."""
    count = len(cells.table)
    squares = np.bincount(cell, np.nan_to_num(noise) ** 2, minlength=count)
    floor = squares / np.maximum(np.bincount(cell, minlength=count), 1) ** 2
    own = np.sum(np.diagonal(parts, axis1=1, axis2=2), axis=0)
    silent = (own < 1e-12 * floor) & (floor > 0)  # frames so alike that only their noise says anything
    raised = np.sqrt(np.maximum(np.divide(floor, own, out=np.ones(count), where=(own > 0) & ~silent), 1.0))
    parts = parts * raised[:, None] * raised[None, :]
    parts[cells.head[silent], silent, silent] = floor[silent]
    return np.asarray(parts)


def _between(frames: Frames, quantity: str, rows: Indices, means: Floats) -> tuple[Floats, Floats]:
    """Return the covariance of the cells for a variance of 1 of each block, and of a line over the test.

    Args:
        means: (c, n) array. The cells as sums of the frames `rows`.
    """
    block = frames.block[rows]
    numbers = np.unique(block)
    nothing = np.zeros((len(means), len(means)))
    if frames.rounds > 1 or len(numbers) < 2 or quantity not in _COLOURS:
        return nothing, nothing
    shares = means @ (block[:, None] == numbers).astype(np.float64)
    late = means @ (frames.clock[rows] - np.mean(frames.clock[rows]))
    return np.asarray(shares @ shares.T), np.outer(late, late)


def _place(cells: Cells, quantity: str, values: Floats, watch: Watch) -> tuple[float, float]:
    """Return the variance that each head's place brings, with that of camera and mains where nothing watched them.

    Returns: The variance and its degrees of freedom. Its size is assumed (`PLACEMENT_MIRED`, `UNWATCHED_MIRED`), but
        heads cannot have been moved farther than they read apart: where most of them agree, their own scatter about the
        median of each power is taken if its interval is the narrower one; a head farther off than its place explains
        does not count.
    """
    size = float(size_of(quantity, PLACEMENT_MIRED, PLACEMENT_DUV))
    if not watch.dof:
        size = float(np.hypot(size, size_of(quantity, UNWATCHED_MIRED, UNWATCHED_DUV)))
    power = settings(cells.table["stops"].to_numpy(np.float64))
    body = np.unique(cells.table["body"].to_numpy(object), return_inverse=True)[1]
    away = np.full(len(values), np.nan)
    for one in np.unique(np.column_stack([body, power]), axis=0):
        here = (body == one[0]) & (power == one[1]) & np.isfinite(values)
        if len(np.unique(cells.head[here])) > 1:
            away[here] = values[here] - np.median(values[here])
    told = np.isfinite(away)
    levels = np.array([away[told & (cells.head == head)].mean() for head in np.unique(cells.head[told])])
    alike = levels[np.abs(levels - np.median(levels)) <= _ODD_SD * size] if len(levels) else levels
    if len(alike) > 2 and 2 * len(alike) > len(levels):
        dof, apart = len(alike) - 1.0, float(np.std(alike, ddof=1))
        if student_factor(dof) * apart < student_factor(np.inf) * size:
            return apart**2, dof
    return size**2, float("inf")


def _shared(frames: Frames, quantity: str, rows: Indices, means: Floats, count: int) -> Floats:
    """Return the covariance of errors that a cell's frames share, and of room light that changed between them.

    The switch of a lamp lies between two frames; with the chance p that it had happened, two frames of one stretch have
    the covariance ``p (1 - q)``, p the smaller of both chances and q the larger (of a step at an unknown moment).
    """
    cell = frames.cell[rows]
    n = np.maximum(np.bincount(cell, minlength=count), 1)
    found = np.diag(np.bincount(cell, frames.shared[quantity][rows] ** 2, minlength=count) / n)
    for stretch in np.unique(frames.room[rows][frames.room[rows] >= 0]):
        mine = np.flatnonzero(frames.room[rows] == stretch)
        share = frames.share[rows[mine]]
        step = np.minimum(share[:, None], share) * (1.0 - np.maximum(share[:, None], share))
        moved = means[:, mine] * frames.room_effects[quantity][rows[mine]]
        found += moved @ step @ moved.T
    return np.asarray(found)
