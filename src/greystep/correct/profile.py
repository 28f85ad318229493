"""The light of a head at a power, from a test session: between two tested powers interpolated in stops."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from greystep.arrays import Floats, Indices
from greystep.compare.drift import Drift
from greystep.compare.fit import Estimates, contrast
from greystep.compare.reference_light import TestedLights, reference_light, tested_lights
from greystep.constants import OBSERVER_OTHER_TYPE_MIRED, OBSERVER_SAME_HEAD, OBSERVER_SAME_TYPE
from greystep.correct.references import Reference, seen_light, white
from greystep.errors import GreystepError
from greystep.measure.uncertainty import student_factor
from greystep.session.ingest import Body, Ingested
from greystep.session.power import SAME_STOPS
from greystep.session.reference import HeadAtPower, TestedLight, WholeKit, session_reference
from greystep.terms import PARTS

#: So far beyond the tested powers a head's light is still taken from its trend [stops]: one click of most packs.
BEYOND_STOPS: Final = 0.35


@dataclass(frozen=True, eq=False)
class Profile:
    """What a test session knows of its heads.

    Attributes:
        lights: The same fit, with the brightness of each cell.
    """

    name: str
    ingested: Ingested
    drift: Drift
    lights: TestedLights


@dataclass(frozen=True)
class ProfileLight:
    """The light of one head at one power.

    Attributes:
        stops: Below full.
        u_mired, u_duv: 95 % half-widths: of the tested powers, and of what the head may do between them.
        output_error_stops, u_output_stops: How much brighter than set, and its half-width.
        scatter_mired, scatter_stops: How far one flash may lie from that, 95 times in 100.
        how: What it was taken from, in words: ``A at 1/4`` or ``A between 1/4 and 1/16``.
    """

    head: str
    stops: float
    mired: float
    duv: float
    u_mired: float
    u_duv: float
    output_error_stops: float
    u_output_stops: float
    scatter_mired: float
    scatter_stops: float
    how: str


def make_profile(ingested: Ingested, drift: Drift) -> Profile:
    """Return the profile of a test session.

    Raises:
        GreystepError: If no head has a colour.
    """
    name = ingested.settings.title or ingested.settings.path.name
    if not np.isfinite(drift.fitted["mired"].cells.values).any():
        raise GreystepError(
            f"--profile {ingested.settings.path}: no head was measured in it; see greystep report there"
        )
    lights = tested_lights(ingested.readings, drift.cells, drift.frames, drift.fitted)
    return Profile(name, ingested, drift, lights)


def light_at(
    profile: Profile, body: str, head: str, stops: float, parts: Mapping[str, str] | None = None
) -> ProfileLight:
    """Return the light of a head at a power.

    Args:
        body: Label of the camera in the test session.
        stops: Below full.
        parts: What the log of the frame says of pack, channel, with and modifier, where the test parts its cells by
            these.

    Returns: Linear between the two tested powers about it. To their half-width comes, as a bias, what the head may do
        between them: ``|(s - s0)(s - s1)|`` times the largest second divided difference of the values about them, which
        is the error of the line were the curvature that throughout; with two tested powers in all, half of the step
        between them in its middle.

    Raises:
        GreystepError: If the head was not tested, its cells cannot be told apart, or the power lies outside what was
            tested.
    """
    table = profile.drift.cells.table
    mine = (table["head"] == head) & (table["body"] == body)
    if not mine.any():
        heads = ", ".join(dict.fromkeys(table.loc[table["body"] == body, "head"])) or "none with this camera"
        raise GreystepError(f"head {head or '(none named)'} was not tested in {profile.name}; tested: {heads}")
    for name in PARTS:
        if name in table and parts and parts.get(name):
            mine &= table[name] == parts[name]
    chosen = np.flatnonzero(mine.to_numpy())
    if len(np.unique(profile.drift.cells.series[chosen])) > 1:
        names = ", ".join(name for name in PARTS if name in table and table.loc[mine, name].nunique() > 1)
        raise GreystepError(f"{profile.name} tested {head} with more than one {names}; name it in the log of this job")
    chosen = chosen[np.isfinite(profile.drift.fitted["mired"].cells.values[chosen])]
    if not len(chosen):
        raise GreystepError(f"{head} has no usable frame in {profile.name}; test it again")
    tested = table["stops"].to_numpy(dtype=np.float64)[chosen]
    order = np.argsort(tested)
    chosen, tested = chosen[order], tested[order]
    power = [str(table["power"].iloc[cell]) for cell in chosen]
    if not tested[0] - BEYOND_STOPS <= stops <= tested[-1] + BEYOND_STOPS or (
        len(tested) == 1 and abs(stops - tested[0]) > SAME_STOPS
    ):
        span = f"from {power[0]} to {power[-1]}" if len(power) > 1 else f"at {power[0]}"
        raise GreystepError(
            f"{head} was tested {span} only, {stops:.1f} stops below full is outside; test it there or "
            "shoot a grey card"
        )
    weights, how = _weights(tested, stops, power)
    (mired, u_mired), (duv, u_duv) = (
        _interpolated(profile.drift.fitted[name].cells, chosen, tested, weights, stops) for name in ("mired", "duv")
    )
    columns = ["output_error_stops", "u_output_error_stops"]
    error, u_error = profile.drift.powers[columns].to_numpy(dtype=np.float64)[chosen].T
    bend = max(abs(float(bent @ error)) for bent in _bends(tested, weights, stops))
    return ProfileLight(
        head=head,
        stops=stops,
        mired=mired,
        duv=duv,
        u_mired=u_mired,
        u_duv=u_duv,
        output_error_stops=float(weights @ error),
        u_output_stops=float(np.sqrt(np.sum((weights * u_error) ** 2))) + bend,
        scatter_mired=_scatter(profile, int(chosen[0]), "mired"),
        scatter_stops=_scatter(profile, int(chosen[0]), "output_stops"),
        how=f"{head} {how} in {profile.name}",
    )


def profile_reference(profile: Profile, body: str, seen_by: Body, wanted: TestedLight, label: str) -> Reference:
    """Return the reference in the profile's own terms, so that what lens and room do to all its lights cancels.

    Args:
        body: Camera of the test session.
        seen_by: The camera whose neutrals are asked for.
        wanted: Between two tested powers the light is interpolated, see `light_at`; it then has no brightness.
        label: What the person wrote, for a light between tested powers.

    Raises:
        GreystepError: If the test session does not have it.
    """
    lights = profile.lights
    tested = reference_light(lights.cells, lights.fitted, body, wanted)
    if tested is not None:
        found = seen_light(tested, lights, seen_by)
    elif isinstance(wanted, WholeKit):
        raise GreystepError(f"--to kit: no head was tested at the reference power in {profile.name}")
    else:
        light = light_at(profile, body, wanted.head or "", float("nan") if wanted.stops is None else wanted.stops)
        found = white(label, seen_by, 1e6 / light.mired, light.duv, light.u_mired)
    if found is None:
        raise GreystepError(f"{seen_by.label}: no colour matrix is known, so no profile can be seen through it")
    return found


def profile_wanted(profile: Profile) -> TestedLight:
    """Return the reference of the test session itself, as its report has it."""
    light = profile.drift.reference
    if light["kit"] or light["head"] is None:
        return session_reference(profile.ingested.settings)
    table = profile.drift.cells.table
    at = (table["head"] == light["head"]) & (table["power"] == light["power"])
    return HeadAtPower(str(light["head"]), float(table.loc[at, "stops"].iloc[0]))


def observer_mired(profile: Profile, light: ProfileLight, to: Reference) -> float:
    """Return what another camera may see otherwise in the difference of two lights, as a 95 % half-width [mired]."""
    shift = abs(light.mired - to.mired)
    head = to.label.rpartition("@")[0]
    if head == light.head:
        return 2.0 * OBSERVER_SAME_HEAD * shift
    heads = profile.ingested.settings.heads
    types = [heads[name].type if name in heads else "" for name in (light.head, head)]
    if types[0] and types[0] == types[1]:
        return 2.0 * OBSERVER_SAME_TYPE * shift
    return 2.0 * OBSERVER_OTHER_TYPE_MIRED


def _scatter(profile: Profile, cell: int, quantity: str) -> float:
    """Return the half-width of one flash of a cell's head about its mean; 0 where nothing was repeated."""
    fitted, head = profile.drift.fitted[quantity], profile.drift.cells.head[cell]
    dof = float(fitted.dof[head])
    return student_factor(dof) * float(np.sqrt(fitted.sums[head] / dof)) if dof > 0 else 0.0


def _weights(tested: Floats, stops: float, power: list[str]) -> tuple[Floats, str]:
    """Return the weight of each tested power, and in words which they are."""
    weights = np.zeros(len(tested))
    nearest = int(np.argmin(np.abs(tested - stops)))
    if abs(tested[nearest] - stops) <= SAME_STOPS:
        weights[nearest] = 1.0
        return weights, f"at {power[nearest]}"
    upper = int(np.clip(np.searchsorted(tested, stops), 1, len(tested) - 1))
    share = (stops - tested[upper - 1]) / (tested[upper] - tested[upper - 1])
    weights[upper - 1], weights[upper] = 1.0 - share, share
    inside = tested[0] < stops < tested[-1]
    return weights, f"{'between' if inside else 'beyond'} {power[upper - 1]} and {power[upper]}"


def _interpolated(
    estimates: Estimates, cells: Indices, tested: Floats, weights: Floats, stops: float
) -> tuple[float, float]:
    """Return the value on the line between the tested powers, and its half-width, to which a bend adds as a bias."""
    known = Estimates(np.nan_to_num(estimates.values), estimates.parts, estimates.dof)

    def of(weights: Floats) -> tuple[float, float]:
        every = np.zeros(len(estimates.values))
        every[cells] = weights
        return contrast(known, every)

    value, half = of(weights)
    bend, u_bend = max((of(bent) for bent in _bends(tested, weights, stops)), key=lambda one: abs(one[0]))
    return value, abs(bend) + float(np.hypot(half, u_bend))


def _bends(tested: Floats, weights: Floats, stops: float) -> list[Floats]:
    """Return the weights of the tested powers in each estimate of how far the values bend away from the line."""
    used = np.flatnonzero(weights)
    if len(used) < 2:
        return [np.zeros(len(tested))]
    away = abs(float(np.prod(stops - tested[used])))
    if len(tested) < 3:
        return [np.array([-1.0, 1.0]) * away * 2.0 / (tested[1] - tested[0]) ** 2]
    found = []
    # The triplets that hold one of the two powers or both: second divided differences.
    for first in range(max(int(used[0]) - 2, 0), min(int(used[1]) + 1, len(tested) - 2)):
        x, bent = tested[first : first + 3], np.zeros(len(tested))
        bent[first : first + 3] = [
            away / ((x[0] - x[1]) * (x[0] - x[2])),
            away / ((x[1] - x[0]) * (x[1] - x[2])),
            away / ((x[2] - x[0]) * (x[2] - x[1])),
        ]
        found.append(bent)
    return found
