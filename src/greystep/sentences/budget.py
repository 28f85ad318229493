"""What the uncertainties hold and what they leave out, in words; and the one sentence that absolute kelvin carries."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from greystep import words as say
from greystep.compare.budget import Bears, Component, Method, Part, Width

_WHAT: Final[dict[Part, str]] = {
    Part.SHOTS: "Noise of the frames and scatter of the shots, one light",
    Part.MATRIX: "The camera's colour matrix, which no meter has checked",
    Part.METER: "The colour meter that gave the scale",
    Part.CARD: "A grey card whose colour nobody measured",
    Part.CARD_SPECTRUM: "Light of another spectrum on the card of grey.csv",
    Part.BOUNCE: "Light that comes back from wall and table",
    Part.BLACK: "One count of black at the darkest light",
    Part.LINEARITY: "A sensor that is not quite linear",
    Part.PLACEMENT: "A head that is placed again",
    Part.OTHER_CAMERA: "Another camera: one head over its powers",
    Part.SAME_TYPE: "Another camera: two heads of one type",
    Part.OTHER_TYPE: "Another camera: heads with other tubes or domes",
    Part.DOME: "Domes with and without a coating against ultraviolet",
}
_BEARS: Final = {
    Bears.ABSOLUTE: "absolute kelvin",
    Bears.DIFFERENCES: "differences",
    Bears.BOTH: "absolute kelvin and differences",
}
#: How the sizes of a part were found, with their source.
_SOURCE: Final[dict[Part, str]] = {
    Part.SHOTS: "measured: repeats in this session; the middle one of all lights",
    Part.MATRIX: "this tool's own simulation: open camera spectra, flash near 5600 K; no outside source",
    Part.METER: "common practice, about 100 K at 5600 K; no outside source",
    Part.CARD: "arithmetic on this session's light: 1 % more or less from 400 to 700 nm, common practice",
    Part.CARD_SPECTRUM: "arithmetic on this session's light and grey.csv; how far a flash is from smooth is this "
    "tool's assumption",
    Part.BOUNCE: "measured: the light about the card against the card; that 1 % of it comes back is this tool's "
    "assumption",
    Part.BLACK: "arithmetic on this session's darkest light",
    Part.LINEARITY: "this tool's own simulation: 1 % over 3 stops; no outside source",
    Part.PLACEMENT: "assumed by this tool, or the heads' own scatter where that is less; no outside source",
    Part.OTHER_CAMERA: "this tool's own simulation on open spectra; no outside source",
    Part.SAME_TYPE: "this tool's own simulation on open spectra; no outside source",
    Part.OTHER_TYPE: "this tool's own simulation on open spectra; no outside source",
    Part.DOME: "this tool's own simulation on open spectra; no outside source",
}
_CHART_LIGHT_ASSUMED: Final = "common practice: the chart was shot under a flash of unknown colour; no outside source"
_TWO_ISOS: Final = "measured: the same lights at two ISOs"


@dataclass(frozen=True)
class BudgetLine:
    """A line of the table: one part, its sizes ready to be read."""

    what: str
    bears: str
    mired: str
    duv: str
    source: str


def lines(parts: Sequence[Component]) -> list[BudgetLine]:
    """Return the table: first what every half-width holds, then what it leaves out; parts by head share a line."""
    groups: dict[tuple[object, ...], list[Component]] = {}
    for part in sorted(parts, key=lambda part: not part.in_u):
        groups.setdefault((part.part, part.bears, part.body if part.scale else ""), []).append(part)
    return [_line(group) for group in groups.values()]


def absolute(parts: Sequence[Component], reach: tuple[float, float] | None) -> str:
    """Return the sentence that goes with every absolute figure; blank where there is none.

    Args:
        reach: Half-widths of the reference's absolute figures, [K] and Duv.
    """
    if reach is None or not np.isfinite(reach).all():
        return ""
    away = f"{say.kelvin(reach[0])} warmer or cooler and {reach[1]:.4f} greener or pinker"
    metered = any(part.part == Part.METER for part in parts)
    start = "Absolute kelvin rests on a meter's reading" if metered else "No meter has checked absolute kelvin"
    other = "another meter" if metered else "a meter or another camera"
    return f"{start}: {other} may read up to {away}. Differences keep their own \N{PLUS-MINUS SIGN}."


def document(part: Component) -> dict[str, Any]:
    """Return a part as summary.json has it."""
    return {
        "part": str(part.part),
        "bears_on": str(part.bears),
        "mired": part.mired,
        "duv": part.duv,
        "share_of_difference": part.share,
        "width": "limit" if part.width == Width.LIMIT else "standard uncertainty, k = 1",
        "in_u": part.in_u,
        "in_u_absolute": part.scale,
        "method": str(part.method),
        "source": _source(part),
        "what": what(part),
        "body": part.body,
        "head": part.head,
        "power": part.power,
    }


def what(part: Component) -> str:
    """Return what a part is."""
    if part.part == Part.BLACK:
        return f"{_WHAT[part.part]}, {say.cell(part.head, part.power)}"
    if part.part == Part.BOUNCE and part.bears == Bears.DIFFERENCES:
        return f"{_WHAT[part.part]}: for one head more than for another"
    if part.part == Part.PLACEMENT and part.in_u:
        return "What moves between heads: their place, camera and mains"
    return _WHAT[part.part]


def _source(part: Component) -> str:
    if part.part == Part.LINEARITY and part.method == Method.SESSION:
        return _TWO_ISOS
    if part.part == Part.MATRIX and part.method == Method.PRACTICE:
        return _CHART_LIGHT_ASSUMED
    return _SOURCE[part.part]


def _line(group: Sequence[Component]) -> BudgetLine:
    first = group[0]
    said = what(first)
    if len(group) > 1:
        said += f" ({say.counted(len(group), 'head')}, most for {max(group, key=lambda part: part.mired).head})"
    held = "in every \N{PLUS-MINUS SIGN}" if first.in_u else _BEARS[first.bears]
    if np.isfinite(first.share):
        return BudgetLine(said, held, f"about {100.0 * first.share:.0f} % of the difference", "", _source(first))
    return BudgetLine(
        said,
        held,
        _sizes([part.mired for part in group], first.width, 1),
        _sizes([part.duv for part in group], first.width, 4),
        _source(first),
    )


def _sizes(sizes: Sequence[float], width: Width, digits: int) -> str:
    known = [size for size in sizes if np.isfinite(size)]
    if not known:
        return ""
    least = 0.5 * 10.0**-digits
    if max(known) < least:
        return f"under {10.0**-digits:.{digits}f}"
    return f"{'up to' if width == Width.LIMIT else 'about'} {max(known):.{digits}f}"
