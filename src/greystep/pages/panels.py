"""Strips and panels: the differences that decide of a head, drawn against the caliper of a limit, as SVG text.

A limit is drawn as a caliper about the light that a head is held against; a bar is the difference to that light with
the half-width that its verdict counts, so that it lies beyond a jaw where, and only where, it is called so.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import pandas as pd

from greystep.pages import svg
from greystep.pages.formats import known
from greystep.pages.tables import gap_rows
from greystep.sentences import figures as told
from greystep.sentences.figures import GapRow
from greystep.session.power import same_power
from greystep.terms import Quantity

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
