"""What may be doubtful about a frame: the flags, what each says, and the status that follows from them."""

from collections.abc import Iterable
from typing import Final

#: Every flag, in the order in which a row lists them, with the sentence that the report shows for it.
MEANING: Final[dict[str, str]] = {
    "missing": "the log has this row, but there is no frame for it",
    "extra_frame": "the file lies in the frames folder, but no row of the log names it",
    "unreadable": "the file cannot be opened or decoded as a raw frame",
    "damaged": "the pixels cannot be what a camera wrote",
    "no_target": "no even grey target was found in this frame",
    "target_moved": "the target is not where it stands in the other frames",
    "clipped": "part of the patch has reached the white level",
    "no_flash": "the pack did not fire",
    "partial_flash": "the pack fired short of its setting",
    "near_white": "the patch lies above 90 % of the range",
    "too_dark": "the patch lies below 2 % of the range",
    "uneven": "the light falls off by more than 10 % across the patch",
    "ambient_high": "more than 0.5 % of the light is room light",
    "no_ambient": "there is no ambient frame at these exposure settings",
    "ambient_changed": "the ambient frames of the session do not agree with each other",
    "settings_changed": "aperture, ISO, shutter or lens differ from the frames it is compared with",
    "black_doubtful": "the black level cannot be relied on at this signal",
    "opcodes_ignored": "the file asks for pixel corrections that are not applied here",
    "matrix_differs": "the file carries another colour matrix than the one used for its camera",
    "no_matrix": "no colour matrix is known for this camera",
    "far_from_locus": "the light is too far from any black-body white for a colour temperature",
    "far_from_reference": "the white is more than 50 mired from the white at which the matrix was fixed",
    "tail_cut": "the shutter is shorter than the flash",
    "outlier": "this frame differs from its repeats by more than chance allows",
    "light_changed": "the light has changed in part of the frame, so that no one correction fits it",
    "no_overlap": "too little of the frame agrees with the frame it is compared with",
    "other_camera": "the test session was shot with another camera",
}

#: With one of these a frame cannot be used at all; every other flag makes it doubtful.
REJECTING: Final[frozenset[str]] = frozenset(
    {
        "unreadable",
        "missing",
        "damaged",
        "clipped",
        "no_target",
        "target_moved",
        "no_flash",
        "partial_flash",
        "extra_frame",
        "light_changed",
        "no_overlap",
    }
)

#: Flags that keep a frame out of the cell means although it is not rejected.
UNUSED: Final[frozenset[str]] = frozenset({"outlier", "far_from_locus", "no_matrix"})


def ordered(flags: Iterable[str]) -> tuple[str, ...]:
    """Return the flags once each, in the fixed order of `MEANING`; an unknown flag raises ``KeyError``."""
    order = {name: place for place, name in enumerate(MEANING)}
    return tuple(sorted(set(flags), key=lambda name: order[name]))


def status(flags: Iterable[str]) -> str:
    """Return ``ok``, ``doubtful`` or ``rejected`` for a set of flags."""
    present = set(flags)
    if present & REJECTING:
        return "rejected"
    return "doubtful" if present else "ok"


def serves(cell: str) -> bool:
    """Return whether a frame with these flags, as `join` wrote them, may enter a mean if it is not rejected."""
    return UNUSED.isdisjoint(split(cell))


def join(flags: Iterable[str]) -> str:
    """Write flags as a table cell: ordered, separated by ``;``."""
    return ";".join(ordered(flags))


def split(cell: str) -> tuple[str, ...]:
    """Read a table cell written by `join`."""
    return tuple(name for name in cell.split(";") if name)
