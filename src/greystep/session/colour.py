"""The colour of each frame's light through its body's one matrix, and what of it is doubtful."""

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from greystep.arrays import Booleans, Floats, Indices
from greystep.flags import Flag
from greystep.measure import camera, chromaticity
from greystep.measure.uncertainty import expanded, propagate
from greystep.raw.dng import same_matrices
from greystep.session.ambient import Signals
from greystep.session.bodies import Body
from greystep.session.readings import COLOUR, Doubts, Frames
from greystep.session.settings import Settings
from greystep.terms import LIT

#: What one count of black, or a change of room light, may do to a frame: so many kelvin, or this share of its signal.
CCT_MATTERS_K: Final = 3.0
SHARE_MATTERS: Final = 0.005
#: A white this far from the one at which the matrix is fixed is doubtful [mired].
FAR_MIRED: Final = 50.0


def colour_columns(
    labels: Sequence[str], usable: Booleans, bodies: Mapping[str, Body], signals: Signals
) -> tuple[dict[str, Floats], Doubts]:
    """Return the colour of usable rows, and which have none or are far from where their matrix is fixed.

    Args:
        usable: Array (n,). Rows that have a colour.

    Returns:
        columns: `COLOUR`, and ``u_mired_*`` for each cause of the uncertainty [mired]; for the target's reflectance
            ``u_duv_target`` too.
        doubts: no_matrix, far_from_locus, far_from_reference.
    """
    count = len(usable)
    causes = (*(f"u_mired_{cause}" for cause in signals.causes), "u_mired_target", "u_duv_target")
    columns = {name: np.full(count, np.nan) for name in (*causes, *COLOUR)}
    no_matrix, no_cct, far = (np.zeros(count, dtype=bool) for _ in range(3))
    for rows, body in _rows_of(labels, usable, bodies):
        found = colours(body, signals.signal[rows], signals.covariance[rows])
        if found is None:
            no_matrix[rows] = True
            continue
        for name in COLOUR:
            columns[name][rows] = getattr(found, name)
        for cause, covariance in signals.causes.items():
            variance = propagate(found.by_rgb, covariance[rows])[:, 0, 0]
            columns[f"u_mired_{cause}"][rows] = expanded(np.sqrt(variance))
        for axis, name in enumerate(("mired", "duv")):
            known = np.where(np.isnan(found.mired), np.nan, 1.0)
            columns[f"u_{name}_target"][rows] = known * expanded(np.sqrt(body.target_doubt[axis, axis]))
            columns[f"u_{name}"][rows] = np.hypot(columns[f"u_{name}"][rows], columns[f"u_{name}_target"][rows])
        columns["u_cct_k"][rows] = columns["u_mired"][rows] * found.cct_k / found.mired
        reference = 1e6 / cct_of(body, np.array([body.reference_neutral]))[0]
        no_cct[rows] = np.isnan(found.mired)
        far[rows] = np.abs(found.mired - reference) > FAR_MIRED
    return columns, {Flag.NO_MATRIX: no_matrix, Flag.FAR_FROM_LOCUS: no_cct, Flag.FAR_FROM_REFERENCE: far}


def light_doubts(labels: Sequence[str], usable: Booleans, bodies: Mapping[str, Body], signals: Signals) -> Doubts:
    """Return rows whose colour depends on the black level, or on when the ambient frame was taken, and that frame.

    Arguments are those of `colour_columns`.
    """
    doubtful, room = np.zeros(len(usable), dtype=bool), np.zeros(len(usable), dtype=bool)
    for rows, body in _rows_of(labels, usable, bodies):
        signal, change = signals.signal[rows], signals.drift[rows]
        here = cct_of(body, signal)
        doubtful[rows] = ~signals.black_known[rows] & _moves(body, here, signal + 1.0)
        much = _moves(body, here, signal + change) | (np.abs(change[:, 1]) > SHARE_MATTERS * np.abs(signal[:, 1]))
        for row in rows[change.any(axis=1) & much]:
            room[[row, *signals.serving[row]]] = True
    return {Flag.BLACK_DOUBTFUL: doubtful, Flag.AMBIENT_CHANGED: room}


def _rows_of(labels: Sequence[str], usable: Booleans, bodies: Mapping[str, Body]) -> list[tuple[Indices, Body]]:
    """Return each body with its usable rows."""
    own = np.asarray(labels, dtype=object)
    found = [(np.flatnonzero(usable & (own == label)), body) for label, body in bodies.items()]
    return [(rows, body) for rows, body in found if len(rows)]


def _moves(body: Body, here: Floats, signal: Floats) -> Booleans:
    """Return where a changed signal moves a CCT by more than matters, or takes it away."""
    return np.asarray(np.isfinite(here) & ~(np.abs(cct_of(body, signal) - here) <= CCT_MATTERS_K))


def other_matrices(frames: Frames, bodies: Mapping[str, Body], settings: Settings) -> Booleans:
    """Return frames with another calibration than the one of their body, unless camera.json replaces all of them."""
    if settings.matrix != "embedded":
        return np.zeros(len(frames.read), dtype=bool)
    carried = [
        (reading.colour, body.tags) if reading is not None and reading.colour is not None and body is not None else None
        for reading, body in zip(frames.read, map(bodies.get, frames.log["body"]), strict=True)
    ]
    other = [pair is not None and not same_matrices(*pair) for pair in carried]
    return np.asarray(frames.of_kind(*LIT) & np.array(other, dtype=bool))


def colours(body: Body, signal: Floats, covariance: Floats) -> camera.Colours | None:
    """Return the colour of the light of n frames (n, 3) of one body, the target divided out; None without matrix."""
    if (sees := body.sees) is None or not len(signal):
        return None
    return camera.colour_from_matrix(sees, signal, covariance)


def cct_of(body: Body, signal: Floats) -> Floats:
    """Return the CCT [K] alone of signals (n, 3); NaN where there is none."""
    if (sees := body.sees) is None:
        return np.full(len(signal), np.nan)
    xyz = np.linalg.solve(sees, signal.T).T
    return chromaticity.cct_duv(chromaticity.xyz_to_xy(xyz))[0]
