"""What the rows of a plan ask for, as far as a frame's light can tell it."""

import math
import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from greystep.arrays import Booleans, Floats, Indices
from greystep.session.costs import GAP
from greystep.session.shots import check_rows
from greystep.terms import PARTS, TESTED, UNLIT, Kind


@dataclass(frozen=True)
class Lights:
    """What a plan says of its rows.

    Attributes:
        unlit: (r,) bool array. Rows without flash.
        known: (r,) bool array. Rows whose head and power are known.
        stops: (r,) array. Below full; NaN where not known.
        own: (r,) int array. Rows of one number have one level: a head with its pack, channel and what else parts it.
        one: (r,) int array. Rows of one number have one light.
        iso: (r,) array. That the plan asks for; NaN where it does not say.
        fits: How near a frame must be to its row [stop]: `GAP`, or half a step where the plan has finer ones.
    """

    unlit: Booleans
    known: Booleans
    stops: Floats
    own: Indices
    one: Indices
    iso: Floats
    fits: float

    @classmethod
    def of(cls, plan: pd.DataFrame) -> "Lights":
        """Read a plan."""
        kinds = plan["kind"].where(~check_rows(plan), Kind.FLASH.value)
        unlit = kinds.isin(UNLIT).to_numpy(dtype=bool)
        stops = plan["stops"].to_numpy(np.float64)
        known = (kinds.isin([*TESTED, Kind.CARD]) & (plan["head"] != "")).to_numpy(dtype=bool) & np.isfinite(stops)
        parts = [name for name in ("head", *PARTS) if name in plan]
        own = plan.groupby(parts, sort=False, dropna=False).ngroup().to_numpy().astype(np.intp)
        keys = plan[parts].assign(kind=kinds.where(~unlit, "unlit"), stops=np.round(np.nan_to_num(stops, nan=-1.0), 3))
        one = keys.groupby([*parts, "kind", "stops"], sort=False).ngroup().to_numpy().astype(np.intp)
        notes = plan["note"] if "note" in plan else pd.Series("", index=plan.index)
        iso = np.array([float(found[1]) if (found := re.search(r"\bISO (\d+)", note)) else math.nan for note in notes])
        steps = np.diff(np.unique(np.round(stops[known], 2)))
        return cls(unlit, known, stops, own, one, iso, min(GAP, 0.5 * float(steps.min()) if len(steps) else GAP))
