"""Figures of a set-up: its lights as overlapping washes on a grey card, every two lights, their whites.

The same numbers give the same bytes.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from greystep.arrays import Floats
from greystep.constants import STEP_UPRIME_VPRIME
from greystep.measure import chromaticity
from greystep.mix.casts import LightCast, LightPair
from greystep.mix.lights import White, mix
from greystep.pages import svg
from greystep.pages.figures import directions, draw_chromaticity, draw_matrix
from greystep.pages.tables import GAP_COLUMNS
from greystep.session.settings import DEFAULT_TOLERANCE, Tolerance
from greystep.terms import Quantity

#: Height and width of one card [px].
_CARD: Final = (150, 300)
#: A name needs room for so many letters beneath its wash.
_LEAST_NAME: Final = 4
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


def draw_washes(roles: Sequence[str], upvp: Floats, balance: Floats, times: float, heading: str) -> str:
    """Draw a set-up as washes on a grey card, true above and magnified below; returns SVG text."""
    high, wide = _CARD
    parts, top = [], 0.0
    room = int(wide / max(len(roles), 1) / svg.LETTER)
    for factor, said in ((1.0, "as the picture shows it"), (times, f"every cast {times:g} times as strong")):
        parts.append(svg.text(0, top + 13, said, "said"))
        picture = svg.picture_uri(wash_card(upvp, balance, factor))
        parts.append(f'<image x="0" y="{top + 20:g}" width="{wide}" height="{high}" href="{picture}"/>')
        if room >= _LEAST_NAME:
            for name, (x, _) in zip(roles, _middles(len(roles)), strict=True):
                parts.append(svg.text(x * high, top + high + 36, svg.short(name, room), "strong", "middle"))
        top += high + 48
    steps = chromaticity.steps(upvp, balance)
    casts = ", ".join(f"{name} {cast:.1f}" for name, cast in zip(roles, steps, strict=True))
    return svg.svg(
        wide, top, parts, f"A grey card lit by overlapping washes. {heading}: steps off the balance, {casts}"
    )


def draw_pairs(lights: Sequence[LightCast], pairs: Sequence[LightPair], tolerance: Tolerance) -> str:
    """Draw every two lights with the verdict, each by what takes more of its limit, warmth or green to pink; SVG text.

    Args:
        tolerance: Its limits of mired and Duv; where they are not given, this tool's own weigh the two.
    """
    limits = {
        Quantity.MIRED: tolerance.mired or DEFAULT_TOLERANCE.mired or 1.0,
        Quantity.DUV: tolerance.duv or DEFAULT_TOLERANCE.duv or 1.0,
    }
    powers = {light.role: light.power for light in lights}
    rows = []
    for pair in pairs:
        sizes = {Quantity.MIRED: pair.delta_mired, Quantity.DUV: pair.delta_duv}
        by = max(sizes, key=lambda quantity: abs(sizes[quantity]) / limits[quantity])
        u = pair.u_delta_mired if by == Quantity.MIRED else pair.u_delta_duv
        names = (pair.role_b, powers[pair.role_b], pair.role_a, powers[pair.role_a], str(by))
        numbers = (sizes[by], u, limits[by], str(pair.verdict), pair.withheld, sizes[by] - u, sizes[by] + u)
        rows.append(dict(zip(GAP_COLUMNS, (*names, *numbers), strict=True)))
    return draw_matrix(pd.DataFrame(rows, columns=GAP_COLUMNS), among="light")


def draw_whites(lights: Sequence[LightCast], balance: White, mixture: White) -> str:
    """Draw the lights and their mixture about the best common balance in u'v', with circles of steps; SVG text."""
    points = [(light.role, light.u_prime, light.v_prime) for light in lights]
    points.append(("all together", mixture.u_prime, mixture.v_prime))
    away = np.array([(u, v) for _, u, v in points]) - balance.upvp
    data = pd.DataFrame({"series": [name for name, _, _ in points], "du_prime": away[:, 0], "dv_prime": away[:, 1]})
    data["steps"] = np.hypot(data["du_prime"], data["dv_prime"]) / STEP_UPRIME_VPRIME
    return draw_chromaticity(data, directions(balance.cct_k, balance.duv))


def _middles(count: int) -> list[tuple[float, float]]:
    """Return where the washes fall, in card heights from the top left: in a row that goes up and down."""
    wide = _CARD[1] / _CARD[0]
    places = [(place + 0.5) / count for place in range(count)]
    return [(wide * x, 0.5 if count < 3 else (0.36 if place % 2 else 0.64)) for place, x in enumerate(places)]
