"""The log of what was shot: a row a frame, and what is still to be shot."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from greystep.session.arrived import Arrived
from greystep.session.conductor import Conducted, Decisions
from greystep.session.placing_events import Place
from greystep.session.shots import BOX, NOT_SHOT, PLACED, SET_ASIDE, SKIPPED
from greystep.terms import Kind


def log_of(plan: pd.DataFrame, frames: Sequence[Arrived], done: Conducted, decided: Decisions) -> pd.DataFrame:
    """Return the log of what was shot: a row a frame in the order in which they came, then what is still to be shot.

    Args:
        plan: As for `conduct`.
        frames: As for `conduct`.

    Returns: The columns of the plan, with `BOX` and `PLACED` before stops and row. A frame without row becomes kind
        ``job``, which enters no mean, and says why. Nothing of the plan is left out: a row that is skipped stays.
    """
    own = [name for name in plan if name not in ("stops", "row", BOX, PLACED)]
    first = [name for name in ("frame", "head", "power", "kind", "pack", "note") if name in own]
    columns = [*first, *(name for name in own if name not in first)]
    box = plan[BOX].tolist() if BOX in plan else [str(place + 1) for place in range(len(plan))]
    cells = plan[[*columns, "stops"]].to_dict(orient="records")
    row_of = {at: row for row, at in enumerate(done.rows.tolist()) if at >= 0}
    records = []
    for at, event in enumerate(done.events):
        if at in row_of:
            row = row_of[at]
            placed = plan[PLACED].iloc[row] if event.what == Place.BY_HAND and PLACED in plan else event.placed
            records.append({**cells[row], "frame": frames[at].frame, BOX: box[row], PLACED: placed})
        else:
            records.append({"frame": frames[at].frame, "kind": Kind.JOB.value, PLACED: f"{SET_ASIDE}{event.placed}"})
    for row in np.flatnonzero(done.rows < 0).tolist():
        said = SKIPPED if row in decided.skipped else NOT_SHOT
        records.append({**cells[row], "frame": "", BOX: box[row], PLACED: said})
    log = pd.DataFrame(records, columns=[*columns, BOX, PLACED, "stops"])
    text = log[[*columns, BOX, PLACED]].fillna("").astype("str")
    return text.assign(stops=log["stops"].astype("float64"), row=np.arange(len(log)) + 2)
