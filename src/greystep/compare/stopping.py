"""When a test that is still being shot knows enough: what is open after a round, and which lights to shoot for it.

How `watch` asks. session.toml says before the first look how often the test may be looked at (``[test] looks``): no
light is shot in more rounds than that, and every verdict, that of the report too, takes the level of so many looks. The
log begins with two rounds of each light; the rows of further ones are added when they are asked for, since a row
without a frame between others counts as a flash that was lost.

By head: after each leg of the head on the stand, from the second on, `look` with its name: while that is not finished,
the lights of `Look.open` are its next leg; then comes the next head. After the last head and its check and flash-off
frames, `look` without a name: while that is not finished, another set goes round the heads of `Look.open`, each with
check frames before it, and with check and flash-off frames at the end. Where all heads stand rigged a round is one of
all lights, and `look` is asked without a name after each.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
import pandas as pd

from greystep.arrays import Booleans, Floats, Indices
from greystep.compare.cells import same_powers
from greystep.compare.drift import Drift, analyse
from greystep.compare.firing_times import text_column
from greystep.compare.more_rounds import open_differences
from greystep.compare.verdict import Judged, judge
from greystep.session.settings import Settings
from greystep.session.shots import check_rows
from greystep.terms import PARTS, TESTED

#: Rounds before the first look: one alone tells neither scatter nor heat, and a frame that went wrong stays unseen.
FIRST_LOOK: Final = 2


class Reason(StrEnum):
    """Why nothing more is asked."""

    CALLED = "called"  # every verdict
    TOO_CLOSE = "too_close"  # to a limit: the rounds that are left would not tell
    ALL_SHOT = "all_shot"  # all rounds
    WITHHELD = "withheld"  # what is open is so for a reason that more rounds do not cure


@dataclass(frozen=True)
class OpenLight:
    """A light to be shot once more; `parts` are pack, channel, ... where these vary, as (name, value)."""

    head: str
    power: str
    stops: float
    parts: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Look:
    """What a test knows so far.

    Attributes:
        drift, judged: Of the frames so far, the verdicts at the level of a look.
        open: The lights of the next leg or round, in the order to shoot them: each head goes on from the power at which
            it stands.
        reason: Why nothing is open; None where something is.
    """

    drift: Drift
    judged: Judged
    open: tuple[OpenLight, ...]
    reason: Reason | None

    @property
    def finished(self) -> bool:
        """Nothing more is asked: of the head on the stand, or of the test."""
        return self.reason is not None


def look(readings: pd.DataFrame, settings: Settings, head: str = "") -> Look:
    """Look at a test that is being shot, of which `settings` say how often it may be looked at.

    Args:
        readings: The contract's columns. Rows of the log behind the last frame are not looked at.
        head: The one on the stand: only its lights are asked for, by its own differences and those to the heads before
            it. Blank where any light can be shot.

    Raises:
        GreystepError: If no flash frame is there yet, or nothing of the reference head.
    """
    shot = readings["shot"].to_numpy() >= 0
    readings = readings.iloc[: int(np.flatnonzero(shot)[-1]) + 1 if shot.any() else 0]
    if head:  # the flash-off frame that proves the room light is still to come
        readings = readings.assign(room_proven=True)
    drift = analyse(readings, settings)
    judged = judge(drift, settings.tolerance)
    cells = drift.cells
    mine = np.ones(len(cells.head), dtype=bool)
    if head:
        mine = (cells.table["head"] == head).to_numpy()
    n, left = cells.table["n"].to_numpy(), settings.looks - shot_rounds(readings, drift)
    back = np.isin(cells.head, judged.odd.back)
    asked = mine & ~back & (n < FIRST_LOOK) & (left > settings.looks - 2 * FIRST_LOOK)
    found = open_differences(drift, judged.rows, judged.open_heads, judged.closed_heads)
    of_mine = mine[found.first] | mine[found.second]
    possible = np.minimum(*(np.where(mine[at], left[at], settings.looks) for at in (found.first, found.second)))
    chosen = of_mine & (found.needed <= possible)
    for at in (found.first[chosen], found.second[chosen]):
        asked[at[mine[at]]] = True
    if asked.any():
        return Look(drift, judged, _in_order(drift, np.flatnonzero(asked)), None)
    return Look(drift, judged, (), _reason(judged, mine & ~back, of_mine, possible))


def _reason(judged: Judged, asked: Booleans, of_mine: Booleans, possible: Floats) -> Reason:
    """Say why nothing is asked."""
    if of_mine.any():
        return Reason.ALL_SHOT if (possible[of_mine] < 1).all() else Reason.TOO_CLOSE
    for one in judged.rows.values():
        if (one.withheld[asked[one.first] | asked[one.second]] != "").any():
            return Reason.WITHHELD
    return Reason.CALLED


def shot_rounds(readings: pd.DataFrame, drift: Drift) -> Indices:
    """Return how many frames of each cell (c,) were shot, good or bad; check frames are none of them."""
    table = drift.cells.table
    names = ["head", *(name for name in PARTS if name in table)]
    rows = readings[(readings["kind"].isin(TESTED) & (readings["shot"] >= 0)).to_numpy() & ~check_rows(readings)]
    here = same_powers(table["stops"].to_numpy()[:, None], rows["stops"].to_numpy(np.float64))
    for name in names:
        here &= table[name].to_numpy(object)[:, None] == text_column(rows, name).to_numpy(object)
    return np.asarray(here.sum(axis=1), dtype=np.intp)


def _in_order(drift: Drift, cells: Indices) -> tuple[OpenLight, ...]:
    """Return cells head after head, the last on the stand first, each on from the power at which it stands."""
    frames, table = drift.frames, drift.cells.table
    last = {int(one): place for place, one in enumerate(drift.cells.series[frames.cell])}
    lights = []
    for series in sorted(set(drift.cells.series[cells].tolist()), key=lambda one: -last.get(one, -1)):
        leg = cells[drift.cells.series[cells] == series]
        stops = table["stops"].to_numpy(np.float64)[leg]
        now = frames.stops[last[series]] if series in last else stops.min()
        from_top = abs(now - stops.min()) <= abs(now - stops.max())
        lights += leg[np.argsort(stops if from_top else -stops, kind="stable")].tolist()
    columns = [name for name in PARTS if name in table]
    return tuple(
        OpenLight(
            row["head"],
            row["power"],
            float(row["stops"]),
            tuple((name, str(row[name])) for name in columns if row[name]),
        )
        for row in table.iloc[lights].to_dict(orient="records")
    )
