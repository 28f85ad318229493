"""The figures of the report, each drawn from a table of `greystep.pages.tables` as SVG text.

No colour tells heads apart: each head has a panel of its own with the others grey behind, and names stand at what they
name. A limit is drawn as a caliper about the light that a head is held against; a bar is the difference to that light
with the half-width that its verdict counts, so that it lies beyond a jaw where, and only where, it is called so.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import pandas as pd

from greystep.constants import STEP_UPRIME_VPRIME
from greystep.pages import svg
from greystep.pages.formats import known
from greystep.pages.tables import gap_rows
from greystep.sentences import figures as told
from greystep.sentences.figures import GapRow
from greystep.sentences.summary import ReferenceLight
from greystep.session.power import same_power
from greystep.terms import Quantity, Verdict

#: A number of each light, by what its head and the light are called.
Lights = Mapping[tuple[str, str], float]

#: Width and height of a panel, and the place of its plot in it: left, top, right, bottom [px].
PANEL: Final = (322.0, 206.0)
_PLOT: Final = (46.0, 26.0, 254.0, 178.0)
#: Panels side by side in a figure of all heads.
_ABREAST: Final = 3
#: Width and height of a strip on page one, and the margin in which a dot still has room [px].
STRIP: Final = (158.0, 24.0)
_EDGE: Final = 7.0
#: Side of a cell of the matrix, and room for names beside it and above it [px].
_CELL: Final = (92.0, 44.0)
#: A bar that reaches farther than this many times the limit, and than every difference, is cut there.
_FARTHEST: Final = 3.0
#: What panels show of a head: column of the table of cells, its half-width, title, digits.
QUANTITIES: Final = {
    "warmth": ("mired", "Warmth", "mired, up is warmer", 0),
    "tint": ("duv", "Green and pink", "Duv, up is greener", 4),
    "output": ("output_error_stops", "Output", "stops off its setting", 2),
}
#: By which quantity a panel is judged: the first that the table of calipers has.
_JUDGED: Final = {
    "warmth": (Quantity.MIRED,),
    "tint": (Quantity.DUV,),
    "output": (Quantity.OUTPUT_STOPS,),
}


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


# --- strips -----------------------------------------------------------------------------------------------------------


def strip_reach(rows: Sequence[GapRow]) -> float:
    """Return how far the common scale of strips reaches to either side: it holds the limit and every difference."""
    limit = next((row.limit for row in rows if known(row.limit)), 0.0)
    sizes = [abs(row.difference) for row in rows]
    bars = [max(abs(row.low), abs(row.high)) for row in rows]
    return max(1.5 * limit, *(1.3 * size for size in sizes), min(max(bars), _FARTHEST * limit or max(bars))) or 1.0


def draw_strip(row: GapRow, reach: float) -> str:
    """Draw a difference as a dot with its bar against the caliper of its limit; returns SVG text."""
    wide, high = STRIP
    place, middle = svg.scale(-reach, reach, _EDGE, wide - _EDGE), high / 2
    axes = [(_EDGE, middle, wide - _EDGE, middle), (place(0), middle - 4, place(0), middle + 4)]
    parts = [svg.line(*ends, "axis") for ends in axes]
    if known(row.limit):
        parts += [svg.jaw(place(side * row.limit), 3, high - 3, -side) for side in (-1, 1)]
    low, high_end = max(row.low, -reach), min(row.high, reach)
    return svg.svg(wide, high, [*parts, _gap(replace(row, low=low, high=high_end), place, middle)], told.gap(row))


def draw_strip_head(quantity: Quantity, limit: float, reach: float, ways: tuple[str, str]) -> str:
    """Draw the scale above a column of strips: which way is which, and the limit; returns SVG text."""
    wide, _ = STRIP
    place = svg.scale(-reach, reach, _EDGE, wide - _EDGE)
    parts = [svg.text(0, 11, ways[0], "said"), svg.text(wide, 11, ways[1], "said", "end")]
    said = f"{ways[0]} to the left, {ways[1]} to the right"
    if known(limit):
        size = number(quantity, limit)
        near = place(limit) - place(-limit) < 2 * svg.LETTER * (len(size) + 1)
        if near:
            parts.append(svg.text(wide / 2, 28, f"\N{PLUS-MINUS SIGN}{size}", "strong", "middle"))
        else:
            parts.append(svg.text(place(-limit), 28, f"\N{MINUS SIGN}{size}", "strong", "middle"))
            parts.append(svg.text(place(limit), 28, size, "strong", "middle"))
            parts.append(svg.text(place(0), 28, "0", "said", "middle"))
        said += f", limit {size} to either side"
    return svg.svg(wide, 32, parts, said)


def number(quantity: str, limit: float) -> str:
    """Return a limit as it stands at a caliper."""
    return f"{limit:.4f}" if quantity == Quantity.DUV else f"{limit:g}"


def _gap(row: GapRow, place: svg.Scale, at: float, level: float | None = None) -> str:
    """Draw the dot and the bar of a difference at a place of the other axis, coloured as it is called.

    Args:
        level: Value of the light that the difference is to, on an axis that runs up; None on one that runs across.
    """
    low, middle, high = (place((level or 0.0) + value) for value in (row.low, row.difference, row.high))
    ends, spot = ((low, at, high, at), (middle, at)) if level is None else ((at, low, at, high), (at, middle))
    kind = f"gap {row.verdict or 'within'}{' withheld' if row.withheld else ''}"
    facts = {
        "pair": f"{row.head}|{row.power}|{row.against_head}|{row.against_power}",
        "quantity": row.quantity, "verdict": row.verdict,
    }  # fmt: skip
    return svg.group([svg.line(*ends, "bar"), svg.dot(*spot, 4.5)], kind, facts, told.gap(row))


# --- a panel a head ---------------------------------------------------------------------------------------------------


def draw_heads(tables: Mapping[str, pd.DataFrame], name: str) -> str:
    """Draw one quantity of every head as small multiples on common axes; returns SVG text."""
    heads = list(dict.fromkeys(tables["colour"]["label"]))
    wide, high = PANEL
    across, down = min(_ABREAST, len(heads)), math.ceil(len(heads) / _ABREAST)
    parts = []
    for number, head in enumerate(heads):
        x, y = number % _ABREAST * (wide + 12), number // _ABREAST * (high + 14)
        title = f"{svg.short(head)}: {QUANTITIES[name][1].lower()}"
        parts.append(f'<g transform="translate({x:g} {y:g})">{"".join(_panel(tables, name, head, title))}</g>')
    said = told.heads(tables["colour"], QUANTITIES[name][0], QUANTITIES[name][1])
    return svg.svg(across * (wide + 12) - 12, down * (high + 14), parts, said)


def draw_panel(tables: Mapping[str, pd.DataFrame], name: str, head: str) -> str:
    """Draw one quantity of one head over its powers, the others grey behind; returns SVG text."""
    rows = [row for row in gap_rows(tables["calipers"]) if row.head == head and row.quantity in _JUDGED[name]]
    said = told.panel(tables["colour"], QUANTITIES[name][0], QUANTITIES[name][1], head, rows)
    return svg.svg(*PANEL, _panel(tables, name, head, QUANTITIES[name][1]), said)


def _panel(tables: Mapping[str, pd.DataFrame], name: str, head: str, title: str) -> list[str]:
    cells, column = tables["colour"], QUANTITIES[name][0]
    places = dict(zip(zip(cells["label"], cells["light"], strict=True), cells[column], strict=True))
    drawable = {light for light, value in places.items() if known(value)}
    gaps = [
        row
        for row in gap_rows(tables["calipers"])
        if row.quantity in _JUDGED[name] and {(row.head, row.power), (row.against_head, row.against_power)} <= drawable
    ]
    mine = [row for row in gaps if row.head == head]
    stops, labels = powers_of(cells)
    left, top, right, bottom = _PLOT
    low, high = _reach(places, gaps)
    y = svg.scale(low, high, bottom, top)
    x = svg.scale(0, max(len(stops) - 1, 1), left + 12, right - 12)
    parts = [svg.text(0, 12, title, "strong"), svg.text(PANEL[0], 12, QUANTITIES[name][2], "said", "end")]
    parts += _axes(low, high, y, x, labels, QUANTITIES[name][3])
    series = [(str(key), rows) for key, rows in cells.groupby("series", sort=False)]
    drawn = {
        key: [(x(_place(stops, one)), y(value)) for one, value in zip(rows["stops"], rows[column], strict=True)]
        for key, rows in series
    }
    owner = {key: str(rows["label"].iloc[0]) for key, rows in series}
    parts += [svg.polyline(points, "other") for key, points in drawn.items() if owner[key] != head]
    parts += [svg.polyline(points, "own") for key, points in drawn.items() if owner[key] == head]
    spots = {light: x(_place(stops, at)) for light, at in zip(places, cells["stops"], strict=True)}
    if mine:
        parts += _caliper([_cut(row, low, high, places) for row in mine], places, spots, y)
    barred = {row.power for row in mine}
    for (label, power), value in places.items():
        if label == head and power not in barred and known(value):
            parts.append(svg.group([svg.dot(spots[label, power], y(value), 4.5)], "within", tip=f"{power}"))
    return parts


def _cut(row: GapRow, low: float, high: float, places: Lights) -> GapRow:
    """Return a difference with its bar cut at the ends of the axis."""
    level = places[row.against_head, row.against_power]
    return replace(row, low=max(row.low, low - level), high=min(row.high, high - level))


def _caliper(rows: Sequence[GapRow], places: Lights, spots: Lights, y: svg.Scale) -> list[str]:
    """Draw the limit about the light that a head is held against, and each of its lights with its bar."""
    base = rows[0].against_head, rows[0].against_power
    level, limit = places[base], rows[0].limit
    right, parts = _PLOT[2], []
    if known(limit):
        for side in (-1, 1):
            at = y(level + side * limit)
            parts.append(svg.line(_PLOT[0], at, right, at, "guide"))
            parts.append(svg.jaw(at, right, right + 10, side, upright=False))
        said = f"\N{PLUS-MINUS SIGN}{number(rows[0].quantity, limit)}"
        parts.append(svg.text(right + 14, y(level) + 4, said, "strong"))
    parts.append(f'<circle class="base" cx="{spots[base]:.2f}" cy="{y(level):.2f}" r="7"/>')
    return parts + [_gap(row, y, spots[row.head, row.power], level) for row in rows]


def _reach(places: Lights, gaps: Sequence[GapRow]) -> tuple[float, float]:
    """Return the ends of an axis that all heads share: every light is on it, and the caliper and bars of each."""
    ends = [value for value in places.values() if known(value)]
    for row in gaps:
        level = places[row.against_head, row.against_power]
        farthest = _FARTHEST * row.limit if known(row.limit) else math.inf
        wanted = [end for end in (row.low, row.high, row.limit, -row.limit) if known(end)]
        ends += [level + end for end in wanted if abs(end) <= max(farthest, 1.35 * abs(row.difference))]
    low, high = min(ends, default=0.0), max(ends, default=1.0)
    margin = 0.05 * (high - low) or 0.5
    return low - margin, high + margin


def _axes(low: float, high: float, y: svg.Scale, x: svg.Scale, labels: Sequence[str], digits: int) -> list[str]:
    left, _, right, bottom = _PLOT
    parts = [svg.line(left, bottom, right, bottom, "axis")]
    steps = svg.ticks(low, high, 6)
    digits = max(digits, 0 if len(steps) < 2 else -math.floor(math.log10(steps[1] - steps[0]) + 1e-9))
    for value in steps:
        parts.append(svg.line(left, y(value), left + 4, y(value), "axis"))
        parts.append(svg.text(left - 4, y(value) + 4, svg.signed(value, max(digits, 0)), "said", "end"))
    taken = -math.inf
    for place, label in enumerate(labels):
        parts.append(svg.line(x(place), bottom, x(place), bottom + 4, "axis"))
        half = svg.LETTER * len(label) / 2
        if x(place) - half > taken + 4:
            parts.append(svg.text(x(place), bottom + 17, label, "said", "middle"))
            taken = x(place) + half
    return parts


def powers_of(data: pd.DataFrame) -> tuple[list[float], list[str]]:
    """Return the distinct powers, full first, each with the first spelling in the table."""
    stops: list[float] = []
    labels: list[str] = []
    ordered = data.sort_values("stops", kind="stable")
    for place, power in zip(ordered["stops"].to_numpy(dtype=float), ordered["power"], strict=True):
        if not stops or not same_power(place, stops[-1]):
            stops.append(float(place))
            labels.append(str(power))
    return stops, labels


def _place(stops: Sequence[float], value: float) -> int:
    return int(np.argmin(np.abs(np.asarray(stops) - value)))


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
