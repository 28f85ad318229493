"""Readings, and lit frames, of which only some is known."""

from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pandas as pd

from greystep.columns import FrameRow, names
from greystep.correct.lit_frames import LitFrame, lit_frames


def readings(rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Return a table of readings with every column that each has: what a row does not say is not known."""
    texts = {field.name: "" for field in fields(FrameRow) if field.type is str}
    unknown = {name: texts.get(name, np.nan) for name in names(FrameRow, optional=False)}
    return pd.DataFrame([unknown | dict(row) for row in rows])


def lit_frame(**known: Any) -> LitFrame:
    """Return a frame by columns of readings and attributes of its light."""
    (frame,) = lit_frames(readings([known]))
    return replace(frame, **{field.name: known[field.name] for field in fields(LitFrame) if field.name in known})
