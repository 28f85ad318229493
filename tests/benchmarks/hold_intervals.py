"""How many of 100 intervals of readings hold the truth, by condition and level, with the trials of the bars: by hand.

    PYTHONPATH=src:tests python tests/benchmarks/hold_intervals.py [TRIALS, 500 by default]

The tests have a part of them, and judge it by how wide intervals are against the errors (`helpers.intervals`).
"""

import sys
import tempfile
from pathlib import Path

import numpy as np

from helpers.lit_patches import CONDITIONS, WEAK, simulate


def main(trials: int) -> None:
    """Print the shares of each condition and level."""
    with tempfile.TemporaryDirectory() as scratch:
        rows = simulate(WEAK, 300.0, max(trials * 2 // 5, 20), Path(scratch), seed=8)
        error = rows["cct_k"] - rows["true_cct_k"]
        held = np.mean(error.abs() <= rows["u_cct_k"])
        print(f"weak, {len(rows)} patches of 512 px: mean error {error.mean():.2f} K, cct_k {held:.1%}")
        for name, condition in CONDITIONS.items():
            for green in (8000.0, 300.0):
                rows = simulate(condition, green, trials, Path(scratch), seed=len(name) + int(green))
                shares = {
                    column: np.mean((rows[column] - rows[f"true_{column}"]).abs() <= rows[f"u_{column}"])
                    for column in ("cct_k", "mired", "duv")
                }
                said = ", ".join(f"{column} {share:.1%}" for column, share in shares.items())
                print(f"{name}, {green:g} counts: {said} of {trials}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 500)
