"""How bright the lights of a session are, and how sure their absolute figures, by hand."""

from types import ModuleType

import numpy as np
import pandas as pd
import pytest

from greystep.compare.budget import absolute_at
from greystep.compare.reference_light import find_lights


def test_a_light_is_as_bright_as_its_frames_are_beside_their_output(synthetic: ModuleType) -> None:
    readings = synthetic.simulate(np.random.default_rng(1), np.zeros((1, 3)), repeats=3, checks=0)
    readings["signal_g"] = 8000.0 * 2.0 ** readings["output_stops"]
    readings.loc[readings["stops"] == 2, "signal_g"] = np.nan
    lights = find_lights(readings)
    assert lights is not None
    output = readings.groupby("stops")["output_stops"].mean().to_numpy()
    assert lights.green_log2[:2] == pytest.approx(np.log2(8000.0) + output[:2], abs=1e-6)
    assert np.isnan(lights.green_log2[2])
    assert find_lights(readings.assign(kind="ambient")) is None


def test_absolute_figures_are_those_of_the_nearest_light_that_has_some() -> None:
    kelvin, duv = [150.0, np.nan, 170.0], [0.002, np.nan, 0.003]
    powers = pd.DataFrame({"mired": [178.0, 182.0, 186.0], "u_absolute_k": kelvin, "u_absolute_duv": duv})
    assert absolute_at(powers, 181.0) == (150.0, 0.002)
    assert absolute_at(powers, 183.0) == (170.0, 0.003)
    assert absolute_at(powers, None) is None
    assert absolute_at(powers.iloc[[1]], 181.0) is None
