"""Gels: arithmetic of mired shifts against published conversion filters, names, the user's own file."""

from pathlib import Path

import numpy as np
import pytest

from greystep.constants import NOMINAL_GELS
from greystep.errors import FaultsError, GreystepError
from greystep.measure import chromaticity
from greystep.mix.gels import NO_GEL, Gel, all_stacks, join_gels, nominal_gels, parse_gel, read_gels
from greystep.mix.lights import with_gel

#: Shift [mired] as printed, from, to [K]: public tables of conversion filters (80A -131, 80B -112, 85B +131, 85 +112),
#: and the arithmetic 1e6 / T2 - 1e6 / T1 of a published article on mireds.
PUBLISHED = [
    (-131.0, 3200.0, 5500.0),
    (-112.0, 3400.0, 5500.0),
    (131.0, 5500.0, 3200.0),
    (112.0, 5500.0, 3400.0),
    (159.0, 5600.0, 2962.0),
    (159.0, 7000.0, 3313.0),
]


def gel(mired: float, duv: float = 0.0, stops: float = 0.5, name: str = "filter") -> Gel:
    return Gel(name, mired, duv, stops, ((name, 0.0, 0.0),), True)


@pytest.mark.parametrize(("shift", "before", "after"), PUBLISHED)
def test_a_gel_shifts_a_light_as_published_conversion_filters_do(shift: float, before: float, after: float) -> None:
    mired, duv, upvp = with_gel(1e6 / before, 0.0, [gel(shift)])
    assert mired[0] == pytest.approx(1e6 / after, abs=0.5)  # half the last printed digit
    cct, found = chromaticity.cct_duv(chromaticity.upvp_to_xy(upvp[0]))
    assert float(cct) == pytest.approx(1e6 / mired[0], abs=0.1)
    assert duv[0] == 0.0
    assert float(found) == pytest.approx(0.0, abs=1e-5)


def test_two_gels_on_one_head_add_their_shifts_and_their_losses() -> None:
    both = join_gels([gel(20.0, 0.001, 0.2, "a"), gel(-5.0, -0.004, 0.15, "b")])
    assert (both.name, both.mired_shift) == ("a + b", 15.0)
    assert both.duv_shift == pytest.approx(-0.003)
    assert both.stops == pytest.approx(0.35)
    assert [name for name, *_ in both.doubts] == ["a", "b"]


def test_a_gel_that_is_not_known_is_told_with_those_that_are() -> None:
    with pytest.raises(GreystepError, match='gel "xyz": not known; known are warm, cool; or give'):
        parse_gel("xyz", [gel(20.0, name="warm"), gel(-20.0, name="cool")])
    with pytest.raises(GreystepError, match='gel "warn": not known; did you mean warm'):
        parse_gel("warn", [gel(20.0, name="warm")])


def test_nominal_gels_run_from_full_to_an_eighth_and_are_marked_as_common_practice() -> None:
    gels = {one.name: one for one in nominal_gels()}
    for kind, sign in (("CTO", 1.0), ("CTB", -1.0)):
        shifts = [sign * gels[f"{part} {kind}"].mired_shift for part in ("1/8", "1/4", "1/2", "3/4", "full")]
        assert shifts == sorted(shifts)
        assert shifts[0] > 0
        losses = [gels[f"{part} {kind}"].stops for part in ("1/8", "1/4", "1/2", "3/4", "full")]
        assert losses == sorted(losses)
        assert losses[0] > 0
    for kind, sign in (("plus green", 1.0), ("minus green", -1.0)):
        shifts = [sign * gels[f"{part} {kind}"].duv_shift for part in ("1/8", "1/4", "1/2", "full")]
        assert shifts == sorted(shifts)
        assert shifts[0] > 0
    for one in gels.values():
        assert not one.own
        assert all(mired > 0 and duv > 0 for _, mired, duv in one.doubts), one.name
    for name, mired, spread_mired, duv, spread_duv, stops in NOMINAL_GELS:
        half = ((name, pytest.approx(0.5 * spread_mired), pytest.approx(0.5 * spread_duv)),)
        found = gels[name]
        assert (found.mired_shift, found.duv_shift, found.stops, found.doubts) == (mired, duv, stops, half), (
            "two standard uncertainties are the spread between makers"
        )


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("CTO", "full CTO"),
        ("full cto", "full CTO"),
        ("Quarter  CTB", "1/4 CTB"),
        ("\N{VULGAR FRACTION ONE QUARTER} CTO", "1/4 CTO"),
        ("three quarters CTO", "3/4 CTO"),
        ("half +green", "1/2 plus green"),
        ("1/8 \N{MINUS SIGN}green", "1/8 minus green"),
        ("1/4 CTO + 1/8 plus green", "1/4 CTO + 1/8 plus green"),
        ("1/4 CTO+1/8 +green", "1/4 CTO + 1/8 plus green"),
        ("", ""),
        ("none", ""),
    ],
)
def test_gels_are_known_by_the_spellings_of_the_trade(text: str, name: str) -> None:
    assert parse_gel(text, nominal_gels()).name == name


@pytest.mark.parametrize(
    ("text", "said"),
    [("1/4 CTX", "did you mean 1/4 CTO"), ("CTO+CTO+CTO", "2 at most"), ("xyzzy", "gels.csv"), ("CTO +", "not known")],
)
def test_a_gel_that_is_not_known_is_named_with_its_remedy(text: str, said: str) -> None:
    with pytest.raises(GreystepError, match=said):
        parse_gel(text, nominal_gels())


def test_own_gels_are_read_from_any_spreadsheet(tmp_path: Path) -> None:
    path = tmp_path / "gels.csv"
    path.write_bytes(
        "\ufeffName;Mired_shift;Duv_shift;stops;roll\r\nmy quarter;38,5;-0,0004;0,2;B\r\n;;;;\r\n".encode()
    )
    (own,) = read_gels(path)
    assert own == Gel("my quarter", 38.5, -0.0004, 0.2, (("my quarter", 0.0, 0.0),), True)
    assert parse_gel("MY Quarter", [own]) is not NO_GEL


def test_every_fault_of_own_gels_is_told_at_once_with_its_row(tmp_path: Path) -> None:
    path = tmp_path / "gels.csv"
    path.write_text("name,mired_shift,duv_shift,stops\na,5,0,-1\nb+c,5,0,0\n,x,0,0\na,5,0.2,\n")
    with pytest.raises(FaultsError) as caught:
        read_gels(path)
    text = str(caught.value)
    for said in (
        'row 2: stops "-1"',
        'row 3: gel "b+c"',
        "row 4: no name",
        'row 4: mired_shift "x"',
        "row 5: gel",
    ):
        assert said in text
    assert 'row 5: duv_shift "0.2"' in text
    path.write_text("name,mired,duv_shift,stops\na,5,0,1\n")
    with pytest.raises(FaultsError, match=r'column "mired": did you mean mired_shift\?'):
        read_gels(path)
    path.write_text("name,mired_shift,duv_shift,stops\n")
    with pytest.raises(GreystepError, match="names no gel"):
        read_gels(path)


def test_a_head_carries_two_gels_at_most_and_none_that_undo_each_other() -> None:
    stacks = all_stacks(nominal_gels())
    assert stacks[0] is NO_GEL
    assert max(len(stack.doubts) for stack in stacks) == 2
    names = {stack.name for stack in stacks}
    assert "1/4 CTO + 1/8 CTO" in names
    assert "1/4 CTB + 1/8 plus green" in names
    assert not any("CTO" in name and "CTB" in name for name in names)
    assert not any("plus" in name and "minus" in name for name in names)
    assert np.all([stack.stops >= 0 for stack in stacks])


def test_nominal_gels_are_those_of_the_trade() -> None:
    """Shifts [mired] and [Duv], typed a second time: common practice, from memory."""
    warm = {"full": 163, "3/4": 131, "1/2": 95, "1/4": 53, "1/8": 23}
    cool = {"full": -134, "3/4": -106, "1/2": -73, "1/4": -32, "1/8": -15}
    green = {"full": 0.024, "1/2": 0.012, "1/4": 0.006, "1/8": 0.003}
    pink = {"full": -0.030, "1/2": -0.015, "1/4": -0.0075, "1/8": -0.0035}
    gels = {one.name: one for one in nominal_gels()}
    for kind, shifts in (("CTO", warm), ("CTB", cool)):
        assert {part: gels[f"{part} {kind}"].mired_shift for part in shifts} == shifts
        assert all(gels[f"{part} {kind}"].duv_shift == 0.0 for part in shifts)
    for kind, tints in (("plus green", green), ("minus green", pink)):
        assert {part: gels[f"{part} {kind}"].duv_shift for part in tints} == tints
        assert all(abs(gels[f"{part} {kind}"].mired_shift) <= 7.0 for part in tints)


@pytest.mark.parametrize("text", ["three quarter CTO", "Three quarters CTO", "3/4 cto"])
def test_three_quarters_are_no_quarter(text: str) -> None:
    assert parse_gel(text, nominal_gels()).name == "3/4 CTO"
