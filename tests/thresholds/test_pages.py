"""Room on the screen and beside a line: what just fits and what just does not."""

from collections.abc import Mapping
from dataclasses import asdict, fields
from typing import Any

import numpy as np
import pandas as pd

from greystep.columns import CorrectionRow, FrameRow, PowerRow, rows_of
from greystep.pages import correct
from greystep.pages.first_page import rows_of_heads
from greystep.pages.frame_sheet import frames_of
from greystep.pages.screen import correct_text
from greystep.pages.svg import short
from greystep.words import wrapped
from helpers import synthetic
from helpers.pages import tell


def blank(kind: Any) -> Mapping[str, Any]:
    return {one.name: "" if one.type is str else np.nan for one in fields(kind)}


def correction(**cells: object) -> CorrectionRow:
    return CorrectionRow(**{**blank(CorrectionRow), **cells})


def test_the_screen_is_eighty_columns_wide() -> None:
    lines = wrapped("four " * 60).splitlines()
    assert 75 < max(map(len, lines)) <= 80


def test_a_name_of_fourteen_letters_has_room_beside_a_line() -> None:
    assert short("a" * 14) == "a" * 14
    assert short("a" * 15) != "a" * 15


def test_the_strip_of_corrections_has_240_frames() -> None:
    rows = [correction(frame=f"{number}.dng", status="ok") for number in range(241)]
    assert len(correct._items(rows, ["#808080"] * 241)) == 240


def test_four_frames_without_a_correction_are_named() -> None:
    frames = [correction(frame=f"{number}.dng") for number in range(6)]
    said = correct_text(pd.DataFrame([asdict(row) for row in frames]), [])
    assert "without: 0.dng, 1.dng, 2.dng, 3.dng and 2 more" in said


def test_twenty_four_frames_with_a_fault_are_shown_large() -> None:
    frames = [FrameRow(**{**blank(FrameRow), "frame": f"{number}.dng", "status": "rejected"}) for number in range(26)]
    shown = frames_of(frames, {}, {})
    assert len(shown["problems"]) == 24  # type: ignore[arg-type]
    assert shown["more"] == 2


def test_lights_that_are_alike_are_magnified_twenty_times_on_page_one() -> None:
    readings = synthetic.simulate(np.random.default_rng(1), np.zeros((2, 2)), scatter=1e-4)
    told = tell(readings, synthetic.make_session())
    assert rows_of_heads(told.summary, told.tables, rows_of(told.drift.powers, PowerRow), {"A": "", "B": ""})[1] == 20
