"""What a history of sessions says on screen, and its page: a line a head over the dates."""

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Final

from greystep import words as say
from greystep.columns import HistoryRow, rows_of
from greystep.compare.history import History, Move
from greystep.pages import formats as words
from greystep.pages import svg
from greystep.pages.formats import Column, table
from greystep.pages.report import render
from greystep.sentences import history as moves
from greystep.sentences.green_pink import green_pink
from greystep.terms import Verdict
from greystep.words import wrapped

#: The mark and the words of what is said of a light.
_CALLED: Final = {
    Move.MOVED: (Verdict.OUTSIDE, "moved"),
    Move.CANNOT_TELL: (Verdict.UNDECIDED, "cannot tell"),
    Move.NOT_MOVED: (Verdict.WITHIN, "not moved"),
    Move.NEW: (Verdict.WITHIN, "first seen"),
}
#: Room for names, from date to date, and of a lane [px].
_NAMES: Final = 150.0
_APART: Final = (110.0, 230.0)
_LANE: Final = 92.0
_WIDE: Final = 900.0


def history_text(history: History, wrote: Sequence[str] = ()) -> str:
    """Return the sentences of a history for the screen, newest last; `wrote` are the files to name at the end."""
    lines = [say.folded(line) for line in moves.moves(history)]
    notes = [wrapped(moves.note(note), "- ") for note in history.notes]
    return "\n".join(
        [
            *lines,
            *(["", "Good to know", *notes] if notes else []),
            *(["", *(f"wrote {path}" for path in wrote)] if wrote else []),
        ]
    )


def history_page(history: History) -> str:
    """Return a history as HTML text that asks for nothing outside itself; the same input gives the same bytes."""
    rows = rows_of(history.table, HistoryRow)
    sessions = list(dict.fromkeys((row.session, row.date) for row in rows))
    newest = {row.session for row in rows[-1:]}
    states = {name: _state([row for row in own if row.session in newest]) for name, own in _heads(rows).items()}
    state, headline = _headline(states)
    first, last = sessions[0], sessions[-1]
    context = {
        "title": "History",
        "running": "History of heads",
        "strip": [
            ("Sessions", f"{len(sessions)}"),
            ("From", f"{first[0]}{f', {first[1]}' if first[1] else ''}"),
            ("To", f"{last[0]}{f', {last[1]}' if last[1] else ''}"),
            ("Heads", f"{len(states)}"),
            ("Cameras", say.listed(list(dict.fromkeys(row.body for row in rows if row.body))) or words.EMPTY),
        ],
        "state": state,
        "headline": headline,
        "said": moves.moves(history),
        "drawn": draw_heads(rows, [name for name, _ in sessions], dict(sessions)),
        "notes": [moves.note(note) for note in history.notes],
        "lights": [_told(row) for row in rows if row.verdict],
        "values": table(_VALUES, rows),
    }
    return render("history.html", context)


def _heads(rows: Sequence[HistoryRow]) -> dict[str, list[HistoryRow]]:
    """Return the rows of each head, which is known by its serial, or its label where it has none."""
    found: dict[tuple[str, str], list[HistoryRow]] = {}
    for row in rows:
        found.setdefault(("", row.serial) if row.serial else (row.head, ""), []).append(row)
    return {own[-1].head + (f" ({own[-1].serial})" if own[-1].serial else ""): own for own in found.values()}


def _state(rows: Sequence[HistoryRow]) -> Move:
    """Return what is said of a head in a session: the worst of its lights."""
    return next((move for move in _CALLED if any(row.verdict == move for row in rows)), Move.NEW)


def _headline(states: Mapping[str, Move]) -> tuple[str, str]:
    """Return the state of the page and its headline, one line of at most 60 letters."""
    moved = [name for name, state in states.items() if state == Move.MOVED]
    open_ones = [name for name, state in states.items() if state == Move.CANNOT_TELL]
    if moved:
        long = f"{say.listed(moved)} moved since last time"
        return "back", long if len(long) <= 60 else f"{say.counted(len(moved), 'head')} moved since last time"
    if open_ones:
        long = f"Cannot tell of {say.listed(open_ones)}"
        return "again", long if len(long) <= 60 else f"Cannot tell of {say.counted(len(open_ones), 'head')}"
    return "go", "No head has moved since last time"


def shown_light(rows: Sequence[HistoryRow]) -> list[HistoryRow]:
    """Return the light of a head that its line shows, session by session: the one of which most is to be said."""

    def weight(row: HistoryRow) -> tuple[int, float]:
        size = abs(row.change_mired) + row.u_change_mired
        return -list(_CALLED).index(Move(row.verdict)), size if math.isfinite(size) else 0.0

    most = max(rows, key=weight)
    return [row for row in rows if row.power == most.power]


def draw_heads(rows: Sequence[HistoryRow], sessions: Sequence[str], dates: Mapping[str, str]) -> str:
    """Draw a lane a head: its warmth from session to session, each change with its bar; returns SVG text."""
    lanes = {name: shown_light(own) for name, own in _heads(rows).items()}
    step = min(max((_WIDE - _NAMES) / max(len(sessions), 1), _APART[0]), _APART[1])
    x = {name: _NAMES + (place + 0.5) * step for place, name in enumerate(sessions)}
    heights = {name: _heights(own) for name, own in lanes.items()}
    reach = max((abs(y) + u for own in heights.values() for y, u in own), default=0.0) or 1.0
    wide, parts = _NAMES + step * len(sessions), []
    for name, at in x.items():
        parts.append(svg.text(at, 13, svg.short(name, int(step / svg.LETTER) - 1), "strong", "middle"))
        parts.append(svg.text(at, 28, dates.get(name, ""), "said", "middle"))
    bar = max(svg.ticks(0.0, reach, 2)[-1:]) if lanes else 0.0
    unit = (_LANE - 28) / (2.0 * reach)
    parts.append(svg.line(4, 28 - bar * unit, 4, 28, "own"))
    parts.append(svg.text(12, 26, f"{bar:g} mired", "said"))
    for number, (name, own) in enumerate(lanes.items()):
        top = 40 + number * _LANE
        place = svg.scale(-reach, reach, top + _LANE - 14, top + 14)
        parts.append(_lane(name, own, heights[name], [x[row.session] for row in own], place, wide))
    said = "; ".join(f"{name}: {_CALLED[Move(own[-1].verdict)][1]} at {own[-1].power}" for name, own in lanes.items())
    return svg.svg(wide, 40 + _LANE * len(lanes), parts, f"Warmth of each head from session to session. {said}")


def _heights(rows: Sequence[HistoryRow]) -> list[tuple[float, float]]:
    """Return where a light stands in each session, from the first on [mired, warmer is up], and its half-width."""
    found, level = [], 0.0
    for row in rows:
        known = math.isfinite(row.change_mired)
        level += row.change_mired if known else 0.0
        found.append((level, row.u_change_mired if known else 0.0))
    return found


def _lane(
    name: str,
    rows: Sequence[HistoryRow],
    heights: Sequence[tuple[float, float]],
    spots: Sequence[float],
    place: svg.Scale,
    wide: float,
) -> str:
    middle = place(0.0)
    parts = [svg.line(_NAMES, middle, wide, middle, "guide")]
    parts.append(svg.text(0, middle - 3, svg.short(name, 20), "strong"))
    parts.append(svg.text(0, middle + 13, f"at {rows[-1].power}", "said"))
    points = [(spot, place(y)) for spot, (y, _) in zip(spots, heights, strict=True)]
    for one, two in pairwise(points):
        parts.append(svg.line(*one, *two, "other"))
    for row, (spot, y), (level, u) in zip(rows, points, heights, strict=True):
        if not row.previous:
            parts.append(f'<circle class="base" cx="{spot:g}" cy="{y:.2f}" r="6"/>')
            continue
        bar = [svg.line(spot, place(level - u), spot, place(level + u), "bar")] if u else []
        parts.append(svg.group([*bar, svg.dot(spot, y, 5)], str(_CALLED[Move(row.verdict)][0]), tip=_change(row)))
        if math.isfinite(row.change_mired):
            size = f"{abs(row.change_mired):.1f} {'warmer' if row.change_mired > 0 else 'cooler'}"
            parts.append(svg.text(spot + 9, y - 5, "no change" if size.startswith("0.0") else size, "said"))
    return svg.group(parts, data={"head": name})


def _change(row: HistoryRow) -> str:
    u = f" \N{PLUS-MINUS SIGN} {row.u_change_mired:.1f}" if math.isfinite(row.u_change_mired) else ""
    change = f"{words.number(row.change_mired, 1, True)}{u} mired since {row.previous}"
    return f"{row.session}, {row.head} at {row.power}: {change}"


def _told(row: HistoryRow) -> dict[str, str]:
    verdict, word = _CALLED[Move(row.verdict)]
    return {
        "session": row.session,
        "head": row.head,
        "serial": row.serial,
        "power": row.power,
        "verdict": str(verdict),
        "word": word,
        "warmth": f"{words.kelvin_way(row.change_k, row.change_mired)}",
        "mired": words.give_or_take(row.change_mired, row.u_change_mired, 1, True),
        "tint": green_pink(row.change_duv, row.u_change_duv) if math.isfinite(row.change_duv) else words.EMPTY,
        "against": row.anchor,
        "previous": row.previous,
    }


_VALUES: Final = (
    Column("Session", "session"), Column("Date", "date"), Column("Head", "head"), Column("Serial", "serial"),
    Column("Power", "power"), Column("Camera", "body"), Column("Mired", "mired", 1, u="u_mired"),
    Column("Duv", "duv", 4, u="u_duv"),
)  # fmt: skip
