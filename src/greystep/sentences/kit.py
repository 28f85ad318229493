"""What is said of a kit: the headline, a sentence a head, why, what to do next, the worst pair, the limits."""

import math
import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import pandas as pd

from greystep import words as say
from greystep.columns import HeadRow
from greystep.compare import actions as advice
from greystep.compare import findings
from greystep.compare.called import Called, WarmUp
from greystep.compare.drift import Timing
from greystep.compare.findings import Finding
from greystep.compare.limits import MOST_ROUNDS
from greystep.compare.odd_heads import MIRED_PER_DUV
from greystep.compare.verdict import WorstPair
from greystep.flags import MEANING, Flag
from greystep.session.settings import Tolerance
from greystep.terms import Quantity, Verdict, Withheld

#: So many heads are named in the headline's reasons; the lists below it name all.
HEADS_NAMED: Final = 4


@dataclass(frozen=True)
class Odd:
    """What stands out of a kit.

    Attributes:
        back, clash, packs: Heads to return; heads, and packs, not to combine.
        spoilt, doubted: Heads to be shot again first; heads that are outside only by lights in doubt.
        apart: The heads that each camera saw, where some were not compared.
        runs: How heads stand to the others, in a few words or none: those that go back, and those that are too close to
            the limit.
    """

    back: tuple[str, ...] = ()
    clash: tuple[str, ...] = ()
    packs: tuple[str, ...] = ()
    spoilt: tuple[str, ...] = ()
    doubted: tuple[str, ...] = ()
    apart: tuple[tuple[str, ...], ...] = ()
    runs: Mapping[str, str] = field(default_factory=dict)


_NO_COLOUR: Final = "no colour matrix is known for its camera"
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
_PART: Final = {"with": "company"}
#: Why a head is called neither.
_WITHHELD: Final = {
    Withheld.HEAT: "its frames go straight through the powers, so heat and power cannot be separated",
    Withheld.UNWATCHED: "nothing watched camera and mains between its frames",
    Withheld.ROOM: "no flash-off frame followed, so nothing shows whether the room light changed",
    Withheld.NOT_COMPARED: "it is one light, and nothing was compared with it",
}


def more_rounds(count: float, cells: int, timing: Timing, heads: int = 1) -> str:
    """Return ``2 more rounds, 4 min``: a round is one more frame of each of `cells`; each of `heads` is set up once."""
    said = say.counted(round(count), "more round")
    if not math.isfinite(timing.frame_s):
        return said
    seconds = count * cells * timing.frame_s + heads * timing.head_change_s
    return f"{said}, {max(math.ceil(seconds / 60.0 - 1e-9), 1)} min"


def on_the_limit(many: bool = False) -> str:
    """Return what is said where `MOST_ROUNDS` more rounds would not decide."""
    them, they_are = ("them", "they are") if many else ("it", "it is")
    return f"{MOST_ROUNDS} more rounds may not decide {them}: {they_are} too close to the limit"


def why(finding: Finding, timing: Timing) -> str:
    """Return the cell ``why`` of heads.csv: what would decide, quantity and cells, and the stand to the others."""
    said = [_NO_COLOUR] if finding.empty and finding.colourless else []
    said += [f"no usable frame at {power}" for power in finding.empty if not finding.colourless]
    if finding.verdict == Verdict.UNDECIDED and not (finding.empty or finding.back):
        said += [_spoilt(finding.spoilt)] if finding.spoilt else []
        said += _withheld(finding)
        said += [_undecided(finding, timing)] if finding.rounds and not finding.spoilt else []
    said += [_own(finding.own)] if finding.own else []
    said += [f"against the others: {_others(finding.others)}"] if finding.others else []
    if finding.row.n_outlier:
        said.append(f"{say.counted(finding.row.n_outlier, 'outlier')} left out")
    return "; ".join(said)


def sentence(finding: Finding, timing: Timing) -> str:
    """Return one sentence on a head that a hire desk understands."""
    head, own = f"Head {finding.head}", _own(finding.own) if finding.own else ""
    if finding.spoilt:
        return f"{head} cannot be judged yet: {_spoilt(finding.spoilt)}."
    if finding.doubted:
        return f"{head} cannot be judged: at {say.listed(finding.doubted.powers)} {MEANING[finding.doubted.flag]}."
    if finding.between:
        parts = " or ".join(_PART.get(name, name) for name in finding.between)
        return f"{head} is steady on each {parts}, but not from one {parts} to another: {own}."
    if finding.verdict == Verdict.OUTSIDE:
        also = ""
        if isinstance(finding.others, findings.Offset) and not finding.others.power:
            also = f"; it is also {_others(finding.others)}"
        what = "put out the light that is set" if isinstance(finding.own, findings.OutputOff) else "hold its colour"
        return f"{head} does not {what}: {own}{also}."
    if finding.others:
        if finding.verdict == Verdict.WITHIN:
            return f"{head} is steady on its own, but it is {_others(finding.others)}."
        return f"{head} is {_others(finding.others)}."
    if finding.empty:
        what = _NO_COLOUR if finding.colourless else f"no usable frame at {say.listed(finding.empty)}"
        return f"{head} cannot be judged: {what}."
    if finding.verdict == Verdict.UNDECIDED:
        return f"{head}{_open(finding, timing, own)}."
    if finding.cells == 1:
        return f"{head} was tested at one power only, so there is no drift to judge."
    if finding.close:
        return f"{head} holds its colour, but it is close to the limit: it is {_others(finding.close)}."
    first = f"; {_first_shot(finding.warm_up)}" if finding.warm_up else ""
    return f"{head} holds its colour: {_range(finding)}{first}."


def _open(finding: Finding, timing: Timing, own: str) -> str:
    """Return what is said of a head that is neither within nor outside, behind its name."""
    hidden = [_WITHHELD[reason] for reason in finding.called.withheld if reason in _WITHHELD]
    rounds = [_undecided(finding, timing)] if finding.rounds else []
    if hidden:
        return f" cannot be judged: {'; '.join([*hidden, *rounds, own])}"
    if finding.warm_up and Withheld.WARMS_UP in finding.called.withheld:
        rest = [*rounds, own] if rounds else [f"at the mean heat of the test: {_range(finding)}"]
        return f" warms up: {_fire_first(finding.warm_up)}; {'; '.join(rest)}"
    return f": {'; '.join([*rounds, own])}" if rounds else f" cannot be judged: {own}"


def _withheld(finding: Finding) -> list[str]:
    said = [_WITHHELD[reason] for reason in finding.called.withheld if reason in _WITHHELD]
    if finding.warm_up and Withheld.WARMS_UP in finding.called.withheld:
        said.append(f"it warms up: {_fire_first(finding.warm_up)}")
    return said


def _spoilt(found: findings.Spoilt) -> str:
    most = f", most of them because {MEANING[found.flag]}" if found.flag in MEANING else ""
    return f"{found.bad} of its {found.shot} frames are rejected or doubtful{most}"


def _fire_first(found: WarmUp) -> str:
    """Return how many flashes warm a head, and what it is until then; never more flashes than the test had."""
    size = say.give_or_take(Quantity.MIRED, abs(found.mired), found.u_mired)
    many = f"fire {say.counted(found.flashes, 'flash', 'flashes')} at full first"
    tested = " (the test had no more)" if found.tested else ""
    return f"{many}{tested}; until then it is {size} {'cooler' if found.mired > 0 else 'warmer'}"


def _first_shot(found: WarmUp) -> str:
    size = say.give_or_take(Quantity.MIRED, abs(found.mired), found.u_mired)
    return f"its first shot is {size} {'cooler' if found.mired > 0 else 'warmer'} than its hottest"


def _undecided(finding: Finding, timing: Timing) -> str:
    """Return what more rounds would do; where only one of colour and output is open, which."""
    more = more_rounds(finding.rounds, finding.cells, timing) if math.isfinite(finding.rounds) else on_the_limit()
    colour, output = finding.called.colour, finding.called.output
    what = ""
    if colour == Verdict.WITHIN:
        what = "the colour holds; output: "
    elif colour is not None and output is not None:
        what = "the output holds; colour: " if output == Verdict.WITHIN else "colour and output: "
    return f"{what}cannot call it: {more}"


def _gap(difference: findings.Difference) -> str:
    return say.gap(difference.kelvin, difference.mired, difference.duv, difference.u_mired, difference.u_duv)


def _own(own: findings.OwnDrift) -> str:
    """Return how a head moves over its own powers."""
    match own:
        case findings.OnePower(power):
            return f"only {power} was tested"
        case findings.NoMove():
            return "all its powers are alike"
        case findings.OutputOff(power, error, u_error, limit):
            return f"{power} is {say.output(error, u_error)} (limit {say.limit(Quantity.OUTPUT_STOPS, limit)})"
        case findings.OddPower(power, difference, quantity, limit):
            apart = f"{_gap(difference)} than at its other powers (limit {say.limit(quantity, limit)})"
            return f"one odd power, {power}: {apart}"
        case findings.Ends(power, base, difference, quantity, limit, one_way):
            text = f"{power} is {_gap(difference)} than {base} (limit {say.limit(quantity, limit)})"
            grows = f"it grows {say.way(difference.mired, difference.duv)} as power falls: "
            return f"{grows}{text}" if one_way else text


def _others(stand: findings.Stand) -> str:
    """Return how a head stands to the others that it does not match."""
    match stand:
        case findings.OffPair(difference, power, other, other_power):
            return f"{_gap(difference)} at {power} than head {other} at {other_power}"
        case findings.Offset(difference, rival, power):
            return f"{_gap(difference)} than {_rest(rival)} {f'at {power}' if power else 'at every power'}"
        case findings.OffAt(difference, rival, power, alone):
            return f"{_gap(difference)} than {_rest(rival)} at {power}{' alone' if alone else ''}"
        case findings.Unlike(rival, powers):
            return f"unlike {_rest(rival)} at {say.listed(powers)}"


def _rest(rival: str) -> str:
    return f"head {rival}" if rival else "the rest of the kit"


def _range(finding: Finding) -> str:
    """Return how much a head moves over its whole range."""
    row, error = finding.row, finding.row.largest_output_error_stops
    output = f", at most {say.output(error, row.u_largest_output_error_stops)}" if abs(error) >= 0.05 else ""
    over = f"from {finding.measured[0]} to {finding.measured[-1]}"
    if row.span_mired <= row.u_span_mired and row.span_duv <= row.u_span_duv:
        warmth, tint = row.span_mired + row.u_span_mired, row.span_duv + row.u_span_duv
        return f"no move beyond chance (under {warmth:.1f} mired and {tint:.4f} green to pink) {over}{output}"
    mired = say.give_or_take(Quantity.MIRED, row.span_mired, row.u_span_mired)
    duv = say.give_or_take(Quantity.DUV, row.span_duv, row.u_span_duv)
    return f"it moves {say.kelvin(row.span_k)} ({mired}) and {duv} green to pink {over}{output}"


def runs(stand: findings.Stand | None) -> str:
    """Return how a head stands to the others in a few words: ``runs 4.1 +- 0.6 mired cool``; nothing where unclear."""
    match stand:
        case findings.Offset(difference, _, power) | findings.OffAt(difference, _, power):
            at = f" at {power}" if power else ""
        case _:
            return ""
    mired, duv = difference.mired, difference.duv
    if abs(mired) >= MIRED_PER_DUV * abs(duv):
        size = say.give_or_take(Quantity.MIRED, abs(mired), difference.u_mired)
        return f"runs {size} {'warm' if mired > 0 else 'cool'}{at}"
    return f"runs {say.give_or_take(Quantity.DUV, abs(duv), difference.u_duv)} {'green' if duv > 0 else 'pink'}{at}"


def action(what: advice.Action, timing: Timing) -> str:
    """Return a line of what to do next, with the cautions where it means handling kit."""
    match what:
        case advice.SendBack(heads):
            return f"Send back {say.heads(heads)}, or swap {'them' if len(heads) > 1 else 'it'}. {say.CAUTION}"
        case advice.UseOver(head, alone, together, partners, stays):
            said = f"If head {head} must stay, use it over these powers only. Alone: {say.stretch(alone)}."
            if not stays:
                return said
            others = "the kit" if len(partners) in (0, stays) else say.heads(partners)
            return f"{said} Together with {others}: {say.stretch(together) if together else 'at no power'}."
        case advice.KeepPacksApart(packs):
            return (
                f"Do not use packs {say.listed(packs)} in one picture, or swap the odd one: the heads that ran on both "
                f"hold on each pack, but not from one to the other. {say.CAUTION}"
            )
        case advice.KeepHeadsApart(heads):
            return (
                f"Do not use {say.heads(heads)} in one picture: they do not match, and this test cannot show which is "
                "the odd one. A third head or a colour meter can."
            )
        case advice.GiveMatrix():
            return f"Give the camera a colour matrix: {say.GIVE_MATRIX}."
        case advice.ShootAgain(head, doubted):
            return f"Shoot head {head} at {say.listed(doubted.powers)} again, {_AGAIN[doubted.flag]}."
        case advice.ShootHeadAgain(head, spoilt):
            return f"Shoot head {head} again before anything is said of it: {_spoilt(spoilt)}."
        case advice.CompareHeads(groups):
            return apart(groups)[1]
        case advice.SeparateHeat(heads, powers):
            return (
                f"Shoot {say.heads(heads)} up through the powers and down again, which separates heat from power; more "
                f"rounds in one direction do not: {_plan(heads, powers)}"
            )
        case advice.WatchBetween(heads, powers):
            return (
                f"Nothing watched camera and mains between {say.heads(heads)}: test them again with check frames of a "
                f"reference head, which stays on its stand, before each head and at the end: {_plan(heads, powers)}"
            )
        case advice.ShootFlashOff(heads):
            return (
                f"No flash-off frame followed the frames of {say.heads(heads)}: if camera and lamps still stand as "
                "they stood, take one now and add it to the log as kind ambient; else test again, with one at each "
                "change of head and at the end."
            )
        case advice.FireFirst(head, warm_up):
            return f"With head {head} {_fire_first(warm_up)}."
        case advice.ShootEmpty(heads, powers):
            return f"Shoot {say.heads(heads)} at {say.listed(powers)}: no frame there can be used."
        case advice.ShootRounds(heads, rounds, cells):
            time = more_rounds(rounds, cells, timing)
            each = " each" if len(heads) > 1 and time.endswith("min") else ""
            return f"Shoot {say.heads(heads)} again at every power: {time}{each}."
        case advice.OpenPairs():
            return _open_pairs(what, timing)


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


def _plan(heads: Sequence[str], powers: Sequence[str]) -> str:
    """Return the command that plans a test of these heads at these powers."""
    return f"greystep plan DIR --heads {shlex.quote(','.join(heads))} --powers {shlex.quote(','.join(powers))}"


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


def worst_pair(worst: WorstPair | None) -> str:
    """Return the sentence on the two lights that differ most; nothing where there is only one head."""
    if worst is None:
        return ""
    pair = worst.pair
    first, second = say.cell(pair.head_a, worst.light_a), say.cell(pair.head_b, worst.light_b)
    gap = say.gap(pair.delta_k, pair.delta_mired, pair.delta_duv, pair.u_delta_mired, pair.u_delta_duv)
    chance = worst.by_chance_mired
    alike = f" If all heads were alike, chance would show up to {chance:.1f} mired." if math.isfinite(chance) else ""
    return f"The worst two in one picture: {second} is {gap} than {first}.{alike}"


def headline(
    heads: Sequence[HeadRow],
    sentences: Mapping[str, str],
    kit: Called,
    tolerance: Tolerance,
    odd: Odd,
) -> tuple[str, list[str]]:
    """Return what the person reads first, which head to send back, and why: a sentence a head."""
    names = [row.label for row in heads]
    if len(heads) == 1 and one_power(heads[0]):
        return f"Nothing to compare: head {names[0]} at one power", [apart([names])[1]]
    again = f"Shoot {say.heads(odd.spoilt)} again first" if odd.spoilt else ""
    if odd.back:
        said = odd.runs.get(odd.back[0], "") if len(odd.back) == 1 else ""
        title = f"{again}; send back" if again else "Send back"
        why = _reasons(sentences, [*odd.spoilt, *odd.back])
        return f"{title} {say.heads(odd.back)}{f': it {said}' if said else ''}", why
    if again:
        return again, _reasons(sentences, odd.spoilt)
    if odd.clash:
        return f"Do not mix {say.listed(odd.clash)} in one picture", [
            "They do not match, and this test cannot show which is the odd one."
        ]
    if odd.packs:
        uneven = [row.label for row in heads if row.verdict == Verdict.OUTSIDE]
        return f"Packs {say.listed(odd.packs)} do not match", _reasons(sentences, uneven)
    if kit.verdict != Verdict.WITHIN:  # or outside by lights that are in doubt
        return _open_headline(heads, sentences, kit, odd)
    blind = [f"{what.capitalize()} is not judged." for what in _not_judged(tolerance)]
    return f"Keep the kit: {say.heads(names)} {'match' if len(names) > 1 else 'holds its colour'}", blind


def _open_headline(
    heads: Sequence[HeadRow], sentences: Mapping[str, str], kit: Called, odd: Odd
) -> tuple[str, list[str]]:
    """Return the headline of a kit that cannot be called: what is open of it, and of which heads."""
    open_rows = [row for row in heads if row.verdict != Verdict.WITHIN or row.label in odd.doubted]
    doubtful = [row.label for row in open_rows]
    why = _reasons(sentences, [*doubtful, *(name for name in odd.runs if name not in doubtful)])
    if Withheld.UNWATCHED in kit.withheld and not why:
        return "Cannot call it: nothing watched camera and mains between the heads", [
            "Each head alone holds its colour."
        ]
    if Withheld.UNWATCHED in kit.withheld:
        why = ["Nothing watched camera and mains between the heads.", *why]
    if odd.apart:
        return "Cannot call it: not all heads were compared", [apart(odd.apart)[0], *why]
    many = len(doubtful) == len(heads) > HEADS_NAMED
    named = f"all {len(doubtful)} heads" if many else say.heads(doubtful)
    if doubtful and kit.colour == Verdict.WITHIN:
        matched = "The colours match" if len(heads) > 1 else "The colour holds"
        return f"{matched}; the output cannot be called yet: {named}", why
    if doubtful and all(row.withheld == Withheld.WARMS_UP for row in open_rows) and not odd.runs:
        return f"Warm up {named} first", why
    if doubtful:
        return f"Cannot call it yet: {named}", why
    if said := [f"head {name} {text}" for name, text in odd.runs.items() if text]:
        return f"Cannot call it yet: {say.listed(said[:HEADS_NAMED])}", why
    return "Cannot call it yet", why or ["Every head holds its colour; some pairs are too close to the limit."]


def _reasons(sentences: Mapping[str, str], heads: Sequence[str]) -> list[str]:
    """Return the sentences of the first heads, and how many more there are."""
    said = [sentences[name] for name in heads[:HEADS_NAMED]]
    left = len(heads) - len(said)
    return [*said, f"For the other {say.counted(left, 'head')} see the list below."] if left else said


def one_power(row: HeadRow) -> bool:
    """Return whether a head was tested at one power only, so that it has no range to judge."""
    return row.span_mired == 0.0 and row.u_span_mired == 0.0


def mismatches(row: HeadRow, pairs: pd.DataFrame) -> list[str]:
    """Return the heads that this one does not match at some power, in the order of the table of pairs."""
    if "body" in pairs:
        pairs = pairs[pairs["body"] == row.body]
    apart = pairs[
        (pairs["verdict"] == Verdict.OUTSIDE) & ((pairs["head_a"] == row.head) | (pairs["head_b"] == row.head))
    ]
    others = apart["head_a"].where(apart["head_a"] != row.head, apart["head_b"])
    return sorted(set(others), key=list(dict.fromkeys([*pairs["head_a"], *pairs["head_b"]])).index)


def limits(tolerance: Tolerance, source: str, at_mired: float) -> str:
    """Return the tolerance in words, with its width in kelvin at the reference's colour temperature [mired]."""
    said = []
    for quantity in (Quantity.MIRED, Quantity.KELVIN, Quantity.DUV, Quantity.STEPS, Quantity.OUTPUT_STOPS):
        limit: float | None = getattr(tolerance, quantity)
        if limit is None:
            continue
        width = " of output" if quantity == Quantity.OUTPUT_STOPS else ""
        if quantity == Quantity.MIRED and math.isfinite(at_mired):
            width = f" (about {say.kelvin(limit * 1e6 / at_mired**2)} here)"
        said.append(f"{say.limit(quantity, limit)}{width}")
    blind = "".join(f"; {what} is not judged" for what in _not_judged(tolerance))
    return f"{', '.join(said)} ({source}){blind}" if said else "none given"


def _not_judged(tolerance: Tolerance) -> list[str]:
    """Return what of the colour no limit is given for, where there is one for the rest of it."""
    warmth, tint = tolerance.mired is not None or tolerance.kelvin is not None, tolerance.duv is not None
    if tolerance.steps is not None or warmth == tint:
        return []
    return ["green to pink"] if warmth else ["warmth"]
