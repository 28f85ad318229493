"""The columns of every table: their names, order and units, as typed rows.

The fields of a row class are the columns of its table, in the order in which they are written. A number that is not
known is NaN, a text that is not known is blank. Tables that go from one calculation to the next are pandas tables with
these columns; pages and the screen are given rows, see `rows_of`.
"""

from collections.abc import Mapping
from dataclasses import MISSING, dataclass, fields
from functools import cache
from itertools import repeat
from typing import Annotated, Any, ClassVar, Protocol, TypeVar, get_type_hints

import pandas as pd

Kelvin = Annotated[float, "K"]
Mired = Annotated[float, "mired"]
Duv = Annotated[float, "CIE 1960 uv"]
Steps = Annotated[float, "0.0011 in CIE 1976 u'v'"]
Stops = Annotated[float, "stops"]
StopsBelowFull = Annotated[float, "stops below full"]
Counts = Annotated[float, "raw counts"]
Ratio = Annotated[float, "1"]
Share = Annotated[float, "share of the visible frame"]
Percent = Annotated[float, "%"]
Seconds = Annotated[float, "s"]
FNumber = Annotated[float, "N"]
Iso = Annotated[float, "ISO"]
Millimetres = Annotated[float, "mm"]
Code8 = Annotated[float, "8-bit sRGB"]
MiredPerStop = Annotated[float, "mired per stop"]

UNKNOWN = float("nan")


class Row(Protocol):
    """Any of the row classes below."""

    __dataclass_fields__: ClassVar[dict[str, Any]]


@dataclass(frozen=True, slots=True)
class FrameRow:
    """A row of readings.csv: one frame; see `greystep.session.ingest`."""

    frame: str
    head: str
    pack: str
    power: str
    stops: StopsBelowFull
    kind: str
    captured: str
    shot: int
    body: str
    exposure_s: Seconds
    f_number: FNumber
    iso: Iso
    patch_x0: Share
    patch_y0: Share
    patch_x1: Share
    patch_y1: Share
    signal_r: Counts
    signal_g: Counts
    signal_b: Counts
    u_signal_r: Counts
    u_signal_g: Counts
    u_signal_b: Counts
    r_g: Ratio
    b_g: Ratio
    x: Ratio
    y: Ratio
    u_prime: Ratio
    v_prime: Ratio
    cct_k: Kelvin
    duv: Duv
    mired: Mired
    u_cct_k: Kelvin
    u_duv: Duv
    u_mired: Mired
    output_stops: Stops
    ambient_pct: Percent
    clipped_pct: Percent
    gradient_pct: Percent
    status: str
    flags: str
    colour_from: str
    note: str = ""
    lens: str = ""
    focal_mm: Millimetres = UNKNOWN
    u_mired_frame: Mired = UNKNOWN
    u_mired_ambient: Mired = UNKNOWN
    u_mired_black: Mired = UNKNOWN
    g1_g2: Ratio = UNKNOWN
    #: Room light that changed between two flash-off frames: the number of that stretch, or -1; the chance that it had
    #: changed before this frame; and what the whole change does to the frame's values where it is not taken off.
    room: int = -1
    room_share: Ratio = UNKNOWN
    room_mired: Mired = UNKNOWN
    room_duv: Duv = UNKNOWN
    room_u_prime: Ratio = UNKNOWN
    room_v_prime: Ratio = UNKNOWN
    room_output_stops: Stops = UNKNOWN
    #: Whether a flash-off frame was taken after the frame, so that a change would have been seen.
    room_proven: bool = True
    u_duv_ambient: Duv = UNKNOWN
    u_duv_black: Duv = UNKNOWN
    u_duv_frame: Duv = UNKNOWN
    u_mired_room: Mired = UNKNOWN
    u_duv_room: Duv = UNKNOWN
    #: What the reflectance of the grey target leaves open, the light's spectrum being unknown: common to all frames.
    u_mired_target: Mired = UNKNOWN
    u_duv_target: Duv = UNKNOWN
    #: Light from the surroundings of the target over that from the target itself.
    around_r: Ratio = UNKNOWN
    around_g: Ratio = UNKNOWN
    around_b: Ratio = UNKNOWN
    #: Whether the frame shows the grey card: the log says so, or the frame proves it.
    shows_card: bool = False


@dataclass(frozen=True, slots=True)
class PowerRow:
    """A row of powers.csv: one head at one power; `delta_*` against the head's own reference power."""

    head: str
    power: str
    stops: StopsBelowFull
    n: int
    cct_k: Kelvin
    mired: Mired
    duv: Duv
    u_prime: Ratio
    v_prime: Ratio
    s_cct_k: Kelvin
    s_mired: Mired
    s_duv: Duv
    s_u_prime: Ratio
    s_v_prime: Ratio
    u_cct_k: Kelvin
    u_mired: Mired
    u_duv: Duv
    u_u_prime: Ratio
    u_v_prime: Ratio
    delta_mired: Mired
    delta_k: Kelvin
    delta_duv: Duv
    delta_steps: Steps
    output_stops: Stops
    output_error_stops: Stops
    ref_delta_mired: Mired
    ref_delta_k: Kelvin
    ref_delta_duv: Duv
    ref_delta_steps: Steps
    s_output_stops: Stops
    u_output_stops: Stops
    u_output_error_stops: Stops
    u_delta_mired: Mired
    u_delta_k: Kelvin
    u_delta_duv: Duv
    u_delta_steps: Steps
    n_outlier: int
    up_less_down_mired: Mired
    body: str = ""
    pack: str = ""
    channel: str = ""
    with_: str = ""
    modifier: str = ""
    #: The head, and what else parts cells of one head and power; only where a page or figure asks for it.
    series: str = ""
    #: 95 % half-widths of the absolute figures: camera or meter and card counted, as another instrument may read them.
    u_absolute_k: Kelvin = UNKNOWN
    u_absolute_duv: Duv = UNKNOWN


@dataclass(frozen=True, slots=True)
class HeadRow:
    """A row of heads.csv: one head over its powers."""

    head: str
    n: int
    span_k: Kelvin
    span_mired: Mired
    u_span_mired: Mired
    span_duv: Duv
    span_steps: Steps
    slope_mired_per_stop: MiredPerStop
    u_slope_mired_per_stop: MiredPerStop
    repeatability_mired: Mired
    repeatability_k: Kelvin
    repeatability_stops: Stops
    warmup_mired: Mired
    u_warmup_mired: Mired
    verdict: str
    why: str
    warmup_kept: bool
    u_span_k: Kelvin
    u_span_duv: Duv
    u_span_steps: Steps
    repeatability_duv: Duv
    largest_output_error_stops: Stops
    u_largest_output_error_stops: Stops
    n_outlier: int
    lag1: Ratio
    body: str
    label: str
    safe_powers: str = ""
    claim: str = ""
    claim_one_power: str = ""
    claim_over_range: str = ""
    shots_within_mired: Mired = UNKNOWN
    shots_within_k: Kelvin = UNKNOWN
    range_within_mired: Mired = UNKNOWN
    u_range_within_mired: Mired = UNKNOWN
    range_within_k: Kelvin = UNKNOWN
    u_range_within_k: Kelvin = UNKNOWN
    claim_verdict: str = ""
    #: The two parts of the verdict, and why neither was called (`terms.Withheld`, separated by ``;``).
    verdict_colour: str = ""
    verdict_output: str = ""
    withheld: str = ""
    #: Every frame of the head counted: how far the light moved over power and heat within the test.
    moved_mired: Mired = UNKNOWN
    u_moved_mired: Mired = UNKNOWN


@dataclass(frozen=True, slots=True)
class PairRow:
    """A row of pairs.csv: two lights of different heads; differences are b minus a."""

    head_a: str
    power_a: str
    head_b: str
    power_b: str
    delta_mired: Mired
    u_delta_mired: Mired
    delta_k: Kelvin
    delta_duv: Duv
    delta_steps: Steps
    verdict: str
    u_delta_k: Kelvin
    u_delta_duv: Duv
    u_delta_steps: Steps
    u_observer_mired: Mired
    body: str = ""
    pack_a: str = ""
    pack_b: str = ""
    channel_a: str = ""
    channel_b: str = ""
    with_a: str = ""
    with_b: str = ""
    modifier_a: str = ""
    modifier_b: str = ""


@dataclass(frozen=True, slots=True)
class CorrectionRow:
    """A row of corrections.csv: the values that bring one frame to its reference.

    ``multiplier_*`` balance the frame in a raw converter, green = 1; ``white240_*`` is what a white, 240 in each once
    it is corrected, reads where all frames have the balance of the reference.
    """

    frame: str
    head: str
    power: str
    source: str
    gain_r: Ratio
    gain_g: Ratio
    gain_b: Ratio
    exposure_stops: Stops
    mired_shift: Mired
    duv_shift: Duv
    u_mired_shift: Mired
    residual_steps: Steps
    status: str
    flags: str
    via: str
    agreed_pct: Percent
    age_s: Seconds
    u_exposure_stops: Stops
    u_observer_mired: Mired
    multiplier_r: Ratio
    multiplier_b: Ratio
    white240_r: Code8
    white240_g: Code8
    white240_b: Code8


@dataclass(frozen=True, slots=True)
class HistoryRow:
    """A row of history.csv: one head at one power in one session, and how it moved since the session before."""

    head: str
    serial: str
    session: str
    date: str
    body: str
    power: str
    stops: StopsBelowFull
    mired: Mired
    u_mired: Mired
    duv: Duv
    u_duv: Duv
    previous: str
    change_mired: Mired
    u_change_mired: Mired
    change_k: Kelvin
    change_duv: Duv
    u_change_duv: Duv
    u_observer_mired: Mired
    tint_open: bool
    verdict: str
    anchor: str
    reference: str


@dataclass(frozen=True, slots=True)
class CheckRow:
    """A row of check.csv: one rendered file, measured again.

    ``before_*`` and ``after_*`` are the frame's neutral in linear Rec.709, (1, 1, 1) where it matches; ``white240_*``
    is what a white of 240 reads after the correction, its brightness counted only where that was to be matched.
    """

    frame: str
    head: str
    power: str
    source: str
    file: str
    measured: str
    steps_before: Steps
    stops_before: Stops
    steps_after: Steps
    stops_after: Stops
    before_r: Ratio
    before_g: Ratio
    before_b: Ratio
    after_r: Ratio
    after_g: Ratio
    after_b: Ratio
    white240_r: Code8
    white240_g: Code8
    white240_b: Code8


R = TypeVar("R", bound=Row)


def names(kind: type[Row], *, optional: bool = True) -> tuple[str, ...]:
    """Return the columns of a row class in their order; without `optional` only those that every table has."""
    return tuple(field.name.rstrip("_") for field in fields(kind) if optional or field.default is MISSING)


@cache
def units(kind: type[Row]) -> Mapping[str, str]:
    """Return the unit of each column of a row class; blank for text and counts."""
    hints = get_type_hints(kind, include_extras=True)
    return {field.name.rstrip("_"): getattr(hints[field.name], "__metadata__", ("",))[0] for field in fields(kind)}


def rows_of(table: pd.DataFrame, kind: type[R]) -> list[R]:
    """Return the rows of a table as objects of its row class; what the class does not know is left out.

    Raises:
        KeyError: If a column that every table of this kind has is missing.
    """
    given = [(field.name.rstrip("_"), field.default) for field in fields(kind)]
    columns = [
        table[name].tolist() if default is MISSING or name in table else repeat(default, len(table))
        for name, default in given
    ]
    return list(map(kind, *columns))
