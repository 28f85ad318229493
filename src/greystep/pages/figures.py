"""The figures of the report, each drawn from a table of `greystep.pages.tables` as SVG text.

Every SVG is about one phone's width, so that its letters stay readable; a wide page sets two side by side. The same
numbers give the same bytes.
"""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from greystep.constants import STEP_UPRIME_VPRIME
from greystep.pages.formats import known, number
from greystep.pages.svg import BAND, GREY, INK, apart, bare, colours, letters, markers, open_figure, short, svg_text
from greystep.sentences.summary import ReferenceLight
from greystep.session.power import same_power
from greystep.session.settings import Tolerance

if TYPE_CHECKING:
    from matplotlib.axes import Axes


#: Colours of a map from cooler over none to warmer, and from pinker to greener.
WARMTH: Final = ("#7f9fc4", "#ffffff", "#e0a163")
TINT: Final = ("#d79ab4", "#ffffff", "#8fb58a")


def drawings(tables: Mapping[str, pd.DataFrame], reference: ReferenceLight, tolerance: Tolerance) -> dict[str, str]:
    """Return every figure of `greystep.pages.tables.figure_tables` as SVG text, by name."""
    if not tables:
        return {}
    return {
        "warmth": draw_warmth(tables["colour"], reference.mired, tolerance.mired),
        "tint": draw_tint(tables["colour"], reference.duv, tolerance.duv),
        "map_warmth": draw_map(tables["map"], "delta_mired", tolerance.mired),
        "map_tint": draw_map(tables["map"], "delta_duv", tolerance.duv),
        "chromaticity": draw_chromaticity(tables["chromaticity"], directions(reference.cct_k, reference.duv)),
        "output": draw_output(tables["output"], tolerance.output_stops),
        "order": draw_order(tables["order"]),
    }


def directions(cct: float, duv: float) -> dict[str, tuple[float, float]]:
    """Return which way u'v' moves from a light [K, Duv] when the light grows warmer, and when it grows greener."""
    from greystep.measure.chromaticity import cct_duv_to_xy, xy_to_upvp

    here = xy_to_upvp(cct_duv_to_xy(cct, duv))
    moved = {"warmer": (1e6 / (1e6 / cct + 1.0), duv), "greener": (cct, duv + 0.001)}
    shifts = {word: xy_to_upvp(cct_duv_to_xy(*light)) - here for word, light in moved.items()}
    return {word: (float(shift[0]), float(shift[1])) for word, shift in shifts.items()}


def draw_warmth(data: pd.DataFrame, level: float, tolerance_mired: float | None) -> str:
    """Draw mired against power about the reference `level`, a line a head, Kelvin on the right; returns SVG text."""
    return _draw_lines(data, "mired", level, tolerance_mired, "mired (higher is warmer)")


def draw_tint(data: pd.DataFrame, level: float, tolerance_duv: float | None) -> str:
    """Draw Duv against power about the reference `level`, a line a head; returns SVG text."""
    return _draw_lines(data, "duv", level, tolerance_duv, "Duv (higher is greener)")


def draw_output(data: pd.DataFrame, tolerance_stops: float | None) -> str:
    """Draw the output error against power, a line a head; returns SVG text."""
    return _draw_lines(data, "output_error_stops", 0.0, tolerance_stops, "stops off the set power (higher is brighter)")


def _draw_lines(data: pd.DataFrame, column: str, level: float, limit: float | None, label: str) -> str:
    with open_figure() as (figure, axes):
        _band(axes, level, limit)
        _lines(axes, data, column, f"u_{column}")
        _room(axes, data[column], data[f"u_{column}"], level, limit or 0.0)
        axes.set_ylabel(label)
        if column == "mired":
            right = axes.twinx()
            right.grid(False)
            right.set_ylim(axes.get_ylim())
            kelvins = _kelvin_ticks(*axes.get_ylim())
            right.set_yticks([1e6 / k for k in kelvins], [f"{k:.0f} K" for k in kelvins])
            bare(right)
        return svg_text(figure)


def draw_map(data: pd.DataFrame, quantity: str, limit: float | None) -> str:
    """Draw one quantity of `map_table`, ``delta_mired`` or ``delta_duv``, heads down and powers across; SVG text.

    Every cell carries its number, Duv in units of 0.0001; one beyond `limit` is framed.
    """
    stops, labels = _powers(data)
    series = list(dict.fromkeys(data["series"]))
    warmth = quantity == "delta_mired"
    largest = float(data[quantity].abs().max(skipna=True))
    reach = max(largest if known(largest) else 0.0, 2 * (limit or 0.0)) or 1.0
    size = room(series, len(stops), 5)
    with open_figure(height=1.1 + 0.52 * len(series)) as (figure, axes):
        columns = (data[name].tolist() for name in ("stops", "series", quantity, "delta_k"))
        for power, name, value, kelvin in zip(*columns, strict=True):
            x, y = _place(stops, power), series.index(name)
            share = value / reach if known(value) else None
            draw_cell(axes, x, y, share, limit is not None and known(value) and abs(value) > limit, warmth)
            if warmth:
                axes.text(x, y - 0.17, number(value, 1, signed=True), ha="center", va="center", fontsize=size)
                kelvins = number(kelvin, 0, signed=True) if known(value) else ""
                axes.text(x, y + 0.2, kelvins, ha="center", va="center", fontsize=0.94 * size)
            else:
                axes.text(x, y, number(1e4 * value, 0, signed=True), ha="center", va="center", fontsize=size)
        name_cells(axes, labels, series)
        axes.set_xlabel("mired, Kelvin below; plus is warmer" if warmth else "units of 0.0001 Duv; plus is greener")
        _fit_labels(axes, labels)
        return svg_text(figure)


def draw_cell(axes: "Axes", x: int, y: int, share: float | None, framed: bool = False, warmth: bool = True) -> None:
    """Draw a cell of a map: its colour for a value of this `share` of the largest, grey without; perhaps a frame."""
    from matplotlib.colors import LinearSegmentedColormap
    from matplotlib.patches import Rectangle

    tones = LinearSegmentedColormap.from_list("about_zero", WARMTH if warmth else TINT)
    face = "#f3f4f5" if share is None else tones(0.5 + 0.5 * share)
    axes.add_patch(Rectangle((x - 0.5, y - 0.5), 1, 1, facecolor=face, edgecolor="white", linewidth=1.5))
    if framed:
        axes.add_patch(Rectangle((x - 0.44, y - 0.42), 0.88, 0.84, fill=False, edgecolor=INK, linewidth=1.3))


def name_cells(axes: "Axes", across: Sequence[str], down: Sequence[str]) -> None:
    """Name the columns and rows of a map, and set its limits."""
    axes.set_xlim(-0.5, len(across) - 0.5)
    axes.set_ylim(len(down) - 0.5, -0.5)
    axes.set_xticks(range(len(across)), across)
    axes.set_yticks(range(len(down)), [short(name) for name in down])
    axes.xaxis.tick_top()
    axes.grid(False)
    bare(axes)


def room(names: Sequence[str], across: int, signs: int) -> float:
    """Return the size of letters [pt] with which so many signs fit a cell of a map that has these names at its left."""
    wide = 320.0 - 6.5 * max(len(short(name)) for name in names)
    return min(9.5, wide / (0.64 * across * signs))


def draw_chromaticity(data: pd.DataFrame, arrows: Mapping[str, tuple[float, float]]) -> str:
    """Draw the cells about the reference in u'v' with circles of whole steps; returns SVG text.

    Args:
        arrows: Mapping of str to (du', dv'). Words such as ``warmer`` with the direction in which the light moves;
            drawn as arrows at the rim.
    """
    with open_figure(height=4.4) as (figure, axes):
        reach = draw_rings(axes, float(data["steps"].max(skipna=True)) if data["steps"].notna().any() else 1.0, arrows)
        ends = []
        for (name, cells), colour, marker in zip(_series(data), colours(), markers(), strict=False):
            x, y = cells["du_prime"], cells["dv_prime"]
            axes.errorbar(x, y, cells["u_v_prime"], cells["u_u_prime"], color=colour, linewidth=0.9, elinewidth=0.6)
            axes.scatter(x, y, s=20, marker=marker, facecolor=colour, edgecolor="white", linewidth=0.6, zorder=3)
            if len(last := cells.dropna(subset=["du_prime"])):
                end = last.iloc[-1]
                ends.append((name, float(end["du_prime"]), float(end["dv_prime"]), colour))
        heights = apart([end[2] for end in ends], 0.085 * reach)
        for (name, x_end, _, colour), height in zip(ends, heights, strict=True):
            axes.text(
                x_end + 0.05 * reach,
                height,
                short(name),
                color=letters(colour),
                fontsize=9.5,
                fontweight="bold",
                va="center",
            )
        axes.set_xlabel("u' minus that of the reference")
        axes.set_ylabel("v' minus that of the reference")
        return svg_text(figure)


def draw_rings(axes: "Axes", farthest: float, arrows: Mapping[str, tuple[float, float]]) -> float:
    """Draw a plane of u'v' about a reference: circles of whole steps, a cross, arrows as in `draw_chromaticity`.

    Args:
        farthest: What must have room [steps].

    Returns: Half the width of the plane [u'].
    """
    from matplotlib.patches import Circle

    rings = max(3, int(np.ceil(farthest + 0.3)))
    every = int(np.ceil(rings / 8))
    reach = (rings + 0.6) * STEP_UPRIME_VPRIME
    axes.grid(False)
    for ring in range(every, rings + 1, every):
        radius = ring * STEP_UPRIME_VPRIME
        axes.add_patch(Circle((0, 0), radius, fill=False, edgecolor="#b9bec4", linewidth=0.8))
        axes.text(radius, 0, f"{ring}", ha="center", va="center", fontsize=9, color=GREY, backgroundcolor="w")
    for word, (du, dv) in arrows.items():
        edge = reach / max(abs(du), abs(dv))
        tip, start = (0.97 * edge * du, 0.97 * edge * dv), (0.82 * edge * du, 0.82 * edge * dv)
        axes.annotate("", tip, start, arrowprops={"arrowstyle": "->", "color": GREY, "linewidth": 1.0})
        side = 0.04 * reach * (1 if du > 0 else -1)
        align = "left" if du > 0 else "right"
        axes.text(tip[0] + side, 0.93 * tip[1], word, fontsize=9.5, color=GREY, ha=align, va="center")
    axes.plot([0], [0], marker="+", markersize=11, color=INK, markeredgewidth=1.2)
    axes.set_xlim(-reach, reach)
    axes.set_ylim(-reach, reach)
    axes.set_aspect("equal")
    axes.locator_params(nbins=5, prune="both")
    return reach


def draw_order(data: pd.DataFrame) -> str:
    """Draw every frame in capture order against the mean of its head and power; returns SVG text."""
    with open_figure() as (figure, axes):
        axes.axhline(0, color=GREY, linewidth=0.9)
        heads = list(dict.fromkeys(data["head"]))
        longest = max((len(short(head)) for head in heads), default=1)
        for head, colour, marker in zip(heads, colours(), markers(), strict=False):
            own = data[data["head"] == head]
            axes.scatter(
                own["shot"], own["residual_mired"], s=18, marker=marker, facecolor=colour, edgecolor="white",
                linewidth=0.5, label=short(head),
            )  # fmt: skip
        largest = float(data["residual_mired"].abs().max()) if len(data) else 0.0
        axes.set_ylim(-1.15 * largest - 0.1, 1.15 * largest + 0.1)
        axes.set_xlabel("frames in the order they were shot")
        axes.set_ylabel("mired off the mean of its head and power")
        axes.legend(
            loc="lower left",
            bbox_to_anchor=(0, 1),
            ncols=max(1, min(6, 46 // (longest + 5))),
            frameon=False,
            handletextpad=0.2,
            borderaxespad=0.2,
            columnspacing=1.2,
        )
        return svg_text(figure)


def _series(data: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """Return the rows of each series from full power down; the series in the order of the log."""
    ordered = data.sort_values("stops", kind="stable")
    return [(name, ordered[ordered["series"] == name]) for name in dict.fromkeys(data["series"])]


def _powers(data: pd.DataFrame) -> tuple[list[float], list[str]]:
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


def _band(axes: "Axes", level: float, half_width: float | None) -> None:
    if half_width:
        axes.axhspan(level - half_width, level + half_width, color=BAND, linewidth=0, zorder=0)
    axes.axhline(level, color=GREY, linewidth=0.9, linestyle=(0, (5, 3)), zorder=1)


def _lines(axes: "Axes", data: pd.DataFrame, column: str, u_column: str) -> None:
    """Draw one line a head over power, its uncertainty as bars, and its name at the last point."""
    stops, labels = _powers(data)
    series = _series(data)
    spread = min(0.06 * (len(series) - 1), 0.24) * _step(stops)
    offsets = np.linspace(-spread, spread, len(series)) if len(series) > 1 else np.zeros(1)
    for (name, cells), offset, colour, marker in zip(series, offsets, colours(), markers(), strict=False):
        axes.errorbar(
            cells["stops"] + offset, cells[column], yerr=cells[u_column], color=colour,
            marker=marker, markersize=5.5, markeredgecolor="white", markeredgewidth=0.6, linewidth=1.3,
            elinewidth=1.0, capsize=0, label=name, zorder=3,
        )  # fmt: skip
    axes.set_xticks(stops, labels)
    axes.set_xlabel("set power")
    axes.grid(False, axis="x")
    _fit_labels(axes, labels)


def _room(axes: "Axes", values: pd.Series, u: pd.Series, level: float, half_width: float) -> None:
    """Set the limits so that points, bars and band are in view, and name each line at its right end."""
    reach = u.fillna(0.0)
    low = min(float(np.nanmin([*(values - reach), level])), level - half_width)
    high = max(float(np.nanmax([*(values + reach), level])), level + half_width)
    margin = 0.06 * (high - low) or 0.01
    axes.set_ylim(low - margin, high + margin)
    ends = []
    for line in axes.containers:
        x, y = (np.asarray(side, dtype=float) for side in line[0].get_data())
        if len(shown := np.flatnonzero(np.isfinite(y))):
            ends.append((str(line.get_label()), x[shown[-1]], y[shown[-1]], line[0].get_color()))
    if not ends:
        return
    left, right = axes.get_xlim()
    edge = max(end[1] for end in ends) + 0.035 * (right - left)
    longest = max(len(short(end[0])) for end in ends)
    share = 0.028 * longest  # of the whole width, for the names
    axes.set_xlim(left, right + (0.05 + share / (1 - share)) * (right - left))
    heights = apart([end[2] for end in ends], 0.055 * (high - low + 2 * margin))
    for (name, _, _, colour), height in zip(ends, heights, strict=True):
        axes.text(edge, height, short(name), color=letters(colour), fontsize=9.5, fontweight="bold", va="center")


def _step(stops: Sequence[float]) -> float:
    return float(np.diff(stops).min()) if len(stops) > 1 else 1.0


def _kelvin_ticks(low_mired: float, high_mired: float) -> list[float]:
    """Return four to eight round colour temperatures [K] within a range of mired."""
    coldest, warmest = 1e6 / max(low_mired, 1.0), 1e6 / high_mired
    for step in (10, 20, 25, 50, 100, 200, 250, 500, 1000, 2000, 5000):
        if (coldest - warmest) / step <= 8:
            break
    return list(np.arange(np.ceil(warmest / step) * step, coldest + 1e-9, step))


def _fit_labels(axes: "Axes", labels: Sequence[str]) -> None:
    crowd = max(map(len, labels), default=0) * len(labels)
    if crowd > 46:
        axes.tick_params(axis="x", labelrotation=90)
    elif crowd > 40:
        axes.tick_params(axis="x", labelsize=8)
