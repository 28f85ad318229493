"""The figures of the report, each drawn from a table of `greystep.pages.tables` as SVG text.

No colour tells heads apart: each head has a panel of its own (`greystep.pages.panels`) with the others grey behind, and
names stand at what they name.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import pandas as pd

from greystep.constants import STEP_UPRIME_VPRIME
from greystep.pages import svg
from greystep.pages.formats import known
from greystep.pages.panels import QUANTITIES, draw_heads
from greystep.pages.tables import gap_rows
from greystep.sentences import figures as told
from greystep.sentences.figures import GapRow
from greystep.sentences.summary import ReferenceLight
from greystep.terms import Quantity, Verdict

#: Side of a cell of the matrix, and room for names beside it and above it [px].
_CELL: Final = (92.0, 44.0)


def drawings(tables: Mapping[str, pd.DataFrame], reference: ReferenceLight) -> dict[str, str]:
    """Return every figure of `greystep.pages.tables.figure_tables` as SVG text, by name."""
    if not tables:
        return {}
    return {
        **{name: draw_heads(tables, name) for name in QUANTITIES},
        "matrix": draw_matrix(tables["matrix"]),
        **drawn_once(tables, reference),
    }


def drawn_once(tables: Mapping[str, pd.DataFrame], reference: ReferenceLight) -> dict[str, str]:
    """Return the figures that a page and the folder of figures show alike."""
    if not tables:
        return {}
    arrows = directions(reference.cct_k, reference.duv)
    return {
        "chromaticity": draw_chromaticity(tables["chromaticity"], arrows),
        "order": draw_order(tables["order"]),
    }


def directions(cct: float, duv: float) -> dict[str, tuple[float, float]]:
    """Return which way u'v' moves from a light [K, Duv] when the light grows warmer, and when it grows greener."""
    from greystep.measure.chromaticity import cct_duv_to_xy, xy_to_upvp

    here = xy_to_upvp(cct_duv_to_xy(cct, duv))
    moved = {"warmer": (1e6 / (1e6 / cct + 1.0), duv), "greener": (cct, duv + 0.001)}
    shifts = {word: xy_to_upvp(cct_duv_to_xy(*light)) - here for word, light in moved.items()}
    return {word: (float(shift[0]), float(shift[1])) for word, shift in shifts.items()}


# --- every head against every other -----------------------------------------------------------------------------------


def draw_matrix(data: pd.DataFrame, links: Mapping[tuple[str, str], str] | None = None, among: str = "head") -> str:
    """Draw the worst difference of every two heads with its verdict, on the diagonal that of a head alone; SVG text.

    Args:
        links: By two heads: the address of what a cell opens.
        among: What is compared: ``head`` or ``light``.
    """
    rows = {(row.against_head, row.head): row for row in gap_rows(data)}
    heads = list(dict.fromkeys([name for pair in rows for name in pair]))
    wide, high = _CELL
    left = max((svg.LETTER + 1.2) * max((len(svg.short(head)) for head in heads), default=1) + 10, 24)
    parts = []
    for number, head in enumerate(heads):
        parts.append(svg.text(left - 8, 20 + (number + 0.5) * high + 4, svg.short(head), "strong", "end"))
        parts.append(svg.text(left + (number + 0.5) * wide, 13, svg.short(head, 9), "strong", "middle"))
    for (first, second), row in rows.items():
        turned = replace(row, difference=-row.difference)
        for a, b, shown in ((first, second, row), (second, first, turned))[: 1 + (first != second)]:
            x, y = left + heads.index(b) * wide, 20 + heads.index(a) * high
            cell = _matrix_cell(shown, x, y)
            address = (links or {}).get((first, second))
            parts.append(f'<a href="{address}">{cell}</a>' if address else cell)
    size = len(heads)
    return svg.svg(left + size * wide + 1, 21 + size * high, parts, told.matrix(data, among), group=bool(links))


def _matrix_cell(row: GapRow, x: float, y: float) -> str:
    """Draw a cell: mark of the verdict, the size, and by which quantity it is the worst."""
    wide, high = _CELL
    edge = f'<rect class="edge" x="{x + 1:g}" y="{y + 1:g}" width="{wide - 2:g}" height="{high - 2:g}"/>'
    _, digits = told.UNITS[Quantity(row.quantity)]
    size = svg.text(x + wide - 8, y + 18, f"{abs(row.difference):.{digits}f}", "strong", "end")
    name = svg.text(x + wide - 8, y + 35, told.way(Quantity(row.quantity), row.difference), "said", "end")
    mark = _mark(row.verdict, x + 7, y + 7)
    facts = {"pair": f"{row.head}|{row.against_head}", "verdict": row.verdict}
    return svg.group([edge, mark, size, name], f"cell {row.verdict or 'within'}", facts, told.gap(row))


def _mark(verdict: str, x: float, y: float) -> str:
    """Draw the mark of a verdict: a dot inside the caliper, on its edge, or outside it."""
    if not verdict:
        return ""
    left, right = f"M{x + 3:g} {y:g}H{x:g}V{y + 12:g}H{x + 3:g}", f"M{x + 11:g} {y:g}H{x + 14:g}V{y + 12:g}H{x + 11:g}"
    at = {Verdict.WITHIN: x + 7, Verdict.UNDECIDED: x + 14, Verdict.OUTSIDE: x + 20}[Verdict(verdict)]
    return f'<path class="mark" d="{left}{right}"/>{svg.dot(at, y + 6, 3.4)}'


# --- both directions, and the order of shooting -----------------------------------------------------------------------


def draw_chromaticity(data: pd.DataFrame, arrows: Mapping[str, tuple[float, float]]) -> str:
    """Draw the cells about the reference in u'v' with circles of whole steps; returns SVG text.

    Args:
        arrows: Mapping of str to (du', dv'). Words such as ``warmer`` with the direction in which the light moves;
            drawn as arrows at the rim.
    """
    side, middle = 320.0, 160.0
    farthest = float(data["steps"].max(skipna=True)) if data["steps"].notna().any() else 1.0
    rings = max(3, math.ceil(farthest + 0.5))
    x = svg.scale(0, (rings + 1.2) * STEP_UPRIME_VPRIME, middle, side)
    y = svg.scale(0, (rings + 1.2) * STEP_UPRIME_VPRIME, middle, 0)
    parts = []
    for ring in range(math.ceil(rings / 5), rings + 1, math.ceil(rings / 5)):
        radius = x(ring * STEP_UPRIME_VPRIME) - middle
        parts.append(f'<circle class="other" cx="{middle:g}" cy="{middle:g}" r="{radius:.2f}"/>')
        parts.append(svg.text(middle + 3, middle + radius - 3, f"{ring}", "said"))
    parts += [
        svg.line(middle - 6, middle, middle + 6, middle, "own"),
        svg.line(middle, middle - 6, middle, middle + 6, "own"),
    ]
    for word, (du, dv) in arrows.items():
        size = math.hypot(du, dv)
        tip = (middle + 0.97 * middle * du / size, middle - 0.97 * middle * dv / size)
        start = (middle + 0.86 * middle * du / size, middle - 0.86 * middle * dv / size)
        parts += [svg.line(*start, *tip, "own"), svg.dot(*tip, 3)]
        parts.append(svg.text(tip[0] + (8 if du > 0 else -8), tip[1] + 14, word, "said", "start" if du > 0 else "end"))
    ends = []
    for name, cells in data.groupby("series", sort=False):
        points = [(x(du), y(dv)) for du, dv in zip(cells["du_prime"], cells["dv_prime"], strict=True)]
        shown = [point for point in points if all(map(math.isfinite, point))]
        parts.append(svg.polyline(points, "own"))
        parts += [svg.dot(*point, 3.5) for point in shown]
        if shown:
            ends.append((str(name), *max(shown)))
    parts += _leaders(ends, side)
    return svg.svg(side + 96, side, parts, told.chromaticity(data))


def _leaders(ends: Sequence[tuple[str, float, float]], side: float) -> list[str]:
    """Name the ends of lines at the right rim, each at the end of a leader, so that no name lies over data."""
    heights = svg.apart([end[2] for end in ends], 16.0)
    over = min(0.0, (side - 8) - max(heights, default=0.0))
    parts = []
    for (name, x, y), height in zip(ends, heights, strict=True):
        parts.append(svg.polyline([(x + 5, y), (side - 6, height + over), (side, height + over)], "other"))
        parts.append(svg.text(side + 4, height + over + 4, svg.short(name), "strong"))
    return parts


def draw_order(data: pd.DataFrame) -> str:
    """Draw every frame in capture order against the mean of its head and power, a lane a head; returns SVG text."""
    heads = list(dict.fromkeys(data["head"]))
    lane, wide, left, right = 46.0, 640.0, 96.0, 44.0
    largest = max(float(data["residual_mired"].abs().max()) if len(data) else 0.0, 0.1)
    x = svg.scale(
        float(data["shot"].min()) if len(data) else 0.0,
        float(data["shot"].max()) if len(data) else 1.0,
        left + 6,
        wide - right - 6,
    )
    parts = [svg.text(0, 12, "mired off the mean of its head and power", "said")]
    for number, head in enumerate(heads):
        own = data[data["head"] == head]
        y = svg.scale(-largest, largest, 22 + (number + 1) * lane - 5, 22 + number * lane + 5)
        parts.append(svg.text(left - 8, y(0) + 4, svg.short(str(head), 12), "strong", "end"))
        parts.append(svg.line(left, y(0), wide - right, y(0), "axis"))
        for shot, residual in zip(own["shot"], own["residual_mired"], strict=True):
            if known(residual):
                parts += [svg.line(x(shot), y(0), x(shot), y(residual), "stem"), svg.dot(x(shot), y(residual), 2.4)]
        if number == 0:
            parts += [
                svg.text(wide - right + 6, y(value) + 4, svg.signed(value, 1), "said") for value in (-largest, largest)
            ]
    foot = 22 + len(heads) * lane + 14
    parts.append(svg.text(left, foot, "first frame", "said"))
    parts.append(svg.text(wide - right, foot, "last frame", "said", "end"))
    return svg.svg(wide, foot + 6, parts, told.order(data))
