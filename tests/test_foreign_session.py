"""One whole test session that shares no line of code with the package: what comes back is what was put in."""

from dataclasses import asdict
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from greystep.compare.drift import Drift, analyse
from greystep.session.ingest import Ingested, ingest
from greystep.session.settings import load_settings
from helpers import foreign


@pytest.fixture(scope="module")
def answers(tmp_path_factory: pytest.TempPathFactory) -> pd.DataFrame:
    folder = tmp_path_factory.mktemp("foreign") / "a session"
    table = pd.DataFrame([asdict(answer) for answer in foreign.write_session(folder)])
    table.attrs["folder"] = folder
    return table


@pytest.fixture(scope="module")
def found(answers: pd.DataFrame) -> Ingested:
    return ingest(load_settings(answers.attrs["folder"]))


@pytest.fixture(scope="module")
def drift(found: Ingested) -> Drift:
    return analyse(found.readings, found.settings)


def test_it_imports_nothing_of_the_package() -> None:
    text = Path(foreign.__file__).read_text(encoding="utf-8")
    lines = [line.split()[1] for line in text.splitlines() if line.startswith(("import ", "from "))]
    assert lines == ["struct", "dataclasses", "pathlib", "numpy"]


def test_rows_without_names_meet_their_frames_by_the_clock(answers: pd.DataFrame, found: Ingested) -> None:
    table = found.readings
    assert table["frame"].tolist() == answers["name"].tolist()
    assert table["shot"].tolist() == list(range(len(answers)))
    assert table["head"].tolist() == answers["head"].tolist()
    assert table["power"].tolist() == answers["power"].tolist()
    assert table["iso"].tolist() == answers["iso"].tolist()
    assert set(table["body"]) == {"Nobody Box 0042"}
    assert (table["exposure_s"] == 0.008).all()
    assert (table["f_number"] == 11).all()
    assert table["captured"].iloc[1] == "2024-02-29T23:55:10.37"
    assert table["note"].iloc[3] == "late; odd"
    assert set(table["colour_from"][table["kind"] == "flash"]) == {"dng-2"}


def test_only_what_is_wrong_is_flagged(answers: pd.DataFrame, found: Ingested) -> None:
    """Room light is under half a percent of the weakest frames of one head, and over it of those of the other."""
    table = found.readings
    room = foreign.ROOM * answers["iso"] / 100
    share = 100 * room / (room + answers["green"])
    lit = table["kind"] == "flash"
    assert 0 < (share[lit] > 0.5).sum() < lit.sum()
    assert table["ambient_pct"][lit].to_numpy() == pytest.approx(share[lit].to_numpy(), abs=0.03)
    assert table["flags"].tolist() == np.where(lit & (share > 0.5), "ambient_high", "").tolist()


def test_hot_pixels_in_the_masked_borders_are_no_doubt(tmp_path: Path) -> None:
    foreign.write_session(tmp_path / "s", hot_borders=True)
    table = ingest(load_settings(tmp_path / "s")).readings
    assert not table["flags"].str.contains("black_doubtful").any()


def test_the_target_is_found_where_it_lies_in_the_active_area(found: Ingested) -> None:
    (body,) = found.bodies.values()
    assert body.target is not None
    assert body.target.box == pytest.approx(foreign.TARGET, abs=0.012)
    x0, y0, x1, y1 = found.readings[["patch_x0", "patch_y0", "patch_x1", "patch_y1"]].iloc[4]
    assert foreign.TARGET[0] < x0 < x1 < foreign.TARGET[2]
    assert foreign.TARGET[1] < y0 < y1 < foreign.TARGET[3]
    # The middle of the patch lies on the middle of the target, else the light's gradient would be in the output.
    assert (x0 + x1) / 2 == pytest.approx(0.73, abs=0.01)


def test_four_black_levels_and_room_light_are_off(answers: pd.DataFrame, found: Ingested) -> None:
    table = found.readings
    lit = (table["kind"] == "flash").to_numpy()
    error = (table["signal_g"] - answers["green"])[lit]
    assert (error.abs() < 1.5 * table["u_signal_g"][lit] + 0.0015 * answers["green"][lit]).all()
    room = table[~lit]
    assert room["signal_g"].to_numpy() == pytest.approx(foreign.ROOM * room["iso"].to_numpy() / 100, abs=0.5)


def test_known_lights_come_back(answers: pd.DataFrame, found: Ingested) -> None:
    lit = (found.readings["kind"] == "flash").to_numpy()
    table, truth = found.readings[lit], answers[lit]
    assert (table["u_cct_k"] < 20).all()
    error = table["cct_k"] - truth["cct_k"]
    assert abs(error.mean()) < 2.0
    for name in ("cct_k", "duv"):
        z = 2.0 * (table[name] - truth[name]) / table[f"u_{name}"]
        assert z.abs().max() < 3.5, name
        assert 0.6 < z.std() < 1.5, name
    zero = truth["output_stops"][(truth["power"] == "full") & (truth["head"] == "007")].mean()
    assert table["output_stops"].to_numpy() == pytest.approx((truth["output_stops"] - zero).to_numpy(), abs=0.005)


def test_the_matrix_is_the_bodys_own_at_the_reference(found: Ingested) -> None:
    (body,) = found.bodies.values()
    assert body.matrix is not None
    np.testing.assert_allclose(body.matrix, foreign.MATRIX, atol=2e-4)


def test_drift_and_differences_are_those_of_the_lights(drift: Drift) -> None:
    truth = {cell: foreign.LIGHTS[light] for cell, light in foreign.OF_CELL.items()}
    powers = drift.powers.set_index(["head", "power"])
    assert list(powers.index) == list(truth)
    assert (powers["n"] == 3).all()
    for cell, (_, _, cct_k, duv) in truth.items():
        row = powers.loc[cell]
        own = truth[cell[0], "full"]
        assert row["cct_k"] == pytest.approx(cct_k, abs=max(2.0, 1.5 * row["u_cct_k"])), cell
        assert row["delta_mired"] == pytest.approx(1e6 / cct_k - 1e6 / own[2], abs=0.35), cell
        assert row["delta_duv"] == pytest.approx(duv - own[3], abs=1.5e-4), cell
        assert row["output_error_stops"] == pytest.approx(0.0, abs=0.06), cell
    assert len(drift.pairs) == 9
    for row in drift.pairs.to_dict("records"):
        a, b = (truth[row[f"head_{side}"], row[f"power_{side}"]] for side in "ab")
        assert row["delta_mired"] == pytest.approx(1e6 / b[2] - 1e6 / a[2], abs=0.35)
        assert row["delta_k"] == pytest.approx(b[2] - a[2], abs=10)
        assert row["delta_duv"] == pytest.approx(b[3] - a[3], abs=1.5e-4)
        u_v = [np.array([4 * x, 9 * y]) / (-2 * x + 12 * y + 3) for x, y, _, _ in (a, b)]
        assert row["delta_steps"] == pytest.approx(np.hypot(*(u_v[1] - u_v[0])) / 0.0011, abs=0.25)
