"""What clashes in a set-up: every two of its lights judged, the best common balance, and the casts that stay."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Final

import numpy as np
import pandas as pd

from greystep.arrays import Floats, Indices
from greystep.columns import rows_of
from greystep.compare.differences import difference
from greystep.compare.drift import Drift
from greystep.compare.fit import half_width, largest_studentised, own_variances, pair_variances
from greystep.compare.levels import look_alpha
from greystep.compare.limits import ALPHA, colour_limits, difference_factor, hold_back, verdicts, worst_of
from greystep.measure import chromaticity
from greystep.mix.lights import (
    SetupLight,
    White,
    best_balance,
    colour_of,
    delta_e,
    light_estimates,
    mix,
    path_table,
    points,
    warming,
    withheld_of,
)
from greystep.session.settings import Tolerance
from greystep.terms import COLUMN, Verdict, Withheld

#: Shares at which a path from one light to the next is looked at.
SHARES: Final = np.linspace(0.0, 1.0, 101)
_DRAWS: Final = 2000


@dataclass(frozen=True, slots=True)
class LightCast:
    """One light of a set-up and its cast.

    Attributes:
        share: Of the luminance on the subject.
        u_mired: 95 % half-width.
        delta_k, delta_mired, delta_duv, cast_steps: Against the best common balance.
        cast_delta_e_2000: The same on a mid grey.
    """

    role: str
    head: str
    power: str
    share: float
    gel: str
    cct_k: float
    duv: float
    mired: float
    u_prime: float
    v_prime: float
    u_mired: float
    delta_k: float
    delta_mired: float
    delta_duv: float
    cast_steps: float
    cast_delta_e_2000: float


@dataclass(frozen=True, slots=True)
class LightPair:
    """Two lights: b minus a, each with its 95 % half-width.

    Attributes:
        delta_e_2000: On a mid grey; NaN where it is not asked.
        withheld: Why the verdict is neither within nor outside, whatever the numbers say (`Withheld`); else blank.
    """

    role_a: str
    role_b: str
    delta_mired: float
    u_delta_mired: float
    delta_k: float
    u_delta_k: float
    delta_duv: float
    u_delta_duv: float
    delta_steps: float
    u_delta_steps: float
    verdict: str
    delta_e_2000: float = math.nan
    withheld: str = ""


@dataclass(frozen=True)
class WorstPair:
    """The two lights that stand farthest apart, and what the best common balance leaves on the way between them.

    Attributes:
        share: Share of light b at which the cast on the way is largest.
        share_too: Where it is as large at the other end (two lights alone, or the two that fix the balance).
        cast_steps: The largest cast.
        chart_mean_delta_e_2000, chart_worst_delta_e_2000: Between the two lights, over 24 chart colours.
    """

    pair: LightPair
    share: float
    share_too: float | None
    cast_steps: float
    chart_mean_delta_e_2000: float
    chart_worst_delta_e_2000: float
    chart_worst_patch: str


@dataclass(frozen=True, slots=True)
class PathPoint:
    """A mixture on the way from one light (share_b 0) to another (1): its colour, and its cast [steps]."""

    share_b: float
    cct_k: float
    mired: float
    duv: float
    u_prime: float
    v_prime: float
    cast_steps: float


@dataclass(frozen=True, slots=True)
class PatchDifference:
    """What two lights make of one colour in one picture."""

    patch: str
    delta_e_2000: float


@dataclass(frozen=True)
class Casts:
    """A set-up with what it does to a subject.

    Attributes:
        balance, mixture: The best common balance, and all lights together.
        path: The mixtures from the one light of the worst pair to the other, in hundredths.
        chart: A mid grey and 24 chart colours in the two lights of the worst pair.
    """

    lights: tuple[LightCast, ...]
    pairs: tuple[LightPair, ...]
    balance: White
    mixture: White
    worst: WorstPair
    path: tuple[PathPoint, ...]
    chart: tuple[PatchDifference, ...]
    verdict: Verdict


def judge_lights(lights: Sequence[SetupLight], drift: Drift, tolerance: Tolerance) -> pd.DataFrame:
    """Judge every two lights of a set-up by the tolerance, as the report judges two heads.

    Args:
        tolerance: Its colour limits; one that is None is not judged. `within` asks each row's own interval, `outside`
            the simultaneous one of all pairs ("max-t"); both at the level of a look where the test was looked at.

    Returns: The columns of `LightPair` but for delta_e_2000; and `known`, whether each interval is narrower than every
        limit.
    """
    first, second = every_two(len(lights))
    columns: dict[str, Any] = {
        "role_a": [lights[a].role for a in first],
        "role_b": [lights[b].role for b in second],
    }
    estimates = {name: light_estimates(lights, drift.fitted, name) for name in COLUMN}
    for name, column in COLUMN.items():
        columns[f"delta_{column}"], columns[f"u_delta_{column}"] = difference(estimates[name], first, second)
    limits = colour_limits(tolerance)
    rng = np.random.default_rng([drift.seed, 3])
    within, outside = np.full(len(first), bool(limits)), np.zeros(len(first), dtype=bool)
    known, alpha = np.ones(len(first), dtype=bool), look_alpha(drift.looks, ALPHA / max(len(limits), 1), len(first))
    for name, limit in limits.items():
        size, u = (columns[f"{kind}{COLUMN[name]}"] for kind in ("delta_", "u_delta_"))
        factor = np.quantile(largest_studentised(estimates[name], first, second, _DRAWS, rng), 1 - alpha)
        sd = np.sqrt(np.sum([pair_variances(part, first, second) for part in estimates[name]], axis=(0, 2)))
        u = u * difference_factor(drift.looks, estimates[name], first, second)
        known &= u <= limit
        within &= np.abs(size) + u <= limit
        outside |= np.abs(size) - np.maximum(factor * sd, u) > limit
    within, outside, withheld = hold_back(*withheld_of(lights, drift), first, second, within, outside)
    warm = np.array([bool(heads) for heads in warming(lights, drift, tolerance)])
    cold = (warm[first] | warm[second]) & (withheld == "") & ~outside
    withheld[cold] = str(Withheld.WARMS_UP)
    columns |= {"verdict": verdicts(within & ~cold, outside), "withheld": withheld, "known": known}
    return pd.DataFrame(columns)


def find_casts(lights: Sequence[SetupLight], drift: Drift, tolerance: Tolerance, matrix: Floats) -> Casts:
    """Find what a set-up does to a subject.

    Args:
        matrix: (3, 3) array. XYZ to camera RGB of the camera body of the test.
    """
    upvp, shares = points(lights), np.array([light.share for light in lights])
    centre = best_balance(upvp)
    balance = colour_of(centre)
    first, second = every_two(len(lights))
    shown = delta_e(matrix, upvp[first], upvp[second], centre)
    table = judge_lights(lights, drift, tolerance).assign(delta_e_2000=shown[:, 0])
    pairs = rows_of(table, LightPair)
    at = int(np.argmax([pair.delta_steps for pair in pairs]))
    path = rows_of(path_table(upvp[first[at]], upvp[second[at]], centre, SHARES), PathPoint)
    names = ("mid grey", *chromaticity.chart_reflectances()[0])
    chart = [PatchDifference(name, float(value)) for name, value in zip(names, shown[at], strict=True)]
    own = delta_e(matrix, np.broadcast_to(centre, upvp.shape), upvp, centre)[:, 0].tolist()
    return Casts(
        lights=tuple(_light_casts(lights, drift, balance, own)),
        pairs=tuple(pairs),
        balance=balance,
        mixture=colour_of(mix(upvp, shares)),
        worst=_worst(pairs[at], path, chart[1:]),
        path=tuple(path),
        chart=tuple(chart),
        verdict=Verdict(worst_of(table["verdict"])),
    )


def every_two(count: int) -> tuple[Indices, Indices]:
    """Return the places of every two of some lights, the first before the second."""
    both = np.array(list(combinations(range(count), 2)), dtype=np.intp).reshape(-1, 2)
    return both[:, 0], both[:, 1]


def _light_casts(
    lights: Sequence[SetupLight], drift: Drift, balance: White, cast_delta_e: Sequence[float]
) -> list[LightCast]:
    estimates = light_estimates(lights, drift.fitted, "mired")[0]
    u_mired = half_width(own_variances(estimates), estimates.dof)
    steps = chromaticity.steps(points(lights), balance.upvp)
    return [
        LightCast(
            light.role, light.head, light.power, light.share, light.gel.name, 1e6 / light.mired, light.duv, light.mired,
            light.u_prime, light.v_prime, float(u), 1e6 / light.mired - balance.cct_k, light.mired - balance.mired,
            light.duv - balance.duv, float(away), seen,
        )
        for light, u, away, seen in zip(lights, u_mired, steps, cast_delta_e, strict=True)
    ]  # fmt: skip


def _worst(pair: LightPair, path: Sequence[PathPoint], chart: Sequence[PatchDifference]) -> WorstPair:
    """Return the pair farthest apart, with the cast that the best common balance leaves on the way and where."""
    cast = [point.cast_steps for point in path]
    at = int(np.argmax(np.array(cast) > max(cast) * (1.0 - 1e-9)))  # of two ends that tie the first, on any machine
    other = len(cast) - 1 - at
    patch = chart[int(np.argmax([one.delta_e_2000 for one in chart]))]
    return WorstPair(
        pair=pair,
        share=path[at].share_b,
        share_too=path[other].share_b if cast[other] > 0.999 * cast[at] and other != at else None,
        cast_steps=cast[at],
        chart_mean_delta_e_2000=float(np.mean([one.delta_e_2000 for one in chart])),
        chart_worst_delta_e_2000=patch.delta_e_2000,
        chart_worst_patch=patch.patch,
    )
