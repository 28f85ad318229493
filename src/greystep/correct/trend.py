"""The trend of a series: its slow course is kept, what jumps from frame to frame is removed."""

from typing import Final

import numpy as np
import numpy.typing as npt

from greystep.arrays import Floats, tukey_weights

#: Frames that the trend is drawn through at each place.
OVER: Final = 9
_ROUNDS: Final = 4


def trend(values: npt.ArrayLike, over: int = OVER) -> Floats:
    """Return the trend of a series in capture order.

    Args:
        values: Array (n,). Logarithms of light, or stops; NaN where a frame has none.
        over: Frames that count at each place, at least 3.

    Returns: array (n,): At each frame a straight line through the `over` nearest known ones, near ones counting more
        and those that jump counting less (locally weighted regression with Tukey's weights, Cleveland 1979, from
        memory). A straight course is kept as it is, its ends too. NaN where the series is NaN.
    """
    y = np.asarray(values, dtype=np.float64)
    known = np.flatnonzero(np.isfinite(y))
    found = np.full(len(y), np.nan)
    if len(known) < 3:
        found[known] = y[known].mean() if len(known) else np.nan
        return found
    x, y = known.astype(np.float64), y[known]
    near = min(max(over, 3), len(known))
    steady = np.ones(len(known))
    line = y
    for _ in range(_ROUNDS):
        line = np.array([_line_at(x, y, steady, place, near) for place in range(len(x))])
        left = y - line
        scale = 6.0 * float(np.median(np.abs(left)))
        if scale <= 0.0:
            break
        steady = tukey_weights(left, scale, 1e-6)
    found[known] = line
    return found


def _line_at(x: Floats, y: Floats, steady: Floats, place: int, near: int) -> float:
    """Return the height at one place of the weighted line through its nearest neighbours."""
    away = np.abs(x - x[place])
    reach = np.partition(away, near - 1)[near - 1] * (1.0 + 1.0 / near)
    weight = np.clip(1.0 - (away / max(reach, 1e-9)) ** 3, 0.0, None) ** 3 * steady
    total = weight.sum()
    middle = float(weight @ x / total)
    spread = float(weight @ (x - middle) ** 2)
    slope = float(weight @ ((x - middle) * y) / spread) if spread > 0 else 0.0
    return float(weight @ y / total + slope * (x[place] - middle))
