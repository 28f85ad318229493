"""Green to pink as the trade says it: by the gel of about that size, with the number behind."""

import math
from itertools import pairwise
from typing import Final

from greystep import words as say
from greystep.mix.gels import nominal_gels
from greystep.terms import Quantity

#: What rounds to nothing in the four decimals that are said.
_NOTHING: Final = 0.00005
#: Under so much of the weakest gel no share of it is named.
_TRACE: Final = 0.2
#: A gel stands for amounts up to so many times its own, and down to one over it; between two gels both are named.
_NEAR: Final = 1.25
_SHARES: Final = ((1 / 4, "a quarter of "), (1 / 3, "a third of "), (1 / 2, "half of "), (3 / 4, "three quarters of "))
#: Strengths as they are listed in the trade, weakest first.
_STRENGTHS: Final = ("1/8", "1/4", "1/2", "full")


def green_pink(duv: float, u: float = math.nan) -> str:
    """Return a difference as ``pinker by about a 1/8 minus green (0.0032 +- 0.0002)``.

    Args:
        duv: Duv of the light minus that of the other; positive is greener.
        u: Half-width of its 95 % interval, where it is known.
    """
    if not math.isfinite(duv):
        return "green to pink unknown"
    if abs(duv) < _NOTHING:
        return "neither greener nor pinker"
    name, way = ("plus green", "greener") if duv > 0 else ("minus green", "pinker")
    return f"{way} by {_amount(abs(duv), name)} ({say.give_or_take(Quantity.DUV, abs(duv), u)})"


def span(duv: float, u: float = math.nan) -> str:
    """Return a size that has no way, such as a limit: ``about a 1/8 plus or minus green (0.0033)``."""
    return f"{_amount(abs(duv), 'plus or minus green')} ({say.give_or_take(Quantity.DUV, abs(duv), u)})"


def gap(
    delta_k: float, delta_mired: float, delta_duv: float, u_mired: float = math.nan, u_duv: float = math.nan
) -> str:
    """Return a difference between two lights, never warmth without green to pink; a sentence goes on with "than".

    ``290 K (9.6 mired) warmer and greener by about a third of a 1/8 plus green (0.0012)``: positive mired is warmer,
    positive Duv greener; with half-widths where they are known.
    """
    alike = abs(delta_mired) < 0.05
    if alike and abs(delta_duv) < _NOTHING:
        return "neither warmer nor cooler, neither greener nor pinker"
    size = say.give_or_take(Quantity.MIRED, abs(delta_mired), u_mired)
    warmth = f"{say.kelvin(delta_k)} ({size}) {'warmer' if delta_mired > 0 else 'cooler'}"
    return f"{'neither warmer nor cooler' if alike else warmth} and {green_pink(delta_duv, u_duv)}"


def _amount(size: float, name: str) -> str:
    """Return the gel, the share of the weakest one, or the two gels between which a size [Duv] lies."""
    listed = {gel.name: abs(gel.duv_shift) for gel in nominal_gels()}
    if name == "plus or minus green":
        gels = {one: (listed[f"{one} plus green"] + listed[f"{one} minus green"]) / 2.0 for one in _STRENGTHS}
    else:
        gels = {one: listed[f"{one} {name}"] for one in _STRENGTHS}
    weakest = gels[_STRENGTHS[0]]
    if size < _TRACE * weakest:
        return "a trace"
    steps = [(share * weakest, f"{text}a {_STRENGTHS[0]}") for share, text in _SHARES]
    steps += [(duv, f"a {one}") for one, duv in gels.items()]
    away, said = min((abs(math.log(duv / size)), text) for duv, text in steps)
    if away <= math.log(_NEAR):
        return f"about {said} {name}"
    for (low, weaker), (high, stronger) in pairwise((duv, one) for one, duv in gels.items()):
        if low < size < high:
            return f"between a {weaker} and a {stronger} {name}"
    return f"more than a {_STRENGTHS[-1]} {name}"
