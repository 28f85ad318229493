"""The neutrals of a series side by side, true and magnified: what an eye sees of a difference, and what is there."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from greystep import words as say
from greystep.arrays import Floats
from greystep.constants import BRADFORD, SCREEN_PRIMARIES, SCREEN_WHITE, STEPS_SEEN
from greystep.measure.chromaticity import srgb_code, upvp_to_xy, xy_to_xyz
from greystep.pages import svg
from greystep.words import wrapped

#: Linear level at which a neutral of (1, 1, 1) is shown: light enough to see tints, with room above.
_LEVEL: Final = 0.35
#: Magnifications to choose from; the largest is taken that keeps every frame in view.
_TIMES: Final = (100, 50, 20, 10, 5, 2, 1)
#: Farthest that a magnified neutral may lie from the shown level (natural logarithm of a channel).
_REACH: Final = 0.7
_WIDTH: Final = 720
_HIGH: Final = 54
_GAP: Final = 26
#: Frames whose names have room beneath their strip.
_NAMED: Final = 16


def strips(names: Sequence[str], series: Mapping[str, Floats]) -> str:
    """Draw the neutrals of frames as strips, one row a state, true and magnified; returns SVG text.

    Args:
        series: Mapping of str to array (n, 3). State (such as ``before``) to the neutrals in linear Rec.709, (1, 1, 1)
            a perfect match; NaN is left out.
    """
    times = magnification(list(series.values()))
    rows: list[tuple[str, Floats]] = []
    for power, said in ((1, "true"), (times, f"magnified {times} times")):
        rows += [(f"{state}, {said}", _shown(neutrals, power)) for state, neutrals in series.items()]
    wide = _WIDTH / max(1, len(names))
    height = len(rows) * (_HIGH + _GAP) + _GAP
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {height}" font-family="sans-serif" '
        f'font-size="12" fill="#1d2023"><rect width="{_WIDTH}" height="{height}" fill="#ffffff"/>'
    ]
    for row, (label, colours) in enumerate(rows):
        top = row * (_HIGH + _GAP) + _GAP
        parts.append(f'<text x="0" y="{top - 7}">{svg.escaped(label)}</text>')
        for place, colour in enumerate(colours):
            if np.isfinite(colour).all():
                red, green, blue = (int(value) for value in colour)
                parts.append(
                    # a hair wider than its place, so that no white line separates neighbours
                    f'<rect x="{place * wide:.2f}" y="{top}" width="{wide + 0.3:.2f}" height="{_HIGH}" '
                    f'fill="#{red:02x}{green:02x}{blue:02x}"/>'
                )
    if len(names) <= _NAMED:
        letters = max(3, int(wide / 6.5))
        for place, name in enumerate(names):
            short = name if len(name) <= letters else f"{name[: letters - 1]}\N{HORIZONTAL ELLIPSIS}"
            parts.append(f'<text x="{place * wide:.2f}" y="{height - 9}" font-size="10">{svg.escaped(short)}</text>')
    return "\n".join([*parts, "</svg>"]) + "\n"


def balanced(upvp: Floats, white: Floats) -> Floats:
    """Return the neutrals of lights as a screen shows them, where one white is balanced to (1, 1, 1).

    Args:
        upvp: (n, 2) array. CIE 1976 u'v' of the lights; NaN stays.
        white: (2,) array. That of the balance.

    Returns: (n, 3) array: linear Rec.709, as bright as the white.
    """
    here, screen = xy_to_xyz(upvp_to_xy(np.asarray(white))), xy_to_xyz(SCREEN_WHITE)
    cones = np.array(BRADFORD)
    adapt = np.linalg.inv(cones) @ np.diag((cones @ screen) / (cones @ here)) @ cones
    primaries = xy_to_xyz(SCREEN_PRIMARIES).T
    to_xyz = primaries * np.linalg.solve(primaries, screen)
    return np.asarray(xy_to_xyz(upvp_to_xy(np.asarray(upvp))) @ (np.linalg.inv(to_xyz) @ adapt).T)


def hex_codes(neutrals: Floats, times: int) -> list[str]:
    """Return the colours (n,) of neutrals (n, 3) with every difference so many times as large; blank where unknown."""
    shown = _shown(neutrals, times)
    codes = [""] * len(shown)
    for place in np.flatnonzero(np.isfinite(shown).all(axis=1)):
        codes[place] = "#{:02x}{:02x}{:02x}".format(*shown[place].astype(int).tolist())
    return codes


def split_swatch(names: tuple[str, str], neutrals: Floats, times: int, balance: str) -> str:
    """Draw two lights side by side on one grey card, true and magnified and labelled so; returns SVG text.

    Args:
        balance: The light on which both are balanced.
    """
    wide, high = 148.0, 64.0
    parts = []
    for place, (power, said) in enumerate(((1, "true"), (times, f"differences \N{MULTIPLICATION SIGN} {times}"))):
        left = place * (wide + 16)
        for half, colour in enumerate(hex_codes(neutrals, power)):
            x = left + half * wide / 2
            parts.append(f'<rect x="{x:g}" y="0" width="{wide / 2:g}" height="{high:g}" fill="{colour or "none"}"/>')
        parts.append(f'<rect class="edge" x="{left:g}" y="0" width="{wide:g}" height="{high:g}"/>')
        parts.append(svg.text(left, high + 16, said, "strong"))
    for half, name in enumerate(names):
        parts.append(svg.text(half * wide / 2, high + 32, svg.short(name, 20), "said"))
    parts.append(svg.text(wide + 16, high + 32, f"balanced on {svg.short(balance, 13)}", "said"))
    said = f"A grey card in the light of {names[0]} and of {names[1]}, balanced on {balance}: true, and {times} times"
    return svg.svg(2 * wide + 16, high + 36, parts, said)


def magnification(series: Sequence[Floats], most: int = _TIMES[0]) -> int:
    """Return by how much, `most` at most, the differences can be magnified with every neutral still in view."""
    away = [np.abs(np.log(neutrals[np.isfinite(neutrals) & (neutrals > 0)])) for neutrals in series]
    farthest = max((float(part.max()) for part in away if part.size), default=0.0)
    return next((times for times in _TIMES if times <= most and times * farthest <= _REACH), _TIMES[-1])


def _shown(neutrals: Floats, power: int) -> Floats:
    """Return neutrals with every difference multiplied, as 8-bit sRGB (IEC 61966-2-1)."""
    return srgb_code(_LEVEL * np.maximum(neutrals, 1e-6) ** power)


def strips_of(checked: pd.DataFrame) -> str:
    """Draw a table of `greystep.correct.check.check`: before, and after for each kind of file; returns SVG text."""
    measured = checked[checked["measured"] != ""]
    kinds = measured["file"].str.partition("/")[0]
    names = list(dict.fromkeys(measured["frame"]))
    series: dict[str, Floats] = {}
    for kind in dict.fromkeys(kinds):
        own = measured[kinds == kind].set_index("frame").reindex(names)
        series.setdefault("before", own[["before_r", "before_g", "before_b"]].to_numpy(np.float64))
        series[f"after, {kind}"] = own[["after_r", "after_g", "after_b"]].to_numpy(np.float64)
    return strips([Path(name).stem for name in names], series)


def check_text(checked: pd.DataFrame, brightness_matched: bool, wrote: Sequence[str]) -> str:
    """Return what is left of the differences, for the screen: the largest before and after, and the worst frame."""
    measured = checked[checked["measured"] != ""]
    lines = [f"{say.counted(len(measured), 'file')} measured again."]
    if len(measured):
        worst = measured.sort_values("steps_after", kind="stable").iloc[-1]
        colour = {when: float(measured[f"steps_{when}"].max()) for when in ("before", "after")}
        lines.append(
            f"Colour difference: up to {colour['before']:.2f} before, {colour['after']:.2f} after "
            f"({worst['file']}); it shows side by side from about {STEPS_SEEN:g}."
        )
        left = [f"{letter.upper()} {worst[f'white240_{letter}']:.0f}" for letter in "rgb"]
        lines.append(f"A white of 240 is left there as {', '.join(left)}.")
        stops = {when: float(measured[f"stops_{when}"].abs().max()) for when in ("before", "after")}
        lines.append(f"Brightness: up to {stops['before']:.3f} stop before, {stops['after']:.3f} after.")
        if not brightness_matched:
            lines.append("Brightness was left as it is; --stack matches it too.")
    return "\n".join([*map(wrapped, lines), *(f"wrote {path}" for path in wrote)])
