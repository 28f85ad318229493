"""What a reading's uncertainty is made of: the parts add up, and each answers to its own cause."""

import numpy as np
import pytest

from greystep.demo.kit import HeadCharacter, Kit, shoot
from greystep.demo.scenario import write_session
from greystep.session.ingest import ingest
from greystep.session.settings import load_settings

PARTS = ["u_mired_frame", "u_mired_ambient", "u_mired_black", "u_mired_room", "u_mired_target"]


@pytest.fixture(scope="module", params=[True, False], ids=["with ambient frames", "without"])
def table(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("budget") / "s"
    kit = Kit(heads=(HeadCharacter("A"),), powers=("1/1", "1/16"), repeats=2)
    shots = [shot for shot in shoot(kit, 3) if request.param or shot.kind != "ambient"]
    write_session(folder, kit, shots, 3)
    return request.param, ingest(load_settings(folder)).readings.query("kind == 'flash'")


def test_the_parts_add_up_in_squares(table) -> None:
    _, rows = table
    for parts, whole in ((PARTS, "u_mired"), ([part.replace("mired", "duv") for part in PARTS], "u_duv")):
        assert np.sqrt((rows[parts] ** 2).sum(axis=1)).to_numpy() == pytest.approx(rows[whole].to_numpy(), rel=1e-9)


def test_an_ambient_frame_takes_the_black_level_off_and_brings_its_own_noise(table) -> None:
    ambient, rows = table
    assert (rows["u_mired_frame"] > 0).all()
    assert (rows["u_mired_ambient"] > 0).all() == ambient
    assert (rows["u_mired_black"] == 0).all() == ambient
    if not ambient:  # a count of black weighs the more, the less light there is: 16 times at 1/16
        by_power = rows.groupby("power")["u_mired_black"].mean()
        assert by_power["1/16"] / by_power["1/1"] == pytest.approx(16, rel=0.05)
