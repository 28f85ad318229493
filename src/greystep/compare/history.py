"""Sessions over time: has a head moved since last time, beyond what both tests and their cameras can tell?"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from greystep import words as say
from greystep.compare.anchors import (
    CAMERA,
    METER,
    NONE,
    REFERENCE,
    Change,
    Lights,
    Visit,
    beyond,
    change_since,
    doubt,
    judgeable,
    judged_together,
    last_measured,
    reference_key,
)
from greystep.errors import GreystepError
from greystep.log.session import DEFAULT_TOLERANCE, Tolerance

MOVED, NOT_MOVED, CANNOT_TELL = "moved", "not moved", "cannot tell"

_SUSPECTS = {METER: "the meter or where it stood", CAMERA: "the camera, its lens or the target"}
_STANDS = {METER: "what the meters say", CAMERA: "what the same camera saw"}


@dataclass(frozen=True)
class History:
    """What sessions over time say: one row a session, head and power in `table`, and `notes` on all of it."""

    table: pd.DataFrame
    notes: tuple[str, ...]


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
                before = last_measured(sessions[:place], session, cell)
                change = change_since(*before, session, cell) if before else None
                row = {"head": light["head"], "serial": session.visit.serials.get(light["head"], "")}
                row |= {"session": session.visit.name, "date": session.visit.date, "body": light["body"]}
                row |= {"power": light["power"], "stops": light["stops"]}
                row |= {name: float(columns[name].iloc[cell]) for name in ("mired", "u_mired", "duv", "u_duv")}
                row["previous"] = before[0].visit.name if before else ""
                row |= _judged(row, change, session.visit.tolerance, judged_together(session, cell))
                is_reference = before and session.key[cell] in (reference_key(before[0]), reference_key(session))
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


def _lights(visits: Sequence[Visit]) -> list[Lights]:
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
        sessions.append(Lights(visit, key, rows, measured))
    return sessions


def _judged(row: Mapping[str, Any], change: Change | None, tolerance: Tolerance, together: int) -> dict[str, Any]:
    """Return the columns that a change fills; `together` lights are judged at once."""
    names = ("change_mired", "u_change_mired", "change_k", "change_duv", "u_change_duv", "u_observer_mired")
    if change is None:
        verdict, anchor = (CANNOT_TELL, NONE) if row["previous"] else ("", "")
        return dict.fromkeys(names, float("nan")) | {"tint_open": False, "verdict": verdict, "anchor": anchor}
    limits = {"mired": tolerance.mired, "duv": tolerance.duv}
    if limits["mired"] is None and limits["duv"] is None:
        limits = {"mired": DEFAULT_TOLERANCE.mired, "duv": DEFAULT_TOLERANCE.duv}
    moves = beyond(change, together)
    doubts = {quantity: doubt(change, quantity) for quantity in change.size}
    still = {
        quantity: quantity not in moves if limit is None else abs(change.size[quantity]) + doubts[quantity] <= limit
        for quantity, limit in limits.items()
    }
    moved = not moves.isdisjoint(judgeable(change))
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


def _relabelled(sessions: Sequence[Lights]) -> list[str]:
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
