"""What the screen at the set says of a frame."""

import math

import pandas as pd
import pytest

from greystep.columns import FrameRow, names, rows_of
from greystep.pages.at_set import gave

CELLS = {"frame": "f1", "head": "", "power": "", "kind": "dark", "flags": "", "status": "ok"}


@pytest.mark.parametrize(
    ("level", "said"),
    [(-0.3, "card at 0 %"), (0.2, "card at 0 %"), (44.6, "card at 45 %"), (93.0, "card at 93 %"), (math.nan, "")],
)
def test_a_level_is_a_share_of_the_range(level: float, said: str) -> None:
    """The black of a frame with the lens cap on lies as often below its level as above; no share is below nothing."""
    table = pd.DataFrame([{**dict.fromkeys(names(FrameRow), math.nan), **CELLS}])
    parts = gave(rows_of(table, FrameRow)[0], None, level)
    assert parts[1:] == (
        [] if not said else [f"{said} of the range" + " (too high: close the aperture)" * (level > 90)]
    )
