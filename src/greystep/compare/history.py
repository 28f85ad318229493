"""Sessions over time: has a head moved since last time, beyond what both tests and their cameras can tell?"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from greystep.compare.cells import PARTS
from greystep.compare.drift import Drift
from greystep.compare.fit import Array, effective_dof
from greystep.log.power import same_power
from greystep.log.session import DEFAULT_TOLERANCE, Tolerance
from greystep.measure.uncertainty import ALPHA, student_factor
from greystep.published import (
    METER_REPEAT_MIRED,
    OBSERVER_OTHER_TYPE_MIRED,
    OBSERVER_SAME_HEAD,
    OBSERVER_SAME_TYPE,
)

#: What two sessions may be held against each other by, the surest first.
REFERENCE, METER, CAMERA, NONE = "reference head", "meter", "same camera", "none"
MOVED, NOT_MOVED, CANNOT_TELL = "moved", "not moved", "cannot tell"


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
class History:
    """What sessions over time say: one row a session, head and power in `table`, and `notes` on all of it."""

    table: pd.DataFrame
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Lights:
    """The lights of one session, one entry a cell; `key` is what the head is known by over the sessions."""

    visit: Visit
    key: list[str]
    rows: list[dict[str, Any]]
    measured: list[bool]


@dataclass(frozen=True)
class _Change:
    """A change of mired and Duv, with its variances (k = 1) by source and their degrees of freedom."""

    anchor: str
    size: dict[str, float]
    variances: dict[str, Array]
    dof: dict[str, Array]
    same_camera: bool
    observer_mired: float


def compare_sessions(visits: Sequence[Visit]) -> History:
    """Compare each light with the last session before in which it was measured.

    Parameters
    ----------
    visits : sequence of Visit
        In any order; they are sorted by date, and those without one stay behind the one before.

    Returns
    -------
    History
        Columns head, serial, session, date, body, power, stops, mired, u_mired, duv, u_duv, previous, change_mired,
        u_change_mired, change_k, change_duv, u_change_duv, u_observer_mired (all 95 %), verdict, anchor. A head is
        known by its serial, or by its label where it has none.

        The change is held against the reference head that both sessions name (difference of differences); without
        one against the meter's readings of both; without those it is taken as it stands if the camera is the same.
        Between two cameras the observer term is in it, and Duv, for which there is no such term, is not judged.

        ``moved``: beyond chance, at 5 % over all lights of a head in a session. ``not moved``: the intervals lie within
        the tolerance. Else ``cannot tell``.
    """
    order = sorted(range(len(visits)), key=lambda place: _day(visits, place))
    sessions = _lights([visits[place] for place in order])
    rows: list[dict[str, Any]] = []
    changes: list[_Change | None] = []
    heads: list[tuple[int, str]] = []
    for place, session in enumerate(sessions):
        columns = session.visit.drift.powers
        for cell, light in enumerate(session.rows):
            if session.measured[cell]:
                before = _before(sessions[:place], session, cell)
                changes.append(_change(*before, session, cell) if before else None)
                row = {"head": light["head"], "serial": session.visit.serials.get(light["head"], "")}
                row |= {"session": session.visit.name, "date": session.visit.date, "body": light["body"]}
                row |= {"power": light["power"], "stops": light["stops"]}
                row |= {name: float(columns[name].iloc[cell]) for name in ("mired", "u_mired", "duv", "u_duv")}
                rows.append(row | {"previous": before[0].visit.name if before else ""})
                heads.append((place, session.key[cell]))
    for row, change, (place, key) in zip(rows, changes, heads, strict=True):
        row |= _judged(row, change, sessions[place].visit.tolerance, heads.count((place, key)))
    table = pd.DataFrame(rows)
    return History(table, tuple(_notes(table)))


def _day(visits: Sequence[Visit], place: int) -> str:
    """Return the date of a session, or of the last one before it that has one."""
    return next((visits[at].date for at in range(place, -1, -1) if visits[at].date), "")


def _lights(visits: Sequence[Visit]) -> list[_Lights]:
    """Gather the lights of each session; a head without a serial is the one that its label has elsewhere."""
    serials: dict[str, set[str]] = {}
    for visit in visits:
        for head, serial in visit.serials.items():
            serials.setdefault(head, set()).update({serial} - {""})
    sessions = []
    for visit in visits:
        table = visit.drift.cells.table
        rows = [{str(name): value for name, value in row.items()} for row in table.to_dict(orient="records")]
        key = []
        for row in rows:
            own, elsewhere = visit.serials.get(row["head"], ""), serials.get(row["head"], set())
            known = own or (next(iter(elsewhere)) if len(elsewhere) == 1 else "")
            key.append(f"serial {known}" if known else f"label {row['head']}")
        measured = np.isfinite(visit.drift.fitted["mired"].cells.values).tolist()
        sessions.append(_Lights(visit, key, rows, measured))
    return sessions


def _find(session: _Lights, key: str, stops: float) -> list[int]:
    """Return the measured cells of a head at a power."""
    return [
        cell
        for cell, row in enumerate(session.rows)
        if session.measured[cell] and session.key[cell] == key and same_power(row["stops"], stops)
    ]


def _mired(session: _Lights, cell: int) -> float:
    return float(session.visit.drift.fitted["mired"].cells.values[cell])


def _camera(session: _Lights, cell: int) -> str:
    return session.visit.cameras.get(session.rows[cell]["body"], "")


def _before(earlier: Sequence[_Lights], session: _Lights, cell: int) -> tuple[_Lights, int] | None:
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


def _change(old: _Lights, old_cell: int, new: _Lights, new_cell: int) -> _Change | None:
    """Return how a light has changed, by the surest anchor there is; None without any."""
    same = _camera(old, old_cell) == _camera(new, new_cell) != ""
    if references := _references(old, old_cell, new, new_cell):
        apart = [
            _mired(session, cell) - _mired(session, reference)
            for session, cell, reference in ((old, old_cell, references[0]), (new, new_cell, references[1]))
        ]
        light, anchor = new.rows[new_cell], new.rows[references[1]]
        observer = _observer(new.visit, light, anchor["head"], anchor["stops"], float(np.mean(apart)), False)
        return _made(old, (old_cell, references[0]), new, (new_cell, references[1]), REFERENCE, same, observer, 0.0)
    meters = [
        session.visit.meters.get(session.rows[cell]["body"]) for session, cell in ((old, old_cell), (new, new_cell))
    ]
    if meters[0] is not None and meters[1] is not None:
        light = new.rows[new_cell]
        head, stops, off = meters[1].head, meters[1].stops, _mired(new, new_cell) - meters[1].mired
        observer = _observer(new.visit, light, head, stops, off, light["head"] == head)
        own = sum(METER_REPEAT_MIRED**2 + meter.u_mired**2 for meter in meters if meter is not None)
        return _made(old, (old_cell, None), new, (new_cell, None), METER, same, observer, own)
    if same:
        return _made(old, (old_cell, None), new, (new_cell, None), CAMERA, True, 0.0, 0.0)
    return None


def _references(old: _Lights, old_cell: int, new: _Lights, new_cell: int) -> tuple[int, int] | None:
    """Return the cells of the reference head that both sessions hold their lights against, as either names it."""
    for session in (new, old):
        head = session.visit.reference
        keys = {key for key, row in zip(session.key, session.rows, strict=True) if head and row["head"] == head}
        for key in keys - {new.key[new_cell]}:
            stops = float(min(row["stops"] for at, row in zip(session.key, session.rows, strict=True) if at == key))
            found = [
                [at for at in _find(one, key, stops) if one.rows[at]["body"] == one.rows[cell]["body"]]
                for one, cell in ((old, old_cell), (new, new_cell))
            ]
            if found[0] and found[1]:
                return found[0][0], found[1][0]
    return None


def _observer(visit: Visit, light: Mapping[str, Any], head: str, stops: float, apart: float, same_head: bool) -> float:
    """Return the variance (k = 1) that another camera adds to a difference of two lights [mired]."""
    types = visit.types.get(light["head"], ""), visit.types.get(head, "")
    between = OBSERVER_SAME_TYPE * apart if types[0] == types[1] != "" else OBSERVER_OTHER_TYPE_MIRED
    along = 0.0 if same_power(light["stops"], stops) else OBSERVER_SAME_HEAD * apart
    return (0.0 if same_head else between**2) + along**2


def _made(
    old: _Lights,
    old_cells: tuple[int, int | None],
    new: _Lights,
    new_cells: tuple[int, int | None],
    anchor: str,
    same_camera: bool,
    observer: float,
    meter: float,
) -> _Change:
    """Return the change between two sessions of a light, less that of its reference where one is given."""
    observer = 0.0 if same_camera else observer
    size, variances, dof = {}, {}, {}
    for quantity in ("mired", "duv"):
        values, parts, free = [], [], []
        for session, (cell, reference) in ((old, old_cells), (new, new_cells)):
            estimates = session.visit.drift.fitted[quantity].cells
            weights = np.zeros(len(estimates.values))
            weights[cell] = 1.0
            if reference is not None:
                weights[reference] = -1.0
            values.append(float(weights @ np.nan_to_num(estimates.values)))
            parts.append(np.einsum("i,hij,j->h", weights, estimates.parts, weights))
            free.append(estimates.dof)
        further = meter + observer
        size[quantity] = values[1] - values[0]
        variances[quantity] = np.concatenate([*parts, [further if quantity == "mired" else 0.0]])
        dof[quantity] = np.concatenate([*free, [np.inf]])
    return _Change(anchor, size, variances, dof, same_camera, float(np.sqrt(observer)))


def _judged(row: Mapping[str, Any], change: _Change | None, tolerance: Tolerance, together: int) -> dict[str, Any]:
    """Return the columns that a change fills; `together` lights are judged at once."""
    names = ("change_mired", "u_change_mired", "change_k", "change_duv", "u_change_duv", "u_observer_mired")
    nothing = dict.fromkeys(names, float("nan"))
    if change is None:
        return nothing | {"verdict": CANNOT_TELL if row["previous"] else "", "anchor": NONE if row["previous"] else ""}
    limits = {"mired": tolerance.mired, "duv": tolerance.duv}
    if limits["mired"] is None and limits["duv"] is None:
        limits = {"mired": DEFAULT_TOLERANCE.mired, "duv": DEFAULT_TOLERANCE.duv}
    judged = ("mired", "duv") if change.same_camera else ("mired",)
    moved, still = False, True
    found: dict[str, float] = {}
    for quantity in ("mired", "duv"):
        size, dof = change.size[quantity], float(effective_dof(change.variances[quantity], change.dof[quantity]))
        standard = float(np.sqrt(np.sum(change.variances[quantity])))
        u = student_factor(dof) * standard
        found |= {f"change_{quantity}": size, f"u_change_{quantity}": u}
        if quantity in judged:
            factor = max(student_factor(dof, ALPHA / (together * len(judged))), student_factor(dof))
            moved |= bool(abs(size) > factor * standard)
            limit = limits[quantity]
            still &= bool(limit is None or abs(size) + u <= limit)
    before = row["mired"] - change.size["mired"]
    verdict = MOVED if moved else NOT_MOVED if still else CANNOT_TELL
    return {
        "change_mired": found["change_mired"],
        "u_change_mired": found["u_change_mired"],
        "change_k": 1e6 / row["mired"] - 1e6 / before,
        "change_duv": found["change_duv"],
        "u_change_duv": found["u_change_duv"],
        "u_observer_mired": 2.0 * change.observer_mired,
        "verdict": verdict,
        "anchor": change.anchor,
    }


def _notes(table: pd.DataFrame) -> list[str]:
    """Return what speaks against the heads as the reason: all of them moved alike."""
    suspects = {
        REFERENCE: "the reference head itself",
        METER: "the meter or where it stood",
        CAMERA: "the camera, its lens or the target",
    }
    notes = []
    for (session, anchor), rows in table[table["anchor"].isin(list(suspects))].groupby(
        ["session", "anchor"], sort=False
    ):
        heads = rows.groupby("head", sort=False)
        all_moved = bool(heads["verdict"].apply(lambda verdicts: (verdicts == MOVED).any()).all())
        signs = np.sign(rows.loc[rows["verdict"] == MOVED, "change_mired"])
        if len(heads) > 1 and all_moved and abs(signs.sum()) == len(signs):
            way = "warmer" if signs.iloc[0] > 0 else "cooler"
            notes.append(f"{session}: every head reads {way} than before; suspect {suspects[str(anchor)]} first.")
    return notes
