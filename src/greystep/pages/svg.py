"""The sheet that every figure is drawn on: size, letters and colours of the page, and SVG that is always the same."""

import base64
import io
import logging
import re
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from greystep.arrays import untouched
from greystep.words import visible

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


def data_uri(svg: str) -> str:
    """Return SVG text as the address of an image inside the page, where its ids meet no others."""
    return f"data:image/svg+xml;base64,{base64.b64encode(svg.encode('utf-8')).decode('ascii')}"


def thumbnail_uri(picture: np.ndarray, longest: int) -> str:
    """Return a picture, uint8 (h, w, 3), as a JPEG address inside the page, thinned to `longest` pixels a side."""
    with quiet_matplotlib():
        from matplotlib.image import imsave

        stride = max(1, int(np.ceil(max(picture.shape[:2]) / longest)))
        stream = io.BytesIO()
        imsave(stream, np.ascontiguousarray(picture[::stride, ::stride]), format="jpeg", pil_kwargs={"quality": 82})
    return f"data:image/jpeg;base64,{base64.b64encode(stream.getvalue()).decode('ascii')}"


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


def short(name: str) -> str:
    """Return a name that fits beside a line: a long one loses its middle, the tables carry it whole."""
    return name if len(name) <= LONGEST_NAME else f"{name[:6]}\N{HORIZONTAL ELLIPSIS}{name[-7:]}"


def letters(colour: str) -> tuple[float, ...]:
    """Return a colour darkened until small letters in it can be read on white."""
    from matplotlib.colors import to_rgb

    return tuple(0.45 * shade + 0.55 * ink for shade, ink in zip(to_rgb(colour), to_rgb(INK), strict=True))


def markers() -> list[str]:
    """Return the marker shapes of series, in their order."""
    # A shifted second round: the ninth series shares its colour with the first, but not its shape.
    return [MARKERS[(i + i // len(MARKERS)) % len(MARKERS)] for i in range(8 * len(MARKERS))]


def apart(heights: Sequence[float], gap: float) -> list[float]:
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
