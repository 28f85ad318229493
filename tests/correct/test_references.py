"""One reference: a head at a power is one light in every command, and no doubtful frame has a part in it."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from greystep.compare.drift import Drift, analyse
from greystep.correct.gains import correct_frames
from greystep.correct.profile import make_profile
from greystep.errors import GreystepError
from greystep.measure.chromaticity import cct_duv_to_xy, xy_to_upvp, xy_to_xyz
from greystep.measure.target import fixed_target
from greystep.session.ingest import Body, Ingested, ingest
from greystep.session.reference import (
    HeadAtPower,
    MedianFrame,
    OneFrame,
    White,
    WholeKit,
    choose_lights,
    may_serve,
    other_session,
    parse_reference,
    session_reference,
)
from greystep.session.settings import load_settings
from helpers.lit_frames import readings

SAMPLE = Path(__file__).parents[2] / "sample_data" / "hire_kit"
MATRIX = np.array([[0.86, -0.28, -0.09], [-0.56, 1.36, 0.22], [-0.10, 0.18, 0.71]])
BODY = Body(
    label="Invented 1", matrix=MATRIX, target_factor=np.ones(3), tags=None, colour_from="dng", target=None,
    reference_neutral=None, anchored=False,
)  # fmt: skip
POWERS = [0.0, 2.0, 4.0]


def frame(name: str, shot: int, head: str, stops: float, mired: float, duv: float = 0.001, **more: object) -> dict:
    """One frame as it is read, its neutral that of its colour."""
    xy = cct_duv_to_xy(1e6 / mired, duv)
    seen = MATRIX @ xy_to_xyz(xy)
    level = 8000 * 2.0**-stops
    u_prime, v_prime = xy_to_upvp(xy)
    row = {
        "frame": name, "head": head, "pack": "", "power": {0.0: "full", 2.0: "1/4", 4.0: "1/16"}[stops],
        "stops": stops, "kind": "flash", "captured": f"2025-09-01T08:{shot // 6:02d}:{shot % 6 * 10:02d}.00",
        "shot": shot, "body": BODY.label, "exposure_s": 1 / 125, "f_number": 11.0, "iso": 100.0, "lens": "100",
        "focal_mm": 100.0, "signal_r": level * seen[0] / seen[1], "signal_g": level,
        "signal_b": level * seen[2] / seen[1], "u_signal_r": 1.0, "u_signal_g": 1.0, "u_signal_b": 1.0,
        "r_g": seen[0] / seen[1], "b_g": seen[2] / seen[1], "x": xy[0], "y": xy[1], "u_prime": u_prime,
        "v_prime": v_prime, "cct_k": 1e6 / mired, "duv": duv, "mired": mired, "u_cct_k": 1.0, "u_duv": 1e-5,
        "u_mired": 0.05, "output_stops": -stops, "status": "ok", "flags": "", "note": "",
    }  # fmt: skip
    return row | more


def warming_test(warmup: float = 6.0) -> list[dict]:
    """Two heads that warm up from the first shot, 1/4 mostly early: the mean of a cell is not its fit."""
    rng, rows = np.random.default_rng(3), []
    for head, mired in (("A", 175.0), ("D", 178.0)):
        for place, stops in enumerate([2.0, 2.0, 2.0, *POWERS[::2], *POWERS, *POWERS[::-1], *POWERS, 4.0]):
            heat = 1.0 - np.exp(-place / 4.0)
            colour = mired + 0.8 * stops + warmup * (heat - 1.0) + 0.05 * rng.standard_normal()
            rows.append(frame(f"t{len(rows):03d}.dng", len(rows), head, stops, colour, 0.001 + 1e-4 * stops))
    return rows


def session_of(folder: Path, rows: list[dict], settings: str = "", body: Body = BODY) -> Ingested:
    (folder / "frames").mkdir(parents=True)
    (folder / "session.toml").write_text(settings)
    return Ingested(load_settings(folder), readings(rows), {body.label: body}, (), ())


def drift_of(found: Ingested) -> Drift:
    return analyse(found.readings, found.settings)


def cell(drift: Drift, head: str, power: str) -> pd.Series:
    powers = drift.powers
    return powers[(powers["head"] == head) & (powers["power"] == power)].iloc[0]


# --- which light is meant ------------------------------------------------------------------------------------------


def test_every_way_to_name_a_light(tmp_path: Path) -> None:
    session = session_of(tmp_path / "s", [], "[heads.B]\nmax_energy_j = 1200\n").settings
    named = {
        "B@300 J": HeadAtPower("B", 2.0),
        "a@b@1/4": HeadAtPower("a@b", 2.0),
        "kit": WholeKit(0.0),
        "median": MedianFrame(),
        "frame:x@1.dng": OneFrame("x@1.dng"),
        "5500K": White(5500.0, 0.0),
        "5500k-0.003": White(5500.0, -0.003),
    }
    assert {text: parse_reference(text, session) for text in named} == named
    assert other_session("session:a/b") == Path("a/b")
    assert other_session("A@full") is None
    assert session_reference(session) == HeadAtPower(or_highest=True)


@pytest.mark.parametrize(
    ("text", "words"),
    [("bluish", "not a reference; write HEAD@POWER"), ("900K", "not a white"), ("5500K+0.9", "Duv"), ("B@x", "x")],
)
def test_what_is_no_reference_is_refused(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(GreystepError, match=words):
        parse_reference(text, session_of(tmp_path / "s", []).settings)


def test_the_choice_among_lights_and_what_stands_in() -> None:
    heads, stops = ["B", "B", "A", "A", "A"], [1.0, 2.0, 0.0, 0.005, 1.0]
    every = np.ones(5, dtype=bool)

    def chosen(wanted: HeadAtPower | WholeKit, measured: np.ndarray = every) -> list[list[int]]:
        return [group.tolist() for group in choose_lights(wanted, heads, stops, measured)]

    assert chosen(HeadAtPower()) == [[0]]  # first head of the log, its highest
    assert chosen(HeadAtPower(), np.arange(5) > 1) == [[2, 3]]
    assert chosen(HeadAtPower("A", 0.0)) == [[2, 3]]
    assert chosen(HeadAtPower("B", 0.0)) == []
    assert chosen(HeadAtPower("B", 0.0, or_highest=True)) == [[0]]
    assert chosen(HeadAtPower("B", 1.0, or_highest=True), np.arange(5) > 0) == [[1]]
    assert chosen(HeadAtPower("Z", 1.0, or_highest=True)) == []
    assert chosen(WholeKit(1.0)) == [[0], [4]]
    assert chosen(WholeKit(5.0)) == []


def test_a_check_frame_serves_only_where_its_light_was_shot_in_nothing_else() -> None:
    usable = np.array([True, True, True, False])
    check = np.array([False, True, True, False])
    assert may_serve(usable, check, np.array([0, 0, 1, 1])).tolist() == [True, False, True, False]


# --- one value -----------------------------------------------------------------------------------------------------


def test_frames_of_one_light_are_corrected_alike_with_and_without_a_card(tmp_path: Path) -> None:
    """Six job frames of D at 1/4, four with their own card: all gains within 0.05 mired and 0.00005 Duv."""
    test = session_of(tmp_path / "test", warming_test())
    drift = drift_of(test)
    light = cell(drift, "D", "1/4")
    plain = test.readings.query("head == 'D' and power == '1/4'")["mired"].mean()
    assert abs(plain - light["mired"]) > 0.5  # else nothing is tested
    same = [frame(f"j{n}.dng", n, "D", 2.0, light["mired"], light["duv"], kind="job") for n in range(6)]
    gone = ["r_g", "b_g", "mired", "duv", "u_mired", "signal_r", "signal_g", "signal_b", "cct_k", "output_stops"]
    same = [row | {"kind": "card"} if n < 4 else row | dict.fromkeys(gone, np.nan) for n, row in enumerate(same)]
    job = session_of(tmp_path / "job", same, body=replace(BODY, target=fixed_target((0.1, 0.1, 0.9, 0.9))))
    table = correct_frames(job, to="D@full", profile=make_profile(test, drift)).table
    assert list(table["source"]) == ["patch"] * 4 + ["profile"] * 2
    assert (table["status"] == "ok").all()
    wanted = cell(drift, "D", "full")
    assert table["mired_shift"].to_numpy() == pytest.approx(np.full(6, wanted["mired"] - light["mired"]), abs=0.05)
    assert table["duv_shift"].to_numpy() == pytest.approx(np.full(6, wanted["duv"] - light["duv"]), abs=0.00005)
    for gain in ("gain_r", "gain_b"):  # 0.05 mired is 0.0003 of blue over red
        assert np.ptp(table[gain]) < 0.0001


def test_the_hire_kit_says_one_thing_of_d_at_full_in_every_command() -> None:
    """`report`, `correct` from patches and `correct --profile`; the references are rows of powers.csv."""
    found = ingest(load_settings(SAMPLE))
    drift = drift_of(found)
    light = cell(drift, "D", "1/1")
    plain = found.readings.query("head == 'D' and power == '1/1'")["mired"].mean()
    assert abs(plain - light["mired"]) > 0.1  # else nothing is tested
    profile = make_profile(found, drift)
    for corrections in (correct_frames(found, "D@full"), correct_frames(found, "D@full", profile=profile)):
        (reference,) = corrections.references.values()
        assert reference.label == "D@1/1"
        assert [reference.mired, reference.duv, reference.u_mired] == pytest.approx(
            [light["mired"], light["duv"], light["u_mired"]], abs=1e-12
        )
    for row in drift.powers.itertuples():
        (reference,) = correct_frames(found, f"{row.head}@{row.power}").references.values()
        assert (reference.mired, reference.duv, reference.u_mired) == pytest.approx(
            (row.mired, row.duv, row.u_mired), abs=1e-12
        )
    (own,) = correct_frames(found).references.values()
    assert own.mired == pytest.approx(drift.reference["mired"], abs=1e-12)


def test_the_kit_is_the_mean_over_heads_each_over_its_own_cells(tmp_path: Path) -> None:
    """A head that was shot on two packs weighs as much as one on a single pack."""
    rows = [
        frame(f"f{n}.dng", n, head, 0.0, mired, pack=pack)
        for n, (head, pack, mired) in enumerate([("A", "P1", 170.0), ("A", "P2", 176.0), ("B", "P1", 183.0)] * 2)
    ]
    found = session_of(tmp_path / "s", rows, "[reference]\nkit = true\n")
    assert drift_of(found).reference["mired"] == pytest.approx(178.0)
    (reference,) = correct_frames(found, "kit").references.values()
    assert reference.mired == pytest.approx(178.0)


def test_the_brightness_of_a_reference_is_that_of_the_fit(tmp_path: Path) -> None:
    """Full is at -0.1, 0 and +0.4 stop at three apertures: the level is the geometric mean, as the output is."""
    rows = [
        frame(f"f{n}.dng", n, "A", 0.0, 178.0 + 0.1 * n, signal_g=8000 * 2.0**away, output_stops=away)
        for n, away in enumerate([-0.1, 0.0, 0.4])
    ]
    (reference,) = correct_frames(session_of(tmp_path / "s", rows), "A@full").references.values()
    assert np.log2(reference.green / 8000) == pytest.approx(0.1)


# --- what must not be in it ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "doubt", [{"note": "check frame"}, {"status": "doubtful", "flags": "outlier"}, {"status": "rejected"}]
)
def test_a_doubtful_frame_moves_no_reference(tmp_path: Path, doubt: dict[str, str]) -> None:
    rows = warming_test(0.0)
    odd = frame("odd.dng", len(rows), "A", 0.0, 210.0, 0.004, signal_g=20000.0, **doubt)
    if doubt.get("status") == "rejected":
        odd |= {"flags": "clipped"}
    sessions = [session_of(tmp_path / name, more) for name, more in (("without", rows), ("with", [*rows, odd]))]
    drifts = [drift_of(one) for one in sessions]
    assert drifts[1].reference["mired"] == pytest.approx(drifts[0].reference["mired"], abs=1e-9)
    for to in (None, "A@full", "kit"):
        (clean,), (found,) = (correct_frames(one, to).references.values() for one in sessions)
        assert (found.mired, found.duv, found.green) == pytest.approx((clean.mired, clean.duv, clean.green), abs=1e-6)
        assert found.neutral == pytest.approx(clean.neutral, abs=1e-9)
    (clean,), (found,) = (correct_frames(one, "median").references.values() for one in sessions)
    assert found.mired == pytest.approx(clean.mired, abs=1e-9)


def test_a_light_shot_in_check_frames_alone_is_a_reference(tmp_path: Path) -> None:
    rows = [*warming_test(0.0), frame("c.dng", 90, "C", 0.0, 190.0, note="check frame")]
    found = session_of(tmp_path / "s", rows)
    (reference,) = correct_frames(found, "C@full").references.values()
    assert reference.mired == pytest.approx(190.0)
