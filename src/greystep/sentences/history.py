"""A history of sessions in sentences: which head has moved since last time, and what speaks against the heads."""

from collections.abc import Sequence
from typing import Final

from greystep import words as say
from greystep.columns import HistoryRow, rows_of
from greystep.compare.anchors import Anchor
from greystep.compare.history import CameraMoved, History, HistoryNote, Move, MovedAlike, ReferenceMoved, Relabelled
from greystep.sentences.green_pink import gap

_AGAINST: Final = {
    Anchor.REFERENCE: "held against the reference head",
    Anchor.METER: "by the meter",
    Anchor.CAMERA: "in the same camera",
}
_SUSPECTS: Final = {
    Anchor.METER: "the meter or where it stood",
    Anchor.CAMERA: "the camera, its lens or the target",
}
_STANDS: Final = {Anchor.METER: "what the meters say", Anchor.CAMERA: "what the same camera saw"}


def moves(history: History) -> list[str]:
    """Return one sentence for each head in each session that has one before, newest last."""
    groups: dict[tuple[str, str], list[HistoryRow]] = {}
    for row in rows_of(history.table, HistoryRow):
        groups.setdefault((row.session, row.head), []).append(row)
    compared = [rows for rows in groups.values() if any(row.previous for row in rows)]
    if not compared:
        return ["No light was measured in more than one session, so nothing can be compared."]
    return [f"{rows[0].session}: {_move([row for row in rows if row.verdict])}" for rows in compared]


def note(code: HistoryNote) -> str:
    """Return what to doubt before the heads are doubted, or which head took another's label."""
    match code:
        case ReferenceMoved(session, reference, anchor, heads):
            return (
                f"{session}: the reference head {reference} has itself moved and is left out for {say.heads(heads)}; "
                f"{_STANDS[anchor]} stands."
            )
        case CameraMoved(session, reference, heads):
            return (
                f"{session}: the reference head {reference} moved in the camera, and {say.heads(heads)} with it; "
                f"suspect {_SUSPECTS[Anchor.CAMERA]} first."
            )
        case MovedAlike(session, "", anchor, _, warmer):
            return f"{session}: every head reads {_way(warmer)} than before; suspect {_SUSPECTS[anchor]} first."
        case MovedAlike(session, reference, _, heads, warmer):
            who = "every head" if len(heads) > 1 else "the only head"
            return (
                f"{session}: {who} held against head {reference} reads {_way(warmer)} than before; suspect head "
                f"{reference} itself first."
            )
        case Relabelled(session, head, serial, earlier, earlier_serial):
            sure = "is" if serial and earlier_serial else "may be"
            return (
                f"{session}: head {head} ({_serial(serial)}) {sure} another head than in {earlier} "
                f"({_serial(earlier_serial)}), so it is not compared."
            )


def _way(warmer: bool) -> str:
    return "warmer" if warmer else "cooler"


def _serial(serial: str) -> str:
    return f"serial {serial}" if serial else "no serial"


def _move(rows: Sequence[HistoryRow]) -> str:
    """Say whether a head has moved since the session before: the light that moved most, or the widest doubt."""
    name = f"head {rows[0].head}" + (f" ({rows[0].serial})" if rows[0].serial else "")
    since = f"since {say.listed(list(dict.fromkeys(row.previous for row in rows)))}"
    moved = [row for row in rows if row.verdict == Move.MOVED]
    if moved:
        powers = say.listed([row.power for row in moved])
        return f"{name} has moved {since} at {powers}: {_light(max(moved, key=_size))}."
    told = [row for row in rows if row.anchor != Anchor.NONE]
    if not told:
        remedy = "; a reference head or a meter in both would tell"
        if rows[0].head == rows[0].reference:
            remedy = " and itself the reference head; the same camera, or a meter in both sessions, would tell"
        return f"{name}: cannot tell {since}, seen by another camera{remedy}."
    if all(row.verdict == Move.NOT_MOVED for row in rows):
        return f"{name} has not moved {since}; the most is {_light(max(told, key=_reach))}."
    doubts = [row for row in told if row.verdict == Move.CANNOT_TELL]
    doubt = max(doubts, key=lambda row: (row.tint_open, _reach(row)), default=None)
    if doubt is None:
        return f"{name} has not moved {since} at {say.listed([row.power for row in told])}; cannot tell of the others."
    remedy = "more frames, with check frames between the heads,"
    if doubt.tint_open:
        remedy = "tint is not compared between two cameras, so only the same camera"
    elif doubt.u_observer_mired > doubt.u_change_mired / 2.0:
        remedy = "the same camera, or the type of both heads in session.toml,"
    return f"{name}: cannot tell {since}: {_light(doubt)}; {remedy} would."


def _size(row: HistoryRow) -> float:
    return abs(row.change_mired)


def _reach(row: HistoryRow) -> float:
    return _size(row) + row.u_change_mired


def _light(row: HistoryRow) -> str:
    """Return a change with its doubt: ``220 K (7.1 mired) warmer and greener by ... at 1/16, give or take ...``."""
    still = abs(row.change_mired) < 0.05 and abs(row.change_duv) < 0.00005
    change = "no change" if still else gap(row.change_k, row.change_mired, row.change_duv)
    doubt = f"{row.u_change_mired:.1f} mired and {row.u_change_duv:.4f} green to pink"
    return f"{change} at {row.power}, give or take {doubt}, {_AGAINST[Anchor(row.anchor)]}"
