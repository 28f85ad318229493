"""Small logs joined with readings that are written down here, each number by hand."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from greystep.measure.patch import PatchSignal
from greystep.measure.reading import Reading
from greystep.raw.dng import ColourTags
from greystep.raw.exposure import Exposure
from greystep.session import bodies, faults
from greystep.session.ingest import Ingested, join_readings
from greystep.session.messages import BodyNote, SeveralBodies
from greystep.session.reference import WholeKit, session_reference
from greystep.session.settings import Settings, load_settings
from greystep.session.shots import check_rows

MATRIX = np.array([[0.95, -0.28, -0.09], [-0.55, 1.32, 0.24], [-0.17, 0.27, 0.72]])
LIGHT = np.array([4000.0, 8000.0, 5200.0])


def reading(mean: np.ndarray, u: float = 4.0, white: float = 16383.0) -> Reading:
    signal = PatchSignal(
        mean=tuple(mean), u=(u, u, u), sd=(40.0,) * 3, n=(10_000,) * 3, black=(512.0,) * 3, white=(white,) * 3,
        ceiling=(white,) * 3, g1_g2=1.0, clipped_pct=0.0, gradient_pct=1.0, damage="",
    )  # fmt: skip
    return Reading(
        exposure=Exposure(exposure_s=0.008, f_number=11.0, iso=100.0, make="Made", model="Up", serial="7"),
        height=4000, width=6000, signal=signal, way="region", box=(0.4, 0.4, 0.6, 0.6),
        colour=ColourTags(MATRIX, None, 21, 0, None, None, None, None, "dng"),
    )  # fmt: skip


def joined(folder: Path, readings: list[Reading], settings: Settings | None = None) -> Ingested:
    """An ambient frame, then frames of head A at full."""
    readings = [reading(np.zeros(3), u=0.0), *readings]
    names = [f"f{place}" for place in range(len(readings))]
    log = [(names[0], "", "", np.nan, "ambient"), *((name, "A", "1/1", 0.0, "flash") for name in names[1:])]
    shots = pd.DataFrame(log, columns=["frame", "head", "power", "stops", "kind"]).assign(pack="", note="", row=0)
    shots = shots.astype(dict.fromkeys(("frame", "head", "power", "kind", "pack", "note"), "str"))
    return join_readings(settings or load_settings(folder), shots, names, dict(zip(names, readings, strict=True)), {})


def test_output_counts_shares_of_the_range(tmp_path: Path) -> None:
    """As many counts of a range that is twice as wide are a stop less."""
    wide = reading(LIGHT, white=512.0 + 2.0 * (16383.0 - 512.0))
    output = joined(tmp_path, [reading(LIGHT), reading(LIGHT), wide]).readings["output_stops"].tolist()
    assert output[2] - output[1] == pytest.approx(0.0, abs=1e-12)
    assert output[3] - output[1] == pytest.approx(-1.0, abs=1e-12)


def test_faults_are_told_the_frames_own_noise_as_a_standard_uncertainty(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = []
    outlier = faults.outlier

    def seen(table: pd.DataFrame, rows: np.ndarray) -> np.ndarray:
        told.append(table)
        return np.asarray(outlier(table, rows))

    monkeypatch.setattr(faults, "outlier", seen)
    table = joined(tmp_path, [reading(LIGHT), reading(LIGHT)]).readings
    for name in ("mired", "duv"):
        own = table[f"u_{name}_frame"].to_numpy()[1:]
        assert (own > 0).all()
        assert told[0][f"noise_{name}"].to_numpy()[1:] == pytest.approx(own / 2.0)
    assert told[0]["noise_level"].to_numpy()[1:] == pytest.approx(4.0 / 8000.0 / np.log(2.0))


def test_target_and_meter_are_found_together(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each needs the other: rounds go on until neither moves."""
    (tmp_path / "grey.csv").write_text(
        "nm,factor\n" + "\n".join(f"{nm},{0.15 + 0.0004 * (nm - 380)}" for nm in (380, 580, 780))
    )
    (tmp_path / "session.toml").write_text(
        '[target]\nreflectance = "grey.csv"\n[camera]\nmeter = {frame = "f1", cct_k = 4300, duv = 0.004}\n'
    )
    settings = load_settings(tmp_path)
    found = joined(tmp_path, [reading(LIGHT)], settings).readings.iloc[1]
    assert found["cct_k"] == pytest.approx(4300.0, abs=0.5)
    assert found["duv"] == pytest.approx(0.004, abs=2e-5)
    monkeypatch.setattr(bodies, "_ROUNDS", 1)
    once = joined(tmp_path, [reading(LIGHT)], settings).readings.iloc[1]
    assert abs(once["cct_k"] - 4300.0) > 2.0 or abs(once["duv"] - 0.004) > 1e-4


def test_a_frame_of_more_noise_is_less_sure_in_proportion(tmp_path: Path) -> None:
    table = joined(tmp_path, [reading(LIGHT), replace(reading(LIGHT, u=8.0))]).readings
    assert table["u_mired_frame"].iloc[2] == pytest.approx(2.0 * table["u_mired_frame"].iloc[1])


def test_of_a_file_that_the_log_does_not_name_no_power_is_known(tmp_path: Path) -> None:
    shots = pd.DataFrame([("f1", "A", "1/1", 0.0, "flash")], columns=["frame", "head", "power", "stops", "kind"])
    shots = shots.assign(pack="", note="", row=1)
    shots = shots.astype(dict.fromkeys(("frame", "head", "power", "kind", "pack", "note"), "str"))
    readings = {name: reading(LIGHT) for name in ("f0", "f1", "f2")}
    table = join_readings(load_settings(tmp_path), shots, list(readings), readings, {}).readings
    assert table["frame"].tolist() == ["f1", "f0", "f2"]
    assert table["shot"].tolist() == [1, 0, 2]
    assert table["stops"].tolist()[0] == 0.0
    assert table["stops"].isna().tolist() == [False, True, True]
    assert table["flags"].tolist()[1:] == ["extra_frame", "extra_frame"]


def test_a_check_is_told_by_its_kind_or_by_the_note_of_a_flash() -> None:
    log = pd.DataFrame(
        [("check", ""), ("flash", "Check frame 2"), ("flash", "CHECK FRAME"), ("flash", "checked"), ("card", "check")],
        columns=["kind", "note"],
    )  # fmt: skip
    assert check_rows(log).tolist() == [True, True, True, False, False]
    assert check_rows(log.drop(columns="note")).tolist() == [True, False, False, False, False]


def test_a_frame_whose_surround_has_moved_says_so(tmp_path: Path) -> None:
    def surround(shift: int) -> np.ndarray:
        card = np.full((18, 18), 0.3)
        card[3:15, 3 + shift : 15 + shift] = 1.0
        return card

    frames = [replace(reading(LIGHT), surround=surround(shift)) for shift in (0, 0, 0, 2)]
    flags = joined(tmp_path, frames).readings["flags"].tolist()[1:]
    assert flags[:3] == ["", "", ""]
    assert "target_moved" in flags[3]


@pytest.mark.parametrize(("power", "stops"), [("1/4", 2.0), ("full", 0.0), ("-1.5", 1.5)])
def test_the_kit_as_reference_is_meant_at_its_power(power: str, stops: float, tmp_path: Path) -> None:
    settings = replace(load_settings(tmp_path), reference_kit=True, reference_power=power)
    assert session_reference(settings) == WholeKit(stops)


def test_a_body_keeps_the_light_that_it_is_held_to_though_its_frames_disagree(tmp_path: Path) -> None:
    """Of the second body two frames of one light stand far apart: neither is right, and there is no other."""
    calm = [reading(LIGHT * np.array([1.0 + 1e-4 * at, 1.0, 1.0])) for at in range(6)]
    wild = [reading(LIGHT * np.array([red, 1.0, 1.0])) for red in (1.0, 1.2)]
    wild = [replace(one, exposure=replace(one.exposure, serial="8")) for one in wild]
    found = joined(tmp_path, [*calm, *wild])
    label = found.readings["body"].iloc[-1]
    assert found.readings["cct_k"].iloc[-2:].notna().all()
    assert found.bodies[label].reference_neutral == pytest.approx((0.55, 1.0, 0.65))
    assert not any(isinstance(note, BodyNote) and note.body == label for note in found.notes)


def test_several_bodies_are_told_and_one_is_not(tmp_path: Path) -> None:
    other = replace(reading(LIGHT).exposure, serial="8")
    one = joined(tmp_path, [reading(LIGHT), reading(LIGHT)])
    two = joined(tmp_path, [reading(LIGHT), replace(reading(LIGHT), exposure=other)])
    assert [any(isinstance(note, SeveralBodies) for note in found.notes) for found in (one, two)] == [False, True]
