"""What lit a frame: the heads that the log names, and, where its light has changed, which of them did."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from greystep.arrays import Floats
from greystep.correct.shared import Reader, assumed_light
from greystep.correct.unmix import Unmixed, unmix
from greystep.errors import GreystepError
from greystep.session.cards import lights_of
from greystep.session.colour import colours
from greystep.session.ingest import Body
from greystep.session.settings import Settings
from greystep.terms import Source

Row = Mapping[Any, Any]

#: A smaller change is not reported, however certain it is [stops], [mired].
_STOPS: Final = 0.02
_MIRED: Final = 0.5
_SETTINGS: Final = ("exposure_s", "f_number", "iso")


def one_light(row: Row, settings: Settings) -> tuple[str, float] | None:
    """Return the one head that lit a frame and its power; None where there were several, or something is not known."""
    lights = list(lights_of(row, settings).items())
    return lights[0] if len(lights) == 1 and np.isfinite(lights[0][1]) else None


def what_changed(row: Row, rows: Sequence[Row], settings: Settings, body: Body, read: Reader) -> str:
    """Say which light of a frame is not as it was in the frames that it lit alone; blank where that is not known.

    Args:
        row: Of readings; its light has changed.
        rows: Of the same body with the source of each, see `greystep.correct.frame_light`; single-light frames among
            them.
    """
    try:
        wanted = lights_of(row, settings)
        alone = [(one_light(other, settings), other) for other in rows if other["frame"] != row["frame"]]
        singles: dict[str, tuple[float, Row]] = {}
        for lit, other in sorted(alone, key=lambda pair: abs(pair[1]["shot"] - row["shot"]), reverse=True):
            same = all(other[name] == row[name] for name in _SETTINGS)
            if lit is not None and same and (lit[0] in wanted or len(wanted) < 2):
                singles[lit[0]] = (lit[1], other)
        if len(singles) < 2 or set(wanted) - set(singles):
            return ""
        blocks = [read(str(other["frame"])) for _, other in singles.values()]
        mixed = read(str(row["frame"]))
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
        card = other.get("source") == Source.PATCH
        neutral = np.array([other["r_g"], 1.0, other["b_g"]]) if card else assumed_light(body, blocks[place])
        said.append(_said(head, str(other["frame"]), found, place, expected, neutral, body))
    return ", ".join(said)


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
