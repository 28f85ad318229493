import math
from dataclasses import replace
from typing import Any

import pandas as pd

from greystep import words as say
from greystep.columns import HeadRow, PairRow, names
from greystep.compare.called import Called
from greystep.compare.verdict import WorstPair
from greystep.pages import formats as words
from greystep.sentences import kit
from greystep.session.settings import DEFAULT_TOLERANCE, Tolerance
from greystep.terms import Quantity, Verdict
from greystep.words import to_ascii


def test_differences_are_said_in_the_trades_words() -> None:
    # 5600 K against 5310 K: 1e6/5310 - 1e6/5600 = 9.753 mired, by hand.
    assert words.kelvin_mired(-290.0, 9.753) == "290 K (9.8 mired)"
    assert words.kelvin_mired(57.4, -1.83, 0.42) == "57 K (1.8 \N{PLUS-MINUS SIGN} 0.4 mired)"
    assert words.shift(-8.24, 0.00123) == "8.2 mired cooler and greener by about half of a 1/8 plus green (0.0012)"
    assert words.shift(0.4, -0.0002) == "0.4 mired warmer and pinker by a trace (0.0002)"
    for unknown in (None, math.nan):
        assert words.kelvin_mired(unknown, unknown) == words.EMPTY


def test_numbers_keep_their_sign_and_never_show_a_signed_zero() -> None:
    assert words.number(-2.25, 1) == "\N{MINUS SIGN}2.2"
    assert words.number(0.04, 1, signed=True) == "0.0"
    assert words.number(-0.04, 1) == "0.0"
    assert words.number(3.0, 1, signed=True) == "+3.0"
    assert words.give_or_take(5600.4, 12.7, 0) == "5600 \N{PLUS-MINUS SIGN} 13"
    assert words.give_or_take(5600.4, math.nan, 0) == "5600"


def test_limits_name_their_source_and_only_what_is_set() -> None:
    # d(1e6/m) = 1e6/m^2 dm: at 5000 K (200 mired) one mired is 25 K, at 3200 K (312.5) 10.24 K.
    text = kit.limits(DEFAULT_TOLERANCE, "a rule", 200.0)
    assert text == ("4 mired (about 100 K here), 0.0010 green to pink, 0.1 stop of output (a rule)")
    assert "4 mired (about 41 K here)" in kit.limits(DEFAULT_TOLERANCE, "a rule", 312.5)
    warmth = Tolerance(mired=None, duv=None, steps=None, kelvin=150.0, output_stops=None, is_default=False)
    assert kit.limits(warmth, "session.toml", math.nan) == "150 K (session.toml); green to pink is not judged"


def test_to_ascii_leaves_nothing_a_plain_terminal_cannot_show() -> None:
    text = to_ascii("5600 \N{PLUS-MINUS SIGN} 13 K \N{EN DASH} \N{MINUS SIGN}4 \N{SNOWMAN}")
    assert text == "5600 +/- 13 K - -4 ?"


def head(name: str, verdict: str = "within", **numbers: Any) -> HeadRow:
    row = dict.fromkeys(names(HeadRow, optional=False), math.nan)
    given = {"head": name, "label": name, "body": "", "verdict": verdict, "span_mired": 0.5, "u_span_mired": 0.2}
    return HeadRow(**(row | given | numbers))


def headline(kit_verdict: str, verdicts: dict[str, str], **named: list[str]) -> tuple[str, list[str]]:
    heads = [head(name, verdict) for name, verdict in verdicts.items()]
    sentences = {name: f"{name} says this." for name in verdicts}
    odd = kit.Odd(**{name: tuple(given) for name, given in named.items()})
    return kit.headline(heads, sentences, Called(Verdict(kit_verdict), None), DEFAULT_TOLERANCE, odd)


def test_the_headline_names_the_heads_that_go_back_and_why() -> None:
    verdicts = {"A": "within", "B": "outside", "C": "within"}
    assert headline("outside", verdicts, back=["B"]) == ("Send back head B", ["B says this."])
    both = headline("outside", verdicts, back=["B", "C"], clash=["A"])
    assert both == ("Send back heads B and C", ["B says this.", "C says this."])


def test_the_other_headlines() -> None:
    clash = headline("outside", {"A": "within", "B": "within"}, clash=["A", "B"])
    assert clash[0] == "Do not mix A and B in one picture"
    open_one = headline("undecided", {"A": "within", "B": "undecided"})
    assert open_one == ("Cannot call it yet: head B", ["B says this."])
    assert headline("undecided", {"A": "within", "B": "within"})[0] == "Cannot call it yet"
    assert headline("within", {"A": "within", "B": "within"})[0] == "Keep the kit: heads A and B match"
    assert headline("within", {"A": "within"})[0] == "Keep the kit: head A holds its colour"


def test_a_long_list_of_heads_does_not_bury_the_answer() -> None:
    heads = [f"H{n}" for n in range(12)]
    title, why = headline("undecided", dict.fromkeys(heads, "undecided"))
    assert title == "Cannot call it yet: all 12 heads"
    assert why == [*(f"H{n} says this." for n in range(4)), "For the other 8 heads see the list below."]
    title, why = headline("outside", dict.fromkeys(heads, "outside"), back=heads)
    assert title == "Send back 12 heads"  # one line of page one; the table below it names them
    assert len(why) == 5


def test_one_head_at_one_power_is_not_said_to_hold() -> None:
    row = head("A", span_mired=0.0, u_span_mired=0.0)
    title, _ = kit.headline([row], {"A": ""}, Called(Verdict.WITHIN, None), DEFAULT_TOLERANCE, kit.Odd())
    assert title == "Nothing to compare: head A at one power"
    assert not kit.one_power(replace(row, u_span_mired=0.3))


def test_frames_of_one_fault_are_told_together_and_rejected_ones_first() -> None:
    rows = [(f"f{n}.dng", "doubtful", "no_ambient") for n in range(5)] + [("", "rejected", "missing")]
    table = pd.DataFrame(rows, columns=["frame", "status", "flags"]).assign(head="A", power="1/4", kind="flash")
    table = pd.concat([table, table.head(1).assign(frame="good.dng", status="ok", flags="")], ignore_index=True)
    faults = [(fault.names, fault.status) for fault in words.frames_by_fault(table)]
    assert faults == [("A at 1/4", "rejected"), ("f0.dng, f1.dng, f2.dng and 2 more", "doubtful")]


def test_a_claim_is_told_at_one_power_and_over_the_range() -> None:
    assert words.claim([head("A")]) == ("", [])
    claimed = {"claim": "5 mired", "claim_one_power": "within", "shots_within_mired": 0.44}
    heads = [
        head("B", claim_over_range="undecided", range_within_mired=4.9, u_range_within_mired=0.3, **claimed),
        head("D", span_mired=0.0, u_span_mired=0.0, claim_over_range="within", **claimed),
    ]
    title, rows = words.claim(heads)
    assert title == "The maker's claim, plus or minus 5 mired"
    assert rows[0] == words.ClaimRow("B", "0.4 mired", "within", "4.9 \N{PLUS-MINUS SIGN} 0.3 mired", "undecided")
    assert (rows[1].reach, rows[1].over) == ("one power tested", "")


def test_the_worst_pair_says_nothing_of_chance_that_is_not_known() -> None:
    text: dict[str, Any] = {"head_a": "A", "power_a": "full", "head_b": "B", "power_b": "1/4"}
    numbers = {"delta_k": -200.0, "delta_mired": 6.0, "delta_duv": 0.0}
    pair = PairRow(**(dict.fromkeys(names(PairRow, optional=False), math.nan) | text | numbers))
    worst = WorstPair(0, pair, "full", "1/4", Quantity.MIRED, 1.5, 1.6)
    assert "chance" in kit.worst_pair(worst)
    assert "B at 1/4 is 200 K (6.0 mired) warmer and neither greener nor pinker than A at full" in kit.worst_pair(worst)
    assert "chance" not in kit.worst_pair(replace(worst, by_chance_mired=math.nan))
    assert kit.worst_pair(None) == ""


def test_mismatches_are_the_others_of_pairs_outside() -> None:
    rows = [("A", "B", "outside"), ("A", "C", "within"), ("B", "C", "outside"), ("A", "B", "outside")]
    pairs = pd.DataFrame(rows, columns=["head_a", "head_b", "verdict"])
    assert kit.mismatches(head("B"), pairs) == ["A", "C"]
    assert kit.mismatches(head("C"), pairs) == ["B"]


def test_every_verdict_has_a_word_and_a_mark_of_its_own() -> None:
    for said in (say.VERDICTS, words.MARKS):
        assert set(said) == {"within", "outside", "undecided"}
        assert len(set(said.values())) == 3


def test_colour_and_output_are_marked_apart_where_they_differ() -> None:
    both = {"verdict_colour": "within", "verdict_output": "undecided"}
    assert words.parts(head("A", "undecided", **both), False) == [("colour", "within"), ("output", "undecided")]
    assert words.parts(head("A", "within", verdict_colour="within", verdict_output="within"), False) == [("", "within")]
    assert words.parts(head("A", "outside", verdict_colour="outside"), False) == [("", "outside")]
    # Of a head that goes back nothing is told that cannot be called.
    assert words.parts(head("A", "undecided", **both), True) == [("colour", "within")]
    assert words.parts(head("A", "undecided"), True) == []


def test_what_may_be_chance_is_told_as_a_bound() -> None:
    assert words.moves_by("15 K (0.5 mired)", 0.5, 0.6, 1, " mired") == "under 1.1 mired"
    assert words.moves_by("25 K (0.8 mired)", 0.8, 0.6, 1, " mired") == "25 K (0.8 mired)"
    assert words.moves_by("25 K (0.8 mired)", 0.8, math.nan, 1, " mired") == "25 K (0.8 mired)"
