"""Sessions over time: has a head moved since last time, beyond what both tests and their cameras can tell?"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from greystep.compare import sentences as say
from greystep.compare.cells import PARTS
from greystep.compare.drift import Drift
from greystep.compare.fit import Array, effective_dof
from greystep.errors import GreystepError
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

_SUSPECTS = {METER: "the meter or where it stood", CAMERA: "the camera, its lens or the target"}
_STANDS = {METER: "what the meters say", CAMERA: "what the same camera saw"}


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
        u_change_mired, change_k, change_duv, u_change_duv, u_observer_mired (all 95 %), tint_open, verdict, anchor,
        reference (the head of both sessions that the light is to be held against, itself included). A head is known
        by its serial, or by its label where it has none.

        The change is held against the reference head that both sessions name (difference of differences); without
        one against the meter's readings of both; without those it is taken as it stands if the camera is the same.
        A reference head that meter or camera saw move is left out. Between two cameras the observer term is in the
        change, and Duv, for which there is no such term, proves no move; one beyond its limit is `tint_open`.

        ``moved``: beyond chance, at 5 % over all lights of a head in a session. ``not moved``: the intervals lie within
        the tolerance. Else ``cannot tell``.

    Raises
    ------
    GreystepError
        If two heads of a session have one serial.
    """
    for visit in visits:
        _check_serials(visit)
    order = sorted(range(len(visits)), key=lambda place: _day(visits, place))
    sessions = _lights([visits[place] for place in order])
    rows: list[dict[str, Any]] = []
    for place, session in enumerate(sessions):
        columns = session.visit.drift.powers
        for cell, light in enumerate(session.rows):
            if session.measured[cell]:
                before = _before(sessions[:place], session, cell)
                change = _change(*before, session, cell) if before else None
                row = {"head": light["head"], "serial": session.visit.serials.get(light["head"], "")}
                row |= {"session": session.visit.name, "date": session.visit.date, "body": light["body"]}
                row |= {"power": light["power"], "stops": light["stops"]}
                row |= {name: float(columns[name].iloc[cell]) for name in ("mired", "u_mired", "duv", "u_duv")}
                row["previous"] = before[0].visit.name if before else ""
                row |= _judged(row, change, session.visit.tolerance, _together(session, cell))
                is_reference = before and session.key[cell] in (_reference_key(before[0]), _reference_key(session))
                row["reference"] = (change.reference if change else "") or (light["head"] if is_reference else "")
                rows.append(row)
    table = pd.DataFrame(rows)
    return History(table, (*_notes(table), *_relabelled(sessions)))


def _check_serials(visit: Visit) -> None:
    """Refuse a serial that two heads of a session have: over several sessions a head is known by it."""
    owners: dict[str, str] = {}
    for head, serial in visit.serials.items():
        owner = owners.setdefault(serial, head)
        if serial and owner != head:
            raise GreystepError(
                f'{visit.name}: serial "{serial}" is that of {say.heads([owner, head])}; mend one of them in '
                "session.toml, or leave it out"
            )


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
            own = visit.serials.get(row["head"], "")
            elsewhere = serials.get(row["head"], set()) - set(visit.serials.values())
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
    references = _references(old, old_cell, new, new_cell)
    if references is None:
        return _alone(old, old_cell, new, new_cell, "")
    own = _alone(old, references[0], new, references[1], "")
    against = _against(old, old_cell, new, new_cell, references)
    if own is None or not _beyond(own, _together(new, references[1])):
        return against
    if own.anchor == CAMERA and not _beyond(against, _together(new, new_cell)):
        return against  # both moved alike in one camera: it is the camera or the card that moved
    return _alone(old, old_cell, new, new_cell, new.rows[references[1]]["head"])


def _against(old: _Lights, old_cell: int, new: _Lights, new_cell: int, references: tuple[int, int]) -> _Change:
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


def _alone(old: _Lights, old_cell: int, new: _Lights, new_cell: int, reference: str) -> _Change | None:
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


def _references(old: _Lights, old_cell: int, new: _Lights, new_cell: int) -> tuple[int, int] | None:
    """Return the cells of the reference head that both sessions hold their lights against, as either names it."""
    for session in (new, old):
        key = _reference_key(session)
        if key not in ("", new.key[new_cell]):
            stops = float(min(row["stops"] for at, row in zip(session.key, session.rows, strict=True) if at == key))
            found = [
                [at for at in _find(one, key, stops) if one.rows[at]["body"] == one.rows[cell]["body"]]
                for one, cell in ((old, old_cell), (new, new_cell))
            ]
            if found[0] and found[1]:
                return found[0][0], found[1][0]
    return None


def _reference_key(session: _Lights) -> str:
    """Return what the reference head of a session is known by; blank where it names none of its heads."""
    lights = zip(session.key, session.rows, strict=True)
    return next((key for key, row in lights if row["head"] == session.visit.reference), "")


def _together(session: _Lights, cell: int) -> int:
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
    old: _Lights,
    old_cells: tuple[int, int | None],
    new: _Lights,
    new_cells: tuple[int, int | None],
    anchor: str,
    reference: str,
    same_camera: bool,
    observer: float,
    meter: float,
) -> _Change:
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
    return _Change(anchor, reference, size, variances, dof, same_camera, float(np.sqrt(observer)))


def _judgeable(change: _Change) -> tuple[str, ...]:
    """Return the quantities that can prove a move: no Duv between two cameras, which have no observer term for it."""
    return ("mired", "duv") if change.same_camera else ("mired",)


def _doubt(change: _Change, quantity: str, share: float = 1.0) -> float:
    """Return the half-width of a change's interval at this share of 5 %."""
    variances = change.variances[quantity]
    dof = float(effective_dof(variances, change.dof[quantity]))
    return max(student_factor(dof, ALPHA * share), student_factor(dof)) * float(np.sqrt(np.sum(variances)))


def _beyond(change: _Change, together: int) -> set[str]:
    """Return the quantities that changed beyond chance; `together` lights are judged at once."""
    share = 1.0 / (together * len(_judgeable(change)))
    return {quantity for quantity, size in change.size.items() if abs(size) > _doubt(change, quantity, share)}


def _judged(row: Mapping[str, Any], change: _Change | None, tolerance: Tolerance, together: int) -> dict[str, Any]:
    """Return the columns that a change fills; `together` lights are judged at once."""
    names = ("change_mired", "u_change_mired", "change_k", "change_duv", "u_change_duv", "u_observer_mired")
    if change is None:
        verdict, anchor = (CANNOT_TELL, NONE) if row["previous"] else ("", "")
        return dict.fromkeys(names, float("nan")) | {"tint_open": False, "verdict": verdict, "anchor": anchor}
    limits = {"mired": tolerance.mired, "duv": tolerance.duv}
    if limits["mired"] is None and limits["duv"] is None:
        limits = {"mired": DEFAULT_TOLERANCE.mired, "duv": DEFAULT_TOLERANCE.duv}
    beyond = _beyond(change, together)
    doubts = {quantity: _doubt(change, quantity) for quantity in change.size}
    still = {
        quantity: quantity not in beyond if limit is None else abs(change.size[quantity]) + doubts[quantity] <= limit
        for quantity, limit in limits.items()
    }
    moved = not beyond.isdisjoint(_judgeable(change))
    mired, duv = change.size["mired"], change.size["duv"]
    change_k = 1e6 / row["mired"] - 1e6 / (row["mired"] - mired)
    values = (mired, doubts["mired"], change_k, duv, doubts["duv"], 2.0 * change.observer_mired)
    return dict(zip(names, values, strict=True)) | {
        "tint_open": not still["duv"] and not change.same_camera,
        "verdict": MOVED if moved else NOT_MOVED if all(still.values()) else CANNOT_TELL,
        "anchor": change.anchor,
    }


def _notes(table: pd.DataFrame) -> list[str]:
    """Return what speaks against the anchor rather than the heads: a reference that moved, all heads moved alike."""
    notes = []
    held = table[(table["reference"] != "") & (table["reference"] != table["head"])]
    for (session, head, anchor), rows in held.groupby(["session", "reference", "anchor"], sort=False):
        own = table.loc[(table["session"] == session) & (table["head"] == head), "verdict"]
        heads = list(dict.fromkeys(rows["head"]))
        if anchor != REFERENCE:
            left = f"has itself moved and is left out for {say.heads(heads)}; {_STANDS[str(anchor)]} stands"
            notes.append(f"{session}: the reference head {head} {left}.")
        elif (own == MOVED).any() and (rows["verdict"] == NOT_MOVED).all():
            alike = f"moved in the camera, and {say.heads(heads)} with it"
            notes.append(f"{session}: the reference head {head} {alike}; suspect {_SUSPECTS[CAMERA]} first.")
        elif (way := _alike(rows)) and (own != NOT_MOVED).any():
            who = "every head" if len(heads) > 1 else "the only head"
            notes.append(
                f"{session}: {who} held against head {head} reads {way} than before; suspect head {head} itself first."
            )
    alone = table[table["anchor"].isin(list(_SUSPECTS))]
    for (session, anchor), rows in alone.groupby(["session", "anchor"], sort=False):
        if rows["head"].nunique() > 1 and (way := _alike(rows)):
            notes.append(f"{session}: every head reads {way} than before; suspect {_SUSPECTS[str(anchor)]} first.")
    return notes


def _alike(rows: pd.DataFrame) -> str:
    """Return the way in which all heads moved alike; blank where they did not."""
    moved = rows[rows["verdict"] == MOVED]
    signs = set(np.sign(moved["change_mired"]))
    if set(moved["head"]) != set(rows["head"]) or len(signs) != 1:
        return ""
    return "warmer" if signs == {1.0} else "cooler"


def _relabelled(sessions: Sequence[_Lights]) -> list[str]:
    """Return which labels stand for another head than before, one that no session before has."""
    notes = []
    for place, session in enumerate(sessions):
        known = {key for other in sessions[:place] for key in other.key}
        for head, key in dict(zip((row["head"] for row in session.rows), session.key, strict=True)).items():
            owners = [other.visit for other in sessions[:place] if any(row["head"] == head for row in other.rows)]
            if owners and key not in known:
                new, old = (visit.serials.get(head, "") for visit in (session.visit, owners[-1]))
                serials = [f"serial {serial}" if serial else "no serial" for serial in (new, old)]
                sure = "is" if new and old else "may be"
                notes.append(
                    f"{session.visit.name}: head {head} ({serials[0]}) {sure} another head than in {owners[-1].name} "
                    f"({serials[1]}), so it is not compared."
                )
    return notes
