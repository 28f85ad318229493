"""Figures of a set-up: its lights as overlapping washes on a grey card, every two lights, the way from one to the next.

The same numbers give the same bytes.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from greystep.arrays import Floats
from greystep.measure import chromaticity
from greystep.mix.casts import LightCast, LightPair
from greystep.mix.lights import White, mix
from greystep.pages.figures import directions
from greystep.pages.formats import number
from greystep.pages.plotted import (
    GREY,
    INK,
    bare,
    colours,
    draw_cell,
    draw_rings,
    letters,
    markers,
    name_cells,
    open_figure,
    room,
    svg_text,
)
from greystep.pages.svg import short
from greystep.terms import Verdict

#: Height and width of one card [px].
_CARD: Final = (150, 300)
#: Magnifications of colour to choose from, and how far a magnified cast may reach [steps].
_TIMES: Final = (20, 10, 5, 3, 2)
_FARTHEST: Final = 26.0
#: Linear level of a card where one wash falls, and where none does; a little of the light goes everywhere.
_LIT: Final = 0.30
_SPILL: Final = 0.06
#: Half-width of a wash where there is one [card heights]; how hard its edge is.
_REACH: Final = 1.3
_EDGE: Final = 6.0


def magnification(states: Sequence[tuple[Floats, Floats]]) -> int:
    """Return by how much casts are magnified: the same in every state, so that states can be compared.

    Args:
        states: Sequence of ((k, 2) array, (2,) array). u'v' of the lights, and of the white balance.
    """
    worst = max(float(chromaticity.steps(upvp, balance).max()) for upvp, balance in states)
    return next((times for times in _TIMES if times * worst <= _FARTHEST), _TIMES[-1])


def wash_card(upvp: Floats, balance: Floats, times: float) -> NDArray[np.uint8]:
    """Return a grey card lit by overlapping washes, one a light, as a picture with this balance shows it.

    Args:
        upvp: (k, 2) array. Of the lights; each wash is as bright, so that colour alone tells them apart.
        balance: (2,) array. u'v' that the picture shows as neutral.
        times: By how much every cast is magnified; 1 is true.

    Returns: (h, w, 3) array of uint8: sRGB. Where washes overlap, their light adds.
    """
    high, wide = _CARD
    count = len(upvp)
    y, x = np.mgrid[0:high, 0:wide] / high
    middles = _middles(count)
    reach = _REACH / count
    away = [np.hypot(x - mx, (y - my) * 1.1) for mx, my in middles]
    washes = np.stack([_SPILL / count + 1.0 / (1.0 + (one / reach) ** _EDGE) for one in away], axis=-1)
    from_xyz, white = chromaticity.working_space("lin_rec709")
    neutral = chromaticity.xyz_to_upvp(white)
    shown = neutral + times * (mix(upvp, washes) - balance)
    xyz = chromaticity.xy_to_xyz(chromaticity.upvp_to_xy(shown))
    light = _LIT * washes.sum(axis=-1) ** 0.7
    return chromaticity.srgb_code((xyz @ from_xyz.T) * light[..., None]).astype(np.uint8)


def draw_washes(roles: Sequence[str], upvp: Floats, balance: Floats, times: float) -> str:
    """Draw a set-up as washes on a grey card, true above and magnified below; returns SVG text."""
    with open_figure(height=5.4) as (figure, axes):
        axes.grid(False)
        gap = 24
        size = float(np.clip(450.0 / (len(roles) * max(len(short(name)) for name in roles)), 11.0, 16.0))
        high, wide = _CARD
        for place, factor in enumerate((1.0, times)):
            top = place * (high + gap)
            card = wash_card(upvp, balance, factor)
            axes.imshow(card, extent=(0, wide, top + high, top), interpolation="bilinear", zorder=2)
            said = "as the picture shows it" if factor == 1.0 else f"every cast {factor:g} times as strong"
            axes.text(0, top - 4, said, fontsize=16.0, color=GREY, va="bottom")
        for name, (mx, my) in zip(roles, _middles(len(roles)), strict=True):
            axes.text(mx * high, my * high, short(name), ha="center", va="center", fontsize=size, color=INK, zorder=3)
        axes.set_xlim(0, wide)
        axes.set_ylim(2 * high + gap, -22)
        axes.set_aspect("equal")
        axes.set_xticks([])
        axes.set_yticks([])
        bare(axes)
        return svg_text(figure)


def draw_pairs(roles: Sequence[str], pairs: Sequence[LightPair]) -> str:
    """Draw every two lights as a matrix: mired between them, steps below; those out of tolerance framed; SVG text.

    The colours are those of the report's map of warmth.
    """
    count = len(roles)
    reach = max(8.0, *(abs(row.delta_mired) for row in pairs))
    size = room(roles, count, len("+12.3 mired"))
    with open_figure(height=0.9 + 0.62 * count) as (figure, axes):
        for place in range(count):
            draw_cell(axes, place, place, None)
        for row in pairs:
            a, b = roles.index(row.role_a), roles.index(row.role_b)
            for x, y, sign in ((b, a, 1.0), (a, b, -1.0)):
                draw_cell(axes, x, y, sign * row.delta_mired / reach, row.verdict == Verdict.OUTSIDE)
                mired = f"{number(sign * row.delta_mired, 1, signed=True)} mired"
                axes.text(x, y - 0.15, mired, ha="center", va="center", fontsize=size)
                steps = f"{number(row.delta_steps, 1)} steps"
                axes.text(x, y + 0.2, steps, ha="center", va="center", fontsize=0.94 * size)
        name_cells(axes, [short(name) for name in roles], roles)
        return svg_text(figure)


def draw_paths(lights: Sequence[LightCast], balance: White, mixture: White) -> str:
    """Draw the lights about the best common balance in u'v', the mixtures between them, circles of steps; SVG text."""
    middle = balance.upvp
    upvp = np.array([(light.u_prime, light.v_prime) for light in lights])
    at = upvp - middle
    with open_figure(height=4.4) as (figure, axes):
        reach = draw_rings(axes, max(light.cast_steps for light in lights), directions(balance.cct_k, balance.duv))
        for a in range(len(at)):
            for b in range(a + 1, len(at)):
                axes.plot(*at[[a, b]].T, color="#8d949b", linewidth=1.1, zorder=2)
                part = np.array([[0.75, 0.25], [0.5, 0.5], [0.25, 0.75]])
                quarter = mix(upvp[[a, b]], part) - middle
                axes.plot(*quarter.T, marker="|", markersize=6, color="#8d949b", linestyle="none", zorder=2)
        over = _over(at)
        for light, point, side, colour, marker in zip(lights, at, over, colours(), markers(), strict=False):
            axes.scatter(
                point[0], point[1], s=46, marker=marker, facecolor=colour, edgecolor="white", linewidth=0.8, zorder=4
            )
            axes.text(
                point[0], point[1] + side * 0.1 * reach, short(light.role), color=letters(colour), fontsize=9.5,
                fontweight="bold", va="center", ha="center", zorder=5,
            )  # fmt: skip
        mixed = mixture.upvp - middle
        axes.scatter(mixed[0], mixed[1], s=60, marker="o", facecolor="none", edgecolor=INK, linewidth=1.2, zorder=4)
        axes.set_xlabel("u' minus that of the balance")
        axes.set_ylabel("v' minus that of the balance")
        return svg_text(figure)


def _over(at: Floats) -> Floats:
    """Return for each point whether its name stands above (1) or below (-1): away from the nearest other point."""
    apart = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    np.fill_diagonal(apart, np.inf)
    nearest = np.argmin(apart, axis=1)
    return np.where(at[:, 1] >= at[nearest, 1], 1.0, -1.0)


def _middles(count: int) -> list[tuple[float, float]]:
    """Return where the washes fall, in card heights from the top left: in a row that goes up and down."""
    wide = _CARD[1] / _CARD[0]
    places = [(place + 0.5) / count for place in range(count)]
    return [(wide * x, 0.5 if count < 3 else (0.36 if place % 2 else 0.64)) for place, x in enumerate(places)]
