"""The least cost of aligning rows with frames, by trying every way."""

from functools import cache

import numpy as np

GAP = 0.45  # of a row without a frame, or a frame without a row


def least(cost: np.ndarray, runs: dict[int, tuple[int, np.ndarray]] | None = None, open_end: bool = False) -> float:
    """Return the least cost of aligning all frames with all rows; with `open_end` rows at the end cost nothing.

    In front of a row of `runs` three frames or more in a row that are alike may be passed over for a hundredth each.
    """
    rows, frames = cost.shape

    @cache
    def rest(row: int, at: int, run: bool) -> float:
        if at == frames and (open_end or row == rows):
            return 0.0
        options = [np.inf]
        if at < frames:
            options.append(GAP + rest(row, at + 1, run))
        if row < rows:
            options.append(GAP + rest(row + 1, at, True))
            if at < frames:
                options.append(cost[row, at] + rest(row + 1, at + 1, True))
        if run and runs and row in runs:
            like = runs[row][1]
            options += [
                0.01 * (end - at) + rest(row, end, False)
                for end in range(at + 3, frames + 1) if like[at:end].all()
            ]  # fmt: skip
        return min(options)

    return rest(0, 0, True)
