"""What a shutter time does to a set-up: flashes that it cuts, and the room light that it lets in."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd

from greystep.arrays import Floats
from greystep.constants import MARKING_TOLERANCE_STOPS
from greystep.errors import GreystepError
from greystep.flags import Status
from greystep.mix.setup import SetupRow
from greystep.planning.rig import OVER_T01, shutter_for
from greystep.raw.exposure import nominal_time
from greystep.session.ingest import AMBIENT_HIGH_PCT
from greystep.session.settings import HeadInfo
from greystep.terms import TESTED


class Cut(StrEnum):
    """What a shutter does to a flash: all of it in, its faint end lost, cut short of t0.1, or nobody knows."""

    WHOLE = "whole"
    TAIL = "tail"
    SHORT = "cut"
    UNKNOWN = ""


@dataclass(frozen=True)
class FlashTime:
    """A flash against the shutter; t01_s is NaN where session.toml does not say it."""

    role: str
    head: str
    power: str
    t01_s: float
    cut: Cut


@dataclass(frozen=True)
class RoomShare:
    """Share of room light where one light alone falls [%]."""

    role: str
    ambient_pct: float


@dataclass(frozen=True)
class ShutterCheck:
    """Shutter and room light of a set-up.

    Attributes:
        shutter_s: As planned, or as in the test; NaN where neither is known.
        given: The shutter was planned, not taken from the test.
        slowest: That with the longest t0.1.
        least_shutter: The shortest shutter that lets every known flash end; blank where no t0.1 is known.
        ambient_pct: Share of room light in the light of the whole set-up; NaN where the test does not tell.
    """

    shutter_s: float
    given: bool
    flashes: tuple[FlashTime, ...]
    slowest: FlashTime | None
    least_shutter: str
    ambient_pct: float
    room: tuple[RoomShare, ...]
    ambient_high: bool


def check_shutter(
    rows: Sequence[SetupRow],
    readings: pd.DataFrame,
    heads: Mapping[str, HeadInfo],
    output: Floats,
    shutter_s: float | None = None,
) -> ShutterCheck:
    """Check a set-up against a shutter time.

    Args:
        readings: Of the test: its room light.
        heads: What session.toml says of the heads: t0.1.
        output: (c,) array. Of the tested cells [stops].
        shutter_s: As planned [s]; that of the test where it is not given.

    Returns: Room light is that of the test: its amount a second, against flash light as it fell on the target there.
        The light with the largest share is taken to stand as far as it did in the test, the others as their shares say.
        Aperture and ISO change flash and room alike, so that they do not matter.
    """
    time_s, per_second = _room(readings)
    shutter = time_s if shutter_s is None else nominal_time(shutter_s)
    t01 = [duration(heads.get(row.head), row.stops) for row in rows]
    flashes = [FlashTime(row.role, row.head, row.power, t, _cut(shutter, t)) for row, t in zip(rows, t01, strict=True)]
    known = [flash for flash in flashes if math.isfinite(flash.t01_s)]
    try:
        least = shutter_for([flash.t01_s for flash in known], sync="1/500") if known else ""
    except GreystepError:  # longer than every marked time
        least = ""
    light = [row.output(output) for row in rows]
    share = np.array([row.share for row in rows])
    strongest = int(np.argmax(share))
    whole = 2.0 ** light[strongest] / share[strongest]
    ambient = per_second * shutter
    roles = list(dict.fromkeys(row.role for row in rows))
    of_role = [whole * sum(row.share for row in rows if row.role == role) for role in roles]
    alone = [100.0 * ambient / (ambient + part) for part in of_role]
    together = float(100.0 * ambient / (ambient + whole))
    return ShutterCheck(
        shutter_s=shutter,
        given=shutter_s is not None,
        flashes=tuple(flashes),
        slowest=max(known, key=lambda flash: flash.t01_s, default=None),
        least_shutter=least,
        ambient_pct=together,
        room=tuple(RoomShare(role, pct) for role, pct in zip(roles, alone, strict=True)),
        ambient_high=bool(np.any(np.nan_to_num([together, *alone]) > AMBIENT_HIGH_PCT)),
    )


def duration(info: HeadInfo | None, stops: float) -> float:
    """Return t0.1 [s] of a head at a power, NaN where nothing is known of it."""
    return math.nan if info is None else float(info.t01_at(stops))


def _cut(shutter_s: float, t01_s: float) -> Cut:
    """Say what a shutter does to a flash; a marking is rounded by up to a tenth of a stop, which is no difference."""
    if not math.isfinite(shutter_s * t01_s):
        return Cut.UNKNOWN
    longer = shutter_s * 2.0**MARKING_TOLERANCE_STOPS
    return Cut.SHORT if longer < t01_s else Cut.TAIL if longer < OVER_T01 * t01_s else Cut.WHOLE


def _room(readings: pd.DataFrame) -> tuple[float, float]:
    """Return the usual shutter of the test [s] and its room light a second, in the unit of 2**output_stops; NaN each.

    The share of room light in a frame and its flash light give the room light of that frame.
    """
    flash = readings[readings["kind"].isin(TESTED) & (readings["status"] != Status.REJECTED)]
    recorded, pct, stops = flash[["exposure_s", "ambient_pct", "output_stops"]].to_numpy(np.float64).T
    time_s = np.array([nominal_time(seconds) if seconds > 0 else math.nan for seconds in recorded])
    with np.errstate(invalid="ignore", divide="ignore"):
        room = 2.0**stops * pct / (100.0 - pct) / time_s
    times, rooms = time_s[np.isfinite(time_s)], room[np.isfinite(room)]
    return float(np.median(times)) if len(times) else math.nan, float(np.median(rooms)) if len(rooms) else math.nan
