"""How a light has changed between two sessions, held against what both share: a reference head, a meter, the camera."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from greystep.compare.drift import Drift
from greystep.compare.fit import Array, effective_dof
from greystep.log.power import same_power
from greystep.log.session import Tolerance
from greystep.measure.uncertainty import ALPHA, student_factor
from greystep.published import (
    METER_REPEAT_MIRED,
    OBSERVER_OTHER_TYPE_MIRED,
    OBSERVER_SAME_HEAD,
    OBSERVER_SAME_TYPE,
)
from greystep.terms import PARTS

#: What two sessions may be held against each other by, the surest first.
REFERENCE, METER, CAMERA, NONE = "reference head", "meter", "same camera", "none"


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

    Attributes
    ----------
    name, date : str
        As it is called; the day of its first frame, blank if unknown.
    drift : Drift
    serials, types : mapping of head to str
        Blank where they are not known.
    reference : str
        The head that the session names as its reference; blank where it names none.
    cameras : mapping of body to str
        Everything that the absolute scale rests on: body, lens, matrix, target. Equal text means the same camera.
    meters : mapping of body to Metered
        Bodies whose scale a meter has set.
    tolerance : Tolerance
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
class Lights:
    """The lights of one session, one entry a cell; `key` is what the head is known by over the sessions."""

    visit: Visit
    key: list[str]
    rows: list[dict[str, Any]]
    measured: list[bool]


@dataclass(frozen=True)
class Change:
    """A change of mired and Duv, with its variances (k = 1) by source and their degrees of freedom.

    `reference` is the reference head of both sessions, held against or, under another anchor, left out as it moved.
    """

    anchor: str
    reference: str
    size: dict[str, float]
    variances: dict[str, Array]
    dof: dict[str, Array]
    same_camera: bool
    observer_mired: float


def _find(session: Lights, key: str, stops: float) -> list[int]:
    """Return the measured cells of a head at a power."""
    return [
        cell
        for cell, row in enumerate(session.rows)
        if session.measured[cell] and session.key[cell] == key and same_power(row["stops"], stops)
    ]


def _mired(session: Lights, cell: int) -> float:
    return float(session.visit.drift.fitted["mired"].cells.values[cell])


def _camera(session: Lights, cell: int) -> str:
    return session.visit.cameras.get(session.rows[cell]["body"], "")


def last_measured(earlier: Sequence[Lights], session: Lights, cell: int) -> tuple[Lights, int] | None:
    """Return session and cell where a light was last measured, by the same camera if that was there."""
    light = session.rows[cell]
    for other in reversed(earlier):
        fits = [
            at
            for at in _find(other, session.key[cell], light["stops"])
            if all(
                other.rows[at].get(name, light.get(name)) == light.get(name, other.rows[at].get(name)) for name in PARTS
            )
        ]
        if fits:
            return other, min(fits, key=lambda at: _camera(other, at) != _camera(session, cell))
    return None


def change_since(old: Lights, old_cell: int, new: Lights, new_cell: int) -> Change | None:
    """Return how a light has changed, by the surest anchor there is; None without any."""
    references = _references(old, old_cell, new, new_cell)
    if references is None:
        return _alone(old, old_cell, new, new_cell, "")
    own = _alone(old, references[0], new, references[1], "")
    against = _against(old, old_cell, new, new_cell, references)
    if own is None or not beyond(own, judged_together(new, references[1])):
        return against
    if own.anchor == CAMERA and not beyond(against, judged_together(new, new_cell)):
        return against  # both moved alike in one camera: it is the camera or the card that moved
    return _alone(old, old_cell, new, new_cell, new.rows[references[1]]["head"])


def _against(old: Lights, old_cell: int, new: Lights, new_cell: int, references: tuple[int, int]) -> Change:
    """Return how a light has changed against the reference head of both sessions."""
    anchor = new.rows[references[1]]
    same = _camera(old, old_cell) == _camera(new, new_cell) != ""
    apart = [
        _mired(session, cell) - _mired(session, reference)
        for session, cell, reference in ((old, old_cell, references[0]), (new, new_cell, references[1]))
    ]
    light, head = new.rows[new_cell], anchor["head"]
    observer = _observer(new.visit, light, head, anchor["stops"], float(np.mean(apart)), False)
    cells = (old_cell, references[0]), (new_cell, references[1])
    return _made(old, cells[0], new, cells[1], REFERENCE, head, same, observer, 0.0)


def _alone(old: Lights, old_cell: int, new: Lights, new_cell: int, reference: str) -> Change | None:
    """Return how a light has changed by meter or same camera, with no other head; None where there is neither."""
    same = _camera(old, old_cell) == _camera(new, new_cell) != ""
    meters = [
        session.visit.meters.get(session.rows[cell]["body"]) for session, cell in ((old, old_cell), (new, new_cell))
    ]
    if meters[0] is not None and meters[1] is not None:
        light = new.rows[new_cell]
        head, stops, off = meters[1].head, meters[1].stops, _mired(new, new_cell) - meters[1].mired
        observer = _observer(new.visit, light, head, stops, off, light["head"] == head)
        own = sum(METER_REPEAT_MIRED**2 + meter.u_mired**2 for meter in meters if meter is not None)
        return _made(old, (old_cell, None), new, (new_cell, None), METER, reference, same, observer, own)
    if same:
        return _made(old, (old_cell, None), new, (new_cell, None), CAMERA, reference, True, 0.0, 0.0)
    return None


def _references(old: Lights, old_cell: int, new: Lights, new_cell: int) -> tuple[int, int] | None:
    """Return the cells of the reference head that both sessions hold their lights against, as either names it."""
    for session in (new, old):
        key = reference_key(session)
        if key not in ("", new.key[new_cell]):
            stops = float(min(row["stops"] for at, row in zip(session.key, session.rows, strict=True) if at == key))
            found = [
                [at for at in _find(one, key, stops) if one.rows[at]["body"] == one.rows[cell]["body"]]
                for one, cell in ((old, old_cell), (new, new_cell))
            ]
            if found[0] and found[1]:
                return found[0][0], found[1][0]
    return None


def reference_key(session: Lights) -> str:
    """Return what the reference head of a session is known by; blank where it names none of its heads."""
    lights = zip(session.key, session.rows, strict=True)
    return next((key for key, row in lights if row["head"] == session.visit.reference), "")


def judged_together(session: Lights, cell: int) -> int:
    """Return how many lights of a cell's head are judged at once."""
    lights = zip(session.key, session.measured, strict=True)
    return sum(measured and key == session.key[cell] for key, measured in lights)


def _observer(visit: Visit, light: Mapping[str, Any], head: str, stops: float, apart: float, same_head: bool) -> float:
    """Return the variance (k = 1) that another camera adds to a difference of two lights [mired]."""
    types = visit.types.get(light["head"], ""), visit.types.get(head, "")
    between = OBSERVER_SAME_TYPE * apart if types[0] == types[1] != "" else OBSERVER_OTHER_TYPE_MIRED
    along = 0.0 if same_power(light["stops"], stops) else OBSERVER_SAME_HEAD * apart
    return (0.0 if same_head else between**2) + along**2


def _made(
    old: Lights,
    old_cells: tuple[int, int | None],
    new: Lights,
    new_cells: tuple[int, int | None],
    anchor: str,
    reference: str,
    same_camera: bool,
    observer: float,
    meter: float,
) -> Change:
    """Return the change between two sessions of a light, less that of its reference where one is given."""
    observer = 0.0 if same_camera else observer
    size, variances, dof = {}, {}, {}
    for quantity in ("mired", "duv"):
        values, parts, free = [], [], []
        for session, (cell, against) in ((old, old_cells), (new, new_cells)):
            estimates = session.visit.drift.fitted[quantity].cells
            weights = np.zeros(len(estimates.values))
            weights[cell] = 1.0
            if against is not None:
                weights[against] = -1.0
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
