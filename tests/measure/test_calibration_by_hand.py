"""When a fit of a colour chart is none, and what light a matrix is filed under: numbers written down here."""

import numpy as np
import pytest

from greystep.errors import GreystepError
from greystep.measure import calibration, chart
from greystep.measure.calibration import Calibration, Fit
from greystep.measure.chromaticity import cct_duv_to_xy, xy_to_xyz
from greystep.measure.patch import _sample

MATRIX = np.array([[0.95, -0.28, -0.09], [-0.55, 1.32, 0.24], [-0.17, 0.27, 0.72]])
NAMES = [f"patch {n}" for n in range(24)]


def check(matrix: np.ndarray, residuals: np.ndarray, used: np.ndarray | None = None) -> None:
    fit = Fit(matrix, np.zeros(3), np.ones((24, 3)), (0, False))
    calibration._check("f.dng", fit, residuals, np.ones(24, dtype=bool) if used is None else used, NAMES)


def test_a_fit_is_none_where_the_median_is_large_daylight_is_no_colour_or_the_matrix_has_no_inverse() -> None:
    small = np.full(24, 1.0)
    check(MATRIX, small)
    with pytest.raises(GreystepError, match="not explained"):
        check(MATRIX, np.full(24, 60.0))
    for row in range(3):
        with pytest.raises(GreystepError, match="not explained"):
            check(MATRIX * np.where(np.arange(3) == row, -1.0, 1.0)[:, None], small)
    with pytest.raises(GreystepError, match="not explained"):
        check(np.array([MATRIX[0], MATRIX[1], MATRIX[1] * 1.0001]), small)


def test_the_worst_patches_that_were_used_are_named() -> None:
    residuals = np.arange(24.0) + 30.0
    used = np.arange(24) != 23
    with pytest.raises(
        GreystepError, match=r"median delta E 2000 41\.0, .*worst: patch 22 52\.0, patch 21 51\.0, patch 20 50\.0\."
    ):
        check(MATRIX, residuals, used)


@pytest.mark.parametrize(
    ("cct", "code"), [(2856.0, 17), (5500.0, 4), (6504.0, 21), (7500.0, 22), (5003.0, 23), (4000.0, 0), (2300.0, 0)]
)
def test_a_matrix_is_filed_under_the_light_that_is_near(cct: float, code: int) -> None:
    """EXIF LightSource: 17 standard light A, 4 flash, 20 to 23 D55, D65, D75, D50 (EXIF 2.32, from memory)."""
    assert calibration._filed_under(cct) == code


def test_what_a_chart_leaves_does_not_hang_on_the_gain_of_a_channel() -> None:
    known, _ = chart.chart_colours(5500.0, 0.0)
    seen = known @ MATRIX.T
    assert chart._misfit(seen, known) == pytest.approx(0.0, abs=1e-12)
    off = seen * (1.0 + 0.05 * np.random.default_rng(1).standard_normal(seen.shape))
    assert chart._misfit(off * [1.0, 7.0, 0.2], known) == pytest.approx(chart._misfit(off, known))
    assert chart._misfit(off, known) > 0.005
    hidden = off.copy()
    hidden[:6, 1] = np.nan
    assert np.isfinite(chart._misfit(hidden, known))
    hidden[6, 2] = np.nan
    assert chart._misfit(hidden, known) == np.inf  # 17 patches are too few
    assert chart._misfit(-seen, known) == np.inf


def calibrated(planes: int, offset: bool) -> Calibration:
    """A calibration of 24 patches of which the last was not fitted; the light falls off by a tenth in red alone."""
    shade = np.ones((24, 3))
    shade[3] = [1.1, 1.0, 0.9]
    shade[7] = [0.88, 1.0, 1.0]
    errors = np.arange(24.0)
    return Calibration(
        frame="f.dng", body="One", corners=np.zeros((4, 2)), found=True, light=(5500.0, 0.001), light_from="given",
        own_light=None, fit=Fit(MATRIX, np.array([1.0, 2.0, 3.0]), shade, (planes, offset)), names=tuple(NAMES),
        excluded={23: "clipped"}, delta_e=errors, delta_uv=errors / 1000.0, left_out=errors + 1.0,
        u_difference_mired=0.5, notes=(),
    )  # fmt: skip


def test_what_a_camera_file_says_of_its_fit() -> None:
    found = calibrated(3, True)
    assert found.light_over_chart_pct == pytest.approx([25.0, 0.0, 100.0 / 0.9 - 100.0])
    document = calibration.camera_document(found)
    assert document["corrected"]["light_over_chart_pct"] == pytest.approx(found.light_over_chart_pct)
    assert list(document["corrected"]["offset_counts"]) == [1.0, 2.0, 3.0]
    assert calibration.camera_document(calibrated(0, False))["corrected"] == {
        "light_over_chart_pct": None, "offset_counts": None
    }  # fmt: skip
    assert document["chart"]["patches_used"] == 23
    assert document["residuals"]["worst_patch"] == "patch 22"
    assert (document["residuals"]["median_delta_e_2000"], document["residuals"]["worst_delta_e_2000"]) == (11.0, 22.0)
    assert document["residuals"]["left_out_median_delta_e_2000"] == 12.0
    assert document["residuals"]["worst_delta_uv"] == pytest.approx(0.022)
    white = xy_to_xyz(cct_duv_to_xy(5500.0, 0.001))
    assert (document["matrix_1"] @ white)[1] == pytest.approx(1.0), "green of the white is 1"
    assert document["own_matrix_reads"] is None


def test_a_sample_has_an_odd_stride_so_that_no_row_or_column_is_favoured() -> None:
    assert _sample(np.arange(100.0), 10).tolist() == [0.0, 11.0, 22.0, 33.0, 44.0, 55.0, 66.0, 77.0, 88.0, 99.0]
    assert _sample(np.arange(5.0), 10).tolist() == [0.0, 1.0, 2.0, 3.0, 4.0]
