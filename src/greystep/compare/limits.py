"""The decision rules: what lies within a limit, what outside, and how many more repeats would decide.

JCGM 106:2012 / ISO 14253-1 (from memory): the uncertainty is the guard band on both sides of the limit.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from greystep.arrays import Booleans, Floats, Indices
from greystep.columns import HeadRow
from greystep.compare import fit
from greystep.compare.differences import components, difference, within_pairs
from greystep.compare.drift import Drift
from greystep.compare.joint_fit import LASTING
from greystep.compare.levels import look_alpha
from greystep.measure.uncertainty import student_factor
from greystep.session.settings import Tolerance
from greystep.terms import COLUMN, Quantity, Verdict, Withheld

#: From bad to good; the verdict of a whole is the worst of its parts.
_WORST_FIRST: Final = (Verdict.OUTSIDE, Verdict.UNDECIDED, Verdict.WITHIN)
#: All that is called outside is right at once with this chance of error.
ALPHA: Final = 0.05
#: No one shoots more than this to settle a doubt.
MOST_ROUNDS: Final = 20
_DRAWS: Final = 2000
_MANY: Final = 200
#: A difference this many half-widths (for all at once) under its limit is not on it: beyond 5 standard uncertainties.
_REACH: Final = 1.5


@dataclass(frozen=True)
class Rows:
    """All differences of one quantity that are judged together.

    Attributes:
        first, second: (r,) int arrays. Cells; the difference is second minus first.
        size, u, u_all: (r,) arrays. Size of the difference; the half-width of its own interval, 95 % where the test was
            judged once (`look_alpha`); the half-width at which all hold at once.
        within, outside: (r,) bool arrays. Where neither holds the row is undecided.
        lasting: (r,) array. Share of the variance that no further frame takes away: what lies between blocks and
            places, and in errors that frames share.
        withheld: (r,) array of str. Why the row is called neither, whatever its numbers say (`Withheld`); else blank.
    """

    quantity: Quantity
    limit: float
    first: Indices
    second: Indices
    size: Floats
    u: Floats
    u_all: Floats
    within: Booleans
    outside: Booleans
    lasting: Floats
    withheld: npt.NDArray[np.object_]


def colour_limits(tolerance: Tolerance) -> dict[Quantity, float]:
    """Return the colour limits that are judged, by quantity."""
    given = {name: getattr(tolerance, name) for name in Quantity if name in COLUMN}
    return {name: float(limit) for name, limit in given.items() if limit is not None}


def judge_rows(drift: Drift, tolerance: Tolerance) -> dict[Quantity, Rows]:
    """Judge every difference of a session by every limit that is given.

    Returns: Colour: every two cells of one head, then every pair of `Drift.pairs`. ``output_stops``: each cell's output
        error against its own reference cell. `within` asks the row's own interval (all rows must pass, so that needs no
        adjustment); `outside` the simultaneous one ("max-t", seeded draws from the joint covariance) of all rows of a
        family: one quantity within heads, or between them; the chance of error is shared evenly among families, and
        among the looks at the test.
    """
    own_first, own_second = within_pairs(drift.cells)
    first, second = np.append(own_first, drift.pair_first), np.append(own_second, drift.pair_second)
    own = np.arange(len(first)) < len(own_first)
    limits = colour_limits(tolerance)
    families = len(limits) * (bool(own.any()) + bool((~own).any())) + (tolerance.output_stops is not None)
    alpha = ALPHA / max(families, 1)
    rng = np.random.default_rng([drift.seed, 1])
    rows: dict[Quantity, Rows] = {}
    for quantity, limit in limits.items():
        parts = components(drift.fitted, quantity)
        size, u = difference(parts, first, second)
        u = u * difference_factor(drift.looks, parts, first, second)
        u_all = np.full(len(first), np.nan)
        for family in (own, ~own):
            sizes = np.abs(size[family])
            u_all[family] = _at_once(
                drift.looks, parts, first[family], second[family], sizes, u[family], limit, alpha, rng
            )
        rows[quantity] = _rows(drift, quantity, limit, parts, first, second, np.abs(size), u, u_all)
    if tolerance.output_stops is not None:
        reference = drift.own_reference
        at = np.flatnonzero((reference >= 0) & (reference != np.arange(len(reference))))
        parts = components(drift.fitted, "output_stops")
        size, u = (
            np.abs(drift.powers[name].to_numpy(np.float64)[at])
            for name in ("output_error_stops", "u_output_error_stops")
        )
        u = u * difference_factor(drift.looks, parts, reference[at], at)
        u_all = _at_once(drift.looks, parts, reference[at], at, size, u, tolerance.output_stops, alpha, rng)
        rows[Quantity.OUTPUT_STOPS] = _rows(
            drift, Quantity.OUTPUT_STOPS, tolerance.output_stops, parts, reference[at], at, size, u, u_all
        )
    return rows


def _rows(
    drift: Drift,
    quantity: Quantity,
    limit: float,
    parts: tuple[fit.Estimates, ...],
    first: Indices,
    second: Indices,
    size: Floats,
    u: Floats,
    u_all: Floats,
) -> Rows:
    """Judge rows by their numbers, and by what the test can tell of their cells."""
    within, outside, withheld = hold_back(
        drift.withheld, drift.watched, first, second, size + u <= limit, size - u_all > limit
    )
    variances = np.sum([fit.pair_variances(part, first, second) for part in parts], axis=0)
    total, lasting = variances.sum(axis=1), variances[:, -LASTING:].sum(axis=1)
    share = np.divide(lasting, total, out=np.zeros(len(total)), where=total > 0)
    return Rows(quantity, limit, first, second, size, u, u_all, within, outside, share, withheld)


def hold_back(
    reasons: npt.NDArray[np.object_],
    watched: Booleans,
    first: Indices,
    second: Indices,
    within: Booleans,
    outside: Booleans,
) -> tuple[Booleans, Booleans, npt.NDArray[np.object_]]:
    """Call nothing of a light of which nothing can be called, and nothing alike between which nothing was watched.

    Args:
        reasons, watched: (k,) and (k, k) arrays. Of the lights, as `Drift.withheld` and `Drift.watched` of cells.
        first, second: (r,) int arrays. The lights of each difference.
        within, outside: (r,) bool arrays. What the numbers say.

    Returns: The two as they may be called, and (r,) why neither is (`Withheld`), blank where nothing stands against it.
    """
    withheld = np.where(reasons[first] == "", reasons[second], reasons[first])
    outside = outside & (withheld == "")
    withheld[~watched[first, second] & (withheld == "") & ~outside] = str(Withheld.UNWATCHED)
    return within & (withheld == ""), outside, withheld


def difference_factor(looks: int, parts: tuple[fit.Estimates, ...], first: Indices, second: Indices) -> Floats:
    """Return (r,) by how much wider than its 95 % interval a difference's interval of each of several looks is."""
    variances = np.sum([fit.pair_variances(part, first, second) for part in parts], axis=0)
    return _stretch(looks, fit.effective_dof(variances, parts[0].dof))


def _stretch(looks: int, dof: Floats) -> Floats:
    """Return by how much wider than the 95 % interval that of each look is."""
    return student_factor(dof, look_alpha(looks)) / student_factor(dof) if looks > 1 else np.ones(len(dof))


def span_of(drift: Drift, head: int, row: HeadRow, quantity: Quantity) -> tuple[float, float]:
    """Return the span of a head and the half-width that a verdict takes."""
    size, u = (float(getattr(row, f"{name}_{COLUMN[quantity]}")) for name in ("span", "u_span"))
    return size, u * float(span_factor(drift)[head])


def span_factor(drift: Drift) -> Floats:
    """Return by how much wider than its 95 % interval the interval of a head's span is at each look, by head.

    A span is the largest of many differences, whose interval grows less from look to look than that of one.
    """
    return _stretch(drift.looks, drift.fitted["mired"].cells.dof[: len(drift.heads)])


def _at_once(
    looks: int,
    parts: tuple[fit.Estimates, ...],
    first: Indices,
    second: Indices,
    size: Floats,
    u: Floats,
    limit: float,
    alpha: float,
    rng: np.random.Generator,
) -> Floats:
    """Return the half-widths at which all differences that may lie on the limit hold at once.

    A difference that stands far under its limit by the widest of these intervals (alpha / r for each of r) cannot be
    called outside, so it need not be paid for: the factor is drawn for the others alone.
    """
    if not len(first):
        return np.zeros(0)
    alpha = look_alpha(looks, alpha, len(first))
    variances = np.sum([fit.pair_variances(part, first, second) for part in parts], axis=0)
    sd = np.sqrt(np.sum(variances, axis=1))
    u_all = student_factor(fit.effective_dof(variances, parts[0].dof), alpha / len(first)) * sd
    near = size > limit - _REACH * u_all
    if near.any():
        draws = _DRAWS if near.sum() > _MANY else 2 * _DRAWS
        factor = np.quantile(fit.largest_studentised(parts, first[near], second[near], draws, rng), 1.0 - alpha)
        u_all[near] = np.minimum(u_all[near], factor * sd[near])
    return np.where(np.isnan(u), np.nan, np.maximum(u_all, u))


def by_chance_mired(drift: Drift) -> float:
    """Return what the worst of all pairs would read in mired if all heads and powers were truly alike (the median).

    NaN without pairs, and where no light has repeats, so that nothing is known of chance.
    """
    if not (len(drift.pair_first) and (drift.fitted["mired"].dof > 0).any()):
        return float("nan")
    errors, _ = fit.draw_errors(drift.fitted["mired"].cells, _DRAWS, np.random.default_rng([drift.seed, 2]))
    largest = np.zeros(_DRAWS)
    body = drift.cells.table["body"].to_numpy(object)
    for name in dict.fromkeys(body):
        largest = np.maximum(largest, _widest(errors, drift.cells.head, np.flatnonzero(body == name)))
    return float(np.median(largest))


def _widest(errors: Floats, head: Indices, cells: Indices) -> Floats:
    """Return the largest difference between cells of different heads (draws,)."""
    numbers = list(dict.fromkeys(head[cells]))
    high = np.array([errors[cells[head[cells] == number]].max(axis=0) for number in numbers])
    low = np.array([errors[cells[head[cells] == number]].min(axis=0) for number in numbers])
    apart = high[:, None, :] - low[None, :, :]
    apart[np.arange(len(numbers)), np.arange(len(numbers))] = 0.0
    return np.asarray(apart.max(axis=(0, 1)))


def rounds_to_decide(
    size: Floats, u: Floats, u_all: Floats, limit: float, n: Floats, dof: Floats, cells: int, lasting: Floats
) -> Floats:
    """Return how many more rounds would decide, if difference and scatter stay as they are.

    Args:
        n, dof: (r,) arrays. Frames a cell now, and degrees of freedom of the scatter.
        cells: How many cells a round adds a frame to.
        lasting: (r,) array. See `Rows`.

    Returns: (r,) array: 1 where nothing is known of the scatter yet; infinity where `MOST_ROUNDS` would not do: the
        difference lies on the limit.
    """
    more = np.arange(1, MOST_ROUNDS + 1)[:, None]
    now = np.where(dof > 0, dof, np.nan)
    factor = student_factor(now + more * cells) / student_factor(now)
    shrink = np.sqrt(lasting + (1.0 - lasting) * n / (n + more) * factor**2)
    decided = (size + u * shrink <= limit) | (size - u_all * shrink > limit)
    first = np.where(decided.any(axis=0), 1.0 + np.argmax(decided, axis=0), np.inf)
    return np.where(np.isnan(size), np.nan, np.where(np.isnan(u), 1.0, first))


def worst_of(verdicts: npt.ArrayLike) -> Verdict:
    """Return the worst of some verdicts; ``undecided`` of none."""
    present = set(np.asarray(verdicts, dtype=object).tolist())
    return next((name for name in _WORST_FIRST if name in present), Verdict.UNDECIDED)


def verdicts(within: Booleans, outside: Booleans) -> npt.NDArray[np.object_]:
    """Return the verdict of each row from its two flags."""
    return np.where(
        outside, str(Verdict.OUTSIDE), np.where(within, str(Verdict.WITHIN), str(Verdict.UNDECIDED))
    ).astype(object)


def own_rows(drift: Drift, rows: Mapping[Quantity, Rows]) -> int:
    """Return how many of the colour rows are of one head; the pairs of different heads follow them."""
    return next((len(one.first) for name, one in rows.items() if name in COLUMN), 0) - len(drift.pair_first)


def colour_rows(rows: Mapping[Quantity, Rows], chosen: slice) -> tuple[Booleans, Booleans]:
    """Return for some of the colour rows whether every limit holds them, and whether any is broken.

    Without a colour limit there is nothing to pass, so that neither is so.
    """
    colour = [one for name, one in rows.items() if name in COLUMN]
    if not colour:
        return np.zeros(0, dtype=bool), np.zeros(0, dtype=bool)
    within = np.all([one.within[chosen] for one in colour], axis=0)
    outside = np.any([one.outside[chosen] for one in colour], axis=0)
    return within, outside


def matches(drift: Drift, rows: Mapping[Quantity, Rows]) -> Booleans:
    """Return (c, c) whether two cells are within every colour limit of each other.

    The diagonal says whether a cell may be used at all: it was measured, and its output is within its limit.
    """
    count = len(drift.cells.table)
    match = np.zeros((count, count), dtype=bool)
    for one in [one for name, one in rows.items() if name in COLUMN][:1]:
        within, _ = colour_rows(rows, slice(None))
        match[one.first, one.second] = match[one.second, one.first] = within
    usable = drift.cells.table["n"].to_numpy() > 0
    if Quantity.OUTPUT_STOPS in rows:
        usable[rows[Quantity.OUTPUT_STOPS].second] &= rows[Quantity.OUTPUT_STOPS].within
    np.fill_diagonal(match, usable)
    return match


def longest_run(fits: Booleans) -> tuple[int, int] | None:
    """Return the longest stretch of powers that all fit each other, as first and last place.

    Args:
        fits: (p, p) bool array. Whether two powers, in order from full down, may be used together; the diagonal is the
            power itself.

    Returns: (int, int) or None: Of equal lengths the one nearest full power; None where no power fits even itself.
    """
    count = len(fits)
    for length in range(count, 0, -1):
        for start in range(count - length + 1):
            if fits[start : start + length, start : start + length].all():
                return start, start + length - 1
    return None
