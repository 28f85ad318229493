"""Sessions over time: has a head moved since last time, beyond what both tests and their cameras can tell?"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from enum import StrEnum

import numpy as np
import pandas as pd

from greystep.columns import UNKNOWN, HistoryRow, names
from greystep.compare import anchors
from greystep.errors import GreystepError
from greystep.session.settings import DEFAULT_TOLERANCE, Tolerance
from greystep.terms import PARTS
from greystep.words import heads as named_heads


class Move(StrEnum):
    """Whether a light has moved since the session before; blank where there was none."""

    MOVED = "moved"
    NOT_MOVED = "not moved"
    CANNOT_TELL = "cannot tell"
    NEW = ""


@dataclass(frozen=True)
class ReferenceMoved:
    """A reference head that has moved itself, so that `heads` are held against `anchor` instead."""

    session: str
    reference: str
    anchor: anchors.Anchor
    heads: tuple[str, ...]


@dataclass(frozen=True)
class CameraMoved:
    """A reference head and all `heads` moved alike in one camera."""

    session: str
    reference: str
    heads: tuple[str, ...]


@dataclass(frozen=True)
class MovedAlike:
    """All `heads` read warmer, or all cooler, than before: doubt their `reference` head, without one the `anchor`."""

    session: str
    reference: str
    anchor: anchors.Anchor
    heads: tuple[str, ...]
    warmer: bool


@dataclass(frozen=True)
class Relabelled:
    """A label that stands for another head than in an `earlier` session; serials are blank where they are not known."""

    session: str
    head: str
    serial: str
    earlier: str
    earlier_serial: str


HistoryNote = ReferenceMoved | CameraMoved | MovedAlike | Relabelled


@dataclass(frozen=True)
class History:
    """What sessions over time say: one row a session, head and power in `table` (`HistoryRow`), and notes on all."""

    table: pd.DataFrame
    notes: tuple[HistoryNote, ...]


def compare_sessions(visits: Sequence[anchors.Visit]) -> History:
    """Compare each light with the last session before in which it was measured.

    Args:
        visits: In any order; they are sorted by date, and those without one stay behind the one before.

    Returns: All uncertainties are 95 %; ``reference`` is the head of both sessions that the light is to be held
        against, itself included. A head is known by its serial, or by its label where it has none.

        The change is held against the reference head that both sessions name (difference of differences); without
        one against the meter's readings of both; without those it is taken as it stands if the camera is the same.
        A reference head that meter or camera saw move is left out. Between two cameras the observer term is in the
        change, and Duv, for which there is no such term, proves no move; one beyond its limit is `tint_open`.

        ``moved``: beyond chance, at 5 % over all lights of a head in a session. ``not moved``: the intervals lie within
        the tolerance. Else ``cannot tell``; so too where all heads moved alike against a reference head that nothing
        else watched: then it may be the reference that moved, and its move is not theirs.

    Raises:
        GreystepError: If two heads of a session have one serial.
    """
    for visit in visits:
        _check_serials(visit)
    order = sorted(range(len(visits)), key=lambda place: _day(visits, place))
    sessions = _lights([visits[place] for place in order])
    rows = [
        _row(light, anchors.last_measured(sessions[:place], light))
        for place, session in enumerate(sessions)
        for light in anchors.measured_lights(session)
    ]
    notes = _notes(rows)
    through = {(note.session, note.reference) for note in notes if isinstance(note, MovedAlike) and note.reference}
    open_rows = [
        replace(row, verdict=Move.CANNOT_TELL.value)
        if row.anchor == anchors.Anchor.REFERENCE and (row.session, row.reference) in through
        else row
        for row in rows
    ]
    table = pd.DataFrame([asdict(row) for row in open_rows], columns=list(names(HistoryRow)))
    return History(table, (*notes, *_relabelled(sessions)))


def _row(light: anchors.VisitLight, before: anchors.VisitLight | None) -> HistoryRow:
    """Return a light of a session against the light that it was `before`."""
    visit, cell, columns = light.session.visit, light.cell, light.session.visit.drift.powers
    change = anchors.change_since(before, light) if before else None
    mired, u_mired, duv, u_duv = (float(columns[name].iloc[light.at]) for name in ("mired", "u_mired", "duv", "u_duv"))
    reference = change.reference if change else ""
    if not reference and before:
        sessions = before.session, light.session
        reference = cell.head if cell.key in map(anchors.reference_key, sessions) else ""
    moved = _judged(change, visit.tolerance, anchors.judged_together(light)) if change else _Judged()
    if before and not change:
        moved = _Judged(verdict=Move.CANNOT_TELL, anchor=anchors.Anchor.NONE.value)
    size = change.size if change else {}
    return HistoryRow(
        head=cell.head,
        serial=visit.serials.get(cell.head, ""),
        session=visit.name,
        date=visit.date,
        body=cell.body,
        power=cell.power,
        stops=cell.stops,
        mired=mired,
        u_mired=u_mired,
        duv=duv,
        u_duv=u_duv,
        previous=before.session.visit.name if before else "",
        change_mired=size.get("mired", UNKNOWN),
        u_change_mired=moved.u_mired,
        change_k=1e6 / mired - 1e6 / (mired - size["mired"]) if change else UNKNOWN,
        change_duv=size.get("duv", UNKNOWN),
        u_change_duv=moved.u_duv,
        u_observer_mired=2.0 * change.observer_mired if change else UNKNOWN,
        tint_open=moved.tint_open,
        verdict=moved.verdict.value,
        anchor=moved.anchor,
        reference=reference,
    )


def _check_serials(visit: anchors.Visit) -> None:
    """Refuse a serial that two heads of a session have: over several sessions a head is known by it."""
    owners: dict[str, str] = {}
    for head, serial in visit.serials.items():
        owner = owners.setdefault(serial, head)
        if serial and owner != head:
            raise GreystepError(
                f'{visit.name}: serial "{serial}" is that of {named_heads([owner, head])}; correct one of them in '
                "session.toml, or leave it out"
            )


def _day(visits: Sequence[anchors.Visit], place: int) -> str:
    """Return the date of a session, or of the last one before it that has one."""
    return next((visits[at].date for at in range(place, -1, -1) if visits[at].date), "")


def _lights(visits: Sequence[anchors.Visit]) -> list[anchors.VisitLights]:
    """Gather the lights of each session; a head without a serial is the one that its label has elsewhere."""
    serials: dict[str, set[str]] = {}
    for visit in visits:
        for head, serial in visit.serials.items():
            serials.setdefault(head, set()).update({serial} - {""})
    return [anchors.VisitLights(visit, tuple(_cells(visit, serials))) for visit in visits]


def _cells(visit: anchors.Visit, serials: Mapping[str, set[str]]) -> list[anchors.VisitCell]:
    """Return the cells of a session; `serials` are those that each label has in any session."""
    table = visit.drift.cells.table
    measured = np.isfinite(visit.drift.fitted["mired"].cells.values).tolist()
    parts = [name for name in PARTS if name in table]
    own_parts = table[parts].to_dict(orient="records")
    cells = []
    columns = (table[name].tolist() for name in ("body", "head", "power", "stops"))
    for body, head, power, stops, values, known in zip(*columns, own_parts, measured, strict=True):
        elsewhere = serials.get(head, set()) - set(visit.serials.values())
        serial = visit.serials.get(head, "") or (next(iter(elsewhere)) if len(elsewhere) == 1 else "")
        key = f"serial {serial}" if serial else f"label {head}"
        at = {str(name): str(value) for name, value in values.items()}
        cells.append(anchors.VisitCell(body, head, power, float(stops), at, key, known))
    return cells


@dataclass(frozen=True)
class _Judged:
    """What is decided of a change, with its 95 % half-widths; as it is where there is nothing to compare."""

    verdict: Move = Move.NEW
    anchor: str = ""
    u_mired: float = UNKNOWN
    u_duv: float = UNKNOWN
    tint_open: bool = False


def _judged(change: anchors.Change, tolerance: Tolerance, together: int) -> _Judged:
    """Decide on a change; `together` lights are judged at once."""
    limits = {"mired": tolerance.mired, "duv": tolerance.duv}
    if limits["mired"] is None and limits["duv"] is None:
        limits = {"mired": DEFAULT_TOLERANCE.mired, "duv": DEFAULT_TOLERANCE.duv}
    moves = anchors.beyond(change, together)
    doubts = {quantity: anchors.doubt(change, quantity) for quantity in change.size}
    still = {
        quantity: quantity not in moves if limit is None else abs(change.size[quantity]) + doubts[quantity] <= limit
        for quantity, limit in limits.items()
    }
    verdict = Move.NOT_MOVED if all(still.values()) else Move.CANNOT_TELL
    if not moves.isdisjoint(anchors.judgeable(change)):
        verdict = Move.MOVED
    tint_open = not still["duv"] and not change.same_camera
    return _Judged(verdict, change.anchor.value, doubts["mired"], doubts["duv"], tint_open)


def _notes(rows: Sequence[HistoryRow]) -> list[HistoryNote]:
    """Return what speaks against the anchor rather than the heads: a reference that moved, all heads moved alike."""
    notes: list[HistoryNote] = []
    held: dict[tuple[str, str, str], list[HistoryRow]] = {}
    alone: dict[tuple[str, str], list[HistoryRow]] = {}
    for row in rows:
        if row.reference not in ("", row.head):
            held.setdefault((row.session, row.reference, row.anchor), []).append(row)
        if row.anchor in (anchors.Anchor.METER, anchors.Anchor.CAMERA):
            alone.setdefault((row.session, row.anchor), []).append(row)
    for (session, reference, by), group in held.items():
        own = {row.verdict for row in rows if (row.session, row.head) == (session, reference)}
        heads, anchor, warmer = _heads(group), anchors.Anchor(by), _warmer(group)
        if anchor != anchors.Anchor.REFERENCE:
            notes.append(ReferenceMoved(session, reference, anchor, heads))
        elif Move.MOVED in own and all(row.verdict == Move.NOT_MOVED for row in group):
            notes.append(CameraMoved(session, reference, heads))
        elif warmer is not None and own - {Move.NOT_MOVED}:
            notes.append(MovedAlike(session, reference, anchor, heads, warmer))
    for (session, by), group in alone.items():
        heads, warmer = _heads(group), _warmer(group)
        if len(heads) > 1 and warmer is not None:
            notes.append(MovedAlike(session, "", anchors.Anchor(by), heads, warmer))
    return notes


def _heads(rows: Sequence[HistoryRow]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(row.head for row in rows))


def _warmer(rows: Sequence[HistoryRow]) -> bool | None:
    """Say whether all heads moved and grew warmer (True), or all cooler (False); None where they did not move alike."""
    moved = [row for row in rows if row.verdict == Move.MOVED]
    ways = {row.change_mired > 0 for row in moved}
    return ways.pop() if set(_heads(moved)) == set(_heads(rows)) and len(ways) == 1 else None


def _relabelled(sessions: Sequence[anchors.VisitLights]) -> list[HistoryNote]:
    """Return which labels stand for another head than before, one that no session before has."""
    notes: list[HistoryNote] = []
    for place, session in enumerate(sessions):
        known = {cell.key for other in sessions[:place] for cell in other.cells}
        for head, key in {cell.head: cell.key for cell in session.cells}.items():
            owners = [other.visit for other in sessions[:place] if any(cell.head == head for cell in other.cells)]
            if owners and key not in known:
                new, old = (visit.serials.get(head, "") for visit in (session.visit, owners[-1]))
                notes.append(Relabelled(session.visit.name, head, new, owners[-1].name, old))
    return notes
