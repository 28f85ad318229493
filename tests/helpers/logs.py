"""Logs as tables, made of a few letters."""

from typing import Any

import numpy as np
import pandas as pd


def log(*lights: str, **more: Any) -> pd.DataFrame:
    """Rows by head and stops, ``A0``; ``-`` is an ambient frame, ``?`` a job frame."""
    kinds = [{"-": "ambient", "?": "job"}.get(one, "flash") for one in lights]
    usual: dict[str, Any] = {
        "frame": "", "head": [one[0] if kind == "flash" else "" for one, kind in zip(lights, kinds, strict=True)],
        "power": [one[1:] for one in lights], "kind": kinds, "note": "", "row": np.arange(len(lights)) + 2,
        "stops": [float(one[1:]) if kind == "flash" else np.nan for one, kind in zip(lights, kinds, strict=True)],
    }  # fmt: skip
    return pd.DataFrame(usual | more)
