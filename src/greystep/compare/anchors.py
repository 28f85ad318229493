"""How a light has changed between two sessions, held against what both share: a reference head, a meter, the camera."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from greystep.arrays import Floats
from greystep.columns import FrameRow, rows_of
from greystep.compare.drift import Drift
from greystep.compare.fit import effective_dof
from greystep.constants import METER_REPEAT_MIRED, OBSERVER_OTHER_TYPE_MIRED, OBSERVER_SAME_HEAD, OBSERVER_SAME_TYPE
from greystep.measure.uncertainty import ALPHA, student_factor
from greystep.session.ingest import Ingested
from greystep.session.power import same_power
from greystep.session.settings import Tolerance
from greystep.terms import TESTED


class Anchor(StrEnum):
    """What two sessions may be held against each other by, the surest first."""

    REFERENCE = "reference head"
    METER = "meter"
    CAMERA = "same camera"
    NONE = "none"


@dataclass(frozen=True)
class Metered:
    """The light that a meter read: of which head, its mired by the meter, and what the camera's frame adds (k = 1)."""

    head: str
    stops: float
    mired: float
    u_mired: float


@dataclass(frozen=True)
class Visit:
    """One session of a history.

    Attributes:
        name, date: As it is called; the day of its first frame, blank if unknown.
        reference: The head that the session names as its reference; blank where it names none.
        cameras: Mapping of body to str. Everything that the absolute scale rests on: body, lens, matrix, target. Equal
            text means the same camera.
    """

    name: str
    date: str
    drift: Drift
    serials: Mapping[str, str]
    types: Mapping[str, str]
    reference: str
    cameras: Mapping[str, str]
    meters: Mapping[str, Metered]
    tolerance: Tolerance


@dataclass(frozen=True)
class VisitCell:
    """A head at a power in a session.

    Attributes:
        stops: Below full.
        parts: What else tells the lights of its head apart: pack, channel, with, modifier.
        key: What the head is known by over the sessions.
    """

    body: str
    head: str
    power: str
    stops: float
    parts: Mapping[str, str]
    key: str
    measured: bool


@dataclass(frozen=True)
class VisitLights:
    """All heads at all powers of one session, in the order of its cells."""

    visit: Visit
    cells: tuple[VisitCell, ...]


@dataclass(frozen=True)
class VisitLight:
    """One of the lights of a session: `at` is its place among the cells."""

    session: VisitLights
    at: int

    @property
    def cell(self) -> VisitCell:
        """Head, power, and what they are known by."""
        return self.session.cells[self.at]

    @property
    def mired(self) -> float:
        """The mean of its frames."""
        return float(self.session.visit.drift.fitted["mired"].cells.values[self.at])

    @property
    def camera(self) -> str:
        """What the absolute scale of its body rests on; blank if unknown."""
        return self.session.visit.cameras.get(self.cell.body, "")

    @property
    def meter(self) -> Metered | None:
        """What a meter has read for its body."""
        return self.session.visit.meters.get(self.cell.body)


@dataclass(frozen=True)
class Change:
    """A change of mired and Duv, with its variances (k = 1) by source and their degrees of freedom.

    `reference` is the reference head of both sessions, held against or, under another anchor, left out as it moved.
    """

    anchor: Anchor
    reference: str
    size: dict[str, float]
    variances: dict[str, Floats]
    dof: dict[str, Floats]
    same_camera: bool
    observer_mired: float


def visit_of(name: str, found: Ingested, drift: Drift) -> Visit:
    """Bring together what one session gives to a history; it is called `name` there, and `drift` is what it says."""
    session, readings = found.settings, found.readings
    days = sorted(text[:10] for text in readings["captured"][readings["kind"].isin(TESTED)] if text)
    return Visit(
        name=name,
        date=days[0] if days else "",
        drift=drift,
        serials={head: info.serial for head, info in session.heads.items()},
        types={head: info.type for head, info in session.heads.items()},
        reference=session.reference_head or "",
        cameras={label: _scale_of(label, found) for label in found.bodies},
        meters=_meters(found),
        tolerance=session.tolerance,
    )


def _scale_of(label: str, found: Ingested) -> str:
    """Return all that a body's absolute scale rests on, as text that is equal for equal cameras; blank if unknown."""
    body = found.bodies[label]
    if not label or body.tags is None:
        return ""
    rows = found.readings[(found.readings["body"] == label) & found.readings["kind"].isin(TESTED)]
    lens = rows["lens"].mode()
    matrix = np.array2string(np.round(body.tags.matrix_1, 4), max_line_width=1000)
    target = "" if found.settings.reflectance is None else np.array2string(np.round(found.settings.reflectance[1], 4))
    return "; ".join([label, lens.iloc[0] if len(lens) else "", body.colour_from, matrix, target])


def _meters(found: Ingested) -> dict[str, Metered]:
    """Return, for the body that a meter reading has set, what the meter read."""
    meter = found.settings.meter
    if meter is None:
        return {}
    rows = rows_of(found.readings[found.readings["frame"] == meter.frame], FrameRow)
    return {
        row.body: Metered(row.head, row.stops, 1e6 / meter.cct_k, row.u_mired / 2.0)
        for row in rows
        if row.body in found.bodies and found.bodies[row.body].anchored
    }


def measured_lights(session: VisitLights) -> list[VisitLight]:
    """Return the lights of a session that were measured."""
    return [VisitLight(session, at) for at, cell in enumerate(session.cells) if cell.measured]


def _find(session: VisitLights, key: str, stops: float) -> list[VisitLight]:
    """Return the measured lights of a head at a power."""
    return [
        light for light in measured_lights(session) if light.cell.key == key and same_power(light.cell.stops, stops)
    ]


def last_measured(earlier: Sequence[VisitLights], light: VisitLight) -> VisitLight | None:
    """Return a light where it was last measured, by the same camera if that was there."""
    own = light.cell.parts
    for other in reversed(earlier):
        fits = [
            found
            for found in _find(other, light.cell.key, light.cell.stops)
            if all(found.cell.parts[name] == own[name] for name in found.cell.parts.keys() & own.keys())
        ]
        if fits:
            return min(fits, key=lambda found: found.camera != light.camera)
    return None


def change_since(old: VisitLight, new: VisitLight) -> Change | None:
    """Return how a light has changed, by the surest anchor there is; None without any."""
    references = _references(old, new)
    if references is None:
        return _alone(old, new, "")
    own = _alone(*references, "")
    against = _against(old, new, references)
    if own is None or not beyond(own, judged_together(references[1])):
        return against
    if own.anchor == Anchor.CAMERA and not beyond(against, judged_together(new)):
        return against  # both moved alike in one camera: it is the camera or the card that moved
    return _alone(old, new, references[1].cell.head)


def _against(old: VisitLight, new: VisitLight, references: tuple[VisitLight, VisitLight]) -> Change:
    """Return how a light has changed against the reference head of both sessions."""
    reference = references[1].cell
    apart = float(np.mean([old.mired - references[0].mired, new.mired - references[1].mired]))
    observer = _observer(new, reference.head, reference.stops, apart, False)
    return _made(old, new, references, Anchor.REFERENCE, reference.head, observer, 0.0)


def _alone(old: VisitLight, new: VisitLight, reference: str) -> Change | None:
    """Return how a light has changed by meter or same camera, with no other head; None where there is neither."""
    meters = old.meter, new.meter
    if meters[0] is not None and meters[1] is not None:
        head, stops, off = meters[1].head, meters[1].stops, new.mired - meters[1].mired
        observer = _observer(new, head, stops, off, new.cell.head == head)
        own = sum(METER_REPEAT_MIRED**2 + meter.u_mired**2 for meter in meters if meter is not None)
        return _made(old, new, None, Anchor.METER, reference, observer, own)
    if _same_camera(old, new):
        return _made(old, new, None, Anchor.CAMERA, reference, 0.0, 0.0)
    return None


def _same_camera(old: VisitLight, new: VisitLight) -> bool:
    return old.camera == new.camera != ""


def _references(old: VisitLight, new: VisitLight) -> tuple[VisitLight, VisitLight] | None:
    """Return the reference head that both sessions hold their lights against, as either names it."""
    for session in (new.session, old.session):
        key = reference_key(session)
        if key not in ("", new.cell.key):
            stops = min(cell.stops for cell in session.cells if cell.key == key)
            there, here = (
                [found for found in _find(light.session, key, stops) if found.cell.body == light.cell.body]
                for light in (old, new)
            )
            if there and here:
                return there[0], here[0]
    return None


def reference_key(session: VisitLights) -> str:
    """Return what the reference head of a session is known by; blank where it names none of its heads."""
    return next((cell.key for cell in session.cells if cell.head == session.visit.reference), "")


def judged_together(light: VisitLight) -> int:
    """Return how many lights of a light's head are judged at once."""
    return sum(cell.measured and cell.key == light.cell.key for cell in light.session.cells)


def _observer(light: VisitLight, head: str, stops: float, apart: float, same_head: bool) -> float:
    """Return the variance (k = 1) that another camera adds to a difference of two lights [mired]."""
    types = light.session.visit.types
    own, other = types.get(light.cell.head, ""), types.get(head, "")
    between = OBSERVER_SAME_TYPE * apart if own == other != "" else OBSERVER_OTHER_TYPE_MIRED
    along = 0.0 if same_power(light.cell.stops, stops) else OBSERVER_SAME_HEAD * apart
    return (0.0 if same_head else between**2) + along**2


def _made(
    old: VisitLight,
    new: VisitLight,
    references: tuple[VisitLight, VisitLight] | None,
    anchor: Anchor,
    reference: str,
    observer: float,
    meter: float,
) -> Change:
    """Return the change between two sessions of a light, less that of its reference where one is given."""
    same_camera = _same_camera(old, new)
    observer = 0.0 if same_camera else observer
    size, variances, dof = {}, {}, {}
    for quantity in ("mired", "duv"):
        values, parts, free = [], [], []
        for place, light in enumerate((old, new)):
            estimates = light.session.visit.drift.fitted[quantity].cells
            weights = np.zeros(len(estimates.values))
            weights[light.at] = 1.0
            if references is not None:
                weights[references[place].at] = -1.0
            values.append(float(weights @ np.nan_to_num(estimates.values)))
            parts.append(np.einsum("i,hij,j->h", weights, estimates.parts, weights))
            free.append(estimates.dof)
        further = meter + observer
        size[quantity] = values[1] - values[0]
        variances[quantity] = np.concatenate([*parts, [further if quantity == "mired" else 0.0]])
        dof[quantity] = np.concatenate([*free, [np.inf]])
    return Change(anchor, reference, size, variances, dof, same_camera, float(np.sqrt(observer)))


def judgeable(change: Change) -> tuple[str, ...]:
    """Return the quantities that can prove a move: no Duv between two cameras, which have no observer term for it."""
    return ("mired", "duv") if change.same_camera else ("mired",)


def doubt(change: Change, quantity: str, share: float = 1.0) -> float:
    """Return the half-width of a change's interval at this share of 5 %."""
    variances = change.variances[quantity]
    dof = float(effective_dof(variances, change.dof[quantity]))
    return max(student_factor(dof, ALPHA * share), student_factor(dof)) * float(np.sqrt(np.sum(variances)))


def beyond(change: Change, together: int) -> set[str]:
    """Return the quantities that changed beyond chance; `together` lights are judged at once."""
    share = 1.0 / (together * len(judgeable(change)))
    return {quantity for quantity, size in change.size.items() if abs(size) > doubt(change, quantity, share)}
