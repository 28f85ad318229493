"""What it costs to hold frames against rows of a log: one set of costs for all that places frames by their light."""

from typing import Final

import numpy as np

from greystep.arrays import Floats

#: On simulated plans with lost and surplus frames none is placed on a wrong light; no source.
#:
#: A row without a frame, or a frame without a row, costs as much as this many stops of disagreement; both together more
#: than a flash that did not fire, and less than a frame one stop off. A frame that is nearer to its row fits it.
GAP: Final = 0.45
NO_FLASH: Final = 0.8
#: What is not known of a row (a job) or of a frame (one that cannot be read) fits anything, but nothing well.
UNKNOWN: Final = 0.3
#: Fewer frames in a row at a head's full level, in front of its first row, are slips of another kind than warm-ups.
WARM_UPS: Final = 3


def disagreement(expected: Floats, measured: Floats) -> Floats:
    """Return the cost (rows, frames) of each frame on each row [stop]; infinite for one with light on a row without.

    Args:
        expected, measured: (rows,) and (frames,) arrays. Light [stop]; NaN is not known; no flash is inf in a row, -inf
            in a frame.
    """
    dark_row, dark_frame = np.isinf(expected)[:, None], np.isinf(measured)[None, :]
    apart = np.abs(measured[None, :] - expected[:, None])
    cost = np.where(dark_row & dark_frame, 0.0, np.where(dark_row, np.inf, np.where(dark_frame, NO_FLASH, apart)))
    return np.where(np.isnan(apart), UNKNOWN, cost)
