"""Limits of a session's log and frames: doubts, faults, slips and what is told, just inside and just outside.

Each limit is written as a number in its test.
"""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.errors import FaultsError, GreystepError
from greystep.flags import Flag
from greystep.measure import chromaticity
from greystep.raw.exposure import Exposure
from greystep.session import faults
from greystep.session.alignment import place_by_light
from greystep.session.ambient import Patches, Signals, take_off
from greystep.session.colour import light_doubts, unproven_room
from greystep.session.csvfile import read_sheet
from greystep.session.flash_light import light_by_count
from greystep.session.log_slips import assign_frames
from greystep.session.matching import place_frames
from greystep.session.messages import frame_faults
from greystep.session.reference import parse_reference
from greystep.session.settings import DEFAULT_TOLERANCE, load_settings
from greystep.session.switched import shares

MATRIX = np.array([[0.95, -0.28, -0.09], [-0.55, 1.32, 0.24], [-0.17, 0.27, 0.72]])


def table(cells: dict[str, int], repeats: int, scatter: dict[str, float] | None = None) -> pd.DataFrame:
    """Flash frames of heads with so many cells each; the mired of a cell scatters about 180, the level hardly."""
    rng = np.random.default_rng(3)
    rows = []
    for head, count in cells.items():
        for stops in range(count):
            away = rng.normal(0.0, 0.3, repeats)
            for off in (away - np.median(away)) * (scatter or {}).get(head, 1.0):
                level = -2.0 - stops + rng.normal(0.0, 1e-3)
                rows.append(
                    {
                        "body": "X", "head": head, "pack": "", "power": str(stops), "stops": float(stops),
                        "kind": "flash", "exposure_s": 0.008, "f_number": 11.0, "iso": 100.0, "lens": "100 mm",
                        "focal_mm": 100.0, "level": level, "green": 16000 * 2.0**level, "u_green": 1.0,
                        "noise_level": 1e-6, "mired": 180.0 + off, "noise_mired": 1e-3, "duv": 1e-3, "noise_duv": 1e-7,
                    }
                )  # fmt: skip
    return pd.DataFrame(rows)


def every(frames: pd.DataFrame) -> np.ndarray:
    return np.ones(len(frames), dtype=bool)


# --- frame against frame ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("away", "found"), [(4.5, False), (5.5, True), (-5.5, True)])
def test_a_frame_five_pooled_deviations_from_its_median_is_an_outlier(away: float, found: bool) -> None:
    frames = table({"A": 4, "B": 4}, 15)
    sd, _ = faults.pooled_sd(frames["mired"].to_numpy(), faults.cells(frames))
    frames.loc[int((frames["mired"] - 180.0).abs().iloc[:15].idxmax()), "mired"] = 180.0 + away * sd
    sd, _ = faults.pooled_sd(frames["mired"].to_numpy(), faults.cells(frames))
    at = int((frames["mired"] - 180.0).abs().iloc[:15].idxmax())
    frames.loc[at, "mired"] = 180.0 + away * sd
    assert bool(faults.outlier(frames, every(frames))[at]) == found


@pytest.mark.parametrize(("green", "none"), [(2.7, True), (3.3, False)])
def test_a_frame_within_three_uncertainties_of_room_light_is_no_flash(green: float, none: bool) -> None:
    frames = table({"A": 3}, 3)
    frames.loc[4, "u_green"] = frames.loc[4, "green"] / green
    assert np.flatnonzero(faults.no_flash(frames, every(frames))).tolist() == ([4] if none else [])


@pytest.mark.parametrize(("share", "none"), [(0.09, True), (0.11, False)])
def test_a_frame_below_a_tenth_of_its_cell_is_no_flash(share: float, none: bool) -> None:
    frames = table({"A": 3}, 3)
    frames.loc[4, "level"] += np.log2(share)
    assert np.flatnonzero(faults.no_flash(frames, every(frames))).tolist() == ([4] if none else [])


@pytest.mark.parametrize(("repeats", "short", "found"), [(5, 0.18, 0), (5, 0.22, 1), (1, 0.45, 0), (1, 0.55, 1)])
def test_a_flash_falls_short_by_a_fifth_of_a_stop_and_alone_by_half(repeats: int, short: float, found: int) -> None:
    frames = table({"A": 7}, repeats)
    frames.loc[2 * repeats, "level"] -= short
    assert faults.partial_flash(frames, every(frames)).sum() == found


@pytest.mark.parametrize(("more", "cells", "found"), [(1.4, 4, True), (1.6, 4, False), (3.0, 2, True), (3.0, 3, False)])
def test_a_head_that_scatters_half_more_in_two_other_cells_is_judged_by_its_own(
    more: float, cells: int, found: bool
) -> None:
    def made(scale: float) -> tuple[pd.DataFrame, float, float]:
        frames = table({"A": 5, "B": 5, "C": 5, "D": cells}, 40, {"D": scale})
        number = faults.cells(frames)
        mired = frames["mired"].to_numpy()
        others = (frames["head"] == "D").to_numpy() & (number != number[-1])
        return frames, faults.pooled_sd(mired, number)[0], faults.pooled_sd(mired[others], number[others])[0]

    def ratio(scale: float) -> float:
        _, whole, own = made(scale)
        return own / whole

    scales = np.linspace(1.0, 8.0, 41)
    frames, whole, _ = made(float(scales[int(np.argmin([abs(ratio(one) - more) for one in scales]))]))
    frames.loc[len(frames) - 1, "mired"] = 180.0 + 6.5 * whole
    assert bool(faults.outlier(frames, every(frames))[-1]) == found


@pytest.mark.parametrize(("focal", "changed"), [(100.9, False), (101.1, True), (98.9, True)])
def test_focal_lengths_within_a_hundredth_are_one(focal: float, changed: bool) -> None:
    frames = table({"A": 3}, 3)
    frames.loc[4, "focal_mm"] = focal
    assert faults.settings_changed(frames, every(frames)).any() == changed


# --- room light and black ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("away", "changed"), [(3.7, False), (4.3, True)])
def test_room_light_changed_by_four_uncertainties(away: float, changed: bool) -> None:
    u, room = 0.5, np.array([30.0, 40.0, 10.0])
    mean = np.array([room, [400.0, 800.0, 600.0], room + np.array([0.0, away * u * np.sqrt(2.0), 0.0])])
    log = pd.DataFrame({"kind": ["ambient", "flash", "ambient"], "head": ["", "A", ""], "body": "X", "shot": range(3)})
    log = log.assign(exposure_s=0.008, f_number=11.0, iso=100.0)
    full = np.full((3, 3), 512.0)
    patches = Patches(mean, np.full((3, 3), u), full, np.full((3, 3), 16383.0), np.full((3, 3), np.nan))
    assert (take_off(log, patches, every(log)).room[1] == 0) == changed


@pytest.mark.parametrize(("counts", "wrong"), [(0.9, False), (1.1, True), (-1.1, True)])
def test_a_black_level_a_count_from_masked_pixels_is_wrong(counts: float, wrong: bool) -> None:
    log = pd.DataFrame({"kind": ["flash"], "head": ["A"], "body": "X", "shot": 0})
    log = log.assign(exposure_s=0.008, f_number=11.0, iso=100.0)
    black = np.full((1, 3), 512.0)
    patches = Patches(black, black / 512.0, black, black * 31.0, black + counts)
    assert take_off(log, patches, every(log)).black_wrong[0] == wrong


def doubts(signal: np.ndarray, change: np.ndarray, black_known: bool) -> Any:
    body = SimpleNamespace(sees=MATRIX)
    signals = SimpleNamespace(
        signal=signal[None], change=2.0 * change[None], share=np.array([0.5]), black_known=np.array([black_known])
    )
    return light_doubts(["X"], np.array([True]), {"X": body}, signals)  # type: ignore[dict-item, arg-type]


def kelvin(signals: np.ndarray) -> np.ndarray:
    return np.asarray(chromaticity.cct_duv(chromaticity.xyz_to_xy(np.linalg.solve(MATRIX, signals.T).T))[0])


@pytest.mark.parametrize(("moved_k", "doubtful"), [(2.7, False), (3.3, True)])
def test_a_count_of_black_matters_from_three_kelvin_on(moved_k: float, doubtful: bool) -> None:
    light = MATRIX @ chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(5600.0, 0.001))
    levels = light * np.geomspace(100.0, 1e5, 700)[:, None]
    moves = np.abs(kelvin(levels + 1.0) - kelvin(levels))
    signal = levels[int(np.argmin(np.abs(moves - moved_k)))]
    assert doubts(signal, np.zeros(3), False)[Flag.BLACK_DOUBTFUL][0] == doubtful


@pytest.mark.parametrize(("share", "told"), [(0.0045, False), (0.0055, True)])
def test_a_change_of_room_light_matters_from_half_a_percent_of_the_signal_on(share: float, told: bool) -> None:
    signal = MATRIX @ chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(5600.0, 0.001)) * 8000.0
    assert doubts(signal, share * signal, True)[Flag.AMBIENT_CHANGED][0] == told


# --- what is told, and the log ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("flag", "count", "facts"), [("uneven", 3, 3), ("uneven", 4, 1), ("no_flash", 12, 12), ("no_flash", 13, 1)]
)
def test_four_frames_of_one_doubt_and_thirteen_that_cannot_be_used_share_a_fact(
    flag: str, count: int, facts: int
) -> None:
    numbers = ("exposure_s", "clipped_pct", "gradient_pct", "ambient_pct", "short_stops")
    away = ("away_mired", "away_duv", "away_stops")
    frames = pd.DataFrame({"frame": [f"f{at}.dng" for at in range(count)], "row": range(2, count + 2), "flags": flag})
    frames = frames.assign(head="A", power="1/1", alone=False, reason="", **dict.fromkeys((*numbers, *away), np.nan))
    assert len(frame_faults(frames, {})) == facts


@pytest.mark.parametrize(("lost", "told"), [(28, True), (32, False)])
def test_more_than_thirty_lost_frames_are_no_slip(lost: int, told: bool) -> None:
    heads = ["A"] * 40 + ["B"] * 40
    log = pd.DataFrame({"frame": "", "head": heads, "pack": "", "power": "1/1", "stops": 0.0, "kind": "flash"})
    log = log.assign(note="", row=range(2, 82))
    start = pd.Timestamp("2026-05-04T10:00:00")
    times = [start + pd.Timedelta(10 * at + 600 * (head == "B"), "s") for at, head in enumerate(heads)]
    frames = [
        Exposure(exposure_s=1 / 160, f_number=8.0, iso=100.0, captured=time.isoformat(), make="Camera")
        for time in times[lost:]
    ]
    with pytest.raises(FaultsError) as caught:
        assign_frames(log, [f"f{at}.dng" for at in range(len(frames))], frames)
    assert ("do not tell" not in caught.value.faults[1]) == told


@pytest.mark.parametrize(("column", "slip"), [("groupadded", False), ("groupings", True)])
def test_a_column_is_taken_for_a_slip_of_the_pen_where_seven_tenths_of_it_are_a_known_one(
    tmp_path: Path, column: str, slip: bool
) -> None:
    # Five letters in common with "group": 10 of 15 are 0.67, 10 of 14 are 0.71.
    path = tmp_path / "SETUP.csv"
    path.write_text(f"role,{column}\nkey,1\n")
    assert bool(read_sheet(path, "light", ("role",), ("group",)).faults) == slip


@pytest.mark.parametrize(("text", "right"), [("1350K", False), ("1650K", True), ("22500K", True), ("27500K", False)])
def test_whites_from_candlelight_to_blue_sky(tmp_path: Path, text: str, right: bool) -> None:
    (tmp_path / "session.toml").write_text("")
    settings = load_settings(tmp_path)
    if right:
        parse_reference(text, settings)
    else:
        with pytest.raises(GreystepError):
            parse_reference(text, settings)


# --- frames placed by their light -------------------------------------------------------------------------------------


def dim(share: float) -> Any:
    """A reading whose green is this share of the range."""
    exposure = Exposure(exposure_s=0.008, f_number=11.0, iso=100.0, make="Made", model="Up", serial="7")
    signal = SimpleNamespace(mean=(0.0, share * 1000.0, 0.0), white=(1000.0,) * 3, black=(0.0,) * 3, damage="")
    return SimpleNamespace(exposure=exposure, signal=signal)


@pytest.mark.parametrize(("gap", "told"), [(1.35, False), (1.65, True)])
def test_frames_without_flash_lie_one_and_a_half_stops_below_the_others(gap: float, told: bool) -> None:
    readings = [dim(0.003), dim(0.003), *(dim(0.003 * 2.0 ** (gap + more)) for more in (0.0, 1.0, 2.0))]
    assert (light_by_count(readings, 2) is not None) == told


@pytest.mark.parametrize(("share", "begun"), [(0.018, True), (0.022, False)])
def test_a_plan_has_begun_with_room_light_below_two_hundredths_of_the_range(share: float, begun: bool) -> None:
    kinds = ["ambient"] * 2 + ["flash"] * 8
    log = pd.DataFrame({"frame": "", "head": ["", ""] + ["A"] * 8, "power": ["", ""] + ["1/1"] * 8, "kind": kinds})
    log = log.assign(stops=[np.nan] * 2 + [0.0] * 8, note="", row=range(2, 12))
    if begun:
        assert place_frames(log, ["a.dng", "b.dng"], [dim(share)] * 2)[1]
    else:
        with pytest.raises(FaultsError):
            place_frames(log, ["a.dng", "b.dng"], [dim(share)] * 2)


def log_of(stops: list[float]) -> pd.DataFrame:
    """Rows of head A at these stops below full; a job where it is not a number."""
    kinds = ["job" if np.isnan(one) else "flash" for one in stops]
    log = pd.DataFrame({"frame": "", "head": ["" if kind == "job" else "A" for kind in kinds], "stops": stops})
    return log.assign(power=[str(one) for one in stops], kind=kinds, note="", row=range(2, len(stops) + 2))


AROUND = [0.0, 3.0, 1.0, 4.0, 0.0, 5.0]


@pytest.mark.parametrize(("apart", "sure"), [(0.225, False), (0.275, True)])
def test_a_frame_has_a_place_where_no_other_is_within_a_quarter_of_a_stop(apart: float, sure: bool) -> None:
    log = log_of([*AROUND, 2.0, 2.0 + apart, *AROUND])
    light = 9.0 - np.array([*AROUND, 2.0, *AROUND])
    assert (place_by_light(log, light)[6] == 6) == sure


@pytest.mark.parametrize(("off", "place"), [(0.02, 7), (-0.6, 6)])
def test_a_row_of_unknown_light_fits_three_tenths_of_a_stop(off: float, place: int) -> None:
    # One frame for a job or for the flash after it: the other place costs more by 0.28 or 0.3.
    log = log_of([*AROUND, np.nan, 2.0, *AROUND])
    light = 9.0 - np.array([*AROUND, 2.0 + off, *AROUND])
    assert place_by_light(log, light)[6] == place


def placed(stops: list[float], light: list[float]) -> bool:
    """Whether frames of this light [stops below full] have their places in a log."""
    try:
        place_frames(log_of(stops), [f"f{at}.dng" for at in range(len(light))], [dim(0.9 * 2.0**-one) for one in light])
    except FaultsError:
        return False
    return True


@pytest.mark.parametrize(("lost", "told"), [([5, 12, 20, 29], True), ([5, 12, 20, 29, 34], False)])
def test_a_tenth_of_the_frames_may_be_lost(lost: list[int], told: bool) -> None:
    stops = ([0.0, 3.0, 1.0, 4.0, 2.0, 5.0] * 7)[:40]
    assert placed(stops, [one for at, one in enumerate(stops) if at not in lost]) == told


@pytest.mark.parametrize(("odd", "begun"), [((3, 9, 15), True), ((1, 5, 9, 13, 17), False)])
def test_four_fifths_of_the_frames_of_a_plan_shot_in_part_have_their_places(odd: tuple[int, ...], begun: bool) -> None:
    stops = ([0.0, 3.0, 1.0, 4.0, 2.0, 5.0] * 7)[:40]
    assert placed(stops, [one + 1.3 * (at in odd) for at, one in enumerate(stops[:20])]) == begun


@pytest.mark.parametrize(("times", "kind"), [(2.7, "ambient"), (3.3, "dark")])
def test_a_dark_frame_lies_three_standard_uncertainties_below_room_light(times: float, kind: str) -> None:
    # The log has an ambient frame early on, and an ambient and a dark one late; of these two one was never shot.
    stops = [0.0, 2.0, np.nan, 1.0, 3.0, 0.0, np.nan, np.nan, 2.0, 1.0, 3.0, 0.0]
    log = log_of(stops)
    log.loc[[2, 6, 7], "kind"] = ["ambient", "ambient", "dark"]
    shares = [
        0.004 if row == 2 else 0.002 if row == 6 else 0.5 * 2.0**-one for row, one in enumerate(stops) if row != 7
    ]
    readings = [dim(share) for share in shares]
    for reading in readings:
        reading.signal.u = (0.0, 2.0 / np.sqrt(2.0) / times, 0.0)
    files = [f"{at}.dng" for at in range(len(readings))]
    found, _ = place_frames(log, files, readings)
    assert found.loc[found["frame"] == "6.dng", "kind"].tolist() == [kind]


def test_a_session_that_names_no_tolerance_has_four_mired_a_thousandth_of_duv_and_a_tenth_of_a_stop() -> None:
    tolerance = DEFAULT_TOLERANCE
    assert (tolerance.mired, tolerance.duv, tolerance.output_stops) == (4.0, 0.001, 0.1)


def test_a_lamp_that_nobody_saw_is_a_thousandth_of_the_brightest_patch_at_2900_kelvin() -> None:
    """The dimmer of two frames at one setting, an eighth as bright, takes eight thousandths; a camera that sees XYZ."""
    flash, lamp = (chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(kelvin, 0.0)) for kelvin in (5600.0, 2900.0))
    log = pd.DataFrame(
        {"body": "X", "head": ["A", "B"], "power": "1/8", "exposure_s": 0.008, "f_number": 11.0, "iso": 100.0}
    )
    signals = SimpleNamespace(signal=np.outer([8000.0, 1000.0], flash / flash[1]), seen=np.array([[True, False]] * 2))
    body = SimpleNamespace(label="X", matrix=np.eye(3), target_factor=np.ones(3), sees=np.eye(3))
    (found,) = unproven_room(log, np.ones(2, dtype=bool), {"X": body}, signals)  # type: ignore[dict-item, arg-type]
    mixed = flash / flash[1] + 0.008 * lamp / lamp[1]
    kelvin, _ = chromaticity.cct_duv(mixed[:2] / mixed.sum())
    assert (found.head, found.before, found.after) == ("B", False, True)
    assert found.stops == pytest.approx(np.log2(1.008), rel=1e-3)
    assert found.mired == pytest.approx(1e6 / kelvin - 1e6 / 5600.0, rel=1e-3)


def test_when_a_lamp_came_on_is_weighed_by_a_likely_scatter_and_a_slow_course() -> None:
    """Two frames of one light, four shots apart: the change lies before both, between them or after them."""
    log = pd.DataFrame({"body": "X", "head": "A", "power": "1/1", "stops": 0.0, "shot": [3, 7]})
    signal, change = np.array([[4000.0, 8000.0, 5000.0], [4060.0, 8100.0, 5005.0]]), np.array([30.0, 25.0, 8.0])
    noise = np.zeros((2, 3, 3))
    signals = Signals(
        signal=signal, covariance=noise, causes={"frame": noise}, ambient_pct=np.zeros(2), no_ambient=np.zeros(2, bool),
        black_known=np.ones(2, bool), black_wrong=np.zeros(2, bool), room=np.zeros(2, dtype=np.intp),
        share=np.zeros(2), change=np.tile(change, (2, 1)), seen=np.ones((2, 2), bool),
    )  # fmt: skip
    # 0.3 mired, 0.00005 Duv and 0.01 stop are 0.002, 0.001 and 0.007 in the logs; they weigh as much as three repeats.
    # The slow course is 1.5 times as large and fades to 1 / e in eight shots. Student's distribution, one degree of
    # freedom of the frames; the derivative of the logs by what was seen.
    apart = 2.0 * (1.0 + 1.5**2 * (1.0 - np.exp(-4.0 / 8.0)))
    likely = []
    for gone in ([1.0, 1.0], [0.0, 1.0], [0.0, 0.0]):
        red, green, blue = np.log(signal - np.outer(gone, change)).T
        lights = red - blue, 2.0 * green - red - blue, green
        squares = np.array([np.diff(one)[0] for one in lights]) ** 2 / np.array([0.002, 0.001, 0.007]) ** 2 / apart
        likely.append(np.prod((1.0 + squares / 3.0) ** -2.0) * np.exp(-0.5 * (red + green + blue).sum()))
    before, between, _ = np.array(likely) / np.sum(likely)
    share = shares(log, signals, np.ones(2, dtype=bool))
    assert share == pytest.approx([before, before + between], rel=1e-6)
    assert 0.02 < before < 0.3
    assert between > 0.3
