"""The page of corrections: its swatches by hand, its frames, and what it says of those without a correction."""

import re

import numpy as np
import pandas as pd
import pytest

from greystep import columns
from greystep.columns import CorrectionRow
from greystep.correct.gains import Corrections
from greystep.correct.references import Reference
from greystep.pages.correct import corrections_page

#: Slopes of three frames: the first is the reference, the second is 4 % too red and 4 % short of blue.
SLOPES = {"f1.dng": (1.0, 1.0, 1.0), "f2.dng": (1 / 1.04, 1.0, 1.04)}
ROWS = [
    ("f1.dng", "A", "full", "patch", 0.0, 0.0, "ok", ""),
    ("f2.dng", "B", "1/16", "patch", -8.2, -0.0032, "doubtful", "near_white"),
    ("f3<b>.dng", "C", "1/2", "", np.nan, np.nan, "rejected", "clipped"),
]


def page(rows: list[tuple[object, ...]] = ROWS) -> str:
    names = ["frame", "head", "power", "source", "mired_shift", "duv_shift", "status", "flags"]
    table = pd.DataFrame(rows, columns=names).reindex(columns=list(columns.names(CorrectionRow)))
    table = table.assign(exposure_stops=0.0, via="", u_mired_shift=0.4)
    slopes = {name: np.array(slope) for name, slope in SLOPES.items()}
    reference = Reference("A@full", (0.6, 1.0, 0.8), 4000.0, 180.0, 0.0005, 0.3)
    made = Corrections(table, {}, slopes, {}, {"body": reference}, "lin_rec709", ())
    return corrections_page("Job", made, ["no row says where the card is"], "0123456789abcdef")


def srgb(light: float) -> int:
    """IEC 61966-2-1, by hand."""
    return round(255 * (1.055 * light ** (1 / 2.4) - 0.055))


def test_the_strips_show_each_frame_as_it_was_and_magnified_and_made_alike() -> None:
    bands = re.findall(r'<ul class="band">(.*?)</ul>', page(), re.DOTALL)
    colours = [re.findall(r"background:(#\w+)", band) for band in bands]
    grey = srgb(0.35)
    red, blue = srgb(0.35 * 1.04), srgb(0.35 / 1.04)
    assert colours[0] == [f"#{grey:02x}{grey:02x}{grey:02x}", f"#{red:02x}{grey:02x}{blue:02x}"]
    times = int(re.search(r"Before, differences . (\d+)", page())[1])  # type: ignore[index]
    assert times * np.log(1.04) <= 0.7 < 2.6 * times * np.log(1.04)
    assert colours[1][1] != colours[0][1]
    assert colours[2] == colours[0][:1] * 2
    assert all(band.count("<li") == 3 and " none" in band for band in bands)


def test_the_worst_frame_comes_first_and_one_without_a_correction_is_named() -> None:
    text = page()
    assert "1 of 3 frames have no correction" in text
    assert 'class="again"' in text
    worst = text[text.index("The largest corrections") :]
    assert worst.index("f2.dng") < worst.index("f1.dng")
    assert "8.2 mired cooler and pinker by about a 1/8 minus green (0.0032)" in text
    assert "No correction: f3&lt;b&gt;.dng." in text
    assert "no row says where the card is" in text
    assert "f3<b>" not in text
    assert "run 0123456789abcdef" in text


@pytest.mark.parametrize("kept", [2, 1])
def test_all_is_well_where_every_frame_has_one(kept: int) -> None:
    text = page(ROWS[:kept])
    assert 'class="go"' in text
    assert ("All 2 frames have a correction" in text) == (kept == 2)
    assert not re.search(r'(src|href)="(?!#|data:)', text)
