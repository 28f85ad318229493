"""Page one of the report: what a person hands over a desk, made ready for ``report.html``."""

import math
import re
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import pandas as pd

from greystep import words as say
from greystep.columns import FrameRow, PowerRow
from greystep.compare.calipers import HeadStand, State
from greystep.compare.findings import Finding
from greystep.flags import Status
from greystep.measure.chromaticity import cct_duv_to_xy, xy_to_upvp
from greystep.pages import panels, strips
from greystep.pages.formats import EMPTY, known, reference
from greystep.pages.svg import short
from greystep.pages.tables import gap_rows
from greystep.sentences import page_one
from greystep.sentences.figures import GapRow
from greystep.sentences.summary import Summary
from greystep.session.settings import HeadInfo
from greystep.terms import Quantity, Verdict

#: What the table of heads has lines for on one printed sheet; more heads are set closer.
CLOSE_FROM: Final = 8
#: So few heads are set wider.
OPEN_TO: Final = 4
#: Differences are shown so many times as large at most: chance is not to look like a cast.
MAGNIFIED: Final = 20
#: Signs of the longest name of a head there.
LONGEST: Final = 20
#: What to do has so many lines on page one.
MOST_STEPS: Final = 5
#: The mark and the word of each state of a head.
STATES: Final = {
    State.BACK: (Verdict.OUTSIDE, "send back"),
    State.CLASH: (Verdict.OUTSIDE, "do not mix"),
    State.AGAIN: (Verdict.UNDECIDED, "shoot again"),
    State.OPEN: (Verdict.UNDECIDED, "cannot call it"),
    State.KEEP: (Verdict.WITHIN, "keep"),
}
#: Title and directions of the strip of each quantity.
_STRIPS: Final = {
    Quantity.MIRED: ("Warmth, mired", ("cooler", "warmer")),
    Quantity.KELVIN: ("Warmth, kelvin", ("cooler", "warmer")),
    Quantity.DUV: ("Green and pink", ("pinker", "greener")),
    Quantity.STEPS: ("Colour", ("", "farther")),
}


def state_of(summary: Summary) -> str:
    """Return the colour of a verdict: ``go``, ``again`` (shoot again first) or ``back`` (send back, or keep apart)."""
    odd = summary.odd
    if odd.spoilt:
        return "again"
    if odd.back or odd.clash or odd.packs:
        return "back"
    return "go" if summary.kit_verdict == Verdict.WITHIN else "again"


def strip_of(summary: Summary, frames: Sequence[FrameRow]) -> list[tuple[str, str]]:
    """Return the name and value of each fact at the head of the sheet: kit, when, where, by whom, camera, frames."""
    settings = summary.settings
    times = sorted(one.captured for one in frames if one.captured)
    lenses = list(dict.fromkeys(_lens(one) for one in frames if one.lens or known(one.focal_mm)))
    usable = sum(one.status != Status.REJECTED for one in frames)
    facts = [
        ("Kit", summary.session),
        ("Date and time", _when(times)),
        ("Camera", ", ".join(body.label for body in summary.bodies)),
        ("Lens", ", ".join(lenses)),
        ("Place", settings.place if settings else ""),
        ("Tested by", settings.tested_by if settings else ""),
        ("Usable frames", f"{usable} of {len(frames)}"),
    ]
    return [(name, say.visible(value)) for name, value in facts]


def _when(times: Sequence[str]) -> str:
    if not times:
        return ""
    (first, last) = (time[:16].replace("T", " ") for time in (times[0], times[-1]))
    return f"{first} to {last[11:] if last[:10] == first[:10] else last}"


def _lens(frame: FrameRow) -> str:
    focal = f"{frame.focal_mm:g} mm" if known(frame.focal_mm) else ""
    return frame.lens or focal


def columns_of(tables: Mapping[str, pd.DataFrame]) -> list[dict[str, object]]:
    """Return the columns of strips: quantity, title, the scale above it; all strips of one have a common scale."""
    if not tables:
        return []
    rows = [row for row in gap_rows(tables["calipers"]) if row.decides]
    columns = []
    for quantity, (title, ways) in _STRIPS.items():
        mine = [row for row in rows if row.quantity == quantity]
        if mine:
            reach = panels.strip_reach(mine)
            drawn = panels.draw_strip_head(quantity, mine[0].limit, reach, ways)
            limit = f", limit {panels.number(quantity, mine[0].limit)}" if known(mine[0].limit) else ""
            name = f"{title}: {' to '.join(filter(None, ways))}{limit}"
            columns.append({"quantity": quantity, "title": title, "name": name, "head": drawn, "reach": reach})
    return columns


def rows_of_heads(
    summary: Summary, tables: Mapping[str, pd.DataFrame], cells: Sequence[PowerRow], links: Mapping[str, str]
) -> tuple[list[dict[str, object]], int]:
    """Return the rows of the table of heads, the worst first, and by how much their second swatch is magnified.

    Args:
        links: By head: the address of its section.
    """
    calipers = summary.calipers
    assert calipers is not None, "a page is made of a summary with its calipers"
    gaps = gap_rows(tables["calipers"]) if tables else []
    columns = columns_of(tables)
    order = sorted(calipers.heads, key=lambda stand: stand.rank, reverse=True)
    farthest = [
        _farthest([cell for cell, head in zip(cells, calipers.head_of, strict=True) if head == stand.head])
        for stand in order
    ]
    neutrals = _neutrals(summary, farthest)
    times = strips.magnification([neutrals], MAGNIFIED)
    shown = zip(order, strips.hex_codes(neutrals, 1), strips.hex_codes(neutrals, times), strict=True)
    rows = [
        {
            **head_names(summary, stand),
            "link": links[calipers.labels[stand.head]],
            "strips": [_strip_cell(gaps, calipers.labels[stand.head], column) for column in columns],
            "output": _output(gaps, calipers.labels[stand.head], summary.findings[stand.head]),
            **powers_said(summary, stand),
            "swatches": (true, magnified),
        }
        for stand, true, magnified in shown
    ]
    return rows, times


def head_names(summary: Summary, stand: HeadStand) -> dict[str, object]:
    """Return what names a head: label, serial and packs, and its state as mark and word."""
    row = summary.findings[stand.head].row
    info = (summary.settings.heads if summary.settings else {}).get(row.head, HeadInfo())
    mark, word = STATES[stand.state]
    return {
        "name": row.label,
        "short": short(row.label, LONGEST),
        "serial": info.serial,
        "pack": info.pack,
        "type": info.type,
        "mark": mark,
        "state": word,
    }


def powers_said(summary: Summary, stand: HeadStand) -> dict[str, str]:
    """Return over which powers a head may be used alone, and with the heads that stay."""
    calipers, finding = summary.calipers, summary.findings[stand.head]
    assert calipers is not None, "a page is made of a summary with its calipers"
    alone = say.stretch(finding.safe) if finding.safe else "none"
    if not finding.stays:
        return {"alone": alone, "together": EMPTY}
    if not finding.mixes:
        return {"alone": alone, "together": "none"}
    staying = [one.head for one in calipers.heads if one.state != State.BACK and one.head != stand.head]
    left = [calipers.labels[head] for head in staying if calipers.labels[head] not in finding.partners]
    over = say.stretch(finding.mixes)
    if len(finding.partners) == finding.stays or not left:
        return {"alone": alone, "together": over}
    few = len(left) < len(finding.partners)
    named = f"not with {say.listed(left)}" if few else f"with {say.listed(finding.partners)}"
    return {"alone": alone, "together": f"{over}, {named}"}


def _strip_cell(gaps: Sequence[GapRow], head: str, column: Mapping[str, object]) -> dict[str, object]:
    row = _deciding(gaps, head, str(column["quantity"]))
    reach = column["reach"]
    assert isinstance(reach, float)
    return {"name": column["name"], "drawn": "" if row is None else panels.draw_strip(row, reach)}


def _deciding(gaps: Sequence[GapRow], head: str, quantity: str) -> GapRow | None:
    return next((one for one in gaps if one.decides and one.head == head and one.quantity == quantity), None)


def _output(gaps: Sequence[GapRow], head: str, finding: Finding) -> dict[str, object]:
    row = _deciding(gaps, head, Quantity.OUTPUT_STOPS)
    if row is None:
        return {"said": EMPTY, "at": "", "verdict": ""}
    size = f"{abs(row.difference):.2f}"
    way = "" if abs(row.difference) < 0.005 else " darker" if row.difference < 0 else " brighter"
    return {"said": f"{size}{way}", "at": f"at {row.power}", "verdict": row.verdict}


def _farthest(cells: Sequence[PowerRow]) -> PowerRow | None:
    """Return the light of a head that lies farthest from the reference."""
    measured = [cell for cell in cells if known(cell.ref_delta_steps)]
    return max(measured, key=lambda cell: cell.ref_delta_steps, default=None)


def _neutrals(summary: Summary, cells: Sequence[PowerRow | None]) -> np.ndarray:
    """Return the neutrals (n, 3) of lights, the reference of their camera body balanced; NaN where not known."""
    light = summary.reference
    away = np.array(
        [(math.nan, math.nan) if one is None else (one.ref_delta_mired, one.ref_delta_duv) for one in cells]
    )
    if not known(light.mired):
        return np.full((len(cells), 3), np.nan)
    mired, duv = light.mired + away.reshape(-1, 2)[:, 0], light.duv + away.reshape(-1, 2)[:, 1]
    white = xy_to_upvp(cct_duv_to_xy(1e6 / light.mired, light.duv))
    with np.errstate(invalid="ignore"):
        return strips.balanced(xy_to_upvp(cct_duv_to_xy(1e6 / mired, duv)), white)


def proof(summary: Summary, cells: Sequence[PowerRow]) -> tuple[str, str]:
    """Return the one sentence that the verdict rests on, and the two lights of it as a split swatch (SVG text)."""
    calipers = summary.calipers
    assert calipers is not None, "a page is made of a summary with its calipers"
    worst = max(calipers.heads, key=lambda stand: stand.rank)
    label = (*summary.odd.spoilt, calipers.labels[worst.head])[0]
    gaps = [one.decides for one in worst.by.values()]
    colour = [gap for gap in gaps if gap.quantity != Quantity.OUTPUT_STOPS]
    if not colour or not known(summary.reference.mired):
        return summary.sentences[label], ""
    shown, gap = (max(some, key=lambda one: one.telling) for some in (colour, gaps))
    names = say.cell(*calipers.light(shown.light)), say.cell(*calipers.light(shown.against))
    neutrals = _neutrals(summary, [cells[shown.light], cells[shown.against]])
    times, balance = strips.magnification([neutrals], MAGNIFIED), reference(summary.reference)
    swatch = strips.split_swatch(names, neutrals, times, balance)
    open_itself = worst.state == State.OPEN and summary.findings[worst.head].verdict != Verdict.WITHIN
    if summary.odd.spoilt or worst.state == State.AGAIN or open_itself:
        return summary.sentences[label], swatch
    return page_one.proof(calipers, gap, cells[gap.light], cells[gap.against]), swatch


def anchors(labels: Sequence[str], lead: str = "head") -> dict[str, str]:
    """Return an id for each label that is no other's and can stand in an address."""
    found: dict[str, str] = {}
    for number, label in enumerate(labels):
        name = re.sub(r"[^A-Za-z0-9]+", "-", label).strip("-") or str(number + 1)
        found[label] = f"{lead}-{name}" if f"{lead}-{name}" not in found.values() else f"{lead}-{name}-{number + 1}"
    return found


def steps_of(summary: Summary) -> list[dict[str, str]]:
    """Return what to do in at most `MOST_STEPS` lines."""
    steps = [{"said": one.said, "command": one.command} for one in summary.steps]
    left = len(steps) - MOST_STEPS + 1
    if left > 1:
        steps[MOST_STEPS - 1 :] = [{"said": f"{left} more things to do stand on the next page.", "command": ""}]
    return steps
