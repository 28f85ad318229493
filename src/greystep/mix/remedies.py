"""What would bring the lights of a set-up together: each remedy with what it leaves and the light it costs."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from greystep.arrays import Floats
from greystep.compare.drift import Drift
from greystep.compare.limits import colour_limits, worst_of
from greystep.mix.casts import judge_lights
from greystep.mix.changes import Change, Option, Plate, Plates, RemedyKind
from greystep.mix.gels import Gel
from greystep.mix.lights import SetupLight, build_lights, light_xyz, points, warming, withheld_of
from greystep.mix.options import WORTH, find_options, reach
from greystep.mix.setup import SetupRow
from greystep.session.settings import Tolerance
from greystep.terms import Verdict

#: The kinds of remedies, the least work first.
EFFORT = tuple(RemedyKind)


@dataclass(frozen=True)
class Remedy:
    """One way to bring the lights of a set-up together.

    Attributes:
        residual_steps, u_residual_steps: How far the worst two lights then stand apart in u'v', and its 95 %
            half-width.
        residual_k, residual_mired, residual_duv: The same pair; sizes.
        cost_stops: Light lost at the light that loses most.
        rows: The set-up as it then is; that of the question for plates.
    """

    kind: RemedyKind
    roles: tuple[str, ...]
    change: Change
    residual_steps: float
    u_residual_steps: float
    residual_k: float
    residual_mired: float
    residual_duv: float
    cost_stops: float
    verdict: Verdict
    rows: tuple[SetupRow, ...]


def find_remedies(
    rows: Sequence[SetupRow], drift: Drift, tolerance: Tolerance, gels: Sequence[Gel], matrix: Floats
) -> list[Remedy]:
    """Find what would bring the lights together, ranked by what it leaves, then by the light it costs.

    Args:
        drift: The test: every head and power in it may be used.
        matrix: (3, 3) array. XYZ to camera RGB, for the gains of plates.

    Returns: None that leaves as much as doing nothing, or more.
    """
    lights = build_lights(rows, drift.fitted)
    now = reach(points(lights))
    if now <= WORTH:
        return []
    options = find_options(lights, rows, drift, gels)
    worth = [one for one in options if reach(points(build_lights(one.rows, drift.fitted))) < now - WORTH]
    better = _shortlist([_judged(one, drift, tolerance) for one in worth])
    better.append(_plates(lights, rows, drift, tolerance, matrix))
    return sorted(better, key=lambda one: (one.residual_steps, one.cost_stops, EFFORT.index(one.kind)))


def cheapest(remedies: Sequence[Remedy], verdict: Verdict = Verdict.WITHIN) -> Remedy | None:
    """Return the remedy with this verdict that is the least work, then leaves least; None where there is none."""
    enough = [one for one in remedies if one.verdict == verdict]
    return min(enough, key=lambda one: (EFFORT.index(one.kind), one.cost_stops, one.residual_steps), default=None)


def fits(one: Remedy, tolerance: Tolerance) -> bool:
    """Say whether what a remedy leaves lies inside every colour limit, its uncertainty aside."""
    left = {
        "mired": one.residual_mired,
        "duv": one.residual_duv,
        "steps": one.residual_steps,
        "kelvin": one.residual_k,
    }
    return all(left[name] <= limit for name, limit in colour_limits(tolerance).items())


def _shortlist(remedies: Sequence[Remedy]) -> list[Remedy]:
    """Keep of one kind for one light what leaves least, and of what is in tolerance that which costs least light."""
    kept = []
    for key in dict.fromkeys((one.kind, one.roles) for one in remedies):
        same = [one for one in remedies if (one.kind, one.roles) == key]
        least = min(same, key=lambda one: (one.residual_steps, one.cost_stops))
        inside = [one for one in same if one.verdict == Verdict.WITHIN]
        good = min(inside, key=lambda one: one.cost_stops, default=least)
        kept += [least] if good is least else [least, good]
    return kept


def _judged(one: Option, drift: Drift, tolerance: Tolerance) -> Remedy:
    pairs = judge_lights(build_lights(one.rows, drift.fitted), drift, tolerance)
    worst = pairs.iloc[int(np.argmax(pairs["delta_steps"].to_numpy(np.float64)))]
    size = {name: abs(float(worst[f"delta_{name}"])) for name in ("k", "mired", "duv", "steps")}
    return Remedy(
        one.kind, one.roles, one.change, size["steps"], float(worst["u_delta_steps"]), size["k"], size["mired"],
        size["duv"], one.cost_stops, Verdict(worst_of(pairs["verdict"])), one.rows,
    )  # fmt: skip


def _plates(
    lights: Sequence[SetupLight], rows: Sequence[SetupRow], drift: Drift, tolerance: Tolerance, matrix: Floats
) -> Remedy:
    """One plate a light, each brought to the first light by its own gains; they are added scene-linear."""
    neutral = light_xyz(points(lights)) @ matrix.T
    neutral = neutral / neutral[:, 1:2]
    plates = []
    for light, rgb in zip(lights, neutral, strict=True):
        gain = neutral[0] / rgb
        warmer, greener = lights[0].mired - light.mired, lights[0].duv - light.duv
        plates.append(Plate(light.role, float(gain[0]), 1.0, float(gain[2]), warmer, greener))
    # What stays is what the test does not know: its uncertainty, with no difference left.
    unsure = judge_lights(lights, drift, tolerance)
    reasons, watched = withheld_of(lights, drift)
    told = not reasons.any() and watched.all() and not any(warming(lights, drift, tolerance))
    known = told and unsure["known"].all()
    return Remedy(
        RemedyKind.PLATES, tuple(light.role for light in lights), Plates(tuple(plates)), 0.0,
        float(unsure["u_delta_steps"].max()), 0.0, 0.0, 0.0, 0.0, Verdict.WITHIN if known else Verdict.UNDECIDED,
        tuple(rows),
    )  # fmt: skip
