"""The colour of each frame's light through its body's one matrix, and what of it is doubtful."""

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from greystep.log.ambient import Light
from greystep.log.bodies import Body
from greystep.log.session import Session
from greystep.log.table import COLOUR, Marks
from greystep.measure import camera, chromaticity
from greystep.measure.dng import same_matrices
from greystep.measure.reading import Reading
from greystep.measure.uncertainty import expanded, propagate

Floats = NDArray[np.float64]
Booleans = NDArray[np.bool_]

#: What one count of black, or a change of room light, may do to a frame: so many kelvin, or this share of its signal.
CCT_MATTERS_K: Final = 3.0
SHARE_MATTERS: Final = 0.005
#: A white this far from the one at which the matrix is fixed is doubtful [mired].
FAR_MIRED: Final = 50.0


def add_colour(table: pd.DataFrame, rows: NDArray[np.int64], body: Body, light: Light, marks: Marks) -> None:
    """Fill the colour of one body's usable rows, and mark what has none or is far from where the matrix is fixed."""
    found = colours(body, light.signal[rows], light.covariance[rows])
    if found is None:
        for row in rows:
            marks[row].add("no_matrix")
        return
    for name in COLOUR:
        table.loc[rows, name] = getattr(found, name)
    for name, part in light.parts.items():
        variance = propagate(found.by_rgb, part[rows])[:, 0, 0]
        table.loc[rows, f"u_mired_{name}"] = expanded(np.sqrt(variance))
    reference = 1e6 / cct_of(body, np.array([body.reference_neutral]))[0]
    for row, mired in zip(rows, found.mired, strict=True):
        if np.isnan(mired):
            marks[row].add("far_from_locus")
        elif abs(mired - reference) > FAR_MIRED:
            marks[row].add("far_from_reference")


def doubt_light(rows: NDArray[np.int64], body: Body, light: Light, marks: Marks) -> None:
    """Mark rows whose colour hangs on the black level, or on when the ambient frame was taken."""
    signal, drift = light.signal[rows], light.drift[rows]
    here = cct_of(body, signal)

    def moves(change: Floats) -> Booleans:
        there = cct_of(body, signal + change)
        return np.isfinite(here) & ~(np.abs(there - here) <= CCT_MATTERS_K)

    black = ~light.black_known[rows]
    changed = drift.any(axis=1)
    if black.any():
        for row in rows[black & moves(np.ones(3))]:
            marks[row].add("black_doubtful")
    if changed.any():
        changed &= moves(drift) | (np.abs(drift[:, 1]) > SHARE_MATTERS * np.abs(signal[:, 1]))
        for place in {place for row in rows[changed] for place in (row, *light.serving[row])}:
            marks[place].add("ambient_changed")


def mark_matrices(
    table: pd.DataFrame,
    read: Sequence[Reading | None],
    bodies: Mapping[str, Body],
    session: Session,
    marks: Marks,
) -> None:
    """Mark frames that carry another calibration than the one pinned, unless camera.json replaces all of them."""
    if session.matrix != "embedded":
        return
    for row, (reading, kind) in enumerate(zip(read, table["kind"], strict=True)):
        body = bodies.get(table["body"].iloc[row])
        if kind not in ("flash", "job") or body is None or reading is None or reading.colour is None:
            continue
        if not same_matrices(reading.colour, body.tags):
            marks[row].add("matrix_differs")


def colours(body: Body, signal: Floats, covariance: Floats) -> camera.Colours | None:
    """Return the colour of the light of n frames (n, 3) of one body, the target divided out; None without matrix."""
    if body.matrix is None or not len(signal):
        return None
    return camera.colour_from_matrix(body.matrix @ np.diag(body.target_factor), signal, covariance)


def cct_of(body: Body, signal: Floats) -> Floats:
    """Return the CCT [K] alone of signals (n, 3); NaN where there is none."""
    if body.matrix is None:
        return np.full(len(signal), np.nan)
    xyz = np.linalg.solve(body.matrix @ np.diag(body.target_factor), signal.T).T
    return chromaticity.cct_duv(chromaticity.xyz_to_xy(xyz))[0]
