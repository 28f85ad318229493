"""Limits of a camera's calibration as a file, each written as a number in its test."""

import json
from pathlib import Path

import numpy as np
import pytest

from greystep.errors import FaultsError
from greystep.measure.camera_json import read_camera_json

MATRIX = np.array([[0.95, -0.28, -0.09], [-0.55, 1.0, 0.24], [-0.17, 0.27, 0.72]])


@pytest.mark.parametrize(("largest", "taken"), [(1000.0, True), (1050.0, False), (0.001, True), (0.00095, False)])
def test_the_largest_number_of_a_matrix_lies_between_a_thousandth_and_a_thousand(
    tmp_path: Path, largest: float, taken: bool
) -> None:
    path = tmp_path / "camera.json"
    path.write_text(json.dumps({"schema": 1, "matrix_1": (largest * MATRIX).tolist()}))
    if taken:
        assert read_camera_json(path).matrix_1 == pytest.approx(largest * MATRIX)
    else:
        with pytest.raises(FaultsError, match="matrix_1"):
            read_camera_json(path)
