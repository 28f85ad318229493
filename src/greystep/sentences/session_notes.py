"""What the report says of a whole session: room light, camera bodies, the absolute scale, the order of the frames."""

import math
from collections.abc import Iterable
from typing import Final

from greystep import words as say
from greystep.constants import DAYLIGHT_FLASH_K, LAMP_SHARE, MATRIX_LIMITS, MATRIX_READS_8_MIRED
from greystep.sentences import frames
from greystep.session.messages import (
    BodyFact,
    BodyNote,
    FarFromDaylight,
    MeterUnused,
    RoomUnproven,
    SessionFact,
    SessionNote,
    SeveralBodies,
)
from greystep.session.runs import Settles

_SAID: Final[dict[SessionFact, str]] = {
    SessionFact.NO_FLASH_FRAME: "No flash frame is in the log: there is nothing to compare.",
    SessionFact.NO_AMBIENT_FRAME: "No ambient frame was shot: room light is still in the readings, and the black level "
    "rests on the files.",
    SessionFact.AMBIENT_SCALED: "Not every exposure setting has an ambient frame: room light is scaled from the "
    "nearest one.",
    SessionFact.ROOM_LIGHT_CHANGED: "The room light changed during the session. What was taken off each frame is what "
    "flash-off frames and repeats speak for; what they leave open is in the uncertainty.",
    SessionFact.NOT_ANCHORED: "No meter has checked absolute kelvin, which rests on the camera's matrix: differences "
    "between frames hold all the same.",
    SessionFact.NO_CAPTURE_TIME: "The frames carry no time of capture: their order rests on their names.",
}


def sentences(notes: Iterable[SessionNote]) -> list[str]:
    """Return a sentence for each note."""
    return [sentence(note) for note in notes]


def of_matrix(notes: Iterable[SessionNote]) -> list[str]:
    """Return what is to be known of the matrices behind colours, on screens that have no room for every note."""
    told = (BodyFact.LIBRARY_MATRIX, BodyFact.LIBRARY_MATRIX_METERED)
    return sentences(
        note
        for note in notes
        if isinstance(note, FarFromDaylight) or (isinstance(note, BodyNote) and note.fact in told)
    )


def sentence(note: SessionNote) -> str:
    """Return a note as a sentence; how frames came to their rows is said as it is at the terminal."""
    match note:
        case SessionFact():
            return _SAID[note]
        case BodyNote():
            return _of_body(note)
        case FarFromDaylight(body, head, power, frame, cct_k):
            light = say.cell(head, power) if head else frame
            return (
                f"{light} is {cct_k:.0f} K, far from daylight, and its colour goes through a daylight matrix of "
                f"{body or 'the camera'}: make a camera.json from a frame of a colour chart under that light."
            )
        case SeveralBodies(bodies):
            names = "; ".join(label or "unknown" for label in bodies)
            return f"{len(bodies)} camera bodies took the frames ({names}): nothing is compared across them."
        case MeterUnused(frame):
            return f"The metered frame {frame} could not be used: the meter's reading is not used either."
        case Settles():
            return _of_run(note)
        case RoomUnproven():
            return _of_room(note)
        case _:
            return frames.line(note)


def _of_run(note: Settles) -> str:
    """Return after how many frames of a run a head settles, and what to do about it in a stack."""
    who, run = f"Head {note.head} at {note.power}", "of its run from rest"
    moved = f"up to {abs(note.mired):.1f} mired {'cooler' if note.mired > 0 else 'warmer'}"
    if not note.after:
        return f"{who} held its colour over the {note.frames} frames {run}: no blanks are needed."
    if note.after > note.frames:
        return (
            f"{who} had not settled after the {note.frames} frames {run}, and was {moved} before: correct the "
            "stack, or plan a longer run."
        )
    return (
        f"{who} settles after {say.counted(note.after, 'frame')} {run}: shoot {say.counted(note.after, 'blank')} "
        f"first, or correct the stack. Until then it is {moved}."
    )


def _of_room(note: RoomUnproven) -> str:
    """Return where room light is not known, what that may cost, and what to shoot."""
    where = ["before the first flash"] * note.before + ["after the last flash"] * note.after
    when = ["at the start"] * note.before + ["at the end"] * note.after
    costs = f"{note.stops:.2g} stops brighter"
    if not math.isnan(note.mired):
        costs = f"{abs(note.mired):.2g} mired {'warmer' if note.mired > 0 else 'cooler'}"
    return (
        f"No flash-off frame was taken {' or '.join(where)}. A lamp that {'came on' if note.after else 'went out'} and "
        f"adds {100 * LAMP_SHARE:.1g} % to the brightest card would make {say.cell(note.head, note.power)} {costs}. "
        f"Take one flash-off frame {' and one '.join(when)}."
    )


def _of_body(note: BodyNote) -> str:
    """Return what is said of one body; its label stays as it is at the start of a sentence too."""
    name, first = note.body or "the camera", note.body or "The camera"
    match note.fact:
        case BodyFact.NO_MATRIX:
            return f"No colour matrix is known for {name}: channel ratios and output are measured, colours are not."
        case BodyFact.REFERENCE_REPLACED:
            return f"The reference could not be measured with {name}: its matrix is fixed at {note.fixed_at} instead."
        case BodyFact.MATRICES_DIFFER:
            return f"Some frames of {name} carry another colour matrix: one matrix is used for all."
        case BodyFact.LIBRARY_MATRIX:
            (mired, duv), (least, most) = MATRIX_LIMITS, MATRIX_READS_8_MIRED
            return (
                f"{_library(name)}: near {DAYLIGHT_FLASH_K:.0f} K it may read up to {mired:.1f} mired and Duv "
                f"{duv:.4f} off, and a true difference of 8 mired as {least:.1f} to {most:.1f} (this tool's own "
                "simulation)."
            )
        case BodyFact.LIBRARY_MATRIX_METERED:
            return f"{_library(name)}; the meter's reading gives its scale."
        case BodyFact.NO_SERIAL:
            return f"No serial number is in the frames of {name}: two bodies of one model could not be told apart."
        case BodyFact.THIRD_CALIBRATION:
            return f"The files of {name} hold a third colour calibration: the first two give the colours."
        case BodyFact.LIGHT_AS_SPECTRUM:
            return (
                f"The files of {name} describe a calibration light by its spectrum, which is not read: one matrix "
                "gives all colours, as for a light that is not known."
            )
        case BodyFact.NO_APERTURE:
            return f"{first} recorded no aperture: it is taken as the same in all frames."
        case BodyFact.NO_ISO:
            return f"{first} recorded no ISO: it is taken as the same in all frames."


def _library(name: str) -> str:
    return f"One daylight matrix of the raw library gives the colours of {name}"
