"""Set-ups in sentences: whether lights go together, what a photographer sees, what helps, which heads to choose."""

from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import Final

from greystep import words as say
from greystep.compare.actions import FireFirst, WatchBetween
from greystep.constants import STEPS_SEEN
from greystep.mix import changes
from greystep.mix.audit import Audit, BetweenPowers, Doubt, HeadTwice, JudgedSetup
from greystep.mix.casts import LightCast, LightPair, WorstPair
from greystep.mix.measured import WholeFrame
from greystep.mix.what_if import WhatIf
from greystep.sentences import actions, kit, kit_notes, session_notes
from greystep.sentences.green_pink import gap
from greystep.sentences.remedies import remedy
from greystep.sentences.shutter import of_room, of_shutter
from greystep.terms import Verdict, Withheld

UNWATCHED: Final = (
    "Nothing watched camera and mains between the heads of the test, so no two of them are said to go together and "
    "every difference between heads is less sure."
)
_DOUBTS: Final = {
    Doubt.UNWATCHED: UNWATCHED,
    Doubt.LISTED_GELS: (
        "Gels are listed as is common practice and vary by maker, far more than this tolerance: measure yours, one "
        "frame with and one without, and put them in gels.csv."
    ),
    Doubt.SPECTRA: (
        "A camera's matrix knows the colour of each light and not its spectrum: what is said of strong colours holds "
        "for lights of one kind. Lamps of another kind (LED, tungsten, other tubes) can differ more on strong colours."
    ),
}

# --- what stands out --------------------------------------------------------------------------------------------------


def headline(audit: JudgedSetup) -> str:
    """Return what the person reads first."""
    now = audit.now
    if now.verdict == Verdict.WITHIN:
        return "These lights go together"
    if now.verdict == Verdict.UNDECIDED:
        cold = [what.head for what in audit.settle if isinstance(what, FireFirst)]
        if {pair.withheld for pair in now.pairs if pair.verdict == Verdict.UNDECIDED} == {Withheld.WARMS_UP}:
            return f"Warm up {say.heads(cold)} first"
        pair = farthest(audit)
        return f"Cannot call it: {say.listed([pair.role_a, pair.role_b])}"
    clashing = {role for pair in _outside(audit) for role in (pair.role_a, pair.role_b)}
    odd = odd_light(audit)
    roles = [light.role for light in now.lights if light.role in clashing]
    if odd and len(now.lights) > 2:
        return f"{say.capital(odd)} clashes with {say.listed([role for role in roles if role != odd])}"
    return f"{say.capital(say.listed(roles))} clash"


def odd_light(audit: JudgedSetup) -> str:
    """Return the role of the one light that is in every clash, of two the second; blank where there is none."""
    pairs = [{pair.role_a, pair.role_b} for pair in _outside(audit)]
    common = set.intersection(*pairs) if pairs else set()
    return next((light.role for light in reversed(audit.now.lights) if light.role in common), "")


def farthest(audit: JudgedSetup) -> LightPair:
    """Return the two lights that are farthest apart; the odd one comes second."""
    pair = audit.now.worst.pair
    return turned(pair) if odd_light(audit) == pair.role_a else pair


def turned(pair: LightPair) -> LightPair:
    """Return a pair with its second light first."""
    return replace(
        pair, role_a=pair.role_b, role_b=pair.role_a, delta_k=-pair.delta_k, delta_mired=-pair.delta_mired,
        delta_duv=-pair.delta_duv,
    )  # fmt: skip


def _outside(audit: JudgedSetup) -> list[LightPair]:
    return [pair for pair in audit.now.pairs if pair.verdict == Verdict.OUTSIDE]


def what_if(found: WhatIf) -> str:
    """Return in one line what another power of some lights does to a set-up: before and after, and who clashes."""
    return f"{', '.join(map(_set, found.lights))}: before, {_judged(found.before)}; after, {_judged(found.after)}."


def _set(light: changes.NewPower) -> str:
    size = f"{abs(light.brighter_stops):.1f} stops {'brighter' if light.brighter_stops > 0 else 'darker'}"
    dump = "; turned down: dump, wait for ready" if light.brighter_stops < 0 else ""
    return f"{light.role} at {light.new} instead of {light.old} ({size}{dump})"


def _judged(audit: JudgedSetup) -> str:
    """Return the headline of a set-up as part of a sentence, and how its farthest two lights differ."""
    pair, said = farthest(audit), headline(audit)
    odd = [light.role for light in audit.now.lights if said.startswith(say.capital(light.role))]
    said = max(odd, key=len, default=said[:1].lower()) + said[len(max(odd, key=len, default=said[:1])) :]
    apart = gap(pair.delta_k, pair.delta_mired, pair.delta_duv, pair.u_delta_mired, pair.u_delta_duv)
    return f"{said}, {pair.role_b} is {apart} than {pair.role_a}"


def difference(pair: LightPair) -> str:
    """Return how two lights differ."""
    apart = gap(pair.delta_k, pair.delta_mired, pair.delta_duv)
    return f"Where only {pair.role_b} falls the light is {apart} than where only {pair.role_a} falls."


def seen(pair: LightPair) -> str:
    """Return what a photographer sees of two lights."""
    if pair.delta_steps < 1.0:
        return "Nobody will see that."
    if pair.delta_steps < STEPS_SEEN:
        return "Only a trained eye will see that, on an even grey or white where the two lights meet."
    side = []
    if abs(pair.delta_mired) >= 1.0:
        side.append("warmer" if pair.delta_mired > 0 else "cooler")
    if abs(pair.delta_duv) >= 0.0005:
        side.append("greener" if pair.delta_duv > 0 else "pinker")
    how = f": {pair.role_b} looks {' and '.join(side)}" if side else ""
    if pair.delta_steps < 2 * STEPS_SEEN:
        return f"On white, grey and skin it shows side by side{how}. On strong colours and in shadow it shows less."
    return f"Anyone will see two colours of light in one picture{how}."


def balance(audit: Audit) -> str:
    """Return what the best common white balance leaves; blank where the lights are alike."""
    pair = farthest(audit)
    if pair.delta_steps < 1.0:
        return ""
    lights = {light.role: light for light in reversed(audit.now.lights)}
    left = [f"{role} is still {off_balance(lights[role])} than neutral" for role in (pair.role_a, pair.role_b)]
    return (
        f"One white balance cannot repair it. With the best common one ({audit.now.balance.cct_k:.0f} K), "
        f"{'; '.join(left)}."
    )


def off_balance(light: LightCast) -> str:
    """Return how a light differs from the best common balance, such as ``90 K (2.9 mired) warmer and ...``."""
    return gap(light.delta_k, light.delta_mired, light.delta_duv)


def largest_cast(worst: WorstPair) -> str:
    """Return where on the way from one light to the other the best balance leaves most."""

    def place(share: float) -> str:
        if share in (0.0, 1.0):
            return f"where only {worst.pair.role_b if share else worst.pair.role_a} falls"
        return f"where {100.0 * share:.0f} % of the light is {worst.pair.role_b}"

    too = f", and as much {place(worst.share_too)}" if worst.share_too is not None else ""
    return f"{worst.cast_steps:.1f} steps {place(worst.share)}{too}"


def tolerance(audit: Audit) -> dict[str, float | str | None]:
    """Return the limits that a set-up is judged by, and under ``source`` where they come from."""
    return asdict(audit.tolerance) | {"source": _source(audit)}


def limits(audit: Audit) -> str:
    """Return the limits of colour in words; those of output say nothing about lights on one subject."""
    return kit.limits(replace(audit.tolerance, output_stops=None), _source(audit), audit.now.balance.mired)


def _source(audit: Audit) -> str:
    return "this tool's default, no standard" if audit.tolerance.is_default else "session.toml"


# --- what to do -------------------------------------------------------------------------------------------------------


def to_do(audit: Audit) -> list[str]:
    """Return what to do next, first things first."""
    lines = not_additive(audit.wholes)
    verdict, best = audit.now.verdict, audit.cheapest
    if verdict == Verdict.WITHIN:
        lines.append("Nothing: shoot it with the best common balance.")
    else:
        undecided = verdict == Verdict.UNDECIDED
        settle = [actions.step(one, audit.timing, None).line for one in audit.settle]
        lines += settle if undecided else []
        plates = best is not None and best.kind == changes.RemedyKind.PLATES
        if best is not None and not (undecided and plates):
            lines.append(f"Cheapest sure remedy: {_small(remedy(best))}")
        if audit.maybe is not None:
            lead = "Less work, but cannot be called yet" if best else "May do, but cannot be called yet"
            lines.append(f"{lead}: {_small(remedy(audit.maybe))}")
        if undecided:
            names = say.listed([say.cell(light.head, light.power) for light in audit.now.lights])
            open_pairs = [pair for pair in audit.now.pairs if pair.verdict == Verdict.UNDECIDED]
            if any(not pair.withheld for pair in open_pairs):
                lines.append(f"To be sure: shoot two more rounds of {names} in the test, then audit again.")
        if undecided or not plates:
            last = [one for one in audit.remedies if one.kind == changes.RemedyKind.PLATES]
            lines += [f"Last resort: {_small(remedy(one))}" for one in last]
        lines += [] if undecided else settle
    return lines + of_shutter(audit.shutter) + of_room(audit.shutter)


def other_ways(audit: Audit) -> list[str]:
    """Return the remedies that are not among what to do next; none where none is needed."""
    if audit.now.verdict == Verdict.WITHIN:
        return []
    told = (audit.cheapest, audit.maybe)
    return [remedy(one) for one in audit.remedies if one not in told and one.kind != changes.RemedyKind.PLATES]


def needs_care(audit: Audit) -> bool:
    """Say whether anything that is advised has someone handle heads or packs."""
    handled = any(one.kind != changes.RemedyKind.PLATES for one in audit.remedies)
    return audit.now.verdict != Verdict.WITHIN and handled


def notes(audit: Audit, beside_steps: bool = False) -> list[str]:
    """Return what limits the answer, and what the test says of itself.

    Args:
        beside_steps: What `to_do` says is left out.
    """
    said = []
    watch = any(isinstance(one, WatchBetween) for one in audit.settle)
    for doubt in audit.doubts:
        match doubt:
            case Doubt.UNWATCHED if beside_steps and watch:
                continue
            case BetweenPowers(lights):
                names = ", ".join(say.cell(*light) for light in lights)
                said.append(
                    f"{names}: not tested, taken straight between the tested powers on both sides; shoot it to be sure."
                )
            case HeadTwice(heads):
                said.append(
                    f"{', '.join(heads)}: in two places of this set-up; one head cannot stand in both, and two of a "
                    "type differ."
                )
            case Doubt():
                said.append(_DOUBTS[doubt])
    of_test = [*kit_notes.designs(audit.design_notes), *kit_notes.looked_at(audit.looks)]
    return [*said, *session_notes.sentences(audit.session_notes), *of_test]


def not_additive(wholes: Sequence[WholeFrame]) -> list[str]:
    """Return what is to be said of frames in which the lights do not add up."""
    return [
        f"{whole.frame}: the lights do not add up: all together are {abs(whole.stops_off):.1f} stop "
        f"{'brighter' if whole.stops_off > 0 else 'darker'} than one by one. A head did not fire, or heads on one pack "
        "share its energy, or a setting was changed: shoot each light again with the others plugged in and off."
        for whole in wholes
        if whole.not_additive
    ]


def _small(text: str) -> str:
    return f"{text[:1].lower()}{text[1:]}"
