"""The heat of a head at each of its shots, and whether the test shows colour moving with it.

Heat is the energy of the flashes before a shot, each fading with time. It is separated from power by shots that come
back to a power with the head in another state; a test shot in plain power order has none.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from greystep.arrays import Booleans, Floats, Indices
from greystep.compare.fit import f_test
from greystep.compare.scatter import Pattern, Run, find_pattern
from greystep.session.power import SAME_STOPS

#: The chance of keeping warm-up terms that are not there, over a test.
KEEP_ALPHA: Final = 0.05
#: Above this variance inflation heat and power cannot be separated (a rule of thumb, no source).
MOST_INFLATION: Final = 10.0
#: Without a kept term, the time constant at which the warm-up is still stated: this share of a head's shots.
_TAU_SHARE: Final = 0.2
#: A gap this many times the usual one is a rest, or the other heads' turn.
_REST: Final = 5.0
_GRID: Final = 25
#: Before a test a head without a warm-up that shows is taken for so many times as likely as one with it (a choice; held
#: against tests in which a warm-up was kept by chance).
_ODDS: Final = 3.0
#: Warmth that varies less than this within the cells is no column of a fit (rounding).
_NO_POWER: Final = 1e-12


@dataclass(frozen=True)
class Fired:
    """Every flash that fired, in capture order; arrays of one length.

    Attributes:
        head, cell: Int array. Numbers from 0; the cell is -1 where the frame is in no mean.
        stops: Float array. Below full.
        clock: Float array. Time [s], or the place in the sequence where the camera gave no time.
        before: Int array. Flashes at full, not in the log, just before this one (its note says so).
    """

    head: Indices
    cell: Indices
    stops: Floats
    clock: Floats
    before: Indices


@dataclass(frozen=True)
class Heat:
    """How warm each head was at each shot.

    Attributes:
        driver: ``energy`` (stored energy of each flash, dumps counted, fading with time) or ``shots`` (each flash the
            same, fading with every further one: what warms it does not follow the power).
        tau: Time constant, the same for all heads: units of `Fired.clock` for ``energy``, flashes for ``shots``.
        warmth, slope: Float array. A number a shot: 0 at rest, 1 warm; and its derivative by ln(tau).
        separable, kept: Bool array. A flag a head: the order of shooting separates heat from power; the data ask for
            the term.
        doubt: How likely it is that there is no warm-up all the same, where terms are kept.
    """

    driver: str
    tau: float
    warmth: Floats
    slope: Floats
    separable: Booleans
    kept: Booleans
    doubt: float


@dataclass(frozen=True)
class _Run:
    """One head's shots: their places in `Fired`, and for each way of heating their clock and the flashes that heat.

    A flash is (time, weight, number of the first shot that feels it). Of the used frames: `member` (n, c), their cells;
    `pattern`, how they scatter; `basis` (n, c), orthonormal columns that span their cell means once they are whitened.
    """

    places: Indices
    used: Booleans
    basis: Floats
    member: Floats
    stops: Floats
    pattern: Pattern
    clocks: dict[str, Floats]
    flashes: dict[str, Floats]
    pace: float


def find_heat(fired: Fired, mired: Floats, heads: int) -> Heat:
    """Find the heat that explains the mired of the frames best, and for which heads it is needed.

    Args:
        mired: (n,) array. Of the frames; looked at only where `Fired.cell` is not negative.

    Returns: The time constant is scanned over 0.7 shots up to the length of the longest head, for both ways of heating,
        on the residuals of the cell means with a scatter of its own for each head, growing with the power and
        remembering as the frames show (`greystep.compare.scatter`). All heads keep their terms or none: where an F test
        of all heads together, or of one alone, falls below its share of `KEEP_ALPHA` (time constant and way of heating
        count as two columns more). "Warm" is the warmest that the head was in this test by ``energy``, and where it
        settles in the end by ``shots``.
    """
    runs = [_run(fired, head) for head in range(heads)]
    revisited = np.array([_revisits(fired.cell[run.places]) for run in runs], dtype=bool)
    values = [mired[run.places[run.used]] for run in runs]
    longest = max((len(run.places) for run in runs), default=1)
    grid = np.geomspace(0.7, max(longest, 3), _GRID)

    paces = [run.pace for run in runs if len(run.places) > 1]
    units = {"energy": float(np.median(paces or [1.0])), "shots": 1.0}

    def scan(chosen: Booleans) -> tuple[str, float]:
        found = [(*_best(runs, values, chosen, driver, grid * units[driver]), driver) for driver in ("energy", "shots")]
        _, tau, driver = min(found)
        return driver, _best(runs, values, chosen, driver, tau * np.geomspace(1 / 1.5, 1.5, _GRID))[1]

    unasked = "energy", longest * _TAU_SHARE * units["energy"]
    driver, tau = unasked
    doubt = 0.0
    kept = np.zeros(len(runs), dtype=bool)
    if revisited.any():
        driver, tau = scan(revisited)
        pattern = find_pattern(
            [_left(run, one, driver, tau) for run, one in zip(runs, values, strict=True) if len(one)]
        )
        runs = [_weighed(run, pattern) for run in runs]
        driver, tau = scan(revisited)
        if (chance := _by_chance(runs, values, revisited, driver, tau)) < KEEP_ALPHA:
            kept, doubt = revisited.copy(), _doubt(chance)
        else:
            driver, tau = unasked
    warmth, slope = np.zeros(len(mired)), np.zeros(len(mired))
    separable = revisited.copy()
    for head, run in enumerate(runs):
        less, at, more = _warmth(run, driver, tau * np.exp([-0.01, 0.0, 0.01]))
        warmth[run.places], slope[run.places] = at, (more - less) / 0.02
        separable[head] &= _inflation(at[run.used], run) < MOST_INFLATION
    return Heat(driver, tau, warmth, slope, separable, kept & separable, doubt)


def _run(fired: Fired, head: int) -> _Run:
    places = np.flatnonzero(fired.head == head)
    stops, clock, before = fired.stops[places], fired.clock[places], fired.before[places]
    gaps = np.diff(clock)
    usual = float(np.median(gaps)) if len(gaps) and np.median(gaps) > 0 else 1.0
    pace = float(np.mean(gaps[gaps <= _REST * usual])) if len(gaps) else 1.0
    passed = np.where(gaps > 2 * _REST * usual, gaps / usual, 1.0) + before[1:]
    count = np.concatenate([[0.0], np.cumsum(passed)])[: len(places)]  # a head may have no flash at all
    number, apart = np.arange(len(places)), SAME_STOPS + 1e-9  # two powers farther apart are two settings
    after = np.arange(1, len(places) + 1, dtype=np.float64)
    lowered = number[1:][(np.diff(stops) > apart) & (before[1:] == 0)]  # after shots at full the dump is from there
    late = np.repeat(number, before)  # the first logged shot after each flash that is not in the log
    step = np.concatenate([np.arange(1, many + 1) for many in before]) if len(before) else np.zeros(0)
    dumped = np.flatnonzero((before > 0) & (stops > apart))  # from the warm-up shots at full down to this power
    energy: list[tuple[Floats, Floats, Floats]] = [
        (clock, 2.0**-stops, after),
        ((clock[lowered] + clock[lowered - 1]) / 2, 2.0 ** -stops[lowered - 1], lowered.astype(float)),
        (clock[late] - pace * step, np.ones(len(late)), late.astype(float)),
        (clock[dumped] - pace / 2, np.ones(len(dumped)), dumped.astype(float)),
    ]
    shots: list[tuple[Floats, Floats, Floats]] = [
        (count, np.ones(len(count)), after),
        (count[late] - step, np.ones(len(late)), late.astype(float)),
    ]
    cell = fired.cell[places]
    used = cell >= 0
    member = (cell[used][:, None] == np.unique(cell[used])[None, :]).astype(np.float64)
    return _Run(
        places=places,
        used=used,
        basis=_basis(member),
        member=member,
        stops=stops[used],
        pattern=Pattern(),
        clocks={"energy": clock, "shots": count},
        flashes={
            "energy": np.hstack([np.vstack(one) for one in energy]),
            "shots": np.hstack([np.vstack(one) for one in shots]),
        },
        pace=pace if pace > 0 else 1.0,
    )


def _basis(columns: Floats) -> Floats:
    """Return orthonormal columns (n, c) that span some columns (n, c)."""
    return np.linalg.qr(columns)[0]


def _beyond(basis: Floats, values: Floats) -> Floats:
    """Return what orthonormal columns (n, c) leave of values (n,) or (n, k)."""
    return np.asarray(values - basis @ (basis.T @ values))


def _left(run: _Run, values: Floats, driver: str, tau: float) -> Run:
    """Return what cell means and warmth leave of a head's used frames."""
    warmth = _warmth(run, driver, np.array([tau]))[0, run.used]
    free = _beyond(run.basis, warmth)
    design = np.column_stack([run.member, free]) if float(free @ free) > _NO_POWER else run.member
    left = _beyond(_basis(design), values)
    cell = np.nonzero(run.member)[1]  # none where no frame of the head can be used
    return Run(left, run.stops, np.flatnonzero(run.used).astype(np.float64), cell, design)


def _weighed(run: _Run, pattern: Pattern) -> _Run:
    """Return a head whose used frames are weighed by how they scatter."""
    run = replace(run, pattern=pattern)
    return replace(run, basis=_basis(_whitened(run, run.member))) if len(run.stops) else run


def _whitened(run: _Run, columns: Floats) -> Floats:
    return run.pattern.whitened(run.stops, np.flatnonzero(run.used).astype(np.float64), columns)


def _warmth(run: _Run, driver: str, taus: Floats) -> Floats:
    """Return the warmth of each shot (t, n) of a head for time constants (t,): 0 at rest, 1 warm."""
    clock, (time, weight, felt_from) = run.clocks[driver], run.flashes[driver]
    felt = felt_from < len(clock)
    first, rates = felt_from[felt].astype(np.intp), 1.0 / taus
    age = np.maximum(clock[first] - time[felt], 0.0)
    heat = np.zeros((len(clock), len(taus)))
    np.add.at(heat, first, weight[felt, None] * np.exp(-age[:, None] * rates))
    fade = np.exp(-np.maximum(np.diff(clock), 0.0)[:, None] * rates)
    for at in range(1, len(heat)):
        heat[at] += heat[at - 1] * fade[at - 1]
    settled = 1.0 / np.expm1(rates) if driver == "shots" else np.max(heat[run.used], axis=0, initial=0.0)
    return np.asarray((heat / np.where(settled > 0, settled, 1.0)).T)


def _within(run: _Run, driver: str, taus: Floats, values: Floats) -> tuple[float, Floats, Floats]:
    """Return, about the cell means: the values' sum of squares, that of the warmth, and what the warmth takes off."""
    if not len(run.stops):
        return 0.0, np.zeros(len(taus)), np.zeros(len(taus))
    warmth = _beyond(run.basis, _whitened(run, _warmth(run, driver, taus)[:, run.used].T))
    left = _beyond(run.basis, _whitened(run, values[:, None])[:, 0])
    power = np.sum(warmth**2, axis=0)
    taken = np.where(power > _NO_POWER, (left @ warmth) ** 2 / np.where(power > _NO_POWER, power, 1.0), 0.0)
    return float(left @ left), power, taken


def _free(run: _Run) -> float:
    """Return the degrees of freedom within the cells of a head."""
    return float(np.subtract(*run.member.shape))


def _best(
    runs: Sequence[_Run], values: Sequence[Floats], heads: Booleans, driver: str, taus: Floats
) -> tuple[float, float]:
    """Return the least cost (minus twice the log likelihood) and the time constant that has it."""
    cost = np.zeros(len(taus))
    for run, value, chosen in zip(runs, values, heads, strict=True):
        total, _, taken = _within(run, driver, taus, value)
        if chosen and total > 0:
            cost += _free(run) * np.log(np.maximum(1.0 - taken / total, 1e-9))
    best = int(np.argmin(cost))
    return float(cost[best]), float(taus[best])


def _by_chance(runs: Sequence[_Run], values: Sequence[Floats], heads: Booleans, driver: str, tau: float) -> float:
    """Return the chance of what the frames show of warm-up if there is none: all heads together, or one by itself."""
    chosen = np.flatnonzero(heads).tolist()
    found = [_within(runs[head], driver, np.array([tau]), values[head]) for head in chosen]
    total, left = np.array([one[0] for one in found]), np.array([one[0] - float(one[2][0]) for one in found])
    free = np.array([_free(runs[head]) for head in chosen])
    tests = [(total.sum(), free.sum(), left.sum(), free.sum() - len(chosen) - 2, 2)]
    tests += [(total[one], free[one], left[one], free[one] - 3, 2 * len(chosen)) for one in range(len(chosen))]
    found_by = [share * f_test((before, of), (after, rest))[1] for before, of, after, rest, share in tests if rest > 0]
    return min([1.0, *found_by])


def _doubt(chance: float) -> float:
    """Return how likely it is that there is no warm-up where chance alone would show as much so rarely.

    ``-e p ln p``, the least that speaks for it (Sellke, Bayarri & Berger 2001, The American Statistician 55, 62, from
    memory), on the odds that are given to it before (`_ODDS`).
    """
    least = -np.e * chance * np.log(chance) if 0.0 < chance < 1.0 / np.e else float(chance > 0)
    return float(_ODDS * least / (1.0 + _ODDS * least))


def _revisits(cells: Indices) -> bool:
    """Say whether a head comes back to a power after another one, or has only one."""
    cells = cells[cells >= 0]
    runs = 1 + np.count_nonzero(np.diff(cells))
    distinct = len(np.unique(cells))
    return bool(len(cells) > distinct and (runs > distinct or distinct == 1))


def _inflation(warmth: Floats, run: _Run) -> float:
    """Return the variance inflation of the warmth beside the cell means; 1 where it is free of them."""
    if len(warmth) < 2:
        return float("inf")
    within = float(np.sum(_beyond(_basis(run.member), warmth) ** 2))
    return float(np.sum((warmth - warmth.mean()) ** 2)) / within if within > _NO_POWER else float("inf")
