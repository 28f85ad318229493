"""Drawing as SVG text: elements, scales, and the strip of dots and bars against the caliper of a limit.

A drawing has classes and no colours of its own: `figures.css` gives them, in the page's type, for light and dark, so
that one text serves inside a page and, with `standalone`, as a file.
"""

import base64
import html
import io
import math
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import Final

import numpy as np

from greystep.words import visible

Scale = Callable[[float], float]

#: Letters of a head's name that a figure has room for.
LONGEST_NAME: Final = 14
#: Width of a letter of 12 px, on average and rounded up [px]; from measuring system fonts by eye, no source.
LETTER: Final = 6.8
#: Height of a foot of a caliper's jaw, and how far it points inwards [px].
_FOOT: Final = 4.0


def svg(width: float, height: float, parts: Sequence[str], said: str, group: bool = False) -> str:
    """Return a drawing of this size [px].

    Args:
        said: What it shows, for those who do not see it: the finding, with its numbers.
        group: It holds links, so that what is in it can be reached too.
    """
    role = "group" if group else "img"
    body = "\n".join(parts)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="drawn" role="{role}" aria-label={quoted(visible(said))} '
        f'width="{width:g}" height="{height:g}" viewBox="0 0 {width:g} {height:g}">\n{body}\n</svg>\n'
    )


def standalone(drawing: str) -> str:
    """Return a drawing as a file of its own, with the style that a page would give it."""
    head, _, rest = drawing.partition("\n")
    width, height = (head.split(f'{name}="')[1].split('"')[0] for name in (" width", " height"))
    ground = f'<rect class="ground" width="{width}" height="{height}"/>'
    return f"{head}\n<style>\n{style()}</style>\n{ground}\n{rest}"


@cache
def style() -> str:
    """Return the colours and classes of drawings."""
    return files("greystep.pages").joinpath("figures.css").read_text(encoding="utf-8")


def line(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    """Return a straight line."""
    return f'<path class="{kind}" d="M{_n(x1)} {_n(y1)}L{_n(x2)} {_n(y2)}"/>'


def polyline(points: Sequence[tuple[float, float]], kind: str) -> str:
    """Return a line through points, with a gap where one is not known."""
    steps, joined = [], False
    for x, y in points:
        real = math.isfinite(x) and math.isfinite(y)
        if real:
            steps.append(f"{'L' if joined else 'M'}{_n(x)} {_n(y)}")
        joined = real
    return f'<path class="{kind}" d="{"".join(steps)}"/>' if steps else ""


def dot(x: float, y: float, radius: float = 4.0, kind: str = "dot") -> str:
    """Return a filled circle."""
    return f'<circle class="{kind}" cx="{_n(x)}" cy="{_n(y)}" r="{radius:g}"/>'


def text(x: float, y: float, said: str, kind: str = "", anchor: str = "start") -> str:
    """Return a line of letters that stand on `y`."""
    placed = "" if anchor == "start" else f' text-anchor="{anchor}"'
    called = f' class="{kind}"' if kind else ""
    return f'<text x="{_n(x)}" y="{_n(y)}"{called}{placed}>{escaped(visible(said))}</text>'


def group(parts: Sequence[str], kind: str = "", data: Mapping[str, str] | None = None, tip: str = "") -> str:
    """Return parts that belong together, with what is said where the pointer rests on them."""
    called = f' class="{kind}"' if kind else ""
    facts = "".join(f" data-{name}={quoted(visible(value))}" for name, value in (data or {}).items())
    title = f"<title>{escaped(visible(tip))}</title>" if tip else ""
    return f"<g{called}{facts}>{title}{''.join(parts)}</g>"


def jaw(at: float, low: float, high: float, inwards: int, upright: bool = True) -> str:
    """Return a jaw of a caliper: a line at `at` from `low` to `high` with feet that point `inwards` (1 or -1).

    Args:
        upright: It stands on a scale that runs across; else it lies at a scale that runs up.
    """
    foot = at + inwards * _FOOT
    if upright:
        return f'<path class="jaw" d="M{_n(foot)} {_n(low)}H{_n(at)}V{_n(high)}H{_n(foot)}"/>'
    return f'<path class="jaw" d="M{_n(low)} {_n(foot)}V{_n(at)}H{_n(high)}V{_n(foot)}"/>'


def scale(low: float, high: float, start: float, end: float) -> Scale:
    """Return the function that takes values from `low` to `high` to places from `start` to `end` [px]."""
    unit = (end - start) / ((high - low) or 1.0)
    return lambda value: start + (value - low) * unit


def ticks(low: float, high: float, about: int = 4) -> list[float]:
    """Return about so many round values from `low` to `high`: steps of 1, 2 or 5."""
    rough = (high - low) / max(about, 1) or 1.0
    size = 10.0 ** math.floor(math.log10(rough))
    step = next(size * factor for factor in (1.0, 2.0, 5.0, 10.0) if size * factor >= 0.999 * rough)
    first = math.ceil(low / step - 1e-9)
    return [round(n * step, 12) for n in range(first, math.floor(high / step + 1e-9) + 1)]


def signed(value: float, digits: int) -> str:
    """Return a number of an axis with a real minus sign, and no plus sign."""
    said = f"{abs(value):.{digits}f}"
    return f"\N{MINUS SIGN}{said}" if value < 0 and float(said) else said


def short(name: str, longest: int = LONGEST_NAME) -> str:
    """Return a name that fits beside a line: a long one loses its middle, the tables carry it whole."""
    head = (longest - 1) // 2
    return name if len(name) <= longest else f"{name[:head]}\N{HORIZONTAL ELLIPSIS}{name[head + 1 - longest :]}"


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


def picture_uri(picture: np.ndarray) -> str:
    """Return a picture, uint8 (h, w, 3), as a PNG address inside the page."""
    from PIL import Image

    stream = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(picture)).save(stream, format="png")
    return f"data:image/png;base64,{base64.b64encode(stream.getvalue()).decode('ascii')}"


def escaped(text: str) -> str:
    """Return text as it stands between two tags."""
    return html.escape(text, quote=False)


def quoted(text: str) -> str:
    """Return text as the value of an attribute, with its quotes: double ones where they do."""
    said = escaped(text).replace("\n", "&#10;").replace("\r", "&#13;").replace("\t", "&#9;")
    if '"' in said and "'" not in said:
        return f"'{said}'"
    return '"' + said.replace('"', "&quot;") + '"'


def jpeg_uri(picture: bytes) -> str:
    """Return a JPEG file as an address inside the page."""
    return f"data:image/jpeg;base64,{base64.b64encode(picture).decode('ascii')}"


def _n(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")
