"""What a row and a frame cost each other."""

import numpy as np

from greystep.session.costs import disagreement


def test_what_a_row_and_a_frame_cost_each_other() -> None:
    """Rows: a flash at level 1, none, not known. Frames: a flash at level 3, none, not known."""
    rows, frames = np.array([1.0, np.inf, np.nan]), np.array([3.0, -np.inf, np.nan])
    assert disagreement(rows, frames).tolist() == [[2.0, 0.8, 0.3], [np.inf, 0.0, 0.3], [0.3, 0.3, 0.3]]
    assert disagreement(np.array([5.0]), np.array([2.0, 4.5])).tolist() == [[3.0, 0.5]]
