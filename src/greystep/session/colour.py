"""The colour of each frame's light through its body's one matrix, and what of it is doubtful."""

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import pandas as pd

from greystep.arrays import Booleans, Floats, Indices
from greystep.constants import LAMP_K, LAMP_SHARE
from greystep.flags import Flag
from greystep.measure import camera, chromaticity
from greystep.measure.uncertainty import expanded, propagate
from greystep.raw.dng import same_matrices
from greystep.session.ambient import Signals, settings_of, steady_stops
from greystep.session.bodies import Body
from greystep.session.messages import RoomUnproven
from greystep.session.readings import COLOUR, Doubts, Frames
from greystep.session.settings import Settings
from greystep.terms import LIT

#: What one count of black, or a change of room light, may do to a frame: so many kelvin, or this share of its signal.
CCT_MATTERS_K: Final = 3.0
SHARE_MATTERS: Final = 0.005
#: What uncertainty is given by its causes, and what room light is followed through.
_PARTED: Final = ("mired", "duv")
_MOVED: Final = ("mired", "duv", "u_prime", "v_prime")
#: A white this far from the one at which the matrix is fixed is doubtful [mired].
FAR_MIRED: Final = 50.0


def colour_columns(
    labels: Sequence[str], usable: Booleans, bodies: Mapping[str, Body], signals: Signals
) -> tuple[dict[str, Floats], Doubts]:
    """Return the colour of usable rows, and which have none or are far from where their matrix is fixed.

    Args:
        usable: Array (n,). Rows that have a colour.

    Returns:
        columns: `COLOUR`, ``u_mired_*`` and ``u_duv_*`` for each cause of the uncertainty, the target's reflectance
            among them, and ``room_*``: the value with the change of room light in its stretch left in, less that with
            it taken off; 0 outside of stretches.
        doubts: no_matrix, far_from_locus, far_from_reference.
    """
    count = len(usable)
    parts = [f"u_{name}_{cause}" for cause in (*signals.causes, "target") for name in _PARTED]
    names = (*parts, *COLOUR, *(f"room_{name}" for name in _MOVED))
    columns = {name: np.full(count, np.nan) for name in names}
    no_matrix, no_cct, far = (np.zeros(count, dtype=bool) for _ in range(3))
    for rows, body in _rows_of(labels, usable, bodies):
        found = colours(body, signals.signal[rows], signals.covariance[rows])
        if found is None:
            no_matrix[rows] = True
            continue
        for name in COLOUR:
            columns[name][rows] = getattr(found, name)
        for cause, covariance in signals.causes.items():
            variances = np.diagonal(propagate(found.by_rgb, covariance[rows]), axis1=1, axis2=2)
            for name, variance in zip(_PARTED, variances.T, strict=True):
                columns[f"u_{name}_{cause}"][rows] = expanded(np.sqrt(variance))
        for axis, name in enumerate(_PARTED):
            known = np.where(np.isnan(found.mired), np.nan, 1.0)
            columns[f"u_{name}_target"][rows] = known * expanded(np.sqrt(body.target_doubt[axis, axis]))
            columns[f"u_{name}"][rows] = np.hypot(columns[f"u_{name}"][rows], columns[f"u_{name}_target"][rows])
        columns["u_cct_k"][rows] = columns["u_mired"][rows] * found.cct_k / found.mired
        for name, moved in _moved(body, signals, rows).items():
            columns[f"room_{name}"][rows] = moved
        reference = 1e6 / cct_of(body, np.array([body.reference_neutral]))[0]
        no_cct[rows] = np.isnan(found.mired)
        far[rows] = np.abs(found.mired - reference) > FAR_MIRED
    return columns, {Flag.NO_MATRIX: no_matrix, Flag.FAR_FROM_LOCUS: no_cct, Flag.FAR_FROM_REFERENCE: far}


def _moved(body: Body, signals: Signals, rows: Indices) -> dict[str, Floats]:
    """Return what the change of room light in the stretch of each row does to its colour; 0 outside of stretches."""
    moved = {name: np.zeros(len(rows)) for name in _MOVED}
    at = np.flatnonzero(signals.room[rows] >= 0)
    inside = rows[at]
    change, share = signals.change[inside], signals.share[inside, None]
    left = colours(body, signals.signal[inside] + share * change, signals.covariance[inside])
    off = colours(body, signals.signal[inside] - (1.0 - share) * change, signals.covariance[inside])
    if left is not None and off is not None:
        for name in _MOVED:
            moved[name][at] = getattr(left, name) - getattr(off, name)
    return moved


def light_doubts(labels: Sequence[str], usable: Booleans, bodies: Mapping[str, Body], signals: Signals) -> Doubts:
    """Return rows whose colour depends on the black level, or on whether room light had changed before them.

    Arguments are those of `colour_columns`.
    """
    doubtful, room = np.zeros(len(usable), dtype=bool), np.zeros(len(usable), dtype=bool)
    for rows, body in _rows_of(labels, usable, bodies):
        signal, share = signals.signal[rows], np.nan_to_num(signals.share[rows])
        change = np.sqrt(share * (1.0 - share))[:, None] * signals.change[rows]
        unknown, changed = ~signals.black_known[rows], change.any(axis=1)
        doubtful[rows[unknown]] = _moves(body, signal[unknown], 1.0)
        much = np.abs(change[:, 1]) > SHARE_MATTERS * np.abs(signal[:, 1])
        room[rows[changed]] = much[changed] | _moves(body, signal[changed], change[changed])
    return {Flag.BLACK_DOUBTFUL: doubtful, Flag.AMBIENT_CHANGED: room}


def unproven_room(
    log: pd.DataFrame, flash: Booleans, bodies: Mapping[str, Body], signals: Signals
) -> list[RoomUnproven]:
    """Return the bodies with flash frames before their first or after their last ambient frame, and what that may cost.

    Args:
        log: With body, head, power, exposure_s, f_number, iso.
        flash: Array (n,). Flash frames that can be used.
    """
    found = []
    green, steady = signals.signal[:, 1], steady_stops(settings_of(log))
    for rows, body in _rows_of(log["body"].tolist(), flash & (green > 0), bodies):
        away = steady[rows] - steady[rows[np.argmax(green[rows])]]
        share = LAMP_SHARE * green[rows].max() * 2.0 ** np.nan_to_num(away) / green[rows]
        unseen = ~signals.seen[rows]
        if not unseen.any():
            continue
        at = int(np.argmax(np.where(unseen.any(axis=1), share, 0.0)))
        place, mired = rows[at], float("nan")
        if body.matrix is not None:
            lamp = body.matrix @ (body.target_factor * chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(LAMP_K, 0.0)))
            lit = signals.signal[place] + np.outer([0.0, 1.0], share[at] * green[place] * lamp / lamp[1])
            mired = float(np.diff(1e6 / cct_of(body, lit))[0])
        before, after = bool(unseen[:, 0].any()), bool(unseen[:, 1].any())
        light = (str(log["head"].iloc[place]), str(log["power"].iloc[place]))
        found.append(RoomUnproven(body.label, before, after, *light, mired, float(np.log2(1.0 + share[at]))))
    return found


def _rows_of(labels: Sequence[str], usable: Booleans, bodies: Mapping[str, Body]) -> list[tuple[Indices, Body]]:
    """Return each body with its usable rows."""
    own = np.asarray(labels, dtype=object)
    found = [(np.flatnonzero(usable & (own == label)), body) for label, body in bodies.items()]
    return [(rows, body) for rows, body in found if len(rows)]


def _moves(body: Body, signal: Floats, change: Floats | float) -> Booleans:
    """Return where a change of a signal (n, 3) moves its CCT by more than matters, or takes it away."""
    if not len(signal):
        return np.zeros(0, dtype=bool)
    here, there = cct_of(body, signal), cct_of(body, signal + change)
    return np.asarray(np.isfinite(here) & ~(np.abs(there - here) <= CCT_MATTERS_K))


def other_matrices(frames: Frames, bodies: Mapping[str, Body], settings: Settings) -> Booleans:
    """Return frames with another calibration than the one of their body, unless camera.json replaces all of them."""
    if settings.matrix != "embedded":
        return np.zeros(len(frames.read), dtype=bool)
    carried = [
        (reading.colour, body.tags) if reading is not None and reading.colour is not None and body is not None else None
        for reading, body in zip(frames.read, map(bodies.get, frames.log["body"].tolist()), strict=True)
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
