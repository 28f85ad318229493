"""Green to pink in the trade's words: the gel of about that size, read by hand off the list of gels."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from greystep.mix.gels import nominal_gels
from greystep.sentences.green_pink import gap, green_pink, span


@pytest.mark.parametrize(
    ("duv", "said"),
    [  # listed are 1/8, 1/4, 1/2 and full minus green at 0.0035, 0.0075, 0.015, 0.030; plus green 0.003, 0.006, 0.012
        (-0.0032, "pinker by about a 1/8 minus green (0.0032)"),
        (-0.0004, "pinker by a trace (0.0004)"),
        (-0.0009, "pinker by about a quarter of a 1/8 minus green (0.0009)"),
        (0.0010, "greener by about a third of a 1/8 plus green (0.0010)"),
        (-0.0018, "pinker by about half of a 1/8 minus green (0.0018)"),
        (0.0023, "greener by about three quarters of a 1/8 plus green (0.0023)"),
        (0.0044, "greener by between a 1/8 and a 1/4 plus green (0.0044)"),
        (-0.0072, "pinker by about a 1/4 minus green (0.0072)"),
        (0.0130, "greener by about a 1/2 plus green (0.0130)"),
        (-0.0300, "pinker by about a full minus green (0.0300)"),
        (-0.0500, "pinker by more than a full minus green (0.0500)"),
        (0.00004, "neither greener nor pinker"),
        (math.nan, "green to pink unknown"),
    ],
)
def test_an_amount_is_said_by_the_gel_of_that_size_with_the_number_behind(duv: float, said: str) -> None:
    assert green_pink(duv) == said


def test_the_doubt_stands_with_the_number_and_a_size_without_a_way_has_both_gels() -> None:
    assert green_pink(-0.0032, 0.0002) == "pinker by about a 1/8 minus green (0.0032 ± 0.0002)"
    assert span(0.0033) == "about a 1/8 plus or minus green (0.0033)"
    assert gap(-290.0, 9.8, -0.0032, 0.6, 0.0002) == (
        "290 K (9.8 ± 0.6 mired) warmer and pinker by about a 1/8 minus green (0.0032 ± 0.0002)"
    )
    assert gap(0.0, 0.0, 0.0032) == "neither warmer nor cooler and greener by about a 1/8 plus green (0.0032)"
    assert gap(0.0, 0.0, 0.0) == "neither warmer nor cooler, neither greener nor pinker"


@given(st.floats(0.00075, 0.029), st.sampled_from((1.0, -1.0)))
def test_the_gel_that_is_named_is_within_a_quarter_of_the_amount(size: float, sign: float) -> None:
    said = green_pink(sign * size)
    listed = {gel.name: abs(gel.duv_shift) for gel in nominal_gels()}
    shares = {"a quarter of ": 1 / 4, "a third of ": 1 / 3, "half of ": 1 / 2, "three quarters of ": 3 / 4, "": 1.0}
    if found := re.search(r"about (.*?)a (full|1/\d) ((?:plus|minus) green)", said):
        assert abs(math.log(shares[found[1]] * listed[f"{found[2]} {found[3]}"] / size)) <= math.log(1.26)
    else:
        low, high, way = re.search(r"between a (\S+) and a (\S+) (.*) \(", said).groups()  # type: ignore[union-attr]
        assert listed[f"{low} {way}"] < size < listed[f"{high} {way}"]
