"""Whether a camera's ISO steps are what they are marked: seen on lights that were shot at two of them.

Nothing is corrected by it. It tells where an output error may be the camera's and not a head's.
"""

from typing import Final

import numpy as np
import pandas as pd

from greystep import flags
from greystep import words as say
from greystep.compare.drift import Drift
from greystep.measure.uncertainty import student_factor

#: An ISO step that is off by less than this [stop] is not worth a word (a choice).
_SHOWS: Final = 0.03


def iso_steps(drift: Drift, readings: pd.DataFrame) -> pd.DataFrame:
    """Return how far each ISO of each camera body is off its marking, against the one that most frames have.

    Parameters
    ----------
    drift : Drift
        For the scatter of output, pooled over the heads.
    readings : DataFrame
        The contract's columns; looked at are the flash frames that the means use.

    Returns
    -------
    DataFrame
        body, iso, base_iso, stops (more is brighter than marked), u_stops (95 % half-width), lights (such as
        ``A at 1/4``). A row an ISO that shares a light, head and power, with the base.
    """
    known = (readings["kind"] == "flash") & (readings["status"] != "rejected")
    known &= readings["flags"].map(flags.serves).astype(bool)
    used = readings[known & readings["output_stops"].notna() & readings["iso"].notna()]
    sums, dof = drift.fitted["output_stops"].sums, drift.fitted["output_stops"].dof
    free = float(dof.sum())
    sd = float(np.sqrt(sums.sum() / free)) if free > 0 else np.nan
    rows = []
    for body, frames in used.groupby("body", sort=False):
        base = frames["iso"].value_counts(sort=True).index[0]
        for iso in sorted(set(frames["iso"]) - {base}):
            differences, weights, lights = [], [], []
            for (head, _), cell in frames.groupby(["head", frames["stops"].round(2)], sort=False):
                here, there = (cell.loc[cell["iso"] == one, "output_stops"] for one in (iso, base))
                if len(here) and len(there):
                    differences.append(float(here.mean() - there.mean()))
                    weights.append(1.0 / (1.0 / len(here) + 1.0 / len(there)))
                    lights.append(f"{head} at {cell['power'].iloc[0]}")
            if lights:
                u = float(student_factor(free)) * sd / np.sqrt(sum(weights)) if free > 0 else np.nan
                off = float(np.average(differences, weights=weights))
                rows.append((body, iso, base, off, u, say.listed(lights)))
    return pd.DataFrame(rows, columns=["body", "iso", "base_iso", "stops", "u_stops", "lights"])


def iso_notes(steps: pd.DataFrame) -> list[str]:
    """Say which ISO steps are off their marking by more than chance."""
    notes = []
    for row in steps.to_dict("records"):
        if abs(row["stops"]) > max(row["u_stops"], _SHOWS):
            size = say.give_or_take("output_stops", abs(row["stops"]), row["u_stops"])
            notes.append(
                f"At ISO {row['iso']:g} this camera reads {size} {'brighter' if row['stops'] > 0 else 'darker'} than "
                f"marked, against ISO {row['base_iso']:g} (seen on {row['lights']}): an output error of that size at "
                "powers shot so is the camera's, not the head's."
            )
    return notes
