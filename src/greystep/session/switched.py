"""When room light changed between two flash-off frames: the moment at which repeats of a light agree best."""

from typing import Final

import numpy as np
import pandas as pd

from greystep.arrays import Booleans, Floats, Indices
from greystep.measure.uncertainty import propagate
from greystep.session.ambient import Signals
from greystep.session.faults import cells

#: Scatter from shot to shot that is taken for likely before the frames are seen, k = 1, in log(red / blue), in
#: log(green^2 / (red blue)) and in log(green): 0.3 mired, 0.00005 Duv and 0.01 stop in a usual camera. It weighs as
#: much as so many repeats. Assumptions of this tool.
_SCATTER: Final = np.array([0.002, 0.001, 0.007])
_WEIGHT: Final = 3.0
#: A head's light may also move slowly, as it does when it warms up: by so many times its scatter, half forgotten after
#: about so many shots. Only what jumps with the light of the room tells of the room. Assumptions of this tool.
_SLOW: Final = 1.5
_SHOTS: Final = 8.0
#: Derivatives of these three by log RGB.
_LOGS: Final = np.array([[1.0, 0.0, -1.0], [-1.0, 2.0, -1.0], [0.0, 1.0, 0.0]])
#: A channel without light has no log [raw counts].
_LEAST: Final = 1e-3


def shares(table: pd.DataFrame, signals: Signals, used: Booleans) -> Floats:
    """Return the chance that room light had changed before each frame of a stretch, see `Signals.share`.

    Every gap between the frames of a stretch is as likely at first, the one before the first and the one after the last
    included. For each of them room light is taken off, and what the repeats of each light then scatter about their own
    level, beyond their noise and what moves slowly, makes it more or less likely. The scatter of each head is its own
    and not known (Student's distribution), so that one frame that is off makes nothing sure. Where no light has
    repeats all gaps stay as likely.

    Args:
        table: With the columns of a cell and shot, one row a frame.
        used: Array (n,). Flash frames that count.

    Returns: array (n,): NaN outside all stretches.
    """
    share = signals.share.copy()
    before = signals.signal + np.nan_to_num(share)[:, None] * signals.change
    noise = np.diagonal(
        propagate(_LOGS / np.maximum(before, _LEAST)[:, None, :], signals.causes["frame"]), axis1=1, axis2=2
    )
    head = table.groupby(["body", "head"], sort=False, dropna=False).ngroup().to_numpy()
    cell, shot = cells(table), table["shot"].to_numpy(dtype=np.float64)
    stretches = [np.flatnonzero(signals.room == number) for number in range(int(signals.room.max(initial=-1)) + 1)]
    for _ in range(2 if len(stretches) > 1 else 1):  # each stretch by what is known of the others
        for stretch in stretches:
            rows = stretch[np.argsort(shot[stretch])]
            likely = np.zeros(len(rows) + 1)
            for number in np.unique(head[rows[used[rows]]]):
                mine = np.flatnonzero(used & (head == number))
                gone = np.nan_to_num(share)[mine, None] * np.ones(len(likely))
                here = np.isin(mine, rows)
                # Of the gap before frame t all frames from t on come after the change.
                gone[here] = np.searchsorted(shot[rows], shot[mine[here]])[:, None] >= np.arange(len(likely))
                likely += _agreement(before[mine], signals.change[mine], gone, noise[mine], cell[mine], shot[mine])
            chance = np.exp(likely - likely.max())
            share[rows] = np.minimum(np.cumsum(chance)[:-1] / chance.sum(), 1.0)
    return share


def _agreement(before: Floats, change: Floats, gone: Floats, noise: Floats, cell: Indices, shot: Floats) -> Floats:
    """Return the log of how likely one head's n frames are under each of m guesses.

    Args:
        before: Array (n, 3). Signals with the light of before the change taken off.
        change: Array (n, 3).
        gone: Array (n, m). Share of the change that is taken off too.
        noise: Array (n, 3). Variance of the three logs by the frame's own noise.
        cell, shot: Arrays (n,).
    """
    log = np.log(np.maximum(before[:, None, :] - gone[:, :, None] * change[:, None, :], _LEAST))
    light = log @ _LOGS.T
    own = (cell[:, None] == np.unique(cell)).astype(np.float64)
    dof = len(cell) - own.shape[1]
    # What is known to scatter so much is the light of the flash, what was seen is the sum: light that is wrongly left
    # in dilutes the scatter, and would seem to fit better. The derivative of the logs by the signals, of what deviates.
    repeats = own @ own.sum(axis=0)
    found = np.asarray((1.0 / repeats - 1.0) @ log.sum(axis=2))
    slow = _SLOW**2 * np.exp(-np.abs(shot[:, None] - shot) / _SHOTS)
    for place, scatter in enumerate(_SCATTER):
        weight = np.linalg.inv(np.eye(len(cell)) + slow + np.diag(noise[:, place] / scatter**2))
        level = weight @ own
        weight -= level @ np.linalg.solve(own.T @ level, level.T)
        away = light[:, :, place] / scatter
        squares = np.einsum("it,ij,jt->t", away, weight, away)
        found -= (_WEIGHT + dof) / 2.0 * np.log1p(squares / _WEIGHT)
    return found
