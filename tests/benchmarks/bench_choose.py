"""How long the proven choice of 6 of 24 heads at 9 powers takes: the bar is 5 s.

Run it by hand, ``python tests/benchmarks/bench_choose.py``: a clock is no test. Each kind of kit is harder in its own
way; trying every choice would mean 24 over 6 times 9 ** 6 sets, 7e10.
"""

import math
import time

import numpy as np
from numpy.typing import NDArray

from greystep.mix.search import best_sets

HEADS, POWERS, NEED, BAR_S = 24, 9, 6, 5.0


def kits(rng: np.random.Generator) -> dict[str, NDArray[np.float64]]:
    """Chromaticities of the lights in steps, head by head."""
    heads = rng.standard_normal((HEADS, 1, 2))
    power = np.arange(POWERS)[None, :, None]
    return {
        "drifting apart": 2.0 * heads + 0.5 * rng.standard_normal((HEADS, 1, 2)) * power,
        "drifting alike": 0.3 * heads + np.array([0.8, 0.5]) * power + 0.1 * rng.standard_normal((HEADS, POWERS, 2)),
        "steady": 4.0 * heads + 0.1 * rng.standard_normal((HEADS, POWERS, 2)),
        "scattered": rng.uniform(0.0, 10.0, (HEADS, POWERS, 2)),
        "all alike": np.zeros((HEADS, POWERS, 2)),
    }


def main() -> None:
    sets = math.comb(HEADS, NEED) * POWERS**NEED
    worst = 0.0
    for name, points in kits(np.random.default_rng(1)).items():
        start = time.perf_counter()
        best = best_sets(points.reshape(-1, 2), [place // POWERS for place in range(HEADS * POWERS)], NEED, 4)
        took = time.perf_counter() - start
        worst = max(worst, took)
        print(f"{name:15} {took:6.2f} s  worst pair {best[0].worst:.3f} steps  settled {best[0].settled}")
    print(f"slowest {worst:.2f} s, {BAR_S / worst:.0f} times inside the bar of {BAR_S:g} s; {sets:.1e} sets in all")


if __name__ == "__main__":
    main()
