"""Lights on one subject: each light from the tested cells, their sum, the best common balance, the casts it leaves.

Lights add in linear XYZ; through one fixed matrix that is the same as adding camera RGB. Every place of the subject
gets a mixture of the lights, and in u'v' a mixture of two lies on the straight line between them.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from greystep.arrays import Booleans, Floats
from greystep.compare.called import WarmUp, find_warm_up
from greystep.compare.differences import components
from greystep.compare.drift import Drift
from greystep.compare.fit import Estimates
from greystep.compare.joint_fit import Fitted
from greystep.compare.limits import colour_limits
from greystep.constants import MID_GREY_Y, STEP_UPRIME_VPRIME
from greystep.measure import chromaticity
from greystep.mix.gels import NO_GEL, Gel
from greystep.mix.setup import SetupRow
from greystep.session.settings import Tolerance

#: Doubts that are no scatter have so many degrees of freedom: known once for all.
_MANY: Final = 1e9
#: What may lie between two tested powers [k = 1], as a share of their difference: they may turn there.
_BETWEEN: Final = 0.25
_COLOUR: Final = ("mired", "duv", "u_prime", "v_prime")


@dataclass(frozen=True)
class White:
    """The colour of a white: cct_k [K], Duv, mired, and u', v' (CIE 1976)."""

    cct_k: float
    duv: float
    mired: float
    u_prime: float
    v_prime: float

    @property
    def upvp(self) -> Floats:
        """Both coordinates (2,)."""
        return np.array([self.u_prime, self.v_prime])


@dataclass(frozen=True)
class SetupLight:
    """One light of a set-up: a head at a power, perhaps through gels, or several heads ganged as one.

    Attributes:
        role, head, power: Those of a group are joined by ``&``.
        share: Of the luminance on the subject.
        weights: (c,) array. How much of its chromaticity comes from each tested cell; they make 1.
        doubts: Tuple of (str, float, float). What is not known of it beyond the scatter of the test: a name, and its
            standard uncertainties (k = 1) in mired and Duv; one name on two lights errs alike.
        stretch: How much farther a mired reaches in u'v' with the gel than without.
    """

    role: str
    head: str
    power: str
    share: float
    gel: Gel
    rows: tuple[SetupRow, ...]
    weights: Floats
    mired: float
    duv: float
    u_prime: float
    v_prime: float
    doubts: tuple[tuple[str, float, float], ...]
    stretch: float


def build_lights(rows: Sequence[SetupRow], fitted: Mapping[str, Fitted]) -> tuple[SetupLight, ...]:
    """Return the lights of a set-up, those of a group as one, in the order of the rows."""
    groups: dict[object, list[SetupRow]] = {}
    for row in rows:
        groups.setdefault(row.group or row.row, []).append(row)
    return tuple(_ganged([_light(row, fitted) for row in group]) for group in groups.values())


def light_estimates(lights: Sequence[SetupLight], fitted: Mapping[str, Fitted], quantity: str) -> tuple[Estimates, ...]:
    """Return the joint estimates of a quantity of the lights, like `greystep.compare.differences.components` of cells.

    Their covariance is that of the test's joint fit, carried by the weights, and what else is in doubt.
    """
    weights = np.array([light.weights for light in lights])
    values = {
        "mired": [[light.mired for light in lights]],
        "duv": [[light.duv for light in lights]],
        "kelvin": [[1e6 / light.mired for light in lights]],
        "steps": [[light.u_prime / STEP_UPRIME_VPRIME for light in lights],
                  [light.v_prime / STEP_UPRIME_VPRIME for light in lights]],
    }[quantity]  # fmt: skip
    slopes = _slopes(lights, quantity)
    stretch = np.array([light.stretch if quantity == "steps" else 1.0 for light in lights])
    estimates = []
    for axis, part in enumerate(components(fitted, quantity)):
        carried = weights @ part.parts @ weights.T * np.outer(stretch, stretch)
        doubts = _doubt_parts(lights, slopes[axis])
        dof = np.append(part.dof, np.full(len(doubts), _MANY))
        estimates.append(Estimates(np.array(values[axis]), np.concatenate([carried, doubts]), dof))
    return tuple(estimates)


def withheld_of(lights: Sequence[SetupLight], drift: Drift) -> tuple[npt.NDArray[np.object_], Booleans]:
    """Return why nothing can be called of each light (k,), and whether its test watched every two of them (k, k)."""
    uses = np.array([light.weights != 0.0 for light in lights])
    reasons = [next((one for one in drift.withheld[cells] if one), "") for cells in uses]
    blind = uses.astype(np.float64) @ ~drift.watched @ uses.T
    return np.array(reasons, dtype=object), blind == 0.0


def warming(lights: Sequence[SetupLight], drift: Drift, tolerance: Tolerance) -> list[dict[str, WarmUp]]:
    """Return for each light its heads that move beyond a colour limit as they warm up."""
    names, limits = drift.cells.heads["head"].to_numpy(object), colour_limits(tolerance)
    found = {head: one for head in range(len(names)) if (one := find_warm_up(drift, limits, head)) and one.beyond}
    uses = [drift.cells.head[light.weights != 0.0].tolist() for light in lights]
    return [{str(names[head]): found[head] for head in own if head in found} for own in uses]


def with_gel(mired: npt.ArrayLike, duv: npt.ArrayLike, gels: Sequence[Gel]) -> tuple[Floats, Floats, Floats]:
    """Return mired (g,), Duv (g,) and u'v' (g, 2) of one light through each of some gels; NaN where it is no white."""
    warm = np.asarray(mired, np.float64) + np.array([gel.mired_shift for gel in gels])
    green = np.asarray(duv, np.float64) + np.array([gel.duv_shift for gel in gels])
    return warm, green, upvp_of(warm, green)


def upvp_of(mired: npt.ArrayLike, duv: npt.ArrayLike) -> Floats:
    """Return u'v' (..., 2) of whites given by mired and Duv; NaN where there is none."""
    warm = np.asarray(mired, np.float64)
    with np.errstate(divide="ignore"):
        kelvin = np.where(warm > 0, 1e6 / warm, np.nan)
    return chromaticity.xy_to_upvp(chromaticity.cct_duv_to_xy(kelvin, duv))


def light_xyz(upvp: npt.ArrayLike) -> Floats:
    """Return XYZ (..., 3) with Y = 1 of u'v' (..., 2)."""
    return chromaticity.xy_to_xyz(chromaticity.upvp_to_xy(upvp))


def mix(upvp: npt.ArrayLike, shares: npt.ArrayLike) -> Floats:
    """Return u'v' (..., 2) of mixtures of lights.

    Args:
        upvp: (k, 2) array. Of the lights.
        shares: (..., k) array. Of the luminance.

    Returns: (..., 2) array: The chromaticity of the sum of their XYZ.
    """
    return chromaticity.xyz_to_upvp(np.asarray(shares, np.float64) @ light_xyz(upvp))


def colour_of(upvp: npt.ArrayLike) -> White:
    """Return the colour of one white, given by u'v' (2,)."""
    point = np.asarray(upvp, np.float64)
    cct, duv = chromaticity.cct_duv(chromaticity.upvp_to_xy(point))
    return White(float(cct), float(duv), float(1e6 / cct), float(point[0]), float(point[1]))


def best_balance(upvp: Floats) -> Floats:
    """Return the u'v' (2,) of the white balance under which the largest cast anywhere is smallest.

    A cast is a distance from the balance, and largest at a pure light, for mixtures lie between the lights; so this is
    the centre of the smallest circle about them, which two or three of them fix.
    """
    points = np.asarray(upvp, np.float64)
    centres = [points.mean(axis=0) if len(points) == 1 else points[[a, b]].mean(axis=0)
               for a, b in (combinations(range(len(points)), 2) if len(points) > 1 else [(0, 0)])]  # fmt: skip
    for triple in combinations(points, 3):
        a, b, c = triple
        system = 2.0 * np.array([b - a, c - a])
        if abs(np.linalg.det(system)) > 1e-18:
            centres.append(np.linalg.solve(system, [b @ b - a @ a, c @ c - a @ a]))
    reach = [np.hypot(*(points - centre).T).max() for centre in centres]
    return np.asarray(centres[int(np.argmin(reach))])


def path_table(upvp_a: Floats, upvp_b: Floats, balance: Floats, shares_b: npt.ArrayLike) -> pd.DataFrame:
    """Return the mixtures from pure light A to pure light B: share_b, cct_k, mired, duv, u'v', cast_steps.

    Args:
        upvp_a, upvp_b, balance: (2,) arrays. Of the lights, and of the white balance that the cast is counted from.
        shares_b: (n,) array. Share of B in the luminance.
    """
    share = np.asarray(shares_b, np.float64)
    mixed = mix(np.array([upvp_a, upvp_b]), np.column_stack([1.0 - share, share]))
    cct, duv = chromaticity.cct_duv(chromaticity.upvp_to_xy(mixed))
    return pd.DataFrame(
        {
            "share_b": share,
            "cct_k": cct,
            "mired": chromaticity.mired(cct),
            "duv": duv,
            "u_prime": mixed[:, 0],
            "v_prime": mixed[:, 1],
            "cast_steps": chromaticity.steps(mixed, balance),
        }
    )


def lit_colours(matrix: Floats, light: Floats, balance: Floats) -> Floats:
    """Return XYZ of a mid grey and 24 chart colours under lights, as a picture with this balance shows them.

    Args:
        matrix: (3, 3) array. XYZ to camera RGB.
        light: (k, 2) array. u'v' of the lights.
        balance: (2,) array. u'v' of the white balance.

    Returns: (k, 25, 3) array: Relative to the white of the balance, Y = 1; the grey first. The camera sees each colour
        multiplied by the ratio of the two neutrals (von Kries in camera RGB): a matrix knows the light's colour and not
        its spectrum, so what lines and gaps of the spectrum do to a saturated colour is not in it.
    """
    white = light_xyz(balance)
    patches = np.vstack([MID_GREY_Y * white, chromaticity.chart_xyz(white)])
    ratio = (light_xyz(light) @ matrix.T) / (matrix @ white)
    return np.asarray((patches @ matrix.T * ratio[:, None]) @ np.linalg.inv(matrix).T)


def delta_e(matrix: Floats, lights_a: Floats, lights_b: Floats, balance: Floats) -> Floats:
    """Return CIEDE2000 (k, 25) between lights (k, 2) on mid grey and 24 chart colours of one picture.

    See `lit_colours`.
    """
    a, b = (lit_colours(matrix, lights, balance) for lights in (lights_a, lights_b))
    return chromaticity.delta_e_2000(a, b, light_xyz(balance))


def points(lights: Sequence[SetupLight]) -> Floats:
    """Return u'v' (k, 2) of lights."""
    return np.array([(light.u_prime, light.v_prime) for light in lights])


def _light(row: SetupRow, fitted: Mapping[str, Fitted]) -> SetupLight:
    """Return the light of one row: its cells, then its gel."""
    weights = np.zeros(len(fitted["mired"].cells.values))
    for cell, weight in row.cells:
        weights[cell] = weight
    used = np.flatnonzero(weights)
    base = {name: float(weights[used] @ fitted[name].cells.values[used]) for name in _COLOUR}
    doubts = list(row.gel.doubts)
    if len(used) > 1:
        gap = [float(np.diff(fitted[name].cells.values[used])[0]) for name in ("mired", "duv")]
        doubts.append((f"{row.head} at {row.power}", _BETWEEN * gap[0], _BETWEEN * gap[1]))
    mired, duv = base["mired"] + row.gel.mired_shift, base["duv"] + row.gel.duv_shift
    upvp, stretch = np.array([base["u_prime"], base["v_prime"]]), 1.0
    if row.gel.name:
        # What little the mean of u'v' differs from u'v' of the means is kept.
        upvp = upvp + upvp_of(mired, duv) - upvp_of(base["mired"], base["duv"])
        before, after = (np.hypot(*(upvp_of(at + 0.5, d) - upvp_of(at - 0.5, d))) for at, d in
                         ((base["mired"], base["duv"]), (mired, duv)))  # fmt: skip
        stretch = float(after / before)
    return SetupLight(
        row.role, row.head, row.power, row.share, row.gel, (row,), weights, mired, duv, float(upvp[0]), float(upvp[1]),
        tuple(doubts), stretch,
    )  # fmt: skip


def _ganged(members: Sequence[SetupLight]) -> SetupLight:
    """Return several heads that fire as one light."""
    if len(members) == 1:
        return members[0]
    share = np.array([light.share for light in members])
    upvp = mix(points(members), share)
    colour = colour_of(upvp)
    # u'v' of a sum is the mean of u'v' weighted by (X + 15 Y + 3 Z), which is 9 Y / v'.
    part = share / points(members)[:, 1]
    part = part / part.sum()
    gels = {light.gel.name for light in members}
    return SetupLight(
        role=_joined([light.role for light in members]),
        head=" & ".join(light.head for light in members),
        power=_joined([light.power for light in members]),
        share=float(share.sum()),
        gel=members[0].gel if len(gels) == 1 else NO_GEL,
        rows=tuple(row for light in members for row in light.rows),
        weights=np.sum([a * light.weights for a, light in zip(part, members, strict=True)], axis=0),
        mired=colour.mired,
        duv=colour.duv,
        u_prime=colour.u_prime,
        v_prime=colour.v_prime,
        doubts=tuple((name, a * mired, a * duv) for a, light in zip(part, members, strict=True)
                     for name, mired, duv in light.doubts),
        stretch=float(part @ [light.stretch for light in members]),
    )  # fmt: skip


def _joined(names: Sequence[str]) -> str:
    return names[0] if len(set(names)) == 1 else " & ".join(names)


def _slopes(lights: Sequence[SetupLight], quantity: str) -> list[tuple[Floats, Floats]]:
    """Return for each axis of a quantity its derivatives (k,) by mired and by Duv at each light."""
    count = len(lights)
    mired, duv = (np.array([getattr(light, name) for light in lights]) for name in ("mired", "duv"))
    if quantity == "mired":
        return [(np.ones(count), np.zeros(count))]
    if quantity == "duv":
        return [(np.zeros(count), np.ones(count))]
    if quantity == "kelvin":
        return [(-1e6 / mired**2, np.zeros(count))]
    by_mired = (upvp_of(mired + 0.5, duv) - upvp_of(mired - 0.5, duv)) / STEP_UPRIME_VPRIME
    by_duv = (upvp_of(mired, duv + 5e-4) - upvp_of(mired, duv - 5e-4)) / 1e-3 / STEP_UPRIME_VPRIME
    return [(by_mired[:, axis], by_duv[:, axis]) for axis in (0, 1)]


def _doubt_parts(lights: Sequence[SetupLight], slopes: tuple[Floats, Floats]) -> Floats:
    """Return a covariance (d, k, k) for each thing in doubt; (0, k, k) where there is none."""
    count = len(lights)
    shift: dict[tuple[str, int], Floats] = {}
    for place, light in enumerate(lights):
        for name, *sizes in light.doubts:
            for axis, size in enumerate(sizes):
                row = shift.setdefault((name, axis), np.zeros(count))
                row[place] += size * slopes[axis][place]
    parts = [np.outer(row, row) for row in shift.values() if math.fsum(row**2) > 0]
    return np.array(parts).reshape(-1, count, count)
