"""Which frames are read whole: those whose corners do not tell enough, and job frames, which must show the card."""

import numpy as np
import pandas as pd

from greystep.measure.reading import Reading
from greystep.raw.exposure import Exposure
from greystep.session.places import to_read_whole
from greystep.session.readings import joined

CORNERS = np.tile(np.outer(np.arange(12) % 5, np.arange(12) % 3).astype(float), (4, 1, 1))


def whole(*kinds: str, placed: str = "") -> list[str]:
    """Frames of these kinds, all alike, of whose surround the corners alone are read."""
    names = [f"f{at}" for at in range(len(kinds))]
    log = pd.DataFrame({"frame": names, "kind": kinds, "head": "A", "power": "full", "note": "", "pack": ""})
    log = log.assign(placed=[placed if kind == "job" else "in order" for kind in kinds]).astype("str")
    read = {name: Reading(Exposure(serial="7"), 10, 10, corners=CORNERS) for name in names}
    return to_read_whole(joined(log.assign(stops=0.0, row=0), names, read))


def test_a_job_frame_makes_its_body_be_read_whole_and_one_that_was_set_aside_does_not() -> None:
    """Else a misfire in a shoot of 100 large frames would take a minute."""
    assert whole("flash", "flash") == []
    assert whole("flash", "flash", "job") == ["f0", "f1", "f2"]
    assert whole("flash", "flash", "job", placed="set aside: rejected: no_flash") == []
