"""Figures of set-ups drawn with matplotlib, which blends pictures and colour maps well: sheet, letters, cells, rings.

The same numbers give the same bytes.
"""

import io
import logging
import re
import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from greystep.arrays import untouched
from greystep.constants import STEP_UPRIME_VPRIME
from greystep.pages.svg import short
from greystep.words import visible

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK: Final = "#1d2023"
GREY: Final = "#5c6269"
HAIRLINE: Final = "#d9dcdf"
#: Colours of a map from cooler over none to warmer, and from pinker to greener.
WARMTH: Final = ("#7f9fc4", "#ffffff", "#e0a163")
TINT: Final = ("#d79ab4", "#ffffff", "#8fb58a")
#: Matplotlib's own list made for colour-blind readers too; marker shapes say the same without colour.
SEQUENCE: Final = "petroff8"
MARKERS: Final = "osD^vPXh"


@contextmanager
def quiet_matplotlib() -> Iterator[None]:
    """Draw with matplotlib's own defaults, whatever a matplotlibrc or MPLBACKEND around us says.

    Its remarks about a home that it cannot write to are kept to itself; it then works from a temporary folder.
    """
    logger = logging.getLogger("matplotlib")
    level = logger.level
    logger.setLevel(logging.ERROR)
    try:
        with untouched():
            import matplotlib
        with matplotlib.rc_context():
            matplotlib.rcdefaults()
            yield
    finally:
        logger.setLevel(level)


@contextmanager
def open_figure(height: float = 3.5) -> Iterator[tuple["Figure", "Axes"]]:
    """Open one figure of the page's width [4.7 in] and `height` [in] with the page's look."""
    with quiet_matplotlib():
        import matplotlib
        from matplotlib.figure import Figure

        look: dict[Any, Any] = {
            "svg.hashsalt": "greystep",
            "svg.fonttype": "path",
            "font.family": "DejaVu Sans",
            "font.size": 9.5,
            "text.color": INK,
            "axes.labelcolor": GREY,
            "axes.labelsize": 9.5,
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
            bare(axes)
            yield figure, axes


def svg_text(figure: "Figure") -> str:
    """Return a figure as SVG text without date; some of matplotlib's ids are memory addresses, so all are numbered."""
    stream = io.StringIO()
    figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    text = visible(stream.getvalue())  # labels stand in its comments
    text = text[text.index("<svg") :]
    numbers = {name: f"i{number}" for number, name in enumerate(dict.fromkeys(re.findall(r' id="([^"]+)"', text)))}
    renamed = re.sub(r' id="([^"]+)"', lambda found: f' id="{numbers[found[1]]}"', text)
    return re.sub(r'(["(])#([^")]+)', lambda found: f"{found[1]}#{numbers.get(found[2], found[2])}", renamed)


def bare(axes: "Axes") -> None:
    """Take frame and ticks off axes."""
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.tick_params(length=0)


def colours() -> list[str]:
    """Return the colours of series, in their order."""
    import matplotlib
    from matplotlib.colors import to_hex

    return [to_hex(colour) for colour in matplotlib.color_sequences[SEQUENCE]] * 8


def letters(colour: str) -> tuple[float, ...]:
    """Return a colour darkened until small letters in it can be read on white."""
    from matplotlib.colors import to_rgb

    return tuple(0.45 * shade + 0.55 * ink for shade, ink in zip(to_rgb(colour), to_rgb(INK), strict=True))


def markers() -> list[str]:
    """Return the marker shapes of series, in their order."""
    # A shifted second round: the ninth series shares its colour with the first, but not its shape.
    return [MARKERS[(i + i // len(MARKERS)) % len(MARKERS)] for i in range(8 * len(MARKERS))]


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
