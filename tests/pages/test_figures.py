"""Figures show what their tables say, and no mark of them contradicts a verdict."""

import base64
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greystep import api
from greystep.compare.verdict import Judged
from greystep.pages import figures, panels, svg
from greystep.pages import tables as series
from greystep.sentences.summary import ReferenceLight
from greystep.session.pictures import as_jpegs
from greystep.terms import Quantity, Verdict, Withheld
from helpers import synthetic
from helpers.jpegs import pixels_of
from helpers.pages import Told, kit_of, tell

SVG = "{http://www.w3.org/2000/svg}"
SAMPLE = Path(__file__).parents[2] / "sample_data" / "hire_kit"


# --- what is drawn is what the tables say -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def tables(kit: Any) -> dict[str, pd.DataFrame]:
    return series.figure_tables(kit.powers, kit.readings, kit.summary.reference, kit.summary.calipers)


def dots(drawing: str) -> list[tuple[float, float]]:
    found = ET.fromstring(drawing).iter(f"{SVG}circle")
    return [(float(one.attrib["cx"]), float(one.attrib["cy"])) for one in found if one.attrib["class"] == "dot"]


@pytest.mark.parametrize(("name", "column"), [("warmth", "mired"), ("tint", "duv"), ("output", "output_error_stops")])
def test_lights_stand_where_the_table_says_on_axes_common_to_all_heads(name: str, column: str) -> None:
    kit, places = simulated("a drift, and a head on the limit")[1], {}
    for head in "ABCD":
        drawn = sorted(dots(panels.draw_panel(kit, name, head)))
        mine = kit["colour"][kit["colour"]["label"] == head]
        assert len(drawn) == len(mine)
        assert all(after[0] - before[0] > 20 for before, after in pairwise(drawn)), "a dot at each power"
        places |= dict(zip(mine[column], (y for _, y in drawn), strict=True))
    values, heights = np.array(list(places)), np.array(list(places.values()))
    slope, level = np.polyfit(values, heights, 1)
    assert slope < 0  # SVG counts downwards: a higher value stands higher
    assert np.abs(slope * values + level - heights).max() < 0.02


def test_chromaticity_is_drawn_to_one_scale_on_both_axes(tables: dict[str, pd.DataFrame]) -> None:
    table = tables["chromaticity"]
    drawn = list(dots(figures.draw_chromaticity(table, {})))
    scale_x, _ = np.polyfit(table["du_prime"], [x for x, _ in drawn], 1)
    scale_y, _ = np.polyfit(table["dv_prime"], [y for _, y in drawn], 1)
    assert scale_x == pytest.approx(-scale_y, rel=1e-3)


def test_the_same_numbers_give_the_same_bytes(kit: Any, tables: dict[str, pd.DataFrame]) -> None:
    drawn = figures.drawings(tables, kit.summary.reference)
    assert figures.drawings(tables, kit.summary.reference) == drawn
    assert set(drawn) == {"warmth", "tint", "output", "matrix", "chromaticity", "order"}


def test_a_drawing_stands_alone_with_its_style_and_needs_nothing(kit: Any, tables: dict[str, pd.DataFrame]) -> None:
    for drawing in figures.drawings(tables, kit.summary.reference).values():
        root = ET.fromstring(svg.standalone(drawing))
        style = next(root.iter(f"{SVG}style")).text or ""
        named = {name for one in root.iter() for name in one.attrib.get("class", "").split()}
        assert {"--ink", "--paper"} <= set(re.findall(r"--\w+", style))
        assert named - {"gap", "cell", "within"} <= set(re.findall(r"\.(\w+)", style)), "a class without a look"
        assert "url(" not in style


def test_warmer_and_greener_point_the_right_way() -> None:
    # Differences of colour-science 0.4.7 (Ohno 2013) at 5600 K: du', dv' per mired and per 0.001 Duv.
    arrows = figures.directions(5600.0, 0.0)
    assert arrows["warmer"] == pytest.approx((2.418e-4, 4.086e-4), rel=0.01)
    assert arrows["greener"] == pytest.approx((-7.54e-4, 9.86e-4), rel=0.01)


def test_alt_text_carries_the_finding(kit: Any, tables: dict[str, pd.DataFrame]) -> None:
    said = ET.fromstring(panels.draw_panel(tables, "warmth", "B")).attrib["aria-label"]
    mine = kit.powers[kit.powers["head"] == "B"]["mired"]
    assert f"B moves {np.ptp(mine):.1f} mired" in said
    assert re.search(r"behind it A moves \d\.\d mired, C moves", said)
    assert "out of tolerance" in said


def test_heads_with_gaps_and_strange_names_are_drawn(kit_of: Any) -> None:
    kit = kit_of({"None": (180.0, 0.0, 0.0, 0.0), "<b>&\x1b $x$ \N{HIRAGANA LETTER A}": (181.0, 1.0, 0.0, 0.0)})
    powers = kit.powers.copy()
    powers.loc[powers.index[-1], ["mired", "cct_k", "duv", "u_prime", "v_prime", "u_mired"]] = np.nan
    tables = series.figure_tables(powers, kit.readings, kit.summary.reference, kit.summary.calipers)
    for drawing in figures.drawings(tables, kit.summary.reference).values():
        ET.fromstring(drawing)
        assert "nan" not in drawing.lower()


@pytest.mark.parametrize("count", [1, 12])
def test_any_number_of_heads(count: int) -> None:
    kit = (
        kit_of(count, powers=3, repeats=2)
        if count > 1
        else tell(synthetic.simulate(*one_head()), synthetic.make_session())
    )
    assert len(figures.drawings(kit.tables, kit.summary.reference)) == 6
    assert kit.page().count('<article class="head"') == count


def one_head() -> tuple[np.random.Generator, np.ndarray]:
    return np.random.default_rng(1), np.zeros((1, 4))


# --- no mark contradicts a verdict ------------------------------------------------------------------------------------


@cache
def sample() -> tuple[Judged, dict[str, pd.DataFrame], str]:
    report = api.open_session(SAMPLE, store=None).report()
    kit = Told(report.ingested.readings, report.drift, report.facts, report.summary, report._drawn, {})
    return report.facts.judged, kit.tables, kit.page()


@cache
def simulated(case: str) -> tuple[Judged, dict[str, pd.DataFrame], str]:
    """Return sessions with known offenders: a drift, a tint, a head on the limit, scatter, one frame a light."""
    rng = np.random.default_rng(11)
    offsets, more = np.zeros((4, 5)), {}
    if case == "a drift, and a head on the limit":
        offsets[1], offsets[2] = np.linspace(0, 9, 5), 4.0
    if case == "a tint and a warm head, with much scatter":
        offsets[3], more = 8.0, {"scatter": 1.2}
    if case == "an odd power, and output off":
        offsets[2, 2] = -7.0
    if case == "one frame a light":
        offsets[1], more = 12.0, {"repeats": 1}
    if case == "nothing watched, heat in the powers":
        offsets[1], more = np.linspace(0, 9, 5), {"order": "straight", "checks": 0}
    readings = synthetic.simulate(rng, offsets, **{"repeats": 3, **more})
    if case == "a tint and a warm head, with much scatter":
        readings.loc[readings["head"] == "B", "duv"] += 0.004
    if case == "an odd power, and output off":
        readings.loc[(readings["head"] == "D") & (readings["stops"] == 3), "output_stops"] += 0.25
    kit = tell(readings, synthetic.make_session())
    return kit.facts.judged, kit.tables, kit.page()


CASES = (
    "sample", "a drift, and a head on the limit", "a tint and a warm head, with much scatter",
    "an odd power, and output off", "one frame a light", "nothing watched, heat in the powers",
)  # fmt: skip


def svgs(page: str) -> Iterator[ET.Element]:
    for drawing in re.findall(r"<svg xmlns=.*?</svg>", page, re.DOTALL):
        yield ET.fromstring(drawing)


def numbers(path: str) -> list[float]:
    return [float(one) for one in re.findall(r"-?\d+\.?\d*", path)]


def jaws_of(drawing: ET.Element, across: bool) -> list[float]:
    found = [one.attrib["d"] for one in drawing.iter(f"{SVG}path") if one.attrib.get("class") == "jaw"]
    # M foot low H at V high H foot, and lying M low foot V at H high V foot: the third number is where the jaw stands
    return sorted(numbers(path)[2] for path in found)


def gaps(drawing: ET.Element) -> Iterator[tuple[ET.Element, float, float]]:
    """Return the groups of a drawing that are differences, and where the bar of each begins and ends."""
    for group in drawing.iter(f"{SVG}g"):
        if "gap" in group.attrib.get("class", "").split():
            bar = next(one for one in group if one.attrib.get("class") == "bar")
            x1, y1, x2, y2 = numbers(bar.attrib["d"])
            yield group, *((x1, x2) if abs(x1 - x2) >= abs(y1 - y2) and y1 == y2 else (y1, y2))


@pytest.mark.parametrize("case", CASES)
def test_no_mark_contradicts_a_verdict(case: str) -> None:
    """A bar lies wholly beyond a jaw where, and only where, it is called outside; wholly inside where within."""
    if case == "sample" and not SAMPLE.is_dir():
        pytest.skip("sample_data is not part of this installation")
    _, _, page = sample() if case == "sample" else simulated(case)
    seen = dict.fromkeys(Verdict, 0)
    for drawing in svgs(page):
        for group, first, last in gaps(drawing):
            low, high = sorted((first, last))
            lower, upper = jaws_of(drawing, True)
            beyond, inside = low > upper + 0.01 or high < lower - 0.01, lower - 0.01 <= low and high <= upper + 0.01
            verdict = Verdict(group.attrib["data-verdict"])
            assert beyond == (verdict == Verdict.OUTSIDE), group.attrib
            assert inside == (verdict == Verdict.WITHIN), group.attrib
            seen[verdict] += 1
    nothing = ("one frame a light", "nothing watched, heat in the powers")  # nothing can be called there
    assert (seen[Verdict.WITHIN] > 0) == (seen[Verdict.OUTSIDE] > 0) == (case not in nothing), seen
    assert sum(seen.values()) > 30


@pytest.mark.parametrize("case", ["a drift, and a head on the limit", "a tint and a warm head, with much scatter"])
def test_warmer_and_greener_lie_to_the_right_of_a_strip(case: str) -> None:
    _, tables, _ = simulated(case)
    rows = [row for row in series.gap_rows(tables["calipers"]) if row.decides and row.quantity in ("mired", "duv")]
    assert len(rows) == 8
    for quantity in ("mired", "duv"):
        mine = [row for row in rows if row.quantity == quantity]
        reach = panels.strip_reach(mine)
        places = {row.difference: dots(panels.draw_strip(row, reach))[0][0] for row in mine}
        middle = panels.STRIP[0] / 2
        assert all((x > middle) == (difference > 0) for difference, x in places.items())
        (slope, level) = np.polyfit(list(places), list(places.values()), 1)
        assert slope > 0
        assert all(x == pytest.approx(slope * difference + level, abs=0.02) for difference, x in places.items())
        jaws = jaws_of(ET.fromstring(panels.draw_strip(mine[0], reach)), True)
        assert jaws == pytest.approx([level - slope * mine[0].limit, level + slope * mine[0].limit], abs=0.1)
        assert "cooler" in panels.draw_strip_head(Quantity.MIRED, 4.0, reach, ("cooler", "warmer")).split("warmer")[0]


def test_a_cell_of_the_matrix_says_how_the_head_above_stands_to_the_one_at_the_left() -> None:
    judged, tables, _ = simulated("a tint and a warm head, with much scatter")
    drawing = ET.fromstring(figures.draw_matrix(tables["matrix"]))
    said = {}
    for group in drawing.iter(f"{SVG}g"):
        edge = next(one for one in group if one.attrib.get("class") == "edge")
        words = [one.text or "" for one in group.iter(f"{SVG}text")]
        column, row = (
            int((float(edge.attrib[axis]) - first) // step) for axis, first, step in (("x", 24, 92), ("y", 20, 44))
        )
        said["ABCD"[row], "ABCD"[column]] = words
    assert len(said) == 16
    powers = pd.DataFrame(tables["colour"]).set_index(["label", "light"])
    for row in series.gap_rows(tables["matrix"]):
        if row.head == row.against_head:
            continue
        column = {"mired": "mired", "duv": "duv"}[row.quantity]
        apart = powers[column][row.head, row.power] - powers[column][row.against_head, row.against_power]
        more, less = ("warmer", "cooler") if column == "mired" else ("greener", "pinker")
        assert said[row.against_head, row.head][1] == (more if apart > 0 else less)
        assert said[row.head, row.against_head][1] == (less if apart > 0 else more)
        assert float(said[row.head, row.against_head][0]) == pytest.approx(
            abs(apart), abs=0.05 if column == "mired" else 5e-5
        )
    assert said["A", "D"][1] == "warmer", "D was made 8 mired warmer"
    assert judged.calipers.labels == ("A", "B", "C", "D")


@pytest.mark.parametrize("case", CASES)
def test_every_pair_of_heads_has_the_verdict_of_the_table_of_pairs(case: str) -> None:
    if case == "sample" and not SAMPLE.is_dir():
        pytest.skip("sample_data is not part of this installation")
    judged, _, page = sample() if case == "sample" else simulated(case)
    order = [Verdict.WITHIN, Verdict.UNDECIDED, Verdict.OUTSIDE]
    worst: dict[frozenset[str], Verdict] = {}
    for row in judged.pairs.itertuples():
        two = frozenset((str(row.head_a), str(row.head_b)))
        worst[two] = max(worst.get(two, Verdict.WITHIN), Verdict(str(row.verdict)), key=order.index)
    cells = re.findall(r'data-pair="([^"|]+)\|([^"|]+)" data-verdict="(\w+)"', page)
    drawn = {frozenset((a, b)): verdict for a, b, verdict in cells if a != b}
    assert drawn == {two: str(verdict) for two, verdict in worst.items()}
    assert len(cells) == 16


@pytest.mark.parametrize("case", CASES)
def test_a_state_agrees_with_what_is_drawn_of_the_head(case: str) -> None:
    judged, tables, _ = sample() if case == "sample" else simulated(case)
    rows = series.gap_rows(tables["calipers"])
    for stand in judged.calipers.heads:
        label = judged.calipers.labels[stand.head]
        called = {row.verdict for row in rows if row.head == label and row.decides}
        if stand.state == "back":
            assert Verdict.OUTSIDE in called
            assert label in judged.back
        if stand.state == "keep":
            assert called == {Verdict.WITHIN}


def test_what_is_withheld_is_drawn_over_the_limit() -> None:
    _, tables, _ = simulated("nothing watched, heat in the powers")
    rows = [row for row in series.gap_rows(tables["calipers"]) if row.withheld]
    assert {row.withheld for row in rows} >= {Withheld.HEAT}
    assert all(row.verdict == Verdict.UNDECIDED for row in rows)
    assert any(abs(row.difference) - row.u > row.limit for row in rows), "by its numbers it would be outside"
    assert all(min(abs(row.low), abs(row.high)) <= row.limit < max(abs(row.low), abs(row.high)) for row in rows)


# --- the drawing of parts ---------------------------------------------------------------------------------------------


@given(st.lists(st.floats(-10, 10), min_size=1, max_size=12), st.floats(0.01, 2))
def test_names_are_moved_apart_and_no_farther_than_needed(heights: list[float], gap: float) -> None:
    moved = svg.apart(heights, gap)
    order = np.argsort(heights, kind="stable")
    assert np.diff(np.array(moved)[order]).min(initial=np.inf) >= gap - 1e-9
    assert sum(moved) == pytest.approx(sum(heights), abs=1e-6)
    if np.diff(np.sort(heights)).min(initial=np.inf) >= gap:
        assert moved == pytest.approx(heights, abs=1e-9)


@given(st.floats(-1e4, 1e4), st.floats(1e-4, 1e4))
def test_ticks_are_round_and_inside(low: float, width: float) -> None:
    found = svg.ticks(low, low + width, 5)
    step = np.diff(found)
    assert 2 <= len(found) <= 11
    assert low - 1e-6 * width <= found[0] <= found[-1] <= low + width * (1 + 1e-6)
    assert np.allclose(step, step[0], rtol=1e-6)
    assert round(step[0] / 10 ** np.floor(np.log10(step[0] * 1.000001)), 4) in (1.0, 2.0, 5.0)


def test_a_line_has_a_gap_where_a_value_is_not_known() -> None:
    assert svg.polyline([(0, 0), (1, 1), (2, np.nan), (3, 3)], "own") == '<path class="own" d="M0 0L1 1M3 3"/>'


def test_a_thumbnail_is_a_jpeg_of_at_most_that_size() -> None:
    picture = np.zeros((170, 256, 3), dtype=np.uint8)
    picture[:, :128] = (200, 40, 40)
    head, _, body = svg.jpeg_uri(as_jpegs(picture).jpeg(128)).partition(",")
    assert head == "data:image/jpeg;base64"
    pixels = pixels_of(base64.b64decode(body))
    assert pixels.shape == (85, 128, 3)
    assert np.abs(pixels[40, 20].astype(int) - (200, 40, 40)).max() < 8


def test_a_reference_that_was_not_measured_draws_nothing() -> None:
    blank = float("nan")
    assert figures.drawings({}, ReferenceLight(*[blank] * 6, head=None, power=None, kit=False)) == {}
