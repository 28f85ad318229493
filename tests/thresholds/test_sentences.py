"""Limits of what is said, just inside and just outside."""

from dataclasses import fields

import numpy as np
import pytest

from greystep.flags import Flag
from greystep.sentences.frames import line
from greystep.session.messages import FlaggedFrame, FrameFault


@pytest.mark.parametrize(("clipped", "over"), [(80.0, False), (95.0, True)])
def test_a_card_of_which_nine_tenths_are_clipped_is_over_the_range(clipped: float, over: bool) -> None:
    blank = {one.name: "" if one.type is str else False if one.type is bool else np.nan for one in fields(FlaggedFrame)}
    frame = FlaggedFrame(**blank | {"frame": "a.dng", "row": 2, "clipped_pct": clipped})
    said = line(FrameFault(Flag.CLIPPED, (frame,)))
    assert ("close the aperture by 2 stops" in said) == over
    assert ("80 %" in said) != over
