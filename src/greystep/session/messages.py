"""What there is to say of a session and its frames, as facts; `greystep.sentences` makes the text of them."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import pandas as pd

from greystep import flags
from greystep.columns import rows_of
from greystep.constants import DAYLIGHT_FLASH_K, FAR_FROM_DAYLIGHT_MIRED
from greystep.flags import Flag, Status
from greystep.session.bodies import Body
from greystep.session.matching import PlacingNote
from greystep.session.part import OutsidePart
from greystep.session.runs import Settles
from greystep.session.settings import Settings
from greystep.session.shots import PutBack
from greystep.session.warm_ups import WarmUpsAside
from greystep.terms import LIT, TESTED, Kind

#: More frames than this with the same doubt, or without a file, share one fact, and more than this that cannot be used
#: for the same reason.
_OWN_FACTS: Final = 3
_OWN_FACTS_REJECTED: Final = 12


@dataclass(frozen=True)
class FlaggedFrame:
    """A frame with a flag, and what says how large its fault is; a number that is not known is NaN.

    Attributes:
        frame: Blank for a row of the log without a frame.
        row, box: Of the log, 0 without one; of the shot sheet, blank without one.
        short_stops: How far its light lies below its repeats [stops]; below its setting where it is `alone`, without
            repeats.
        away_mired, away_duv, away_stops: From the median of its repeats.
        reason: The error that its file gave, with the remedy behind its last semicolon; blank without one.
    """

    frame: str
    row: int
    head: str
    power: str
    exposure_s: float
    clipped_pct: float
    gradient_pct: float
    ambient_pct: float
    short_stops: float
    alone: bool
    away_mired: float
    away_duv: float
    away_stops: float
    reason: str = ""
    box: str = ""

    @property
    def remedy(self) -> str:
        """What the error of its file asks for; blank without one."""
        return self.reason.rpartition("; ")[2]


@dataclass(frozen=True)
class FrameFault:
    """A flag and the frames that carry it: one frame, or all of them where they are many."""

    flag: Flag
    flagged: tuple[FlaggedFrame, ...]

    @property
    def frames(self) -> tuple[str, ...]:
        """Names of the frames, in the order of the log."""
        return tuple(one.frame for one in self.flagged)


@dataclass(frozen=True)
class NotKept:
    """Neither the session's folder nor another takes what was measured: the next run measures again."""

    session: str


@dataclass(frozen=True)
class KeptElsewhere:
    """The session's folder cannot be written; `folder` holds what was measured."""

    session: str
    folder: str


class SessionFact(StrEnum):
    """What holds of a whole session."""

    NO_FLASH_FRAME = "no flash frame"
    NO_AMBIENT_FRAME = "no ambient frame"
    AMBIENT_SCALED = "ambient scaled"
    ROOM_LIGHT_CHANGED = "room light changed"
    NOT_ANCHORED = "not anchored"
    NO_CAPTURE_TIME = "no capture time"


class BodyFact(StrEnum):
    """What holds of one camera body."""

    NO_MATRIX = "no matrix"
    REFERENCE_REPLACED = "reference replaced"
    MATRICES_DIFFER = "matrices differ"
    LIBRARY_MATRIX = "library matrix"
    LIBRARY_MATRIX_METERED = "library matrix, metered"
    NO_APERTURE = "no aperture"
    NO_ISO = "no ISO"
    NO_SERIAL = "no serial"
    THIRD_CALIBRATION = "third calibration"
    LIGHT_AS_SPECTRUM = "calibration light as a spectrum"


@dataclass(frozen=True)
class BodyNote:
    """What holds of the camera body `body`; `fixed_at` is the light at which its matrix is fixed in the end."""

    fact: BodyFact
    body: str
    fixed_at: str = ""


@dataclass(frozen=True)
class FarFromDaylight:
    """The light of a body with the raw library's daylight matrix that is farthest from daylight, and too far [K].

    Attributes:
        frame: What to call it where it has no head.
    """

    body: str
    head: str
    power: str
    frame: str
    cct_k: float


@dataclass(frozen=True)
class SeveralBodies:
    """More than one camera body took the frames."""

    bodies: tuple[str, ...]


@dataclass(frozen=True)
class MeterUnused:
    """The metered frame could not be used."""

    frame: str


@dataclass(frozen=True)
class RoomUnproven:
    """Flash frames of a body were taken `before` its first flash-off frame or `after` its last; both if there is none.

    Attributes:
        head, power: The darkest of their lights.
        mired, stops: What a lamp of `greystep.constants.LAMP_SHARE` does to it; mired is NaN without a colour matrix.
    """

    body: str
    before: bool
    after: bool
    head: str
    power: str
    mired: float
    stops: float


#: What there is to say of the log as it was read.
LogNote = PutBack | OutsidePart | WarmUpsAside
#: What `greystep.session.ingest.Ingested` holds of a whole session, and for the person at the terminal.
SessionNote = (
    SessionFact
    | BodyNote
    | FarFromDaylight
    | SeveralBodies
    | MeterUnused
    | RoomUnproven
    | PlacingNote
    | LogNote
    | Settles
)
Message = FrameFault | NotKept | KeptElsewhere | PlacingNote | LogNote


def frame_faults(table: pd.DataFrame, reasons: Mapping[str, str]) -> tuple[FrameFault, ...]:
    """Return a fact for each frame that cannot be used, and for each doubt; many frames of one kind share a fact.

    Args:
        table: The readings with their flags; besides the columns of `FlaggedFrame` by name.
        reasons: By frame: its name and the error that its file gave, with the remedy.
    """
    marks = [flags.split(cell) for cell in table["flags"].tolist()]
    frames = rows_of(table, FlaggedFrame)
    alike: dict[tuple[Flag, str], list[int]] = {}  # by what is wrong and what is to be done
    for place, present in enumerate(marks):
        rejecting = [name for name in present if name in flags.REJECTING]
        for name in rejecting[:1] or [one for one in present if one != Flag.WARM_UP]:  # these have a line of their own
            if name in (Flag.UNREADABLE, Flag.DAMAGED):
                frame = frames[place].frame
                frames[place] = replace(frames[place], reason=reasons.get(frame, "").removeprefix(f"{frame}: "))
            alike.setdefault((Flag(name), frames[place].remedy), []).append(place)
    found: list[tuple[int, FrameFault]] = []
    for (flag, _), places in alike.items():
        flagged = [frames[at] for at in places]
        own = _OWN_FACTS if flag == Flag.MISSING or flag not in flags.REJECTING else _OWN_FACTS_REJECTED
        if len(places) <= own:
            found += [(at, FrameFault(flag, (one,))) for at, one in zip(places, flagged, strict=True)]
        else:
            found.append((places[0], FrameFault(flag, tuple(flagged))))
    return tuple(fact for _, fact in sorted(found, key=lambda entry: entry[0]))


def session_notes(
    settings: Settings, table: pd.DataFrame, bodies: Mapping[str, Body], stand_ins: Mapping[str, str]
) -> tuple[SessionNote, ...]:
    """Return what holds of the whole session.

    Args:
        stand_ins: By label: the light at which the matrix is fixed where the reference was not measured; else blank.
    """
    found: list[SessionNote] = []
    lit = table[table["kind"].isin(LIT)]
    present = {name for cell in lit["flags"].tolist() for name in flags.split(cell)}
    if lit.empty:
        found.append(SessionFact.NO_FLASH_FRAME)
    elif not (table["kind"] == Kind.AMBIENT).any():
        found.append(SessionFact.NO_AMBIENT_FRAME)
    elif Flag.NO_AMBIENT in present:
        found.append(SessionFact.AMBIENT_SCALED)
    if (table["room"] >= 0).any():
        found.append(SessionFact.ROOM_LIGHT_CHANGED)
    if len(bodies) > 1:
        found.append(SeveralBodies(tuple(bodies)))
    for label, body in bodies.items():
        found += _body_notes(label, body, lit[lit["body"] == label], stand_ins.get(label, ""))
    anchored = any(body.anchored for body in bodies.values())
    if not anchored and any(body.matrix is not None for body in bodies.values()):
        found.append(SessionFact.NOT_ANCHORED)
    if settings.meter is not None and not anchored:
        found.append(MeterUnused(settings.meter.frame))
    captured = table.loc[table["shot"] >= 0, "captured"]
    if len(captured) and (captured == "").all():
        found.append(SessionFact.NO_CAPTURE_TIME)
    return tuple(found)


def _body_notes(label: str, body: Body, lit: pd.DataFrame, fixed_at: str) -> list[BodyNote | FarFromDaylight]:
    """Return what holds of one body, whose flash and job frames are given."""
    found: list[BodyNote | FarFromDaylight] = []
    if not body.has_serial:
        found.append(BodyNote(BodyFact.NO_SERIAL, label))
    if body.matrix is not None and body.colour_from == "library":
        found.append(BodyNote(BodyFact.LIBRARY_MATRIX_METERED if body.anchored else BodyFact.LIBRARY_MATRIX, label))
        found += _far_from_daylight(label, lit[(lit["status"] != Status.REJECTED) & lit["mired"].notna()])
    if body.tags is None:
        found.append(BodyNote(BodyFact.NO_MATRIX, label))
    elif fixed_at and lit["kind"].isin(TESTED).any():
        found.append(BodyNote(BodyFact.REFERENCE_REPLACED, label, fixed_at))
    found += [BodyNote(BodyFact(what), label) for what in (body.tags.unused if body.tags else ())]
    if any(Flag.MATRIX_DIFFERS in flags.split(cell) for cell in lit["flags"].tolist()):
        found.append(BodyNote(BodyFact.MATRICES_DIFFER, label))
    for column, fact in (("f_number", BodyFact.NO_APERTURE), ("iso", BodyFact.NO_ISO)):
        if len(lit) and lit[column].isna().all():
            found.append(BodyNote(fact, label))
    return found


def _far_from_daylight(label: str, lit: pd.DataFrame) -> list[FarFromDaylight]:
    away = (lit["mired"] - 1e6 / DAYLIGHT_FLASH_K).abs()
    if not (away > FAR_FROM_DAYLIGHT_MIRED).any():
        return []
    row = lit.iloc[int(away.to_numpy().argmax())]
    return [FarFromDaylight(label, row["head"], row["power"], row["frame"], float(row["cct_k"]))]
