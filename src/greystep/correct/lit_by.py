"""What lit a frame: the heads that the log names, and, where its light has changed, which of them did."""

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from greystep.arrays import Floats
from greystep.correct.lit_frames import LitFrame
from greystep.correct.shared import Reader, assumed_light
from greystep.correct.unmix import Unmixed, unmix
from greystep.errors import GreystepError
from greystep.session.cards import named_lights
from greystep.session.colour import colours
from greystep.session.ingest import Body
from greystep.session.settings import Settings
from greystep.terms import Source

#: A smaller change is not reported, however certain it is [stops], [mired].
_STOPS: Final = 0.02
_MIRED: Final = 0.5


def lights_of(frame: LitFrame, settings: Settings) -> dict[str, float]:
    """Return the heads that lit a frame, see `greystep.session.cards.named_lights`."""
    return named_lights(frame.lights, frame.reading.head, frame.reading.stops, settings)


def only_light(lights: Mapping[str, float]) -> tuple[str, float] | None:
    """Return the one head of some lights and its power; None where there are several, or the power is not known."""
    one = list(lights.items())
    return one[0] if len(one) == 1 and np.isfinite(one[0][1]) else None


def one_light(frame: LitFrame, settings: Settings) -> tuple[str, float] | None:
    """Return the one head that lit a frame and its power, see `only_light`."""
    return only_light(lights_of(frame, settings))


def what_changed(frame: LitFrame, frames: Sequence[LitFrame], settings: Settings, body: Body, read: Reader) -> str:
    """Say which light of a frame is not as it was in the frames that it lit alone; blank where that is not known.

    Args:
        frame: Its light has changed.
        frames: Of the same body with the source of each; single-light frames among them.
    """
    try:
        wanted, mine = lights_of(frame, settings), frame.reading
        alone = [(one_light(other, settings), other) for other in frames if other.reading.frame != mine.frame]
        singles: dict[str, tuple[float, LitFrame]] = {}
        for lit, other in sorted(alone, key=lambda pair: abs(pair[1].reading.shot - mine.shot), reverse=True):
            same = _exposure(other) == _exposure(frame)
            if lit is not None and same and (lit[0] in wanted or len(wanted) < 2):
                singles[lit[0]] = (lit[1], other)
        if len(singles) < 2 or set(wanted) - set(singles):
            return ""
        blocks = [read(other.reading.frame) for _, other in singles.values()]
        mixed = read(mine.frame)
        if any(one.signal.shape != mixed.signal.shape for one in blocks):
            return ""
        found = unmix(blocks, mixed)
    except GreystepError:
        return ""
    if found is None:
        return ""
    said = []
    for place, (head, (stops, other)) in enumerate(singles.items()):
        set_to = wanted.get(head, float("nan"))
        expected = stops - set_to if np.isfinite(set_to) else 0.0
        card = other.source == Source.PATCH
        neutral = np.array([other.r_g, 1.0, other.b_g]) if card else assumed_light(body, blocks[place])
        said.append(_said(head, other.reading.frame, found, place, expected, neutral, body))
    return ", ".join(said)


def _exposure(frame: LitFrame) -> tuple[float, float, float]:
    return frame.reading.exposure_s, frame.reading.f_number, frame.reading.iso


def _said(head: str, frame: str, found: Unmixed, place: int, expected: float, neutral: Floats, body: Body) -> str:
    """Say what one light is against the frame that it lit alone."""
    light = found.amounts[place]
    if light[1] <= 0:
        return f"{head} did not fire"
    change, u_change = float(np.log2(light[1])) - expected, float(found.u_stops[place])
    words = []
    if abs(change) > max(u_change, _STOPS):
        words.append(f"{abs(change):.2f} stop {'brighter' if change > 0 else 'darker'}")
    seen = colours(body, np.stack([neutral, neutral * light]), np.zeros((2, 3, 3)))
    if seen is not None and np.isfinite(seen.mired).all():
        warmer = float(seen.mired[1] - seen.mired[0])
        # 1 % of blue over red is about 1.5 mired near daylight (own arithmetic).
        if abs(warmer) > max(150.0 * float(found.u_contrast[place]), _MIRED):
            words.append(f"{abs(warmer):.1f} mired {'warmer' if warmer > 0 else 'cooler'}")
    return f"{head} {' and '.join(words)} than in {frame}" if words else f"{head} as in {frame}"
