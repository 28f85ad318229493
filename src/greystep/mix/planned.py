"""What the planned shutter does to a set-up: flashes that it cuts, and the room light that it lets in."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from greystep.compare.fit import Array
from greystep.errors import GreystepError
from greystep.files import records
from greystep.log.ingest import AMBIENT_HIGH_PCT
from greystep.log.rig import OVER_T01, shutter_for
from greystep.log.session import HeadInfo
from greystep.measure.exposure import nominal_time
from greystep.mix.setup import SetupRow
from greystep.published import MARKING_TOLERANCE_STOPS

#: What a shutter does to a flash: all of it in, its faint end lost, cut short of t0.1.
WHOLE: Final = "whole"
TAIL: Final = "tail"
CUT: Final = "cut"


@dataclass(frozen=True)
class Planned:
    """Shutter and room light of a set-up.

    Attributes
    ----------
    shutter_s : float
        As planned, or as in the test; NaN where neither is known.
    given : bool
        The shutter was planned, not taken from the test.
    flashes : DataFrame
        A row a head: role, head, power, t01_s (NaN where session.toml does not say), cut: one of `WHOLE`, `TAIL`,
        `CUT`, blank where it cannot be told.
    slowest : dict or None
        The row with the longest t0.1.
    least_shutter : str
        The shortest shutter that lets every known flash end; blank where no t0.1 is known.
    ambient_pct : float
        Share of room light in the light of the whole set-up; NaN where the test does not tell.
    ambient : DataFrame
        A row a light: role, ambient_pct where it alone falls.
    ambient_high : bool
    """

    shutter_s: float
    given: bool
    flashes: pd.DataFrame
    slowest: dict[str, Any] | None
    least_shutter: str
    ambient_pct: float
    ambient: pd.DataFrame
    ambient_high: bool


def check_planned(
    rows: Sequence[SetupRow],
    readings: pd.DataFrame,
    heads: Mapping[str, HeadInfo],
    output: Array,
    shutter_s: float | None = None,
) -> Planned:
    """Check a set-up against a shutter time.

    Parameters
    ----------
    rows : sequence of SetupRow
        The set-up.
    readings : DataFrame
        Of the test: its room light.
    heads : mapping
        What session.toml says of the heads: t0.1.
    output : (c,) array
        Of the tested cells [stops].
    shutter_s : float, optional
        As planned [s]; that of the test where it is not given.

    Returns
    -------
    Planned
        Room light is that of the test: its amount a second, against flash light as it fell on the target there. The
        light with the largest share is taken to stand as far as it did in the test, the others as their shares say.
        Aperture and ISO change flash and room alike, so that they do not matter.
    """
    time_s, per_second = _room(readings)
    shutter = time_s if shutter_s is None else nominal_time(shutter_s)
    flashes = pd.DataFrame(
        [
            {"role": row.role, "head": row.head, "power": row.power, "t01_s": t01, "cut": _cut(shutter, t01)}
            for row in rows
            for t01 in [duration(heads.get(row.head), row.stops)]
        ]
    )
    known = flashes.dropna(subset=["t01_s"])
    at = int(np.argmax(known["t01_s"].to_numpy(np.float64))) if len(known) else 0
    slowest = records(known.iloc[[at]])[0] if len(known) else None
    least = ""
    if slowest is not None:
        try:
            least = shutter_for(known["t01_s"], sync="1/500")
        except GreystepError:  # longer than every marked time
            least = ""
    light = np.array([sum(weight * output[cell] for cell, weight in row.cells) - row.gel.stops for row in rows])
    share = np.array([row.share for row in rows])
    strongest = int(np.argmax(share))
    whole = 2.0 ** light[strongest] / share[strongest]
    room = per_second * shutter
    roles = list(dict.fromkeys(row.role for row in rows))
    of_role = [whole * sum(row.share for row in rows if row.role == role) for role in roles]
    alone = [100.0 * room / (room + part) for part in of_role]
    pct = float(100.0 * room / (room + whole))
    return Planned(
        shutter_s=shutter,
        given=shutter_s is not None,
        flashes=flashes,
        slowest=slowest,
        least_shutter=least,
        ambient_pct=pct,
        ambient=pd.DataFrame({"role": roles, "ambient_pct": alone}),
        ambient_high=bool(np.any(np.nan_to_num([pct, *alone]) > AMBIENT_HIGH_PCT)),
    )


def duration(info: HeadInfo | None, stops: float) -> float:
    """Return t0.1 [s] of a head at a power, NaN where nothing is known of it.

    Between powers that are known its logarithm is straight in stops; beyond them the nearest one stands.
    """
    if info is None or not info.t01_s:
        return math.nan
    known = sorted(info.t01_s)
    return float(np.exp(np.interp(stops, known, np.log([info.t01_s[at] for at in known]))))


def _cut(shutter_s: float, t01_s: float) -> str:
    """Say what a shutter does to a flash; a marking is rounded by up to a tenth of a stop, which is no difference."""
    if not math.isfinite(shutter_s * t01_s):
        return ""
    longer = shutter_s * 2.0**MARKING_TOLERANCE_STOPS
    return CUT if longer < t01_s else TAIL if longer < OVER_T01 * t01_s else WHOLE


def _room(readings: pd.DataFrame) -> tuple[float, float]:
    """Return the usual shutter of the test [s] and its room light a second, in the unit of 2**output_stops; NaN each.

    The share of room light in a frame and its flash light give the room light of that frame.
    """
    flash = readings[(readings["kind"] == "flash") & (readings["status"] != "rejected")]
    columns = [flash[name].to_numpy(np.float64) for name in ("exposure_s", "ambient_pct", "output_stops")]
    recorded, pct, stops = columns
    time_s = np.array([nominal_time(seconds) if seconds > 0 else math.nan for seconds in recorded])
    with np.errstate(invalid="ignore", divide="ignore"):
        room = 2.0**stops * pct / (100.0 - pct) / time_s
    times, rooms = time_s[np.isfinite(time_s)], room[np.isfinite(room)]
    return float(np.median(times)) if len(times) else math.nan, float(np.median(rooms)) if len(rooms) else math.nan
