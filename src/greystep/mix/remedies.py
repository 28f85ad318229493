"""What would mend a set-up with what is in the van: each remedy with what it leaves and the light it costs."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from greystep.compare.drift import Drift
from greystep.compare.fit import Array
from greystep.compare.limits import colour_limits, worst_of
from greystep.log.session import Tolerance
from greystep.mix.casts import judge_lights
from greystep.mix.changes import WORTH, Change, find_changes, reach
from greystep.mix.gels import Gel
from greystep.mix.mixing import Light, build_lights, light_xyz, points
from greystep.mix.setup import SetupRow
from greystep.terms import COLUMN
from greystep.words import listed

#: From little work to much: a dial and a stand, a clip, all stands, two heads, a head from the van, plates to add.
EFFORT: Final = ("power", "gel", "level", "swap", "head", "plates")


@dataclass(frozen=True)
class Remedy:
    """One way to mend a set-up.

    Attributes
    ----------
    kind : str
        ``power``, ``gel``, ``level``, ``swap``, ``head`` or ``plates``.
    role : str
        The light or lights that are changed.
    what : str
        What to do, in the trade's words.
    residual_steps, u_residual_steps : float
        How far the worst two lights then stand apart in u'v', and its 95 % half-width.
    residual_k, residual_mired, residual_duv : float
        The same pair; sizes.
    cost_stops : float
        Light lost at the light that loses most.
    verdict : str
    rows : tuple of SetupRow
        The set-up as it then is; that of the question for plates.
    corrections : tuple of dict
        For plates: role, gain_r, gain_g, gain_b (linear camera RGB above black), mired_shift, duv_shift.
    """

    kind: str
    role: str
    what: str
    residual_steps: float
    u_residual_steps: float
    residual_k: float
    residual_mired: float
    residual_duv: float
    cost_stops: float
    verdict: str
    rows: tuple[SetupRow, ...]
    corrections: tuple[dict[str, Any], ...]


def find_remedies(
    rows: Sequence[SetupRow], drift: Drift, tolerance: Tolerance, gels: Sequence[Gel], matrix: Array
) -> list[Remedy]:
    """Find what would mend a set-up, ranked by what it leaves, then by the light it costs.

    Parameters
    ----------
    rows : sequence of SetupRow
        The set-up.
    drift : Drift
        The test: every head and power in it may be used.
    tolerance : Tolerance
        For the verdict on what is left.
    gels : sequence of Gel
        Those at hand.
    matrix : (3, 3) array
        XYZ to camera RGB, for the gains of plates.

    Returns
    -------
    list of Remedy
        None that leaves as much as doing nothing, or more.
    """
    lights = build_lights(rows, drift.fitted)
    now = reach(points(lights))
    if now <= WORTH:
        return []
    judged = [_judged(one, drift, tolerance) for one in find_changes(lights, rows, drift, gels)]
    better = _shortlist([one for one in judged if one.residual_steps < now - WORTH])
    better.append(_plates(lights, rows, drift, tolerance, matrix))
    return sorted(better, key=lambda one: (one.residual_steps, one.cost_stops, EFFORT.index(one.kind)))


def cheapest(remedies: Sequence[Remedy], verdict: str = "within") -> Remedy | None:
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
    for key in dict.fromkeys((one.kind, one.role) for one in remedies):
        same = [one for one in remedies if (one.kind, one.role) == key]
        least = min(same, key=lambda one: (one.residual_steps, one.cost_stops))
        good = min((one for one in same if one.verdict == "within"), key=lambda one: one.cost_stops, default=least)
        kept += [least] if good is least else [least, good]
    return kept


def _judged(one: Change, drift: Drift, tolerance: Tolerance) -> Remedy:
    pairs = judge_lights(build_lights(one.rows, drift.fitted), drift, tolerance)
    worst = pairs.iloc[int(np.argmax(pairs["delta_steps"].to_numpy(np.float64)))]
    size = {name: abs(float(worst[f"delta_{name}"])) for name in ("k", "mired", "duv", "steps")}
    return Remedy(
        one.kind, one.role, one.what, size["steps"], float(worst["u_delta_steps"]), size["k"], size["mired"],
        size["duv"], one.cost_stops, worst_of(pairs["verdict"]), one.rows, (),
    )  # fmt: skip


def _plates(
    lights: Sequence[Light], rows: Sequence[SetupRow], drift: Drift, tolerance: Tolerance, matrix: Array
) -> Remedy:
    """One plate a light, each brought to the first light by its own gains; they are added scene-linear."""
    neutral = light_xyz(points(lights)) @ matrix.T
    neutral = neutral / neutral[:, 1:2]
    corrections = []
    said = []
    for light, rgb in zip(lights, neutral, strict=True):
        gain = neutral[0] / rgb
        warmer, greener = lights[0].mired - light.mired, lights[0].duv - light.duv
        corrections.append(
            {"role": light.role, "gain_r": float(gain[0]), "gain_g": 1.0, "gain_b": float(gain[2]),
             "mired_shift": warmer, "duv_shift": greener}
        )  # fmt: skip
        if abs(warmer) >= 0.05 or abs(greener) >= 0.00005:
            tint = (
                f" and {abs(greener):.4f} {'greener' if greener > 0 else 'pinker'}" if abs(greener) >= 0.00005 else ""
            )
            said.append(f"{light.role} {abs(warmer):.1f} mired {'warmer' if warmer > 0 else 'cooler'}{tint}")
    # What stays is what the test does not know: its uncertainty, with no difference left.
    unsure = judge_lights(lights, drift, tolerance)
    known = all((unsure[f"u_delta_{COLUMN[name]}"] <= limit).all() for name, limit in colour_limits(tolerance).items())
    what = f"shoot one plate a light and add them scene-linear; make {'; '.join(said) or 'no change'}"
    role = listed([light.role for light in lights])
    return Remedy(
        "plates", role, what, 0.0, float(unsure["u_delta_steps"].max()), 0.0, 0.0, 0.0, 0.0,
        "within" if known else "undecided", tuple(rows), tuple(corrections),
    )  # fmt: skip
