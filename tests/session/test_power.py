"""Powers as people write them, against hand arithmetic: stops below full = log2 of full over set."""

import contextlib
import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from greystep.errors import GreystepError
from greystep.session.power import parse_power, parse_power_name, same_power


@pytest.mark.parametrize(
    ("text", "stops"),
    [
        ("full", 0.0),
        ("Full power", 0.0),
        ("1/1", 0.0),
        ("0 stops", 0.0),
        ("0", 0.0),
        ("-0", 0.0),
        ("0,0", 0.0),
        ("1/2", 1.0),
        ("1/16", 4.0),
        (" 1 / 16 ", 4.0),
        ("1/16+0.3", 3.7),  # 0.3 stop more light than 1/16
        ("1/16 + 0,3 stops", 3.7),
        ("1/16+.3EV", 3.7),
        ("1/16-0.3", 4.3),
        ("1/16+1/3", 4 - 1 / 3),
        ("1/16+⅓", 4 - 1 / 3),
        ("full-0.3", 0.3),
        ("-4", 4.0),
        ("-4 stops", 4.0),
        ("-1 stop", 1.0),
        ("-4 EV", 4.0),
        ("-0,7", 0.7),
        ("-.5", 0.5),
        ("3/4", 0.41503749927884376),  # log2(4/3)
        ("1/3", 1.584962500721156),
        ("½", 1.0),
        ("⅛", 3.0),
        ("1\u204416", 4.0),  # fraction slash
        ("1\u221516", 4.0),  # division slash
        ("\u22124", 4.0),  # minus sign
        ("\u20134 stops", 4.0),  # en dash
        ("1/16\u2009\u2212\u20090.3", 4.3),  # thin spaces
        ("1/16\u00a0+\u00a00.3", 3.7),  # no-break spaces
        ("\uff11\uff0f\uff11\uff16", 4.0),  # full width
        ("half", 1.0),
        ("Half power", 1.0),
        ("a quarter", 2.0),
        ("one eighth", 3.0),
        ("sixteenth", 4.0),
        ("thirty-second", 5.0),
        ("1/64th", 6.0),
        ("quarter+0.3", 1.7),
        ("50%", 1.0),
        ("25 %", 2.0),
        ("12,5 %", 3.0),
        ("100 percent", 0.0),
        ("3 %", 5.058893689053568),  # log2(100 / 3)
    ],
)
def test_every_notation_has_its_value(text: str, stops: float) -> None:
    power = parse_power(text)
    assert power.stops == pytest.approx(stops, abs=1e-12)
    assert math.copysign(1, power.stops) == 1  # never -0.0
    assert power.label == text.strip()


@pytest.mark.parametrize(
    ("text", "full_j", "stops"),
    [
        ("2400 J", 2400, 0.0),
        ("200 J", 2400, 3.584962500721156),  # log2(12)
        ("200 Ws", 2400, 3.584962500721156),
        ("200J", 400, 1.0),
        ("200 joules", 400, 1.0),
        ("200,5 J", 401, 1.0),
        ("2405 J", 2400, 0.0),  # 0.003 stop above: the same power as full
    ],
)
def test_energy_is_measured_against_the_head_at_full(text: str, full_j: float, stops: float) -> None:
    assert parse_power(text, full_j).stops == pytest.approx(stops, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "full_j", "says"),
    [
        ("", None, "is empty; write full, 1/16"),
        ("   ", None, "is empty"),
        ("bright", None, "not understood; write full, 1/16, 1/16+0.3, half, 25 %, -4 or 200 J"),
        ("4 stops", None, "above or below full? write -4 for 4 stops below full"),
        ("4", None, "above or below full? write -4"),
        ("1", None, "above or below full?"),
        ("+1", None, "above or below full?"),
        ("0 %", None, "no light at all"),
        ("120 %", None, "0.263 stops above full"),
        ("half an hour", None, "not understood"),
        ("1-16", None, "not understood"),  # the slash is written - in names alone
        ("1/16 0.3", None, "not understood"),
        ("-1/16", None, "not understood"),
        ("1/0", None, "two numbers above 0"),
        ("0/4", None, "two numbers above 0"),
        ("16-Jan", None, "a spreadsheet made a date of it"),
        ("Jan-16", None, "a spreadsheet made a date of it"),
        ("01-Apr", None, "a spreadsheet made a date of it"),
        ("16. Mrz", None, "a spreadsheet made a date of it"),
        ("8-févr.", None, "a spreadsheet made a date of it"),
        ("4. Mai 2026", None, "a spreadsheet made a date of it"),
        ("Jan 1932", None, "a spreadsheet made a date of it"),
        ("01/16/2026", None, "a spreadsheet made a date of it"),
        ("16.01.2026", None, "a spreadsheet made a date of it"),
        ("2026-01-16", None, "a spreadsheet made a date of it"),
        ("2026-01-16 00:00:00", None, "a spreadsheet made a date of it"),
        ("46038", None, "a spreadsheet made a date of it"),
        ("2/1", None, "1 stops above full"),
        ("full+0.3", None, "0.3 stops above full"),
        ("1/2+2", None, "1 stops above full"),
        ("3000 J", 2400, "0.322 stops above full"),
        ("-40", None, "40 stops below full, lower than any flash"),
        ("1/99999", None, "16.6 stops below full"),
        ("200 J", None, "add max_energy_j under [heads.B-2] in session.toml"),
        ("1,200 J", 2400, "may be read in two ways; write 1200 J"),
        ("1.200 Ws", 2400, "may be read in two ways; write 1200 J"),
        ("0 J", 2400, "kind ambient"),
        ("1/" + "9" * 5000, None, "not understood"),
    ],
)
def test_what_is_no_power_is_refused_with_the_remedy(text: str, full_j: float | None, says: str) -> None:
    with pytest.raises(GreystepError) as caught:
        parse_power(text, full_j, head="B-2")
    message = str(caught.value)
    assert message.startswith(f'power "{text.strip()}": ')
    assert says in message
    assert "\n" not in message


def test_a_head_with_blanks_is_named_as_toml_wants_it() -> None:
    with pytest.raises(GreystepError, match=r'\[heads\."Head 1"\]'):
        parse_power("200 J", head="Head 1")


@pytest.mark.parametrize(
    ("name", "label", "stops"),
    [
        ("1-16", "1/16", 4.0),
        ("1-1", "1/1", 0.0),
        ("1:16", "1/16", 4.0),  # how some file systems keep a slash
        ("1-16+0.3", "1/16+0.3", 3.7),
        ("1-16-0.3", "1/16-0.3", 4.3),
        ("full", "full", 0.0),
        ("-4", "-4", 4.0),
        ("-4 stops", "-4 stops", 4.0),
        ("200J", "200J", 1.0),
    ],
)
def test_names_write_the_slash_as_a_hyphen(name: str, label: str, stops: float) -> None:
    power = parse_power_name(name, 400.0)
    assert power.label == label
    assert power.stops == pytest.approx(stops)


@pytest.mark.parametrize("name", ["16-Jan", "2026-01-16", "A", "0001", "IMG", "1-16-2026-3"])
def test_names_that_are_no_power(name: str) -> None:
    with pytest.raises(GreystepError):
        parse_power_name(name)


def test_powers_are_one_within_a_hundredth_of_a_stop() -> None:
    assert same_power(4.0, 4.01)
    assert same_power(3.7, parse_power("1/13").stops)  # 3.7004
    assert not same_power(4.0, 4.02)
    assert not same_power(4 - 0.3, 4 - 1 / 3)


@pytest.mark.parametrize(
    ("text", "stops"),
    [
        ("10", 0.0),
        ("9.9", 0.1),
        ("9,9", 0.1),
        ("6.5", 3.5),
        ("1", 9.0),
        ("0", 10.0),
        ("0 stops", 0.0),  # with its unit it is no number of the dial
        ("-4", 4.0),
        ("1/16", 4.0),
        ("half", 1.0),
    ],
)
def test_a_number_of_the_packs_dial_is_a_stop_a_unit(text: str, stops: float) -> None:
    assert parse_power(text, dial=10.0).stops == pytest.approx(stops, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("10.5", "0.5 stops above full"),
        ("4 stops", "above or below full? write -4"),
        ("+1", "above or below full? write -1"),
        ("46038", "a spreadsheet made a date of it"),
    ],
)
def test_what_is_no_number_of_the_dial(text: str, says: str) -> None:
    with pytest.raises(GreystepError, match=re.escape(says)):
        parse_power(text, dial=10.0)


def test_a_number_alone_asks_for_the_dial() -> None:
    with pytest.raises(GreystepError, match=r"or dial = 10 in session\.toml"):
        parse_power("9.9")


@pytest.mark.parametrize("name", ["1_16", "1 _ 16", "half", "25%"])
def test_names_may_write_the_slash_as_an_underscore(name: str) -> None:
    assert parse_power_name(name).stops == {"half": 1.0, "25%": 2.0}.get(name, 4.0)


@given(st.integers(0, 13))
def test_halvings_are_whole_stops_exactly(k: int) -> None:
    assert parse_power(f"1/{2**k}").stops == k
    assert parse_power(f"-{k}").stops == k
    assert parse_power_name(f"1-{2**k}").stops == k


@given(st.integers(1, 999), st.integers(1, 999))
def test_any_fraction_is_the_logarithm_of_its_value(top: int, bottom: int) -> None:
    if top <= bottom:
        assert 2.0 ** -parse_power(f"{top}/{bottom}").stops == pytest.approx(top / bottom, rel=1e-12)
    elif math.log2(top / bottom) > 0.01:
        with pytest.raises(GreystepError, match="above full"):
            parse_power(f"{top}/{bottom}")


@given(st.integers(1, 10), st.integers(0, 99), st.sampled_from("+-"), st.sampled_from(".,"))
def test_an_offset_is_more_light_with_plus_and_less_with_minus(k: int, hundredths: int, sign: str, point: str) -> None:
    text = f"1/{2**k}{sign}0{point}{hundredths:02d}"
    assert parse_power(text).stops == pytest.approx(k - hundredths / 100 * (1 if sign == "+" else -1), abs=1e-12)


@given(st.floats(1, 9999), st.floats(0.001, 10))
def test_energy_round_trip(full_j: float, stops: float) -> None:
    energy = f"{full_j * 2**-stops:.4f}"
    if float(energy) > 0 and stops > 0.02:
        assert full_j * 2 ** -parse_power(f"{energy} J", full_j).stops == pytest.approx(float(energy), rel=1e-9)


@given(st.text(max_size=12))
def test_any_text_gives_a_power_or_one_clear_line(text: str) -> None:
    with contextlib.suppress(GreystepError):  # any other exception fails
        assert 0 <= parse_power(text, 1000.0).stops <= 14
