"""The closed sets of names that tables and files carry: kinds of frames, verdicts, quantities, sources."""

from enum import StrEnum
from typing import Final


class Kind(StrEnum):
    """What a frame of the log is."""

    FLASH = "flash"  # the grey target lit by one head
    CHECK = "check"  # the same, of the reference head between the others: it watches room, mains and camera
    AMBIENT = "ambient"
    DARK = "dark"
    CARD = "card"  # the grey target in a job, lit by one head or several
    JOB = "job"


class Verdict(StrEnum):
    """What is decided of a head, a pair of lights, or the kit."""

    WITHIN = "within"
    OUTSIDE = "outside"
    UNDECIDED = "undecided"


class Quantity(StrEnum):
    """What a limit is given for, in the order in which limits are judged."""

    MIRED = "mired"
    DUV = "duv"
    STEPS = "steps"
    KELVIN = "kelvin"
    OUTPUT_STOPS = "output_stops"


class Withheld(StrEnum):
    """Why a difference, a head or the kit is neither within nor outside, whatever the numbers say."""

    HEAT = "heat"  # the order of shooting does not separate heat from power
    UNWATCHED = "unwatched"  # nothing watched camera and mains between the heads
    ROOM = "room"  # no flash-off frame followed, so that room light is not known
    WARMS_UP = "warms_up"  # the head moved beyond the limit within the test as it warmed
    NOT_COMPARED = "not_compared"  # nothing was compared: other bodies, or one light alone


class UnusedCalibration(StrEnum):
    """What a DNG says of a camera's colour and nothing here uses."""

    THIRD = "third calibration"  # ColorMatrix3 and its light
    SPECTRUM = "calibration light as a spectrum"  # IlluminantData of the spectral kind


class Source(StrEnum):
    """Where the light of a corrected frame is known from, best first; `NONE` where it is not known."""

    PATCH = "patch"
    PROFILE = "profile"
    OVERLAP = "overlap"
    NEARBY = "nearby"
    NONE = ""


class Order(StrEnum):
    """In what order the lights of a test are shot: head after head, or all heads rigged."""

    BY_HEAD = "by-head"
    SHUFFLED = "shuffled"
    MIXED = "mixed"


#: The kinds of frames whose light and colour are measured.
LIT = (Kind.FLASH, Kind.CHECK, Kind.CARD, Kind.JOB)
#: The kinds of frames that make a test: the target lit by one head.
TESTED = (Kind.FLASH, Kind.CHECK)
#: The kinds of frames that show the target because the log says so.
DECLARED = (*TESTED, Kind.CARD)
#: The kinds of frames that were taken without flash.
UNLIT = (Kind.AMBIENT, Kind.DARK)
#: The columns that separate cells of one head and power, where they vary.
PARTS: Final = ("pack", "channel", "with", "modifier")
#: Quantities of colour: the ending of their columns in tables, such as ``delta_k`` and ``span_k``.
COLUMN: Final = {Quantity.MIRED: "mired", Quantity.KELVIN: "k", Quantity.DUV: "duv", Quantity.STEPS: "steps"}
