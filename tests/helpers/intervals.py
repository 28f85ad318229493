"""Whether 95 % intervals are as wide as they should be, from fewer trials than a count of hits needs."""

import numpy as np
import numpy.typing as npt


def narrowness(errors: npt.ArrayLike, halves: npt.ArrayLike) -> float:
    """Return how far errors go against their 95 % half-widths: 1 where these are right, 1.2 where a sixth too narrow.

    The root mean square of error over half-width, times 1.96. Of Student's t the factor and the longer tails cancel to
    2 % from 8 degrees of freedom on. By n independent errors it is known to 1 / sqrt(2 n): a hundred tell an interval
    that is a sixth too narrow (it would hold 90 in 100) by nearly three standard deviations, a count of hits by two.
    """
    ratio = np.asarray(errors, dtype=np.float64) / np.asarray(halves, dtype=np.float64)
    ratio = ratio[np.isfinite(ratio)]
    assert len(ratio) > 10
    return float(1.96 * np.sqrt(np.mean(ratio**2)))
