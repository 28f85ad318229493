"""The corrections of a session as one HTML file: before and after as strips, the worst frames, every frame's values."""

from collections import Counter
from collections.abc import Sequence
from typing import Final

import numpy as np

from greystep import words as say
from greystep.arrays import Floats
from greystep.columns import CorrectionRow, rows_of
from greystep.correct.developed import to_rec709
from greystep.correct.exchange import SPACE_NAMES
from greystep.correct.gains import Corrections
from greystep.pages import formats as words
from greystep.pages import strips
from greystep.pages.formats import Column, table
from greystep.pages.report import render
from greystep.sentences.corrections import SOURCES

#: Frames that a strip has room for, and those with the largest corrections that are told on page one.
_IN_STRIP: Final = 240
_WORST: Final = 6


def corrections_page(title: str, corrections: Corrections, messages: Sequence[str], run: str) -> str:
    """Return the corrections as HTML text that asks for nothing outside itself; the same input gives the same bytes.

    Args:
        title: Of the session.
        messages: What there is to say of single frames and of the reference.
        run: Name of the run.
    """
    rows = rows_of(corrections.table, CorrectionRow)
    before = _before(corrections, rows)
    times = strips.magnification([before])
    true, large = strips.hex_codes(before, 1), strips.hex_codes(before, times)
    done = [row for row in rows if words.known(row.mired_shift)]
    worst = sorted(range(len(rows)), key=lambda at: -_size(rows[at]))[: min(_WORST, len(done))]
    sources = Counter(row.source for row in done).most_common()
    labels = list(dict.fromkeys(reference.label for reference in corrections.references.values()))
    after = strips.hex_codes(np.where(np.isfinite(before), 1.0, np.nan), 1)
    context = {
        "run": run,
        "title": title,
        "running": f"{title}: corrections",
        "strip": [
            ("Session", title),
            ("Frames", f"{len(done)} of {len(rows)} with a correction"),
            ("Brought to", say.listed(labels)),
            ("Brightness", "matched" if any(row.exposure_stops for row in done) else "left as it is"),
            ("Matrices for", SPACE_NAMES[corrections.space]),
            ("Light read from", "; ".join(f"{SOURCES.get(name, name)} ({n})" for name, n in sources)),
        ],
        "state": "go" if len(done) == len(rows) else "again",
        "headline": _headline(len(done), len(rows)),
        "proof": _proof(rows[worst[0]]) if worst else "No frame has a correction.",
        "times": times,
        "bands": [
            ("Before, as it looks", _items(rows, true)),
            (f"Before, differences \N{MULTIPLICATION SIGN} {times}", _items(rows, large)),
            (f"After, by these values, differences \N{MULTIPLICATION SIGN} {times}", _items(rows, after)),
        ],
        "left_out": max(len(rows) - _IN_STRIP, 0),
        "worst": [{"row": _told(rows[at]), "swatches": (true[at], large[at])} for at in worst],
        "messages": messages,
        "without": [row.frame for row in rows if not words.known(row.mired_shift)],
        "values": table(_VALUES, rows),
    }
    return render("correct.html", context)


def _before(corrections: Corrections, rows: Sequence[CorrectionRow]) -> Floats:
    """Return each frame's neutral (n, 3) in linear Rec.709 without its correction, (1, 1, 1) the reference."""
    show = to_rec709(corrections.space)
    nothing = np.full(3, np.nan)
    known = corrections.slopes
    return np.array([show @ (1.0 / known[row.frame]) if row.frame in known else nothing for row in rows])


def _size(row: CorrectionRow) -> float:
    """Return how far a frame is moved, in limits of this tool: warmth, and green to pink, whichever is more."""
    if not words.known(row.mired_shift):
        return -1.0
    return float(max(abs(row.mired_shift) / 4.0, abs(row.duv_shift) / 0.001))


def _headline(done: int, total: int) -> str:
    if done == total:
        return f"All {total} frames have a correction" if total > 1 else "The one frame has a correction"
    return f"{total - done} of {total} frames have no correction"


def _proof(row: CorrectionRow) -> str:
    said = f"The largest: {row.frame} ({say.shown(row.head, row.power)}) is made "
    said += f"{words.shift(row.mired_shift, row.duv_shift)}."
    if words.known(row.white240_r):
        said += (
            f" Without it a white of 240 reads R {row.white240_r:.0f}, G {row.white240_g:.0f}, B {row.white240_b:.0f}."
        )
    return said


def _items(rows: Sequence[CorrectionRow], colours: Sequence[str]) -> list[dict[str, str]]:
    return [
        {"frame": row.frame, "colour": colour, "status": row.status, "said": _short(row)}
        for row, colour in list(zip(rows, colours, strict=True))[:_IN_STRIP]
    ]


def _short(row: CorrectionRow) -> str:
    label = say.shown(row.head, row.power)
    if not words.known(row.mired_shift):
        return f"{label}: no correction"
    return f"{label}: made {words.shift(row.mired_shift, row.duv_shift)}"


def _told(row: CorrectionRow) -> dict[str, str]:
    return {
        "frame": row.frame,
        "label": say.shown(row.head, row.power),
        "shift": words.shift(row.mired_shift, row.duv_shift),
        "u": words.number(row.u_mired_shift, 1),
        "hand": f"R {row.multiplier_r:.4f}, B {row.multiplier_b:.4f}" if words.known(row.multiplier_r) else "",
    }


_VALUES: Final = (
    Column("Frame", "frame"), Column("Head", "head"), Column("Power", "power"),
    Column("Light from", lambda row: SOURCES.get(row.source, row.source)),
    Column("Multiplier R", "multiplier_r", 4), Column("B", "multiplier_b", 4),
    Column("Mired", "mired_shift", 1, True, "u_mired_shift"), Column("Duv", "duv_shift", 4, True),
    Column("Stops", "exposure_stops", 2, True),
    Column("White 240 reads R", "white240_r", 0), Column("G", "white240_g", 0), Column("B", "white240_b", 0),
    Column("Doubts", lambda row: "; ".join(words.flags_said(row.flags)), kind="long"),
)  # fmt: skip
