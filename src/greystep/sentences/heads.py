"""What is said of each head: a sentence, why, how it moves over its powers, how it stands to the others."""

import math
from typing import Final

from greystep import words as say
from greystep.compare import against_others, own_drift
from greystep.compare.called import WarmUp
from greystep.compare.differences import Difference
from greystep.compare.drift import Timing
from greystep.compare.findings import Finding, Spoilt
from greystep.compare.limits import MOST_ROUNDS
from greystep.compare.odd_heads import MIRED_PER_DUV
from greystep.flags import MEANING
from greystep.sentences.green_pink import gap
from greystep.terms import Quantity, Verdict, Withheld

_NO_COLOUR: Final = "no colour matrix is known for its camera"
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
        said += [spoilt_frames(finding.spoilt)] if finding.spoilt else []
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
        return f"{head} cannot be judged yet: {spoilt_frames(finding.spoilt)}."
    if finding.doubted:
        return f"{head} cannot be judged: at {say.listed(finding.doubted.powers)} {MEANING[finding.doubted.flag]}."
    if finding.between:
        parts = " or ".join(_PART.get(name, name) for name in finding.between)
        return f"{head} is steady on each {parts}, but not from one {parts} to another: {own}."
    if finding.verdict == Verdict.OUTSIDE:
        also = ""
        if isinstance(finding.others, against_others.Offset) and not finding.others.power:
            also = f"; it is also {_others(finding.others)}"
        what = "put out the light that is set" if isinstance(finding.own, own_drift.OutputOff) else "hold its colour"
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
        return f" warms up: {fire_first(finding.warm_up)}; {'; '.join(rest)}"
    return f": {'; '.join([*rounds, own])}" if rounds else f" cannot be judged: {own}"


def _withheld(finding: Finding) -> list[str]:
    said = [_WITHHELD[reason] for reason in finding.called.withheld if reason in _WITHHELD]
    if finding.warm_up and Withheld.WARMS_UP in finding.called.withheld:
        said.append(f"it warms up: {fire_first(finding.warm_up)}")
    return said


def spoilt_frames(found: Spoilt) -> str:
    """Return how many frames of a head are rejected or doubtful, and why most of them are."""
    most = f", most of them because {MEANING[found.flag]}" if found.flag in MEANING else ""
    return f"{found.bad} of its {found.shot} frames are rejected or doubtful{most}"


def fire_first(found: WarmUp) -> str:
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


def _gap(difference: Difference) -> str:
    return gap(difference.kelvin, difference.mired, difference.duv, difference.u_mired, difference.u_duv)


def _own(own: own_drift.OwnDrift) -> str:
    """Return how a head moves over its own powers."""
    match own:
        case own_drift.OnePower(power):
            return f"only {power} was tested"
        case own_drift.NoMove():
            return "all its powers are alike"
        case own_drift.OutputOff(power, error, u_error, limit):
            return f"{power} is {say.output(error, u_error)} (limit {say.limit(Quantity.OUTPUT_STOPS, limit)})"
        case own_drift.OddPower(power, difference, quantity, limit):
            apart = f"{_gap(difference)} than at its other powers (limit {say.limit(quantity, limit)})"
            return f"one odd power, {power}: {apart}"
        case own_drift.Ends(power, base, difference, quantity, limit, one_way):
            text = f"{power} is {_gap(difference)} than {base} (limit {say.limit(quantity, limit)})"
            grows = f"it grows {say.way(difference.mired, difference.duv)} as power falls: "
            return f"{grows}{text}" if one_way else text


def _others(stand: against_others.Stand) -> str:
    """Return how a head stands to the others that it does not match."""
    match stand:
        case against_others.OffPair(difference, power, other, other_power):
            return f"{_gap(difference)} at {power} than head {other} at {other_power}"
        case against_others.Offset(difference, rival, power):
            return f"{_gap(difference)} than {_rest(rival)} {f'at {power}' if power else 'at every power'}"
        case against_others.OffAt(difference, rival, power, alone):
            return f"{_gap(difference)} than {_rest(rival)} at {power}{' alone' if alone else ''}"
        case against_others.Unlike(rival, powers):
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


def runs(stand: against_others.Stand | None) -> str:
    """Return how a head stands to the others in a few words: ``runs 4.1 +- 0.6 mired cool``; nothing where unclear."""
    match stand:
        case against_others.Offset(difference, _, power) | against_others.OffAt(difference, _, power):
            at = f" at {power}" if power else ""
        case _:
            return ""
    mired, duv = difference.mired, difference.duv
    if abs(mired) >= MIRED_PER_DUV * abs(duv):
        size = say.give_or_take(Quantity.MIRED, abs(mired), difference.u_mired)
        return f"runs {size} {'warm' if mired > 0 else 'cool'}{at}"
    return f"runs {say.give_or_take(Quantity.DUV, abs(duv), difference.u_duv)} {'green' if duv > 0 else 'pink'}{at}"
