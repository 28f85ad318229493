"""The figures of the report, each drawn from a table of `greystep.show.series` as SVG text.

Every SVG is about one phone's width, so that its letters stay readable; a wide page sets two side by side. The same
numbers give the same bytes.
"""

import base64
import io
import logging
import re
import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from greystep.published import STEP_UPRIME_VPRIME
from greystep.show.words import known, number

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK: Final = "#1d2023"
GREY: Final = "#5c6269"
HAIRLINE: Final = "#d9dcdf"
BAND: Final = "#efebe2"
#: Matplotlib's own list made for colour-blind readers too; marker shapes say the same without colour.
SEQUENCE: Final = "petroff8"
MARKERS: Final = "osD^vPXh"
#: Letters of a head's name that a figure has room for.
LONGEST_NAME: Final = 14


def drawings(
    tables: Mapping[str, pd.DataFrame], reference: Mapping[str, Any], tolerance: Mapping[str, Any]
) -> dict[str, str]:
    """Return every figure of `greystep.show.series.figure_tables` as SVG text, by name."""
    if not tables:
        return {}
    return {
        "warmth": draw_warmth(tables["colour"], reference, tolerance.get("mired")),
        "tint": draw_tint(tables["colour"], reference, tolerance.get("duv")),
        "map_warmth": draw_map(tables["map"], "delta_mired", tolerance.get("mired")),
        "map_tint": draw_map(tables["map"], "delta_duv", tolerance.get("duv")),
        "chromaticity": draw_chromaticity(tables["chromaticity"], directions(reference)),
        "output": draw_output(tables["output"], tolerance.get("output_stops")),
        "order": draw_order(tables["order"]),
    }


def directions(reference: Mapping[str, Any]) -> dict[str, tuple[float, float]]:
    """Return which way u'v' moves from the reference when the light grows warmer, and when it grows greener."""
    from greystep.measure.chromaticity import cct_duv_to_xy, xy_to_upvp

    cct, duv = float(reference["cct_k"]), float(reference["duv"])
    here = xy_to_upvp(cct_duv_to_xy(cct, duv))
    moved = {"warmer": (1e6 / (1e6 / cct + 1.0), duv), "greener": (cct, duv + 0.001)}
    shifts = {word: xy_to_upvp(cct_duv_to_xy(*light)) - here for word, light in moved.items()}
    return {word: (float(shift[0]), float(shift[1])) for word, shift in shifts.items()}


def draw_warmth(data: pd.DataFrame, reference: Mapping[str, Any], tolerance_mired: float | None) -> str:
    """Draw mired against power, a line a head, Kelvin on the right; returns SVG text."""
    with _figure() as (figure, axes):
        level = float(reference["mired"])
        _band(axes, level, tolerance_mired)
        _lines(axes, data, "mired", "u_mired")
        _room(axes, data["mired"], data["u_mired"], level, tolerance_mired or 0.0)
        axes.set_ylabel("mired (higher is warmer)")
        right = axes.twinx()
        right.grid(False)
        right.set_ylim(axes.get_ylim())
        kelvins = _kelvin_ticks(*axes.get_ylim())
        right.set_yticks([1e6 / k for k in kelvins], [f"{k:.0f} K" for k in kelvins])
        _bare(right)
        return _svg(figure)


def draw_tint(data: pd.DataFrame, reference: Mapping[str, Any], tolerance_duv: float | None) -> str:
    """Draw Duv against power, a line a head; returns SVG text."""
    with _figure() as (figure, axes):
        level = float(reference["duv"])
        _band(axes, level, tolerance_duv)
        _lines(axes, data, "duv", "u_duv")
        _room(axes, data["duv"], data["u_duv"], level, tolerance_duv or 0.0)
        axes.set_ylabel("Duv (higher is greener)")
        return _svg(figure)


def draw_output(data: pd.DataFrame, tolerance_stops: float | None) -> str:
    """Draw the output error against power, a line a head; returns SVG text."""
    with _figure() as (figure, axes):
        _band(axes, 0.0, tolerance_stops)
        _lines(axes, data, "output_error_stops", "u_output_error_stops")
        _room(axes, data["output_error_stops"], data["u_output_error_stops"], 0.0, tolerance_stops or 0.0)
        axes.set_ylabel("stops off the set power (higher is brighter)")
        return _svg(figure)


def draw_map(data: pd.DataFrame, quantity: str, limit: float | None) -> str:
    """Draw one quantity of `map_data`, ``delta_mired`` or ``delta_duv``, heads down and powers across; SVG text.

    Every cell carries its number; one beyond `limit` is framed.
    """
    from matplotlib.colors import LinearSegmentedColormap
    from matplotlib.patches import Rectangle

    stops, labels = _powers(data)
    series = list(dict.fromkeys(data["series"]))
    ends = ("#7f9fc4", "#ffffff", "#e0a163") if quantity == "delta_mired" else ("#d79ab4", "#ffffff", "#8fb58a")
    colours = LinearSegmentedColormap.from_list("about_zero", ends)
    largest = float(data[quantity].abs().max(skipna=True))
    reach = max(largest if known(largest) else 0.0, 2 * (limit or 0.0)) or 1.0
    with _figure(height=0.9 + 0.52 * len(series)) as (figure, axes):
        for row in data.to_dict("records"):
            x, y, value = _place(stops, row["stops"]), series.index(row["series"]), row[quantity]
            face = colours(0.5 + 0.5 * value / reach) if known(value) else "#f3f4f5"
            axes.add_patch(Rectangle((x - 0.5, y - 0.5), 1, 1, facecolor=face, edgecolor="white", linewidth=1.5))
            if limit is not None and known(value) and abs(value) > limit:
                axes.add_patch(Rectangle((x - 0.44, y - 0.42), 0.88, 0.84, fill=False, edgecolor=INK, linewidth=1.3))
            if quantity == "delta_mired":
                axes.text(x, y - 0.13, number(value, 1, signed=True), ha="center", va="center", fontsize=9.5)
                kelvins = f"{number(row['delta_k'], 0, signed=True)} K" if known(value) else ""
                axes.text(x, y + 0.22, kelvins, ha="center", va="center", fontsize=7.5, color="#3a3f45")
            else:
                axes.text(x, y, number(value, 4, signed=True), ha="center", va="center", fontsize=8.5)
        axes.set_xlim(-0.5, len(stops) - 0.5)
        axes.set_ylim(len(series) - 0.5, -0.5)
        axes.set_xticks(range(len(stops)), labels)
        axes.set_yticks(range(len(series)), [_short(name) for name in series])
        axes.xaxis.tick_top()
        axes.grid(False)
        _bare(axes)
        _fit_labels(axes, labels)
        return _svg(figure)


def draw_chromaticity(data: pd.DataFrame, arrows: Mapping[str, tuple[float, float]]) -> str:
    """Draw the cells about the reference in u'v' with circles of whole steps; returns SVG text.

    Parameters
    ----------
    data : DataFrame
        From `chromaticity_data`.
    arrows : mapping of str to (du', dv')
        Words such as ``warmer`` with the direction in which the light moves; drawn as arrows at the rim.
    """
    from matplotlib.patches import Circle

    farthest = float(data["steps"].max(skipna=True)) if data["steps"].notna().any() else 1.0
    rings = max(3, int(np.ceil(farthest + 0.3)))
    every = int(np.ceil(rings / 8))
    reach = (rings + 0.6) * STEP_UPRIME_VPRIME
    with _figure(height=4.4) as (figure, axes):
        axes.grid(False)
        for ring in range(every, rings + 1, every):
            radius = ring * STEP_UPRIME_VPRIME
            axes.add_patch(Circle((0, 0), radius, fill=False, edgecolor="#b9bec4", linewidth=0.8))
            axes.text(radius, 0, f"{ring}", ha="center", va="center", fontsize=7.5, color=GREY, backgroundcolor="w")
        for word, (du, dv) in arrows.items():
            edge = reach / max(abs(du), abs(dv))
            tip, start = (0.97 * edge * du, 0.97 * edge * dv), (0.82 * edge * du, 0.82 * edge * dv)
            axes.annotate("", tip, start, arrowprops={"arrowstyle": "->", "color": GREY, "linewidth": 1.0})
            side = 0.04 * reach * (1 if du > 0 else -1)
            align = "left" if du > 0 else "right"
            axes.text(tip[0] + side, 0.93 * tip[1], word, fontsize=8.5, color=GREY, ha=align, va="center")
        axes.plot([0], [0], marker="+", markersize=11, color=INK, markeredgewidth=1.2)
        ends = []
        for (name, cells), colour, marker in zip(_series(data), _colours(), _markers(), strict=False):
            x, y = cells["du_prime"], cells["dv_prime"]
            axes.errorbar(x, y, cells["u_v_prime"], cells["u_u_prime"], color=colour, linewidth=0.9, elinewidth=0.6)
            axes.scatter(x, y, s=20, marker=marker, facecolor=colour, edgecolor="white", linewidth=0.6, zorder=3)
            if len(last := cells.dropna(subset=["du_prime"])):
                end = last.iloc[-1]
                ends.append((name, float(end["du_prime"]), float(end["dv_prime"]), colour))
        heights = _apart([end[2] for end in ends], 0.085 * reach)
        for (name, x_end, _, colour), height in zip(ends, heights, strict=True):
            axes.text(
                x_end + 0.05 * reach,
                height,
                _short(name),
                color=_letters(colour),
                fontsize=9.5,
                fontweight="bold",
                va="center",
            )
        axes.set_xlim(-reach, reach)
        axes.set_ylim(-reach, reach)
        axes.set_aspect("equal")
        axes.set_xlabel("u' minus that of the reference")
        axes.set_ylabel("v' minus that of the reference")
        axes.locator_params(nbins=5, prune="both")
        return _svg(figure)


def draw_order(data: pd.DataFrame) -> str:
    """Draw every frame in capture order against the mean of its head and power; returns SVG text."""
    with _figure() as (figure, axes):
        axes.axhline(0, color=GREY, linewidth=0.9)
        heads = list(dict.fromkeys(data["head"]))
        longest = max((len(_short(head)) for head in heads), default=1)
        for head, colour, marker in zip(heads, _colours(), _markers(), strict=False):
            own = data[data["head"] == head]
            axes.scatter(
                own["shot"], own["residual_mired"], s=18, marker=marker, facecolor=colour, edgecolor="white",
                linewidth=0.5, label=_short(head),
            )  # fmt: skip
        largest = float(data["residual_mired"].abs().max()) if len(data) else 0.0
        axes.set_ylim(-1.15 * largest - 0.1, 1.15 * largest + 0.1)
        axes.set_xlabel("frames in the order they were shot")
        axes.set_ylabel("mired off the mean of its head and power")
        axes.legend(
            loc="lower left",
            bbox_to_anchor=(0, 1),
            ncols=max(1, min(6, 50 // (longest + 5))),
            frameon=False,
            handletextpad=0.2,
            borderaxespad=0.2,
            columnspacing=1.2,
        )
        return _svg(figure)


def data_uri(svg: str) -> str:
    """Return SVG text as the address of an image inside the page, where its ids meet no others."""
    return f"data:image/svg+xml;base64,{base64.b64encode(svg.encode('utf-8')).decode('ascii')}"


def thumbnail_uri(picture: np.ndarray, longest: int) -> str:
    """Return a picture, uint8 (h, w, 3), as a JPEG address inside the page, thinned to `longest` pixels a side."""
    with _quiet_matplotlib():
        from matplotlib.image import imsave

        stride = max(1, int(np.ceil(max(picture.shape[:2]) / longest)))
        stream = io.BytesIO()
        imsave(stream, np.ascontiguousarray(picture[::stride, ::stride]), format="jpeg", pil_kwargs={"quality": 82})
    return f"data:image/jpeg;base64,{base64.b64encode(stream.getvalue()).decode('ascii')}"


@contextmanager
def _quiet_matplotlib() -> Iterator[None]:
    """Keep matplotlib's remarks about a home it cannot write to itself; it then works from a temporary folder."""
    logger = logging.getLogger("matplotlib")
    level = logger.level
    logger.setLevel(logging.ERROR)
    try:
        yield
    finally:
        logger.setLevel(level)


@contextmanager
def _figure(height: float = 3.5) -> Iterator[tuple["Figure", "Axes"]]:
    """Open one figure of the page's width [4.7 in] and `height` [in] with the page's look."""
    with _quiet_matplotlib():
        import matplotlib
        from matplotlib.figure import Figure

        look: dict[Any, Any] = {
            "svg.hashsalt": "greystep",
            "svg.fonttype": "path",
            "font.family": "DejaVu Sans",
            "font.size": 8.5,
            "text.color": INK,
            "axes.labelcolor": GREY,
            "axes.labelsize": 8.5,
            "axes.edgecolor": HAIRLINE,
            "axes.grid": True,
            "axes.axisbelow": True,
            "grid.color": "#eceef0",
            "grid.linewidth": 0.8,
            "xtick.color": HAIRLINE,
            "ytick.color": HAIRLINE,
            "xtick.labelcolor": INK,
            "ytick.labelcolor": INK,
            "text.parse_math": False,
        }
        with matplotlib.rc_context(look), warnings.catch_warnings():
            # A label in a script that the font lacks is drawn as boxes; the tables beside the figure carry it.
            warnings.filterwarnings("ignore", message="Glyph .* missing from font")
            figure = Figure(figsize=(4.7, height), layout="constrained")
            axes = figure.add_subplot()
            _bare(axes)
            yield figure, axes


def _svg(figure: "Figure") -> str:
    """Return a figure as SVG text without date; some of matplotlib's ids are memory addresses, so all are numbered."""
    stream = io.StringIO()
    figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    text = stream.getvalue()
    text = text[text.index("<svg") :]
    numbers = {name: f"i{number}" for number, name in enumerate(dict.fromkeys(re.findall(r' id="([^"]+)"', text)))}
    renamed = re.sub(r' id="([^"]+)"', lambda found: f' id="{numbers[found[1]]}"', text)
    return re.sub(r'(["(])#([^")]+)', lambda found: f"{found[1]}#{numbers.get(found[2], found[2])}", renamed)


def _bare(axes: "Axes") -> None:
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.tick_params(length=0)


def _series(data: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """Return the rows of each series from full power down; the series in the order of the log."""
    ordered = data.sort_values("stops", kind="stable")
    return [(name, ordered[ordered["series"] == name]) for name in dict.fromkeys(data["series"])]


def _colours() -> list[str]:
    import matplotlib
    from matplotlib.colors import to_hex

    return [to_hex(colour) for colour in matplotlib.color_sequences[SEQUENCE]] * 8


def _short(name: str) -> str:
    """Return a name that fits beside a line: a long one loses its middle, the tables carry it whole."""
    return name if len(name) <= LONGEST_NAME else f"{name[:6]}\N{HORIZONTAL ELLIPSIS}{name[-7:]}"


def _letters(colour: str) -> tuple[float, ...]:
    """Return a colour darkened until small letters in it can be read on white."""
    from matplotlib.colors import to_rgb

    return tuple(0.45 * shade + 0.55 * ink for shade, ink in zip(to_rgb(colour), to_rgb(INK), strict=True))


def _markers() -> list[str]:
    # A shifted second round: the ninth series shares its colour with the first, but not its shape.
    return [MARKERS[(i + i // len(MARKERS)) % len(MARKERS)] for i in range(8 * len(MARKERS))]


def _powers(data: pd.DataFrame) -> tuple[list[float], list[str]]:
    """Return the distinct powers, full first, each with the first spelling in the table."""
    stops: list[float] = []
    labels: list[str] = []
    ordered = data.sort_values("stops", kind="stable")
    for place, power in zip(ordered["stops"].to_numpy(dtype=float), ordered["power"], strict=True):
        if not stops or place - stops[-1] > 0.01:
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
    for (name, cells), offset, colour, marker in zip(series, offsets, _colours(), _markers(), strict=False):
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
    longest = max(len(_short(end[0])) for end in ends)
    axes.set_xlim(left, right + (0.02 + 0.032 * longest) * (right - left))
    heights = _apart([end[2] for end in ends], 0.055 * (high - low + 2 * margin))
    for (name, _, _, colour), height in zip(ends, heights, strict=True):
        axes.text(edge, height, _short(name), color=_letters(colour), fontsize=9.5, fontweight="bold", va="center")


def _step(stops: Sequence[float]) -> float:
    return float(np.diff(stops).min()) if len(stops) > 1 else 1.0


def _apart(heights: Sequence[float], gap: float) -> list[float]:
    """Return heights moved as little as possible so that no two are closer than `gap`, in the order given."""
    order = np.argsort(heights, kind="stable")
    # Least squares with monotone spacing: pool neighbours that would collide about their common mean.
    blocks: list[tuple[float, int]] = []
    for place, index in enumerate(order):
        mean, size = heights[index] - gap * place, 1
        while blocks and blocks[-1][0] > mean:
            before, count = blocks.pop()
            mean, size = (before * count + mean * size) / (count + size), count + size
        blocks.append((mean, size))
    flat = [mean for mean, size in blocks for _ in range(size)]
    moved = [0.0] * len(flat)
    for place, index in enumerate(order):
        moved[index] = float(flat[place] + gap * place)
    return moved


def _kelvin_ticks(low_mired: float, high_mired: float) -> list[float]:
    """Return four to eight round colour temperatures [K] within a range of mired."""
    coldest, warmest = 1e6 / max(low_mired, 1.0), 1e6 / high_mired
    for step in (10, 20, 25, 50, 100, 200, 250, 500, 1000, 2000, 5000):
        if (coldest - warmest) / step <= 8:
            break
    return list(np.arange(np.ceil(warmest / step) * step, coldest + 1e-9, step))


def _fit_labels(axes: "Axes", labels: Sequence[str]) -> None:
    if max(map(len, labels), default=0) * len(labels) > 52:
        axes.tick_params(axis="x", labelrotation=90)
