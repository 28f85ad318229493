"""Lit frames, each with the light that is known of it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Final

import pandas as pd

from greystep import flags
from greystep.columns import UNKNOWN, FrameRow, rows_of
from greystep.compare.firing_times import text_column
from greystep.flags import Status
from greystep.terms import PARTS

#: What the log and its flags say of a frame, and not its light.
_OF_LOG: Final = ("reading", "lights", "parts", "marks", "faults", "trouble")


@dataclass(frozen=True)
class LitFrame:
    """A flash, check, card or job frame, and the light that is known of it.

    Attributes:
        reading: The frame as it was measured; `greystep.columns.FrameRow` has the units.
        lights: What the log says of several lights, such as ``A@1/4 & B@1/16``.
        parts: What it says of pack, channel, with and modifier, by name.
        marks: The flags.
        r_g, b_g: Neutral of the grey target in this light, green = 1.
        signal_g: Green of the target in this light [raw counts]; NaN where the source tells no brightness.
        mired, duv, u_mired: Colour of the light, with the half-width of its mired.
        u_stops: Half-width of its brightness.
        source: What the light is known from, see `greystep.terms.Source`; blank where it is not.
        via: The frame or test that the source rests on.
        faults: Flags of the frame for which nothing is known of its light, where it has no source.
        trouble: What else stands against a source.
        agreed_pct: Share of the frame that agrees with its hub, of an overlap.
        age_s: Time since the frame that stands in, of one nearby.
        error_stops: How much brighter than set, of a profile.
        observer: The other camera that a profile was made with, or blank.
    """

    reading: FrameRow
    lights: str
    parts: Mapping[str, str]
    marks: frozenset[str]
    r_g: float
    b_g: float
    signal_g: float
    mired: float
    duv: float
    u_mired: float
    u_stops: float = UNKNOWN
    source: str = ""
    via: str = ""
    faults: tuple[str, ...] = ()
    trouble: str = ""
    agreed_pct: float = UNKNOWN
    age_s: float = UNKNOWN
    error_stops: float = UNKNOWN
    observer: str = ""

    @property
    def why(self) -> str:
        """Why there is no source; blank where there is one."""
        return "" if self.source else "; ".join(flags.MEANING[name] for name in self.faults) + self.trouble


#: Those that are columns of the table too.
_COLUMNS: Final = [field.name for field in fields(LitFrame) if field.name not in _OF_LOG]


def lit_frames(readings: pd.DataFrame) -> list[LitFrame]:
    """Return the rows of readings, each with what its own patch shows."""
    lights, *parts = (text_column(readings, name) for name in ("lights", *PARTS))
    return [
        LitFrame(
            row,
            said,
            dict(zip(PARTS, of_row, strict=True)),
            frozenset(flags.split(row.flags)),
            row.r_g,
            row.b_g,
            row.signal_g,
            row.mired,
            row.duv,
            row.u_mired,
        )
        for row, said, *of_row in zip(rows_of(readings, FrameRow), lights, *parts, strict=True)
    ]


def lit_table(readings: pd.DataFrame, frames: Sequence[LitFrame]) -> pd.DataFrame:
    """Return readings with the light that is known of each frame: rejected where none is."""
    return readings.assign(
        **{name: [getattr(frame, name) for frame in frames] for name in _COLUMNS},
        trouble=[frame.why for frame in frames],
        flags=[flags.join(frame.marks) for frame in frames],
        status=[flags.status(frame.marks) if frame.source else Status.REJECTED for frame in frames],
    )
