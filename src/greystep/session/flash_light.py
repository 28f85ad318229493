"""The light of the flash in each frame: exposure settings and room light taken out of its level."""

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd

from greystep.arrays import Booleans, Floats
from greystep.measure.reading import DARKEST, TOO_DARK, Reading
from greystep.raw.exposure import body_label
from greystep.session.readings import exposure_stops

#: Frames without flash lie at least this far below the others [stop], or light does not tell them apart.
_PARTED: Final = 1.5
#: Less than this share of the range may be no flash: half of what is too dark.
_DIM: Final = TOO_DARK / 2.0
#: A dim frame with so many times the room light has flash in it: an ISO that was left low.
_OVER_ROOM: Final = 4.0
#: Of frames without flash, those brighter than three quarters may have had a lamp on, the darkest have the lens cap on.
_ROOM_QUANTILE: Final = 0.75


def share_of(reading: Reading) -> float:
    """Return the green of a frame as a share of the range; NaN where nothing was measured."""
    signal = reading.signal
    return np.nan if signal is None or signal.damage else signal.mean[1] / (signal.white[1] - signal.black[1])


def is_dim(reading: Reading) -> bool:
    """Say whether a frame may have no flash in it, by its level alone."""
    return share_of(reading) < _DIM


def light_by_count(readings: Sequence[Reading], unlit: int) -> Floats | None:
    """Return of each frame of a whole log log2 of the flash in it, in a unit of the session's own.

    Args:
        unlit: How many frames without flash the log has; the gap in level nearest to that number parts them from the
            others.

    Returns: (n,) array or None: -inf without flash, NaN where a frame cannot tell. None where the light of the session
        cannot be compared: more than one camera body, or no gap.
    """
    share, settings = _shares(readings), _settings(readings)
    if len(_bodies(readings)) != 1:
        return None
    level = np.log2(np.maximum(share, DARKEST)) + settings
    known = np.sort(level[np.isfinite(level)])
    if not len(known):
        return None
    below = np.concatenate([[np.log2(DARKEST) + np.nanmin(settings)], known[:-1]])
    gaps = np.flatnonzero(known - below >= _PARTED)
    if not len(gaps):
        return None
    first = int(gaps[np.argmin(np.abs(gaps - unlit))])
    return _flash(share, settings, level < known[first])


def light_as_it_comes(readings: Sequence[Reading]) -> Floats:
    """Return of each frame so far log2 of the flash in it, in a unit of the session's own.

    Returns: (n,) array. -inf without flash: too dark for it, and no brighter than room light; NaN where a frame cannot
        tell, and of several camera bodies, whose light cannot be compared.
    """
    share, settings = _shares(readings), _settings(readings)
    dim = share < _DIM
    room = _room(share, settings, dim, 0.5) / 2.0**settings  # half of the dim ones are without flash
    dark = dim & ~(share > np.maximum(_OVER_ROOM * room, DARKEST))
    light = _flash(share, settings, dark)
    return light if len(_bodies(readings)) == 1 else np.where(dark, light, np.nan)


def _flash(share: Floats, settings: Floats, unlit: Booleans) -> Floats:
    flash = np.maximum(share - _room(share, settings, unlit) / 2.0**settings, DARKEST)
    return np.where(unlit, -np.inf, np.log2(flash) + settings)


def _room(share: Floats, settings: Floats, unlit: Booleans, quantile: float = _ROOM_QUANTILE) -> float:
    """Return the room light, as a share of the range with the settings taken out."""
    dark = (share * 2.0**settings)[unlit & np.isfinite(share * settings)]
    return float(np.quantile(dark, quantile)) if len(dark) else 0.0


def _shares(readings: Sequence[Reading]) -> Floats:
    return np.array([share_of(reading) for reading in readings])


def _bodies(readings: Sequence[Reading]) -> set[str]:
    return {body_label(reading.exposure) for reading in readings}


def _settings(readings: Sequence[Reading]) -> Floats:
    """Return log2(N^2 / ISO) of each frame, see `exposure_stops`."""
    recorded = [(one.exposure.f_number, one.exposure.iso) for one in readings]
    table = pd.DataFrame(recorded, columns=["f_number", "iso"], dtype=np.float64)
    return exposure_stops(table.assign(body=[body_label(one.exposure) for one in readings]))
