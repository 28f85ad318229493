"""What to do next, with the cautions where it means handling kit."""

import math
import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from greystep import words as say
from greystep.compare import actions as advice
from greystep.compare.drift import Timing
from greystep.flags import Flag
from greystep.sentences.heads import fire_first, more_rounds, on_the_limit, spoilt_frames

#: By the flag of a light in doubt: how to shoot it again.
_AGAIN: Final = {
    Flag.TAIL_CUT: "with a longer shutter time: the flash was cut",
    Flag.SETTINGS_CHANGED: "at the settings of the other frames",
    Flag.BLACK_DOUBTFUL: "with more light on the target, and with a dark frame at the same ISO",
    Flag.AMBIENT_CHANGED: "with the room light off, and with a flash-off frame before and after",
    Flag.NO_AMBIENT: "with a flash-off frame at the same settings",
    Flag.AMBIENT_HIGH: "with the room light off",
    Flag.NEAR_WHITE: "at a lower ISO or a smaller aperture",
    Flag.TOO_DARK: "at a higher ISO",
    Flag.MATRIX_DIFFERS: "with the same colour matrix in the camera as for the other frames",
    Flag.OPCODES_IGNORED: "in the raw format of the other frames",
    Flag.UNEVEN: "with the light even over the target",
}


#: What is shot again before anything else is done.
_FIRST: Final = (
    advice.ShootHeadAgain, advice.ShootAgain, advice.ShootEmpty, advice.GiveMatrix, advice.CompareHeads,
    advice.SeparateHeat, advice.WatchBetween, advice.ShootFlashOff, advice.ShootRounds, advice.OpenPairs,
)  # fmt: skip


@dataclass(frozen=True)
class Step:
    """Something to do.

    Attributes:
        said: In one or two sentences.
        command: To be pasted; blank where there is none.
        handles: It has someone handle kit, so that the caution goes with it.
        of_table: The table of heads says it too.
    """

    said: str
    command: str = ""
    handles: bool = False
    of_table: bool = False

    @property
    def line(self) -> str:
        """The whole as one line."""
        caution = f" {say.CAUTION}" if self.handles else ""
        command = f" {self.command}" if self.command else ""
        return f"{self.said}{caution}{command}"


def in_order(actions: Sequence[advice.Action]) -> list[advice.Action]:
    """Return actions with shooting again first: what it shows may change the rest."""
    return sorted(actions, key=lambda what: not isinstance(what, _FIRST))


def step(what: advice.Action, timing: Timing, folder: Path | None) -> Step:
    """Return what to do next.

    Args:
        folder: Of the session, for commands; None where it is not known.
    """
    match what:
        case advice.SendBack(heads):
            return Step(f"Send back {say.heads(heads)}, or swap {'them' if len(heads) > 1 else 'it'}.", handles=True)
        case advice.UseOver(head, alone, together, partners, stays):
            said = f"If head {head} must stay, use it over these powers only. Alone: {say.stretch(alone)}."
            if not stays:
                return Step(said, of_table=True)
            others = "the kit" if len(partners) in (0, stays) else say.heads(partners)
            over = say.stretch(together) if together else "at no power"
            return Step(f"{said} Together with {others}: {over}.", of_table=True)
        case advice.KeepPacksApart(packs):
            return Step(
                f"Do not use packs {say.listed(packs)} in one picture, or swap the odd one: the heads that ran on both "
                "hold on each pack, but not from one to the other.",
                handles=True,
            )
        case advice.KeepHeadsApart(heads):
            return Step(
                f"Do not use {say.heads(heads)} in one picture: they do not match, and this test cannot show which is "
                "the odd one. A third head or a colour meter can."
            )
        case advice.GiveMatrix():
            return Step(f"Give the camera a colour matrix: {say.GIVE_MATRIX}.")
        case advice.ShootAgain(head, doubted):
            time = _time(2 * len(doubted.powers), timing)
            return Step(f"Shoot head {head} at {say.listed(doubted.powers)} again, {_AGAIN[doubted.flag]}{time}.")
        case advice.ShootHeadAgain(head, spoilt):
            time = _time(spoilt.shot, timing)
            return Step(f"Shoot head {head} again before anything is said of it: {spoilt_frames(spoilt)}{time}.")
        case advice.CompareHeads(groups):
            return Step(apart(groups)[1])
        case advice.SeparateHeat(heads, powers):
            return Step(
                f"Shoot {say.heads(heads)} up through the powers and down again, which separates heat from power; more "
                "rounds in one direction do not:",
                _plan(heads, powers, folder),
            )
        case advice.WatchBetween(heads, powers):
            return Step(
                f"Nothing watched camera and mains between {say.heads(heads)}: test them again with check frames of a "
                "reference head, which stays on its stand, before each head and at the end:",
                _plan(heads, powers, folder),
            )
        case advice.ShootFlashOff(heads):
            return Step(
                f"No flash-off frame followed the frames of {say.heads(heads)}: if camera and lamps still stand as "
                "they stood, take one now and add it to the log as kind ambient; else test again, with one at each "
                "change of head and at the end."
            )
        case advice.FireFirst(head, warm_up):
            return Step(f"With head {head} {fire_first(warm_up)}.")
        case advice.ShootEmpty(heads, powers):
            time = _time(2 * len(powers) * len(heads), timing, len(heads))
            return Step(f"Shoot {say.heads(heads)} at {say.listed(powers)}: no frame there can be used{time}.")
        case advice.ShootRounds(heads, rounds, cells):
            time = more_rounds(rounds, cells, timing)
            each = " each" if len(heads) > 1 and time.endswith("min") else ""
            return Step(f"Shoot {say.heads(heads)} again at every power: {time}{each}.", _more(folder))
        case advice.OpenPairs():
            said = _open_pairs(what, timing)
            return Step(said, _more(folder) if what.repeated and math.isfinite(what.rounds) else "")


def apart(groups: Sequence[Sequence[str]]) -> tuple[str, str]:
    """Return which heads were not compared, and what compares them."""
    if len(groups) < 2:
        lone = "Test it at two powers at least, or test a second head with the same camera."
        return f"{say.capital(say.heads(list(groups[0])))}: one light, and nothing was compared with it.", lone
    first, *rest = (say.listed(group) for group in groups)
    others = say.listed([f"{names} with another" for names in rest])
    verb = "was" if len(groups[0]) == 1 else "were"
    return (
        f"{first} {verb} shot with one camera, {others}: nothing compares them.",
        "Shoot all heads with one camera: nothing is compared from one camera to another.",
    )


def _plan(heads: Sequence[str], powers: Sequence[str], folder: Path | None) -> str:
    """Return the command that plans a test of these heads at these powers, beside the folder of the one at hand."""
    named = f"--heads {shlex.quote(','.join(heads))} --powers {shlex.quote(','.join(powers))}"
    return f"greystep plan {again(folder)} {named}"


def _more(folder: Path | None) -> str:
    """Return the command that plans what decides a test."""
    return f"greystep plan {again(folder)} --more {shlex.quote(_name(folder))}"


def again(folder: Path | None) -> str:
    """Return the folder of a test that goes on from the one in this folder, quoted for a command."""
    return "DIR" if folder is None else shlex.quote(f"{_name(folder)}_again")


def _name(folder: Path | None) -> str:
    """Return the name of a session's folder: commands are for the folder that holds it, wherever that lies."""
    return "SESSION" if folder is None else say.visible(folder.resolve().name)


def _time(frames: int, timing: Timing, heads: int = 1) -> str:
    """Return how long so many frames of some heads take; nothing where that is not known."""
    seconds = frames * timing.frame_s + heads * timing.head_change_s
    return f"; {max(math.ceil(seconds / 60.0 - 1e-9), 1)} min" if math.isfinite(seconds) else ""


def _open_pairs(found: advice.OpenPairs, timing: Timing) -> str:
    said = f"{say.counted(found.pairs, 'pair')} of {say.heads(found.heads)} cannot be called yet"
    if len(found.odd) < len(found.heads) - 1:
        is_are = "stands" if len(found.odd) == 1 else "stand"
        said = f"{say.capital(say.heads(found.odd))} {is_are} close to the limit against the others"
    if not found.repeated:
        return f"{said}: no light was shot twice; one more round shows their scatter."
    if math.isinf(found.rounds):
        return f"{said}: {on_the_limit(found.pairs > 1)}; do not use them in one picture."
    time = more_rounds(found.rounds, found.cells, timing, len(found.heads))
    return f"{said}: {time}, of their powers, would decide {found.decided} of {say.counted(found.pairs, 'pair')}."
