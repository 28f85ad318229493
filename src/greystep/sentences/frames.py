"""What a person is told of frames: one line a frame that cannot be used, one line a doubt that many frames share."""

import math
from collections.abc import Iterable
from typing import Final

from greystep import words
from greystep.flags import Flag
from greystep.measure.reading import UNEVEN_PCT
from greystep.sentences.green_pink import green_pink
from greystep.session.log_slips import NAME_THEM, miscount, slip_text
from greystep.session.matching import OtherLight, PlacedByLight, ShotInPart
from greystep.session.messages import FlaggedFrame, FrameFault, KeptElsewhere, Message, NotKept
from greystep.session.part import OutsidePart
from greystep.session.shots import PutBack
from greystep.session.warm_ups import WarmUpsAside

#: What to do about each flag; numbers of the frame are filled in, `who` is its head and power in brackets.
_REMEDY: Final[dict[Flag, str]] = {
    Flag.MISSING: "the log names it, but there is no such file; copy it into the frames folder or delete its row",
    Flag.EXTRA_FRAME: "no row of the log names it; add a row or take the file out of the frames folder",
    Flag.WARM_UP: "a warm-up flash, not used",
    Flag.UNREADABLE: "cannot be read as a raw frame; copy it from the card again",
    Flag.DAMAGED: "its pixels cannot be what a camera wrote; copy it from the card again",
    Flag.NO_TARGET: "no grey target in its place or elsewhere in it; put it back and shoot the frame again, or give "
    "the place with --patch X0,Y0,X1,Y1",
    Flag.TARGET_MOVED: "the target or the camera has moved; found again, it gives colour but no output: put it back",
    Flag.CLIPPED: "{clipped} of the grey card is clipped; shoot it again one stop lower",
    Flag.NO_FLASH: "no flash in it{who}; shoot it again",
    Flag.PARTIAL_FLASH: "{short:.2f} stop short of {expected}{who}; wait for full charge and shoot it again",
    Flag.NEAR_WHITE: "the grey card lies above 90 % of the range; a third of a stop less is safer",
    Flag.TOO_DARK: "the grey card lies below 2 % of the range; give it more light at the same aperture, or more ISO",
    Flag.UNEVEN: "the light falls off by {gradient:.0f} % over the grey card; move the light back",
    Flag.AMBIENT_HIGH: "{ambient} % of the light is room light; switch lamps off or use the shortest sync time",
    Flag.NO_AMBIENT: "no ambient frame at its settings; shoot one with the flash off and all else the same",
    Flag.AMBIENT_CHANGED: "the room light changed about when it was shot; fix the lamps and shoot it again",
    Flag.SETTINGS_CHANGED: "aperture, shutter, ISO or lens differ from the other frames{who}; shoot it again at their "
    "settings",
    Flag.BLACK_DOUBTFUL: "its black level is in doubt at this signal; shoot an ambient and a dark frame at its ISO",
    Flag.OPCODES_IGNORED: "the file asks for pixel corrections that are not applied; use the camera's own raw file",
    Flag.MATRIX_DIFFERS: "it carries another colour matrix than most frames of its camera; that matrix is not used",
    Flag.NO_MATRIX: "no colour matrix is known for its camera, so there is no colour; give a camera.json",
    Flag.FAR_FROM_LOCUS: "its light is too green or pink for a colour temperature",
    Flag.FAR_FROM_REFERENCE: "its white is more than 50 mired from the reference; the camera's matrix is fixed there",
    Flag.TAIL_CUT: "its shutter time {shutter} is shorter than the flash{who}; use a longer one",
    Flag.TOO_SOON: "shot sooner after the flash before it than recycle_s{who}; wait for ready and shoot it again",
    Flag.OUTLIER: "unlike {expected}{who}: {away}; left out of the means, shoot it again",
}
#: From here on nothing of the patch tells by how much the card is over the range [%].
_OVER_PCT: Final = 90.0
#: So many names of a shared line are spelt out.
_NAMED: Final = 4


def lines(messages: Iterable[Message]) -> list[str]:
    """Return what there is to say of frames, a line a fact."""
    return [line(message) for message in messages]


def cures(messages: Iterable[Message]) -> dict[str, list[str]]:
    """Return what to do about each frame that has a fault, by its name; a row without a frame has none."""
    found: dict[str, list[str]] = {}
    for message in messages:
        if not isinstance(message, FrameFault):
            continue
        for one in message.flagged:
            said = line(FrameFault(message.flag, (one,))).partition(": ")[2]
            if one.frame and said not in found.setdefault(one.frame, []):
                found[one.frame].append(said)
    return found


def line(message: Message) -> str:
    """Return one fact as a line for the person at the terminal."""
    match message:
        case FrameFault(flagged=(one,)):
            return f"{_called(one)}: {one.reason or _remedy(message.flag, one, _light(one))}"
        case FrameFault(flag, flagged):
            more = f" and {len(flagged) - _NAMED} more" if len(flagged) > _NAMED else ""
            lights = {_light(one) for one in flagged}
            remedy = _remedy(flag, _worst(flag, flagged), lights.pop() if len(lights) == 1 else "")
            if asked := flagged[0].remedy:
                same = len({one.reason for one in flagged}) == 1
                remedy = flagged[0].reason if same else f"{remedy.partition('; ')[0]}; {asked}"
            return f"{', '.join(map(_called, flagged[:_NAMED]))}{more}: {remedy}"
        case PutBack():
            return _put_back(message)
        case WarmUpsAside(frames, heads):
            more = f" and {len(frames) - _NAMED} more" if len(frames) > _NAMED else ""
            return f"{', '.join(frames[:_NAMED])}{more}: warm-up flashes at full before {words.heads(heads)}; set aside"
        case OutsidePart(rows, first, last):
            many = len(rows) > 1
            named = f"row{'s' * many} {words.listed([str(row) for row in rows])} name{'s' * (not many)}"
            return (
                f"shots.csv: {named} {'frames' if many else 'a frame'} outside {first} to {last}; "
                f"{'they are' if many else 'it is'} left out"
            )
        case PlacedByLight(rows, frames, slips):
            return f"shots.csv: {miscount(rows, frames)}; placed by their light: {'; '.join(map(slip_text, slips))}"
        case ShotInPart(frames, left):
            return f"shots.csv: the light of the {frames} frames fits the first rows; the other {left} are not shot yet"
        case OtherLight(frames, rows, exchanged):
            named = ", ".join(f"{frame} ({row})" for frame, row in zip(frames, rows, strict=True))
            if exchanged:
                return (
                    f"{named}: the light is not what the row says, but what another of these rows says, so neither "
                    f"rows nor frames count; put the log in the order of shooting, {NAME_THEM}"
                )
            return f"{named}: the light is not what the row says; check the log's order, {NAME_THEM}"
        case NotKept(session):
            return (
                f"{session}/.greystep: cannot be written, is a link or holds other files, so nothing is kept for the "
                "next run; move it away if it is there, or give a folder with --out"
            )
        case KeptElsewhere(session, folder):
            return f"{session}: cannot be written; readings.csv and .greystep lie in {folder}"


def _put_back(note: PutBack) -> str:
    by_date: dict[tuple[str, str], list[int]] = {}
    for row, typed, power in zip(note.rows, note.dates, note.powers, strict=True):
        by_date.setdefault((typed, power), []).append(row)
    said = [
        f"row{'s' * (len(rows) > 1)} {words.listed([str(row) for row in rows])} {power} for {typed}"
        for (typed, power), rows in by_date.items()
    ]
    return (
        f"shots.csv: a spreadsheet made dates of powers, read as the only power each can be: {'; '.join(said)}; the "
        "file is as it was"
    )


def _called(one: FlaggedFrame) -> str:
    return one.frame or (f"box {one.box}" if one.box.isdigit() else f"row {one.row}")


def _light(one: FlaggedFrame) -> str:
    """Return head and power in brackets behind a blank; nothing without a head."""
    return f" ({one.head} at {one.power})" if one.head else ""


def _worst(flag: Flag, flagged: tuple[FlaggedFrame, ...]) -> FlaggedFrame:
    """Return the frame with the largest fault where it has a size, else the first."""
    sizes = {
        Flag.CLIPPED: [one.clipped_pct for one in flagged],
        Flag.UNEVEN: [one.gradient_pct for one in flagged],
        Flag.AMBIENT_HIGH: [one.ambient_pct for one in flagged],
    }.get(flag, [0.0])
    return flagged[max(range(len(sizes)), key=lambda at: sizes[at] if math.isfinite(sizes[at]) else -math.inf)]


def _remedy(flag: Flag, one: FlaggedFrame, who: str) -> str:
    if flag == Flag.MISSING and not one.frame:
        return f"no frame is left for it{who}; shoot it or correct the log"
    if flag == Flag.CLIPPED and one.clipped_pct > _OVER_PCT:
        return f"the card is over the range{who}: close the aperture by 2 stops and shoot it again"
    if flag == Flag.UNEVEN and one.gradient_pct <= UNEVEN_PCT:
        return (
            f"part of the grey card is unlike the rest of it{who}; look for a shadow or a mark, or copy the frame again"
        )
    return _REMEDY[flag].format(
        who=who,
        expected="its setting" if one.alone else "its repeats",
        short=one.short_stops,
        away=_away(one),
        clipped="part" if math.isnan(one.clipped_pct) else f"{_percent(one.clipped_pct)} %",
        gradient=one.gradient_pct,
        ambient=_percent(one.ambient_pct),
        shutter=words.shutter(one.exposure_s),
    )


def _away(one: FlaggedFrame) -> str:
    """Return how far a frame lies from its repeats: ``8.1 mired warmer, pinker by a trace (0.0004), ...``.

    Where there is none left, how far it lies from its setting.
    """
    if one.alone:
        return f"{abs(one.short_stops):.2f} stop {'darker' if one.short_stops > 0 else 'brighter'}"
    return ", ".join(
        (
            f"{abs(one.away_mired):.1f} mired {'warmer' if one.away_mired > 0 else 'cooler'}",
            green_pink(one.away_duv),
            f"{abs(one.away_stops):.2f} stop {'brighter' if one.away_stops > 0 else 'darker'}",
        )
    )


def _percent(value: float) -> str:
    return f"{value:.1f}" if value < 10 else f"{value:.0f}"
