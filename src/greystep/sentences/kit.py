"""What is said of a kit: the headline, a sentence a head, why, what to do next, the worst pair, the limits."""

import math
from collections.abc import Mapping, Sequence
from typing import Final

import pandas as pd

from greystep import words as say
from greystep.columns import HeadRow
from greystep.compare import actions as advice
from greystep.compare import findings
from greystep.compare.drift import Timing
from greystep.compare.findings import Finding
from greystep.compare.limits import MOST_ROUNDS
from greystep.compare.verdict import WorstPair
from greystep.flags import Flag
from greystep.session.settings import Tolerance
from greystep.terms import Quantity, Verdict

#: So many heads are named in the headline's reasons; the lists below it name all.
HEADS_NAMED: Final = 4
_NO_COLOUR: Final = "no colour matrix is known for its camera"
#: By the flag of a light that was shot in another way: what is wrong, and how to shoot it again.
_DOUBTED: Final = {
    Flag.TAIL_CUT: ("the shutter was shorter than the flash", "with a longer shutter time: the flash was cut"),
    Flag.SETTINGS_CHANGED: (
        "the settings differ from those of the other frames",
        "at the settings of the other frames",
    ),
}
_PART: Final = {"with": "company"}


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
    if finding.verdict == Verdict.UNDECIDED and not finding.empty:
        said.append(_undecided(finding, timing))
    said += [_own(finding.own)] if finding.own else []
    said += [f"against the others: {_others(finding.others)}"] if finding.others else []
    if finding.row.n_outlier:
        said.append(f"{say.counted(finding.row.n_outlier, 'outlier')} left out")
    return "; ".join(said)


def sentence(finding: Finding, timing: Timing) -> str:
    """Return one sentence on a head that a hire desk understands."""
    head, own = f"Head {finding.head}", _own(finding.own) if finding.own else ""
    if finding.doubted:
        wrong, _ = _DOUBTED[finding.doubted.flag]
        return f"{head} cannot be judged: at {say.listed(finding.doubted.powers)} {wrong}."
    if finding.between:
        parts = " or ".join(_PART.get(name, name) for name in finding.between)
        return f"{head} is steady on each {parts}, but not from one {parts} to another: {own}."
    if finding.verdict == Verdict.OUTSIDE:
        safe = f"; safe over {say.stretch(finding.safe)}" if len(finding.safe) > 1 else ""
        also = ""
        if isinstance(finding.others, findings.Offset) and not finding.others.power:
            also = f"; it is also {_others(finding.others)}"
        return f"{head} does not hold its colour: {own}{also}{safe}."
    if finding.others:
        steady = "is steady on its own" if finding.verdict == Verdict.WITHIN else "cannot be judged on its own yet"
        return f"{head} {steady}, but it is {_others(finding.others)}."
    if finding.empty:
        what = _NO_COLOUR if finding.colourless else f"no usable frame at {say.listed(finding.empty)}"
        return f"{head} cannot be judged: {what}."
    if finding.verdict == Verdict.UNDECIDED:
        return f"{head}: {_undecided(finding, timing)}; {own}."
    if finding.cells == 1:
        return f"{head} was tested at one power only, so there is no drift to judge."
    return f"{head} holds its colour: {_range(finding)}."


def _undecided(finding: Finding, timing: Timing) -> str:
    more = more_rounds(finding.rounds, finding.cells, timing) if math.isfinite(finding.rounds) else on_the_limit()
    return f"cannot call it: {more}"


def _gap(difference: findings.Difference) -> str:
    return say.gap(difference.kelvin, difference.mired, difference.duv)


def _own(own: findings.OwnDrift) -> str:
    """Return how a head moves over its own powers."""
    match own:
        case findings.OnePower(power):
            return f"only {power} was tested"
        case findings.NoMove():
            return "all its powers are alike"
        case findings.OutputOff(power, error, limit):
            return f"{power} is {say.output(error)} (limit {say.limit(Quantity.OUTPUT_STOPS, limit)})"
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
    output = f", at most {say.output(error)}" if abs(error) >= 0.05 else ""
    moves = f"{say.kelvin(row.span_k)} ({row.span_mired:.1f} mired) and {row.span_duv:.4f} green to pink"
    return f"it moves {moves} from {finding.measured[0]} to {finding.measured[-1]}{output}"


def action(what: advice.Action, timing: Timing) -> str:
    """Return a line of what to do next, with the cautions where it means handling kit."""
    match what:
        case advice.SendBack(heads):
            return f"Send back {say.heads(heads)}, or swap {'them' if len(heads) > 1 else 'it'}. {say.CAUTION}"
        case advice.UseOver(head, powers, alone):
            lone = " alone in a picture," if alone else ""
            return f"If head {head} must stay, use it{lone} over {say.stretch(powers)} only."
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
            return f"Shoot head {head} at {say.listed(doubted.powers)} again, {_DOUBTED[doubted.flag][1]}."
        case advice.ShootEmpty(heads, powers):
            return f"Shoot {say.heads(heads)} at {say.listed(powers)}: no frame there can be used."
        case advice.ShootRounds(heads, rounds, cells):
            time = more_rounds(rounds, cells, timing)
            each = " each" if len(heads) > 1 and time.endswith("min") else ""
            return f"Shoot {say.heads(heads)} again at every power: {time}{each}."
        case advice.OpenPairs():
            return _open_pairs(what, timing)


def _open_pairs(found: advice.OpenPairs, timing: Timing) -> str:
    said = f"{say.counted(found.pairs, 'pair')} of {say.heads(found.heads)} cannot be called yet"
    if not found.repeated:
        return f"{said}: no light was shot twice; one more round shows their scatter."
    if math.isinf(found.rounds):
        return f"{said}: {on_the_limit(found.pairs > 1)}; do not use them in one picture."
    time = more_rounds(found.rounds, found.cells, timing, len(found.heads))
    return f"{said}: {time}, of their powers, would decide {found.decided} of them."


def worst_pair(worst: WorstPair | None) -> str:
    """Return the sentence on the two lights that differ most; nothing where there is only one head."""
    if worst is None:
        return ""
    pair = worst.pair
    first, second = say.cell(pair.head_a, worst.light_a), say.cell(pair.head_b, worst.light_b)
    gap, chance = say.gap(pair.delta_k, pair.delta_mired, pair.delta_duv), worst.by_chance_mired
    alike = f" If all heads were alike, chance would show up to {chance:.1f} mired." if math.isfinite(chance) else ""
    return f"The worst two in one picture: {second} is {gap} than {first}.{alike}"


def headline(
    heads: Sequence[HeadRow],
    sentences: Mapping[str, str],
    kit_verdict: Verdict,
    tolerance: Tolerance,
    *,
    back: Sequence[str] = (),
    clash: Sequence[str] = (),
    packs: Sequence[str] = (),
) -> tuple[str, list[str]]:
    """Return what the person reads first, which head to send back, and why: a sentence a head."""
    names = [row.label for row in heads]
    if len(heads) == 1 and one_power(heads[0]):
        return f"Nothing to compare: head {names[0]} at one power", [
            "Test it at two powers at least, or test a second head."
        ]
    if back:
        return f"Send back {say.heads(back)}", _reasons(sentences, back)
    if clash:
        return f"Do not mix {say.listed(clash)} in one picture", [
            "They do not match, and this test cannot show which is the odd one."
        ]
    if packs:
        uneven = [row.label for row in heads if row.verdict == Verdict.OUTSIDE]
        return f"Packs {say.listed(packs)} do not match", _reasons(sentences, uneven)
    if kit_verdict != Verdict.WITHIN:  # or outside by lights that were shot in another way
        doubtful = [row.label for row in heads if row.verdict != Verdict.WITHIN]
        if not doubtful:
            return "Cannot call it yet", ["Every head holds its colour; some pairs are too close to the limit."]
        many = len(doubtful) == len(heads) > HEADS_NAMED
        named = f"all {len(doubtful)} heads" if many else say.heads(doubtful)
        return f"Cannot call it yet: {named}", _reasons(sentences, doubtful)
    blind = [f"{what.capitalize()} is not judged." for what in _not_judged(tolerance)]
    return f"Keep the kit: {say.heads(names)} {'match' if len(names) > 1 else 'holds its colour'}", blind


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
