"""The page of a choice: sets by rank with their worst two lights, colours by hand."""

import re

import pytest

from greystep.mix import choose
from greystep.mix.casts import LightPair
from greystep.mix.choose import Choice, ChosenPair, Gang, GangChoice, HeadSet
from greystep.mix.lights import White
from greystep.pages.choose import choose_page
from greystep.terms import Verdict


def light(head: str, power: str = "full") -> choose.TestedLight:
    return choose.TestedLight(head, power, (), 0.0, 0.0, 0.0)


def chosen(first: str, second: str, mired: float, duv: float, verdict: Verdict) -> HeadSet:
    pair = LightPair(
        role_a=first, role_b=second, delta_mired=mired, u_delta_mired=0.6, delta_k=-31.0 * mired, u_delta_k=20.0,
        delta_duv=duv, u_delta_duv=0.0002, delta_steps=1.0, u_delta_steps=0.3, verdict=verdict, withheld="",
    )  # fmt: skip
    one, two = light(first), light(second)
    return HeadSet((one, two), ChosenPair(one, two, pair), verdict, True)


SETS = (
    chosen("A", "B", 1.5, 0.0, Verdict.WITHIN),
    chosen("A", "<b>", 9.0, -0.0032, Verdict.OUTSIDE),
)


def test_sets_stand_by_rank_with_their_worst_two() -> None:
    text = choose_page(Choice("Kit", 2, 9, SETS[0], SETS[1:]))
    rows = text.split('class="rank">')[1:]
    assert [row[0] for row in rows] == ["1", "2"]
    assert "B at full against A at full" in rows[0]
    assert "in tolerance" in rows[0]
    assert "&lt;b&gt; at full against A at full" in rows[1]
    assert "280 K (9.0 ± 0.6 mired) warmer" in rows[1]
    assert "pinker by about a 1/8 minus green (0.0032 ± 0.0002)" in rows[1]
    assert "out of tolerance" in rows[1]
    assert ">Closest together: A at full and B at full</h1>" in text
    assert '<body class="go">' in text
    assert not re.search(r'(src|href)="(?!#|data:)', text)
    colours = [[int(part, 16) for part in code] for code in re.findall(r"background:#(..)(..)(..)", rows[1])]
    (grey, light_true, grey_again, large) = colours
    assert grey == grey_again == [grey[0]] * 3
    assert large[0] > large[1] > large[2] or large[0] > large[2] > large[1]  # warmer and pinker than the grey beside it
    assert large[0] - large[1] > 3 * (light_true[0] - light_true[1]) > 0


@pytest.mark.parametrize("output", [0.0, -1.2])
def test_a_gang_tells_flash_and_output(output: float) -> None:
    gang = Gang((light("A"),), None, Verdict.WITHIN, output, 1 / 400, White(5600.0, 0.0005, 178.6, 0.2061, 0.4762))
    text = choose_page(GangChoice("Kit", output, gang, ()))
    assert "1/400 s" in text
    assert ("\N{MINUS SIGN}1.2 stop" in text) == (output < 0)
    assert "one light alone" in text
