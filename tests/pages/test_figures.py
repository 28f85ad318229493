import base64
import io
import itertools
import os
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.image import imread

from greystep.pages import figures
from greystep.pages import svg as canvas
from greystep.pages import tables as series

SVG = "{http://www.w3.org/2000/svg}"
HREF = "{http://www.w3.org/1999/xlink}href"


@pytest.fixture(scope="module")
def drawn(kit: Any) -> dict[str, str]:
    tables = series.figure_tables(kit.powers, kit.readings, kit.summary.reference)
    return figures.drawings(tables, kit.summary.reference, kit.summary.tolerance)


def markers(svg: str) -> np.ndarray:
    """Return the places (x, y) of the drawn points in drawing order: markers stand in clipped groups."""
    places = [
        (float(use.attrib["x"]), float(use.attrib["y"]))
        for group in ET.fromstring(svg).iter(f"{SVG}g")
        if "clip-path" in group.attrib
        for use in group.iter(f"{SVG}use")
    ]
    return np.array(places)


@pytest.mark.parametrize(("figure", "column"), [("warmth", "mired"), ("tint", "duv"), ("output", "output_error_stops")])
def test_points_stand_where_the_table_says(kit: Any, drawn: dict[str, str], figure: str, column: str) -> None:
    places = markers(drawn[figure])
    values = kit.powers[column].to_numpy()
    assert len(places) == len(values)
    slope, level = np.polyfit(values, places[:, 1], 1)
    assert slope < 0  # SVG counts downwards: a higher value stands higher
    assert np.abs(slope * values + level - places[:, 1]).max() < 0.01
    columns = [places[kit.powers["power"] == power, 0] for power in ("full", "1/2", "1/4", "1/8", "1/16")]
    assert all(before.max() < after.min() for before, after in itertools.pairwise(columns))


def test_chromaticity_is_drawn_to_one_scale_on_both_axes(kit: Any, drawn: dict[str, str]) -> None:
    table = series.chromaticity_table(kit.powers, kit.summary.reference)
    places = markers(drawn["chromaticity"])[-len(table) :]
    scale_x, _ = np.polyfit(table["du_prime"], places[:, 0], 1)
    scale_y, _ = np.polyfit(table["dv_prime"], places[:, 1], 1)
    assert scale_x == pytest.approx(-scale_y, rel=1e-3)


def test_the_same_numbers_give_the_same_bytes(kit: Any, drawn: dict[str, str]) -> None:
    tables = series.figure_tables(kit.powers, kit.readings, kit.summary.reference)
    again = figures.drawings(tables, kit.summary.reference, kit.summary.tolerance)
    assert again == drawn
    for svg in drawn.values():
        assert svg.startswith("<svg")
        assert "<dc:date>" not in svg
        targets = set(re.findall(r' id="([^"]+)"', svg))
        uses = set(re.findall(r'(?:url\(|href=")#([^")]+)', svg))
        assert uses <= targets
        assert all(re.fullmatch(r"i\d+", name) for name in targets)


def test_warmer_and_greener_point_the_right_way() -> None:
    # Differences of colour-science 0.4.7 (Ohno 2013) at 5600 K: du', dv' per mired and per 0.001 Duv.
    arrows = figures.directions(5600.0, 0.0)
    assert arrows["warmer"] == pytest.approx((2.418e-4, 4.086e-4), rel=0.01)
    assert arrows["greener"] == pytest.approx((-7.54e-4, 9.86e-4), rel=0.01)


def test_heads_with_gaps_and_strange_names_are_drawn(kit_of: Any) -> None:
    kit = kit_of({"None": (180.0, 0.0, 0.0, 0.0), "$x^2$ \N{HIRAGANA LETTER A}": (181.0, 1.0, 0.0, 0.0)})
    powers = kit.powers.copy()
    powers.loc[powers.index[-1], ["mired", "cct_k", "duv", "u_prime", "v_prime", "u_mired"]] = np.nan
    tables = series.figure_tables(powers, kit.readings, kit.summary.reference)
    for svg in figures.drawings(tables, kit.summary.reference, kit.summary.tolerance).values():
        assert "nan" not in re.sub(r'id="[^"]*"', "", svg).lower()


@pytest.mark.parametrize("count", [1, 12])
def test_any_number_of_heads(kit_of: Any, count: int) -> None:
    name = "head with a long name, number {}" if count > 1 else "{}"
    kit = kit_of({name.format(n): (180.0 + n, 0.3 * n, 0.0001 * n, 0.0) for n in range(count)})
    tables = series.figure_tables(kit.powers, kit.readings, kit.summary.reference)
    assert len(figures.drawings(tables, kit.summary.reference, kit.summary.tolerance)) == 7


def test_no_two_of_sixteen_heads_look_alike() -> None:
    looks = list(zip(canvas.colours(), canvas.markers(), strict=False))[:16]
    assert len(set(looks)) == 16


@given(st.lists(st.floats(-10, 10), min_size=1, max_size=12), st.floats(0.01, 2))
def test_names_are_moved_apart_and_no_farther_than_needed(heights: list[float], gap: float) -> None:
    moved = canvas.apart(heights, gap)
    order = np.argsort(heights, kind="stable")
    assert np.diff(np.array(moved)[order]).min(initial=np.inf) >= gap - 1e-9
    assert sum(moved) == pytest.approx(sum(heights), abs=1e-6)
    if np.diff(np.sort(heights)).min(initial=np.inf) >= gap:
        assert moved == pytest.approx(heights, abs=1e-9)


def test_kelvin_ticks_are_round_and_inside() -> None:
    ticks = figures._kelvin_ticks(175.0, 190.0)
    assert ticks == [5300.0, 5400.0, 5500.0, 5600.0, 5700.0]
    assert len(figures._kelvin_ticks(150.0, 320.0)) >= 3


def test_a_thumbnail_is_a_jpeg_of_at_most_that_size() -> None:
    picture = np.zeros((170, 256, 3), dtype=np.uint8)
    picture[:, :128] = (200, 40, 40)
    head, _, body = canvas.thumbnail_uri(picture, 128).partition(",")
    assert head == "data:image/jpeg;base64"
    pixels = imread(io.BytesIO(base64.b64decode(body)), format="jpeg")
    assert pixels.shape == (85, 128, 3)
    assert np.abs(pixels[40, 20].astype(int) - (200, 40, 40)).max() < 8


def test_a_home_that_cannot_be_written_draws_in_silence(tmp_path: Any) -> None:
    code = "from greystep.pages.svg import open_figure\nwith open_figure() as (f, a): f.canvas.draw()"
    nowhere = "/proc/nowhere"
    environment = {k: v for k, v in os.environ.items() if k != "MPLCONFIGDIR"} | {
        "HOME": nowhere, "XDG_CONFIG_HOME": nowhere, "XDG_CACHE_HOME": nowhere, "TMPDIR": str(tmp_path),
    }  # fmt: skip
    done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True)
    assert done.stderr == ""
    assert list(tmp_path.iterdir()) == []
