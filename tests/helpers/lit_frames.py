"""Lit frames of which only some is known."""

from dataclasses import fields, replace
from typing import Any

import numpy as np
import pandas as pd

from greystep.columns import FrameRow, names
from greystep.correct.lit_frames import LitFrame, lit_frames


def lit_frame(**known: Any) -> LitFrame:
    """Return a frame by columns of readings and attributes of its light; nothing is known of the others."""
    texts = {field.name: "" for field in fields(FrameRow) if field.type is str}
    start = dict.fromkeys(names(FrameRow), np.nan) | texts | known
    (frame,) = lit_frames(pd.DataFrame([start]))
    return replace(frame, **{field.name: known[field.name] for field in fields(LitFrame) if field.name in known})
