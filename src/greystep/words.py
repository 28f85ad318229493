"""What a verdict says in words: warmer and cooler, greener and pinker, stops and tenths, Kelvin (mired)."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from greystep.published import STEP_UPRIME_VPRIME

#: With advice that has someone handle packs and heads; common practice, no source.
CAUTION: Final = (
    "First switch the pack off and discharge it the way its maker says, and let the tube cool: packs hold high voltage "
    "after they are off, and a hot tube can burst. The maker's instructions and the local electrical code come first."
)

#: What is said where `greystep.compare.limits.MOST_ROUNDS` more rounds would not decide.
ON_THE_LIMIT: Final = "even 20 more rounds might not tell, so near the limit is it for its scatter"
#: What gives colours to the frames of a camera without a colour matrix.
GIVE_MATRIX: Final = (
    "shoot a 24-patch colour chart by flash, run greystep camera on that frame, and name its camera.json in "
    'session.toml, [camera] matrix = "camera.json"'
)


def listed(names: Sequence[str]) -> str:
    """Return names as a spoken list: ``A, B and C``."""
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else "".join(names)


def heads(names: Sequence[str]) -> str:
    """Return ``head A`` or ``heads A and B``."""
    return f"head{'s' if len(names) > 1 else ''} {listed(names)}"


def kelvin(size: float) -> str:
    """Return a size [K] as it is said: to the nearest 10 from 100 up."""
    return f"{round(abs(size), -1) if abs(size) >= 99.5 else abs(size):.0f} K"


def gap(delta_k: float, delta_mired: float, delta_duv: float) -> str:
    """Return a difference between two lights: ``290 K (9.6 mired) warmer and 0.0012 greener``.

    Never warmth without tint. Positive mired is warmer, positive Duv is greener.
    """
    warmth = "as warm"
    if abs(delta_mired) >= 0.05:
        warmth = f"{kelvin(delta_k)} ({abs(delta_mired):.1f} mired) {'warmer' if delta_mired > 0 else 'cooler'}"
    if not math.isfinite(delta_duv) or abs(delta_duv) < 0.00005:
        return f"{warmth}, no greener or pinker"
    return f"{warmth} and {abs(delta_duv):.4f} {'greener' if delta_duv > 0 else 'pinker'}"


def way(delta_mired: float, delta_duv: float) -> str:
    """Return the directions of a difference that count, such as ``warmer and pinker``: a third of a step at least."""
    words = ["warmer" if delta_mired > 0 else "cooler"] if abs(delta_mired) >= 1.0 else []
    words += ["greener" if delta_duv > 0 else "pinker"] if abs(delta_duv) >= 0.0003 else []
    return listed(words) or ("warmer" if delta_mired > 0 else "cooler")


def swing(span_k: float, span_mired: float, span_duv: float) -> str:
    """Return how far a head moves over its powers: ``60 K (2.0 mired) and 0.0003 green to pink``."""
    return f"{kelvin(span_k)} ({span_mired:.1f} mired) and {span_duv:.4f} green to pink"


def output(error_stops: float) -> str:
    """Return an output error: ``0.2 stop darker than set``."""
    if abs(error_stops) < 0.05:
        return "as bright as set"
    return f"{abs(error_stops):.1f} stop {'brighter' if error_stops > 0 else 'darker'} than set"


def shutter(seconds: float) -> str:
    """Return a shutter time [s] as cameras mark it: ``1/250 s``, from 0.4 s on ``0.5 s``."""
    return f"1/{1.0 / seconds:.0f} s" if 0.0 < seconds < 0.4 else f"{seconds:.1f}".removesuffix(".0") + " s"


def limit(quantity: str, value: float) -> str:
    """Return a limit as it is said."""
    words = {
        "mired": f"{value:g} mired",
        "kelvin": f"{value:g} K",
        "duv": f"{value:.4f} green to pink",
        "output_stops": f"{value:g} stop",
        "steps": f"{value * STEP_UPRIME_VPRIME:.4f} of colour difference",
    }
    return words[quantity]


def give_or_take(quantity: str, size: float, u: float) -> str:
    """Return a size with its doubt: size, plus-minus sign, half-width, unit; Duv has no unit."""
    digits, unit = {"mired": (1, " mired"), "duv": (4, ""), "output_stops": (2, " stop")}[quantity]
    return f"{size:.{digits}f} \N{PLUS-MINUS SIGN} {u:.{digits}f}{unit}"


@dataclass(frozen=True)
class Pace:
    """How fast a test was shot.

    Attributes
    ----------
    frame_s : float
        Usual time from one flash of a head to its next [s]; NaN where it is not known.
    turn_s : float
        Usual time from one head to another [s]; 0 where there was none.
    """

    frame_s: float
    turn_s: float


def rounds(count: float, cells: int, pace: Pace, heads: int = 1) -> str:
    """Return ``2 more rounds, 4 min``: a round is one more frame of each of `cells`; each of `heads` is set up once."""
    said = f"{count:.0f} more round{'s' if count > 1 else ''}"
    if not math.isfinite(pace.frame_s):
        return said
    seconds = count * cells * pace.frame_s + heads * pace.turn_s
    return f"{said}, {max(math.ceil(seconds / 60.0 - 1e-9), 1)} min"


def cannot_call(count: float, cells: int, pace: Pace) -> str:
    """Return what would decide: ``cannot call it: 2 more rounds, 4 min``."""
    return f"cannot call it: {ON_THE_LIMIT if math.isinf(count) else rounds(count, cells, pace)}"


def stretch(powers: Sequence[str]) -> str:
    """Return a range of powers: ``1/1 to 1/8``, or the one power."""
    return powers[0] if len(powers) == 1 else f"{powers[0]} to {powers[-1]}"
