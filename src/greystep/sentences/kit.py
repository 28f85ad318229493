"""What is said of a kit: the headline, the worst pair, the limits."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import pandas as pd

from greystep import words as say
from greystep.columns import HeadRow
from greystep.compare.called import Called
from greystep.compare.verdict import WorstPair
from greystep.sentences.actions import apart
from greystep.sentences.green_pink import gap
from greystep.session.settings import Tolerance
from greystep.terms import Quantity, Verdict, Withheld

#: So many heads are named in the headline's reasons; the lists below it name all.
HEADS_NAMED: Final = 4
#: Signs of the longest headline: one line on page one.
LONGEST: Final = 60


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


def worst_pair(worst: WorstPair | None) -> str:
    """Return the sentence on the two lights that differ most; nothing where there is only one head."""
    if worst is None:
        return ""
    pair = worst.pair
    first, second = say.cell(pair.head_a, worst.light_a), say.cell(pair.head_b, worst.light_b)
    difference = gap(pair.delta_k, pair.delta_mired, pair.delta_duv, pair.u_delta_mired, pair.u_delta_duv)
    chance = worst.by_chance_mired
    alike = f" If all heads were alike, chance would show up to {chance:.1f} mired." if math.isfinite(chance) else ""
    return f"The worst two in one picture: {second} is {difference} than {first}.{alike}"


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
        lone = _fitting(
            f"Nothing to compare: head {names[0]} at one power", "Nothing to compare: one head at one power"
        )
        return lone, [apart([names])[1]]
    if odd.back:
        again, many = say.heads(odd.spoilt), say.counted(len(odd.back), "head")
        first = [f"Shoot {again} again first; send back ", f"Shoot {len(odd.spoilt)} again first; send back "]
        leads = first if odd.spoilt else ["Send back "]
        said = odd.runs.get(odd.back[0], "") if len(odd.back) == 1 else ""
        titles = [f"{leads[0]}{say.heads(odd.back)}: it {said}"] if said else []
        titles += [f"{lead}{what}" for what in (say.heads(odd.back), many) for lead in leads]
        return _fitting(*titles), _reasons(sentences, [*odd.spoilt, *odd.back])
    if odd.spoilt:
        said = _heads_fitting("Shoot ", odd.spoilt, " again first")
        return said, _reasons(sentences, odd.spoilt)
    if odd.clash:
        title = _fitting(
            f"Do not mix {say.listed(odd.clash)} in one picture", f"Do not mix {len(odd.clash)} heads in one picture"
        )
        return title, ["They do not match, and this test cannot show which is the odd one."]
    if odd.packs:
        uneven = [row.label for row in heads if row.verdict == Verdict.OUTSIDE]
        title = _fitting(f"Packs {say.listed(odd.packs)} do not match", f"{len(odd.packs)} packs do not match")
        return title, _reasons(sentences, uneven)
    if kit.verdict != Verdict.WITHIN:  # or outside by lights that are in doubt
        return _open_headline(heads, sentences, kit, odd)
    blind = [f"{what.capitalize()} is not judged." for what in _not_judged(tolerance)]
    one = len(names) == 1
    short = "Keep the kit: it holds its colour" if one else f"Keep the kit: all {len(names)} heads match"
    return _fitting(f"Keep the kit: {say.heads(names)} {'holds its colour' if one else 'match'}", short), blind


def _fitting(*titles: str) -> str:
    """Return the first of some titles that fits one line; the last is cut where none does."""
    fits = next((title for title in titles if len(title) <= LONGEST), titles[-1])
    return fits if len(fits) <= LONGEST else f"{fits[: LONGEST - 1]}\N{HORIZONTAL ELLIPSIS}"


def _heads_fitting(before: str, names: Sequence[str], after: str = "") -> str:
    """Return a title about some heads: their names, or how many they are where these do not fit one line."""
    return _fitting(f"{before}{say.heads(names)}{after}", f"{before}{say.counted(len(names), 'head')}{after}")


def _open_headline(
    heads: Sequence[HeadRow], sentences: Mapping[str, str], kit: Called, odd: Odd
) -> tuple[str, list[str]]:
    """Return the headline of a kit that cannot be called: what is open of it, and of which heads."""
    open_rows = [row for row in heads if row.verdict != Verdict.WITHIN or row.label in odd.doubted]
    doubtful = [row.label for row in open_rows]
    why = _reasons(sentences, [*doubtful, *(name for name in odd.runs if name not in doubtful)])
    if Withheld.UNWATCHED in kit.withheld and not why:
        return "Cannot call it: camera and mains were not watched", ["Each head alone holds its colour."]
    if Withheld.UNWATCHED in kit.withheld:
        why = ["Nothing watched camera and mains between the heads.", *why]
    if odd.apart:
        return "Cannot call it: not all heads were compared", [apart(odd.apart)[0], *why]
    every = len(doubtful) == len(heads) > HEADS_NAMED
    named = f"all {len(doubtful)} heads" if every else say.heads(doubtful)
    many = f"all {len(doubtful)} heads" if every else say.counted(len(doubtful), "head")
    if doubtful and kit.colour == Verdict.WITHIN:
        matched = "The colours match" if len(heads) > 1 else "The colour holds"
        long = f"{matched}; the output cannot be called yet: {named}"
        return _fitting(long, f"{matched}; output not called yet: {many}"), why
    if doubtful and all(row.withheld == Withheld.WARMS_UP for row in open_rows) and not odd.runs:
        return _fitting(f"Warm up {named} first", f"Warm up {many} first"), why
    if doubtful:
        return _fitting(f"Cannot call it yet: {named}", f"Cannot call it yet: {many}"), why
    if said := [f"head {name} {text}" for name, text in odd.runs.items() if text]:
        short = f"Cannot call it yet: {say.counted(len(said), 'head')} close to the limit"
        return _fitting(f"Cannot call it yet: {say.listed(said[:HEADS_NAMED])}", short), why
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
    outside = pairs[
        (pairs["verdict"] == Verdict.OUTSIDE) & ((pairs["head_a"] == row.head) | (pairs["head_b"] == row.head))
    ]
    others = outside["head_a"].where(outside["head_a"] != row.head, outside["head_b"])
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
