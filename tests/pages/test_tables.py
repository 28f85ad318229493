from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.pages import tables as series
from greystep.sentences.summary import ReferenceLight


def light(u_prime: float, v_prime: float) -> ReferenceLight:
    nan = float("nan")
    return ReferenceLight(nan, nan, u_prime, v_prime, nan, nan, None, None, False)


def cells(**columns: Any) -> pd.DataFrame:
    table = pd.DataFrame({"head": ["A", "B"], "power": ["full", "1/4"], "stops": [0.0, 2.0], "n": [3, 3]})
    return table.assign(**columns)


def test_a_step_is_the_published_circle() -> None:
    # CIE TN 001:2014: radius 0.0011; a 3-4-5 triangle of 0.0033 and 0.0044 is five steps.
    table = series.chromaticity_table(
        cells(u_prime=[0.2000, 0.2033], v_prime=[0.4700, 0.4744], u_u_prime=1e-4, u_v_prime=1e-4),
        light(0.2, 0.47),
    )
    assert table["steps"].tolist() == pytest.approx([0.0, 5.0], abs=1e-9)


def test_another_camera_is_not_drawn_about_this_ones_reference() -> None:
    table = cells(u_prime=0.2, v_prime=0.47, u_u_prime=1e-4, u_v_prime=1e-4, body=["one", "two"])
    assert series.chromaticity_table(table, light(0.2, 0.47))["head"].tolist() == ["A"]


def test_frames_are_shown_against_their_own_cell(kit: Any) -> None:
    table = series.order_table(kit.readings)
    used = kit.readings[(kit.readings["kind"] == "flash") & (kit.readings["status"] != "rejected")]
    assert set(table["frame"]) == set(used["frame"])
    for _, cell in table.groupby(["head", "power"]):
        assert cell["residual_mired"].sum() == pytest.approx(0.0, abs=1e-9)
        assert np.ptp(cell["residual_mired"]) == pytest.approx(np.ptp(cell["mired"]), abs=1e-9)


def test_cells_that_share_head_and_power_are_named_apart() -> None:
    table = cells(mired=[1.0, 2.0], body=["one", "one"], pack=["P1", "P2"])
    assert series.with_series(table)["series"].tolist() == ["A", "B"]
    table["head"], table["power"] = "A", "full"
    assert series.with_series(table)["series"].tolist() == ["A, P1", "A, P2"]


def test_figures_hold_the_numbers_of_the_tables(kit: Any) -> None:
    tables = series.figure_tables(kit.powers, kit.readings, kit.summary.reference, kit.summary.calipers)
    assert set(tables) == {"colour", "calipers", "matrix", "chromaticity", "output", "order"}
    for column in ("mired", "u_mired", "duv", "u_duv", "cct_k"):
        assert tables["colour"][column].tolist() == kit.powers[column].tolist()
    assert tables["output"]["output_error_stops"].tolist() == kit.powers["output_error_stops"].tolist()


def test_no_colour_no_figures(kit: Any) -> None:
    blank = kit.powers.assign(mired=np.nan)
    assert series.figure_tables(blank, kit.readings, kit.summary.reference, kit.summary.calipers) == {}
    unknown = light(np.nan, np.nan)
    assert series.figure_tables(kit.powers, kit.readings, unknown, kit.summary.calipers) == {}
