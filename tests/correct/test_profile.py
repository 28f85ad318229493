"""The profile of a head against a head whose course over its powers is known."""

from pathlib import Path

import numpy as np
import pytest

from greystep.compare.drift import analyse
from greystep.correct.gains import correct_frames
from greystep.correct.profile import Profile, _bends, light_at, make_profile, profile_reference, profile_wanted
from greystep.errors import GreystepError
from greystep.measure.chromaticity import cct_duv_to_xy, xy_to_upvp, xy_to_xyz
from greystep.raw.dng import ColourTags
from greystep.sentences.corrections import lines
from greystep.session.ingest import Body, Ingested
from greystep.session.settings import load_settings
from helpers.lit_frames import readings

MATRIX = np.array([[0.86, -0.28, -0.09], [-0.56, 1.36, 0.22], [-0.10, 0.18, 0.71]])
OTHER_MATRIX = np.array([[0.75, -0.20, -0.06], [-0.50, 1.30, 0.21], [-0.06, 0.15, 0.60]])
BODY, OTHER = "Invented One 001", "Invented Two 002"


def course(stops: float) -> float:
    """Mired of the head at a power: warmer as it falls, faster at the bottom."""
    return 178.0 + 2.0 * stops + 0.3 * stops**2


def test_the_bend_is_told_by_divided_differences_of_the_powers_about() -> None:
    """At 2 stops between powers of 1 and 3: (2 - 1)(2 - 3) times the second divided difference of each triplet."""
    found = _bends(np.array([0.0, 1.0, 3.0, 7.0]), np.array([0.0, 0.5, 0.5, 0.0]), 2.0)
    assert np.array(found) == pytest.approx(np.array([[1 / 3, -1 / 2, 1 / 6, 0.0], [0.0, 1 / 12, -1 / 8, 1 / 24]]))
    curve = np.array([0.0, 1.0, 3.0, 7.0]) ** 2
    assert np.array(found) @ curve == pytest.approx([1.0, 1.0]), "of x^2 it is 1 wherever it is taken"
    assert _bends(np.array([1.0, 3.0]), np.array([0.5, 0.5]), 2.0)[0] == pytest.approx([-0.5, 0.5])
    assert _bends(np.array([1.0, 3.0]), np.array([1.0, 0.0]), 1.0)[0].tolist() == [0.0, 0.0]


def neutral(mired: float, duv: float, matrix: np.ndarray = MATRIX) -> np.ndarray:
    rgb = matrix @ xy_to_xyz(cct_duv_to_xy(1e6 / mired, duv))
    return rgb / rgb[1]


def reading(frame: str, shot: int, head: str, stops: float, mired: float, output: float, **more: object) -> dict:
    xy = cct_duv_to_xy(1e6 / mired, 0.001)
    seen = neutral(mired, 0.001)
    level = 8000 * 2.0**output
    row = {
        "frame": frame, "head": head, "pack": "", "power": f"-{stops:g}", "stops": stops, "kind": "flash",
        "captured": f"2025-09-01T08:{shot // 6:02d}:{shot % 6 * 10:02d}.00", "shot": shot, "body": BODY,
        "exposure_s": 1 / 125, "f_number": 11.0, "iso": 100.0, "lens": "100", "focal_mm": 100.0,
        "signal_r": level * seen[0], "signal_g": level, "signal_b": level * seen[2], "u_signal_r": 1.0,
        "u_signal_g": 1.0, "u_signal_b": 1.0, "r_g": seen[0], "b_g": seen[2], "x": xy[0], "y": xy[1],
        "cct_k": 1e6 / mired, "duv": 0.001, "mired": mired, "u_cct_k": 1.0, "u_duv": 2e-5, "u_mired": 0.05,
        "output_stops": output, "status": "ok", "flags": "",
    }  # fmt: skip
    row["u_prime"], row["v_prime"] = xy_to_upvp(xy)
    return row | more


def body(label: str, matrix: np.ndarray | None) -> Body:
    tags = ColourTags(OTHER_MATRIX, None, 21, 0, None, None, None, None, "dng") if label == OTHER else None
    return Body(
        label=label, matrix=matrix, target_factor=np.ones(3), tags=tags, colour_from="dng", target=None,
        reference_neutral=None, anchored=False,
    )  # fmt: skip


def ingested(folder: Path, rows: list[dict], bodies: list[Body], settings: str = "") -> Ingested:
    (folder / "frames").mkdir(parents=True)
    (folder / "session.toml").write_text(settings)
    return Ingested(load_settings(folder), readings(rows), {one.label: one for one in bodies}, (), ())


def shots_of(
    rng: np.random.Generator, scatter: float = 0.2, stops: tuple[float, ...] = (0, 2, 3, 4), turns: bool = False
) -> list[dict]:
    """Two heads one after the other; in turns, so that nothing that moves between them is in the doubt."""
    order = [*stops, *stops[::-1], *stops]
    shots = [(head, stop) for head in "AB" for stop in order]
    rows = []
    for head, stop in [(head, stop) for stop in order for head in "AB"] if turns else shots:
        output = -stop * 1.02 + scatter * 0.03 * rng.standard_normal()
        mired = course(stop) - 1.5 * (head == "B") + scatter * rng.standard_normal()
        rows.append(reading(f"f{len(rows):03d}.dng", len(rows), head, stop, mired, output))
    return rows


def profile_of(folder: Path, rows: list[dict], settings: str = "") -> Profile:
    found = ingested(folder, rows, [body(BODY, MATRIX)], settings)
    return make_profile(found, analyse(found.readings, found.settings))


@pytest.fixture
def profile(tmp_path: Path) -> Profile:
    return profile_of(tmp_path / "test", shots_of(np.random.default_rng(1)))


def job(frame: str, head: str, stops: float, **more: object) -> dict:
    row = reading(frame, 0, head, stops, 180.0, 0.0)
    blank = dict.fromkeys(
        ["r_g", "b_g", "mired", "duv", "u_mired", "signal_r", "signal_g", "signal_b", "cct_k", "output_stops"], np.nan
    )
    return row | blank | {"kind": "job", "shot": -1} | more


def test_a_tested_power_is_its_cell(profile: Profile) -> None:
    row = profile.drift.powers.set_index(["head", "stops"]).loc[("A", 3.0)]
    light = light_at(profile, BODY, "A", 3.0)
    assert light.mired == pytest.approx(row["mired"])
    assert light.duv == pytest.approx(row["duv"])
    assert light.u_mired == pytest.approx(row["u_mired"])
    assert light.output_error_stops == pytest.approx(row["output_error_stops"])
    assert light.how == "A at -3 in test"


def test_between_two_powers_it_is_linear_in_stops_and_less_sure(profile: Profile) -> None:
    """A line between cells 2 stops apart on a parabola of 0.3 mired a stop^2: 0.3 off in the middle, by arithmetic."""
    light = light_at(profile, BODY, "A", 1.0)
    ends = [light_at(profile, BODY, "A", stops) for stops in (0.0, 2.0)]
    assert light.mired == pytest.approx(np.mean([end.mired for end in ends]))
    assert light.u_mired > max(end.u_mired for end in ends)
    assert light.u_mired > 0.3
    assert "between -0 and -2" in light.how


def test_the_half_width_between_powers_holds_the_curve(tmp_path: Path) -> None:
    """95 of 100 and more: the bend is a bound, not a standard deviation."""
    inside = []
    for seed in range(16):
        found = profile_of(tmp_path / str(seed), shots_of(np.random.default_rng(seed), scatter=0.3))
        for stops in (1.0, 2.5, 3.6):
            light = light_at(found, BODY, "A", stops)
            inside.append(abs(light.mired - course(stops)) <= light.u_mired)
    assert np.mean(inside) >= 0.95


def test_two_powers_alone_leave_half_of_their_step_open(tmp_path: Path) -> None:
    found = profile_of(tmp_path / "test", shots_of(np.random.default_rng(1), 0.01, (0, 4), turns=True))
    light = light_at(found, BODY, "A", 2.0)
    assert light.u_mired == pytest.approx(abs(course(4) - course(0)) / 2, rel=0.02)


@pytest.mark.parametrize(
    ("head", "stops", "words"),
    [("A", 5.0, ["-0", "-4", "5.0"]), ("Z", 1.0, ["Z", "A, B"]), ("", 1.0, ["none named"])],
)
def test_what_was_not_tested_is_refused(profile: Profile, head: str, stops: float, words: list[str]) -> None:
    with pytest.raises(GreystepError) as caught:
        light_at(profile, BODY, head, stops)
    assert all(word in str(caught.value) for word in words)


def test_one_click_beyond_is_taken_from_the_trend(profile: Profile) -> None:
    light = light_at(profile, BODY, "A", 4.3)
    assert abs(light.mired - course(4.3)) < light.u_mired
    assert "beyond" in light.how


@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_35_hundredths_of_a_stop_beyond_the_tested_powers_are_the_end(profile: Profile, sign: float) -> None:
    last = 2.0 + sign * 2.0
    assert "beyond" in light_at(profile, BODY, "A", last + sign * 0.32).how
    with pytest.raises(GreystepError):
        light_at(profile, BODY, "A", last + sign * 0.38)


def test_a_head_tested_with_two_modifiers_must_be_told_apart(tmp_path: Path) -> None:
    rows = shots_of(np.random.default_rng(1))
    rows = [row | {"modifier": "softbox" if place % 2 else "grid"} for place, row in enumerate(rows)]
    found = profile_of(tmp_path / "test", rows)
    with pytest.raises(GreystepError, match="modifier"):
        light_at(found, BODY, "A", 2.0)
    assert light_at(found, BODY, "A", 2.0, {"modifier": "grid"}).mired == pytest.approx(course(2.0), abs=0.6)


def test_frames_without_target_are_corrected_from_it(profile: Profile, tmp_path: Path) -> None:
    """Gain by hand: the ratio of the two cells' neutrals through the camera's matrix."""
    rows = [job("j1.dng", "A", 3.0), job("j2.dng", "A", 1.0), job("j3.dng", "B", 0.0), job("j4.dng", "A", 6.0)]
    session = ingested(tmp_path / "job", rows, [body(BODY, None)])
    found = correct_frames(session, profile=profile, match_brightness=True)
    table = found.table.set_index("frame")
    lights = {stops: light_at(profile, BODY, "A", stops) for stops in (0.0, 3.0)}
    seen = {stops: neutral(light.mired, light.duv) for stops, light in lights.items()}
    assert list(table["source"]) == ["profile", "profile", "profile", ""]
    assert table.loc["j1.dng", "gain_r"] == pytest.approx(seen[0.0][0] / seen[3.0][0], rel=1e-9)
    assert table.loc["j1.dng", "gain_b"] == pytest.approx(seen[0.0][2] / seen[3.0][2], rel=1e-9)
    assert table.loc["j1.dng", "mired_shift"] == pytest.approx(lights[0.0].mired - lights[3.0].mired)
    assert table.loc["j1.dng", "exposure_stops"] == pytest.approx(-lights[3.0].output_error_stops)
    assert table.loc["j2.dng", "u_mired_shift"] > table.loc["j1.dng", "u_mired_shift"]
    assert table.loc["j4.dng", "status"] == "rejected"
    assert "outside" in lines(found.messages)[0]
    assert table["u_observer_mired"].isna().all()
    assert found.references[BODY].label == "A@-0"
    plain = correct_frames(session, profile=profile).table
    assert (plain["exposure_stops"].dropna() == 0).all()


def test_the_half_width_of_a_frame_holds_its_own_scatter(tmp_path: Path) -> None:
    """Student's 2.365 for 7 degrees of freedom (12 frames, 4 cells, half of 2 rounds), times what repeats differ by."""
    profile = profile_of(tmp_path / "test", shots_of(np.random.default_rng(1), turns=True))
    session = ingested(tmp_path / "job", [job("j1.dng", "A", 3.0)], [body(BODY, None)])
    shift = correct_frames(session, profile=profile).table["u_mired_shift"].iloc[0]
    repeats = profile.drift.heads.set_index("head").loc["A", "repeatability_mired"]
    assert 2.365 * repeats < shift < 4 * repeats


def test_references_of_a_profile(profile: Profile, tmp_path: Path) -> None:
    session = ingested(tmp_path / "job", [job("j1.dng", "A", 3.0), job("j2.dng", "B", 2.0)], [body(BODY, None)])
    a, b = (light_at(profile, BODY, head, 0.0) for head in "AB")
    for to, mired in (("kit", (a.mired + b.mired) / 2), ("B@full", b.mired), ("5000K", 200.0)):
        found = correct_frames(session, to=to, profile=profile)
        expected = mired - light_at(profile, BODY, "A", 3.0).mired
        assert found.table["mired_shift"].iloc[0] == pytest.approx(expected), to
    found = correct_frames(session, to="frame:j2.dng", profile=profile)
    assert found.table["mired_shift"].iloc[1] == pytest.approx(0, abs=1e-9)
    assert profile_reference(profile, BODY, body(BODY, MATRIX), profile_wanted(profile), "").label == "A@-0"


def test_another_camera_sees_the_shift_through_its_own_matrix(profile: Profile, tmp_path: Path) -> None:
    """Flagged, with what the other camera may see otherwise: 7 % (k = 1) of the shift of one head; 3 mired of two."""
    rows = [job("j1.dng", "A", 3.0, body=OTHER), job("j2.dng", "B", 3.0, body=OTHER)]
    session = ingested(tmp_path / "job", rows, [body(OTHER, None)])
    table = correct_frames(session, profile=profile).table
    lights = [light_at(profile, BODY, "A", stops) for stops in (0.0, 3.0)]
    seen = [neutral(light.mired, light.duv, OTHER_MATRIX) for light in lights]
    assert table["gain_r"].iloc[0] == pytest.approx(seen[0][0] / seen[1][0], rel=1e-9)
    assert list(table["flags"]) == ["other_camera"] * 2
    assert list(table["status"]) == ["doubtful"] * 2
    shift = abs(lights[0].mired - lights[1].mired)
    assert list(table["u_observer_mired"]) == pytest.approx([2 * 0.07 * shift, 6.0])


def test_a_test_without_colour_is_no_profile(tmp_path: Path) -> None:
    rows = [row | {"status": "rejected"} for row in shots_of(np.random.default_rng(1))]
    with pytest.raises(GreystepError, match="no head was measured"):
        profile_of(tmp_path / "test", rows)
