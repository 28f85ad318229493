"""What limits the answer of a test, and what else it shows: head or pack, check frames, ISO steps, the design."""

import math
import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from greystep import words as say
from greystep.compare import drift
from greystep.compare import head_or_pack as attribution
from greystep.compare.check_frames import Moved
from greystep.compare.head_or_pack import Answer, Follows, Share, Step
from greystep.compare.iso_steps import IsoStep
from greystep.compare.verdict import ReportFacts
from greystep.sentences.actions import again
from greystep.terms import Quantity

#: Of a quantity: its noun, and the words for more and less of it.
_NOUNS: Final = {
    Quantity.MIRED: ("warmth", "warmer", "cooler"),
    Quantity.DUV: ("tint", "greener", "pinker"),
    Quantity.OUTPUT_STOPS: ("output", "brighter", "darker"),
}
#: One of two shares is called most of it when it is so many times the other (a choice, no source).
_MOSTLY: Final = 3.0


def notes(facts: ReportFacts, folder: Path) -> list[str]:
    """Return the notes on head or pack, on check frames and on ISO steps, in the order of the report.

    Args:
        folder: Of the session, for commands.
    """
    return [
        *map(head_or_pack, facts.attribution.told if facts.attribution else ()),
        *(one_pack(found, folder) for found in facts.one_pack),
        *map(moved, facts.moves),
        *(iso_step(step) for step in facts.iso_steps if step.shows),
    ]


def design(note: drift.DriftNote) -> str:
    """Return what limits the answer of a test."""
    match note:
        case drift.HeatNotSeparable(heads):
            return (
                f"The usable frames of {say.heads(heads)} go straight through the powers, so heat and power cannot be "
                "separated: part of the drift may be the tube that warms up. Shoot the powers up, down and up again "
                "to separate them."
            )
        case drift.NothingRepeated():
            return "No head was shot twice at one power, so nothing can be called: shoot one more round."
        case drift.NotRepeated(heads):
            return f"{say.capital(say.heads(heads))}: no repeats; the scatter of the other heads is used."
        case drift.HeatByShots():
            return "The capture times are not known, so heat is counted in shots."
        case drift.KitPowerNotMeasured(power):
            return (
                f"No head was measured at {power}, the power of the kit's mean, so nothing is compared with it: name a "
                "power that the heads have in [reference] of session.toml."
            )
        case drift.ReferencePowerNotMeasured(power, head, used):
            return (
                f"The reference power {power} was not measured on head {head}: its highest power, {used}, is the "
                "reference."
            )


def _more_or_less(quantity: Quantity, size: float) -> str:
    _, more, less = _NOUNS[quantity]
    return more if size > 0 else less


def moved(found: Moved) -> str:
    """Return what the check frames show of the session."""
    quantity, way = found.quantity, _more_or_less(found.quantity, found.size)
    size = say.give_or_take(quantity, abs(found.size), found.u_size)
    said = f"The check frames of head {found.head} at {found.power} ended {size} {way} than they began"
    share = f"more than a quarter of the limit of {say.limit(quantity, found.limit)}" if found.limit else ""
    if not found.sure:
        return f"{said}. That may be chance, but it is {share}: take more check frames."
    hour = ""
    if math.isfinite(found.per_hour):
        slope = say.give_or_take(quantity, abs(found.per_hour), found.u_per_hour)
        hour = f" ({slope} {_more_or_less(quantity, found.per_hour)} an hour)"
    cause = "room, mains, camera or the heat of that head changed, and heads shot at other times changed with it"
    tail = f"; that is {share}: let room and mains settle and test again" if share else ""
    return f"{said}{hour}: {cause}{tail}."


def iso_step(step: IsoStep) -> str:
    """Return how far an ISO is off its marking."""
    size = say.give_or_take(Quantity.OUTPUT_STOPS, abs(step.stops), step.u_stops)
    lights = say.listed([say.cell(head, power) for head, power in step.lights])
    return (
        f"At ISO {step.iso:g} this camera reads {size} {_more_or_less(Quantity.OUTPUT_STOPS, step.stops)} than marked, "
        f"against ISO {step.base_iso:g} (seen on {lights}): an output error of that size at powers shot at this ISO "
        "comes from the camera, not from the head."
    )


def one_pack(found: attribution.OnePack, folder: Path) -> str:
    """Return where the heads that go back are all the heads of a pack, so that it may be the pack."""
    heads, packs = (
        shlex.quote(",".join(two)) for two in ((found.heads[0], found.good_head), (found.pack, found.good_pack))
    )
    return (
        f"Only {say.heads(found.heads)} ran on pack {found.pack}: this test cannot separate head from pack. Two heads "
        f"on both packs can: greystep plan {again(folder)} --swap {heads} --packs {packs}"
    )


def head_or_pack(told: Answer | attribution.NothingRepeatedAmong | attribution.NoCommonPower) -> str:
    """Return which of head and pack makes the difference."""
    match told:
        case attribution.NoCommonPower(heads):
            return (
                f"{say.capital(say.heads(heads))} ran on more than one pack, but on no two at the same power: head and "
                "pack cannot be separated."
            )
        case attribution.NothingRepeatedAmong(among):
            return f"{say.capital(among)}: nothing was shot twice, so nobody can say which."
        case Answer():
            return _answer(told)


def _answer(told: Answer) -> str:
    start = f"{say.capital(told.among)}, at {told.power}"
    if told.from_power:
        start = f"From {told.from_power} to {told.power}"
    clauses, silent = [], []
    for share in told.shares:
        if share.pack is None:
            continue
        noun = _NOUNS[share.quantity][0]
        if share.follows == Follows.NEITHER or (share.head is None and share.follows == Follows.OPEN):
            silent.append(noun)
        else:
            clauses.append(_share(f"drift of {noun}" if told.from_power else noun, share, bool(told.from_power)))
    if silent:
        subject = "neither head nor pack makes a" if told.heads_compared else "the packs make no"
        of = "the drift of " if told.from_power else ""
        clauses.append(f"{subject} difference in {of}{say.listed(silent)} that is more than chance")
    if not told.heads_compared:
        clauses.append("nothing is known of the heads, because only one was moved")
    elif not told.checked:
        clauses.append("nothing checks that head and pack add up, because no two heads were on the same two packs")
    return f"{start}: {'; '.join(clauses)}."


def _share(what: str, share: Share, change: bool) -> str:
    """Return what a quantity follows, with the steps of head and pack."""
    quantity, head, pack = share.quantity, share.head, share.pack
    steps = [_step(quantity, step, change) for step in (head, pack) if step is not None]
    if share.follows == Follows.OPEN:
        by = "" if share.left is None else f", by {_size(quantity, share.left)}"
        return f"head and pack cannot be told apart in the {what}: the heads differ by another step on each pack{by}"
    if head is None or pack is None:
        return f"the {what} moves with the pack ({steps[-1]})"
    if share.follows == Follows.BOTH:
        sizes = [abs(step.delta) for step in (head, pack)]
        led = "comes from the head and from the pack"
        if max(sizes) > _MOSTLY * min(sizes):
            most, least = ("head", "pack") if sizes[0] > sizes[1] else ("pack", "head")
            led = f"follows mostly the {most}, partly the {least}"
        return f"the {what} {led} ({say.listed(steps)})"
    rest, own = (pack, steps[0]) if share.follows == Follows.HEAD else (head, steps[1])
    size = say.give_or_take(quantity, abs(rest.delta), rest.u)
    where = "on every pack" if rest is pack else "with every head"
    little = "too little to show" if abs(rest.delta) > rest.by_chance else "no more than chance"
    return (
        f"the {what} follows the {share.follows}: {own} {where}, while {rest.part}s {rest.first} and "
        f"{rest.second} differ by {size}, {little}"
    )


def _step(quantity: Quantity, step: Step, change: bool) -> str:
    """Return a step as it is said: ``head D is 290 K (9.6 ± 0.8 mired) warmer than head C``."""
    size, way = _size(quantity, step), _more_or_less(quantity, step.delta)
    return f"{step.part} {step.second} {'grows' if change else 'is'} {size} {way} than {step.part} {step.first}"


def _size(quantity: Quantity, step: Step) -> str:
    size = say.give_or_take(quantity, abs(step.delta), step.u)
    return f"{say.kelvin(step.kelvin)} ({size})" if quantity == Quantity.MIRED else size


def designs(found: Sequence[drift.DriftNote]) -> list[str]:
    """Return what limits the answer of a test, a sentence a note."""
    return [design(note) for note in found]
