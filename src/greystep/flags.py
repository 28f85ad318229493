"""What may be doubtful about a frame: the flags, what each says, and the status that follows from them."""

from collections.abc import Iterable
from enum import StrEnum
from typing import Final


class Flag(StrEnum):
    """A doubt about a frame; in the order in which a row lists them."""

    MISSING = "missing"
    EXTRA_FRAME = "extra_frame"
    WARM_UP = "warm_up"
    UNREADABLE = "unreadable"
    DAMAGED = "damaged"
    NO_TARGET = "no_target"
    TARGET_MOVED = "target_moved"
    CLIPPED = "clipped"
    NO_FLASH = "no_flash"
    PARTIAL_FLASH = "partial_flash"
    NEAR_WHITE = "near_white"
    TOO_DARK = "too_dark"
    UNEVEN = "uneven"
    AMBIENT_HIGH = "ambient_high"
    NO_AMBIENT = "no_ambient"
    AMBIENT_CHANGED = "ambient_changed"
    SETTINGS_CHANGED = "settings_changed"
    BLACK_DOUBTFUL = "black_doubtful"
    OPCODES_IGNORED = "opcodes_ignored"
    MATRIX_DIFFERS = "matrix_differs"
    NO_MATRIX = "no_matrix"
    FAR_FROM_LOCUS = "far_from_locus"
    FAR_FROM_REFERENCE = "far_from_reference"
    TAIL_CUT = "tail_cut"
    TOO_SOON = "too_soon"
    OUTLIER = "outlier"
    LIGHT_CHANGED = "light_changed"
    NO_OVERLAP = "no_overlap"
    OTHER_CAMERA = "other_camera"


class Status(StrEnum):
    """What a frame may be used for: all is well, with care, or not at all."""

    OK = "ok"
    DOUBTFUL = "doubtful"
    REJECTED = "rejected"


#: Every flag, in the order in which a row lists them, with the sentence that the report shows for it.
MEANING: Final[dict[str, str]] = {
    Flag.MISSING: "the log has this row, but there is no frame for it",
    Flag.EXTRA_FRAME: "the file lies in the frames folder, but no row of the log names it",
    Flag.WARM_UP: "it is a warm-up flash at full before a head's first row of the log, and is not used",
    Flag.UNREADABLE: "the file cannot be opened or decoded as a raw frame",
    Flag.DAMAGED: "the pixels cannot be what a camera wrote",
    Flag.NO_TARGET: "no even grey target was found in this frame",
    Flag.TARGET_MOVED: "the target is not where it stands in the other frames; found again, it tells colour alone",
    Flag.CLIPPED: "part of the grey card has reached the white level",
    Flag.NO_FLASH: "the pack did not fire",
    Flag.PARTIAL_FLASH: "the pack fired short of its setting",
    Flag.NEAR_WHITE: "the grey card lies above 90 % of the range",
    Flag.TOO_DARK: "the grey card lies below 2 % of the range",
    Flag.UNEVEN: "the light falls off by more than 10 % across the grey card, or part of it is unlike the rest",
    Flag.AMBIENT_HIGH: "more than 0.5 % of the light is room light",
    Flag.NO_AMBIENT: "there is no ambient frame at these exposure settings",
    Flag.AMBIENT_CHANGED: "the room light changed about this frame, and whether before or after it is in doubt",
    Flag.SETTINGS_CHANGED: "aperture, ISO, shutter or lens differ from the frames it is compared with",
    Flag.BLACK_DOUBTFUL: "the black level cannot be relied on at this signal",
    Flag.OPCODES_IGNORED: "the file asks for pixel corrections that are not applied here",
    Flag.MATRIX_DIFFERS: "the file carries another colour matrix than the one used for its camera",
    Flag.NO_MATRIX: "no colour matrix is known for this camera",
    Flag.FAR_FROM_LOCUS: "the light is too far from any black-body white for a colour temperature",
    Flag.FAR_FROM_REFERENCE: "the white is more than 50 mired from the white at which the matrix was fixed",
    Flag.TAIL_CUT: "the shutter is shorter than the flash",
    Flag.TOO_SOON: "it was shot sooner after the flash before it than the recycle time of session.toml",
    Flag.OUTLIER: "this frame differs from its repeats by more than chance allows",
    Flag.LIGHT_CHANGED: "the light has changed in part of the frame, so that no one correction fits it",
    Flag.NO_OVERLAP: "too little of the frame agrees with the frame it is compared with",
    Flag.OTHER_CAMERA: "the test session was shot with another camera",
}

#: With one of these a frame cannot be used at all; every other flag makes it doubtful.
REJECTING: Final[frozenset[str]] = frozenset(
    {
        Flag.UNREADABLE,
        Flag.MISSING,
        Flag.DAMAGED,
        Flag.CLIPPED,
        Flag.NO_TARGET,
        Flag.NO_FLASH,
        Flag.PARTIAL_FLASH,
        Flag.EXTRA_FRAME,
        Flag.LIGHT_CHANGED,
        Flag.NO_OVERLAP,
    }
)

#: Flags that keep a frame out of the cell means although it is not rejected.
UNUSED: Final[frozenset[str]] = frozenset({Flag.OUTLIER, Flag.FAR_FROM_LOCUS, Flag.NO_MATRIX})
_ORDER: Final = {flag: place for place, flag in enumerate(Flag)}


def ordered(flags: Iterable[str]) -> tuple[str, ...]:
    """Return the flags once each, in the fixed order of `MEANING`; an unknown flag raises ``ValueError``."""
    return tuple(sorted({str(name) for name in flags}, key=lambda name: _ORDER[Flag(name)]))


def status(flags: Iterable[str]) -> Status:
    """Return the status that follows from a set of flags."""
    present = set(flags)
    if present & REJECTING:
        return Status.REJECTED
    return Status.DOUBTFUL if present else Status.OK


def serves(cell: str) -> bool:
    """Return whether a frame with these flags, as `join` wrote them, may enter a mean if it is not rejected."""
    return UNUSED.isdisjoint(split(cell))


def join(flags: Iterable[str]) -> str:
    """Write flags as a table cell: ordered, separated by ``;``."""
    return ";".join(ordered(flags))


def split(cell: str) -> tuple[str, ...]:
    """Read a table cell written by `join`."""
    return tuple(name for name in cell.split(";") if name)
