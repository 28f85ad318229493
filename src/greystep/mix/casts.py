"""What clashes in a set-up: every two of its lights judged, the best common balance, and the casts that stay."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Final

import numpy as np
import pandas as pd

from greystep.compare.contrasts import difference
from greystep.compare.drift import Drift
from greystep.compare.fit import Array, Indices, half_width, largest_studentised, own_variances, pair_variances
from greystep.compare.limits import ALPHA, colour_limits, verdicts, worst_of
from greystep.files import records
from greystep.log.session import Tolerance
from greystep.measure import chromaticity
from greystep.mix.mixing import Light, best_balance, colour_of, delta_e, light_estimates, mix, path_table, points
from greystep.terms import COLUMN

#: Shares at which a path from one light to the next is looked at.
SHARES: Final = np.linspace(0.0, 1.0, 101)
_DRAWS: Final = 2000


@dataclass(frozen=True)
class Casts:
    """A set-up with what it does to a subject.

    Attributes
    ----------
    lights : tuple of Light
    table : DataFrame
        A row a light: role, head, power, share, gel, cct_k, duv, mired, u_mired, then against the best common balance
        delta_k, delta_mired, delta_duv, cast_steps, cast_delta_e_2000 (on a mid grey).
    pairs : DataFrame
        Every two lights: role_a, role_b, delta_* (b minus a), their u_*, delta_e_2000 on a mid grey, verdict.
    balance, mixture : dict
        Colour of the best common balance, and of all lights together.
    worst : dict
        The pair that stands farthest apart, see `worst_pair`.
    path : DataFrame
        The mixtures from its one light to the other.
    chart : DataFrame
        patch, delta_e_2000: what the two lights of the worst pair make of the same colour in one picture.
    verdict : str
    """

    lights: tuple[Light, ...]
    table: pd.DataFrame
    pairs: pd.DataFrame
    balance: dict[str, float]
    mixture: dict[str, float]
    worst: dict[str, Any]
    path: pd.DataFrame
    chart: pd.DataFrame
    verdict: str


def judge_lights(lights: Sequence[Light], drift: Drift, tolerance: Tolerance) -> pd.DataFrame:
    """Judge every two lights of a set-up by the tolerance, as the report judges two heads.

    Parameters
    ----------
    lights : sequence of Light
        Of one set-up.
    drift : Drift
        The test that they come from.
    tolerance : Tolerance
        Its colour limits; one that is None is not judged. `within` asks each row's own interval, `outside` the
        simultaneous one of all pairs ("max-t").

    Returns
    -------
    DataFrame
        role_a, role_b; delta_mired, delta_k, delta_duv (b minus a), delta_steps, each with its u_; verdict.
    """
    first, second = _every_two(len(lights))
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
    for name, limit in limits.items():
        size, u = (columns[f"{kind}{COLUMN[name]}"] for kind in ("delta_", "u_delta_"))
        factor = np.quantile(largest_studentised(estimates[name], first, second, _DRAWS, rng), 1 - ALPHA / len(limits))
        sd = np.sqrt(np.sum([pair_variances(part, first, second) for part in estimates[name]], axis=(0, 2)))
        within &= np.abs(size) + u <= limit
        outside |= np.abs(size) - np.maximum(factor * sd, u) > limit
    columns["verdict"] = verdicts(within, outside)
    return pd.DataFrame(columns)


def find_casts(lights: Sequence[Light], drift: Drift, tolerance: Tolerance, matrix: Array) -> Casts:
    """Find what a set-up does to a subject.

    Parameters
    ----------
    lights : sequence of Light
        Two or more.
    drift : Drift
        The test that they come from.
    tolerance : Tolerance
        What is judged by.
    matrix : (3, 3) array
        XYZ to camera RGB of the camera body of the test.
    """
    upvp, shares = points(lights), np.array([light.share for light in lights])
    centre = best_balance(upvp)
    balance = colour_of(centre)
    pairs = judge_lights(lights, drift, tolerance)
    first, second = _every_two(len(lights))
    shown = [delta_e(matrix, upvp[a], upvp[b], centre) for a, b in zip(first, second, strict=True)]
    pairs.insert(len(pairs.columns) - 1, "delta_e_2000", [float(values[0]) for values in shown])
    at = int(np.argmax(pairs["delta_steps"].to_numpy(np.float64)))
    path = path_table(upvp[first[at]], upvp[second[at]], centre, SHARES)
    names = ("mid grey", *chromaticity.chart_reflectances()[0])
    return Casts(
        lights=tuple(lights),
        table=_light_table(lights, drift, balance, [float(delta_e(matrix, centre, one, centre)[0]) for one in upvp]),
        pairs=pairs,
        balance=balance,
        mixture=colour_of(mix(upvp, shares)),
        worst=_worst(pairs.iloc[[at]], path, shown[at], names),
        path=path,
        chart=pd.DataFrame({"patch": names, "delta_e_2000": shown[at]}),
        verdict=worst_of(pairs["verdict"]),
    )


def _every_two(count: int) -> tuple[Indices, Indices]:
    both = np.array(list(combinations(range(count), 2)), dtype=np.intp).reshape(-1, 2)
    return both[:, 0], both[:, 1]


def _light_table(
    lights: Sequence[Light], drift: Drift, balance: dict[str, float], cast_delta_e: Sequence[float]
) -> pd.DataFrame:
    estimates = light_estimates(lights, drift.fitted, "mired")[0]
    mired, duv = (np.array([getattr(light, name) for light in lights]) for name in ("mired", "duv"))
    return pd.DataFrame(
        {
            "role": [light.role for light in lights],
            "head": [light.head for light in lights],
            "power": [light.power for light in lights],
            "share": [light.share for light in lights],
            "gel": [light.gel.name for light in lights],
            "cct_k": 1e6 / mired,
            "duv": duv,
            "mired": mired,
            "u_prime": points(lights)[:, 0],
            "v_prime": points(lights)[:, 1],
            "u_mired": half_width(own_variances(estimates), estimates.dof),
            "delta_k": 1e6 / mired - balance["cct_k"],
            "delta_mired": mired - balance["mired"],
            "delta_duv": duv - balance["duv"],
            "cast_steps": chromaticity.steps(points(lights), (balance["u_prime"], balance["v_prime"])),
            "cast_delta_e_2000": cast_delta_e,
        }
    )


def _worst(row: pd.DataFrame, path: pd.DataFrame, shown: Array, names: Sequence[str]) -> dict[str, Any]:
    """Return the pair farthest apart, with the cast that the best common balance leaves on the way and where.

    ``share`` is the share of light b at which that cast is largest; a cast that is as large at the other end (two
    lights alone, or the two that fix the balance) is told of by ``share_too``.
    """
    cast = path["cast_steps"].to_numpy(np.float64)
    at = int(np.argmax(cast))
    other = len(cast) - 1 - at
    patch = int(np.argmax(shown[1:]))
    worst: dict[str, Any] = records(row)[0]
    return worst | {
        "share": float(path["share_b"].iloc[at]),
        "share_too": float(path["share_b"].iloc[other]) if cast[other] > 0.999 * cast[at] and other != at else None,
        "cast_steps": float(cast[at]),
        "chart_mean_delta_e_2000": float(np.mean(shown[1:])),
        "chart_worst_delta_e_2000": float(shown[1 + patch]),
        "chart_worst_patch": names[1 + patch],
    }
