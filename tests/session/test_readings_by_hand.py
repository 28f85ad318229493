"""The steps that make the readings table, on a few frames that are written down."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.columns import FrameRow, names
from greystep.errors import GreystepError
from greystep.flags import Flag
from greystep.measure.patch import PatchSignal
from greystep.measure.reading import Reading
from greystep.raw.exposure import Exposure
from greystep.session import readings as rows
from greystep.session.readings import Frames
from greystep.session.settings import load_settings, power_of
from greystep.terms import Kind

NAN = np.nan


def signal(green: float = 1000.0, **more: Any) -> PatchSignal:
    usual: dict[str, Any] = {
        "mean": (green / 2, green, green / 4), "u": (1.0, 2.0, 3.0), "sd": (5.0,) * 3, "n": (100,) * 3,
        "black": (512.0,) * 3, "white": (16383.0,) * 3, "ceiling": (16383.0,) * 3, "g1_g2": 1.01, "clipped_pct": 0.2,
        "gradient_pct": 3.0, "damage": "",
    }  # fmt: skip
    return PatchSignal(**usual | more)


def reading(serial: str = "7", height: int = 4000, exposure: dict[str, Any] | None = None, **more: Any) -> Reading:
    usual: dict[str, Any] = {
        "exposure_s": 0.008,
        "f_number": 11.0,
        "iso": 100.0,
        "make": "Made",
        "model": "Up",
        "serial": serial,
    }
    return Reading(Exposure(**usual | (exposure or {})), height=height, width=6000, **{"signal": signal()} | more)


def shots(*kinds: str, **more: Any) -> pd.DataFrame:
    usual: dict[str, Any] = {
        "frame": [f"f{at}" for at in range(len(kinds))], "head": "A", "pack": "", "power": "1/1", "stops": 0.0,
        "kind": list(kinds), "note": "", "row": np.arange(len(kinds)) + 2,
    }  # fmt: skip
    table = pd.DataFrame(usual | more)
    return table.astype(dict.fromkeys(("frame", "head", "pack", "power", "kind", "note"), "str"))


def joined(*kinds: str, read: dict[str, Reading] | None = None, order: list[str] | None = None, **more: Any) -> Frames:
    log = shots(*kinds, **more)
    found = {name: reading() for name in log["frame"]} if read is None else read
    return rows.joined(log, order or list(found), found)


# --- log and frames ---------------------------------------------------------------------------------------------------


def test_rows_of_the_log_then_files_that_it_does_not_name() -> None:
    frames = joined("flash", "flash", read={"f9": reading(), "f1": reading(), "x": reading()}, order=["f9", "f1", "x"])
    assert frames.log["frame"].tolist() == ["f0", "f1", "f9", "x"]
    assert frames.log["shot"].tolist() == [-1, 1, 0, 2]
    assert frames.log["kind"].tolist() == ["flash", "flash", "", ""]
    assert frames.log["row"].tolist() == [2, 3, 0, 0]
    assert frames.read[0] is None
    marks = {flag: np.flatnonzero(at).tolist() for flag, at in frames.doubts.items() if at.any()}
    assert marks == {Flag.MISSING: [0], Flag.EXTRA_FRAME: [2, 3]}
    assert np.isnan(frames.log["iso"][0])
    assert frames.log["exposure_s"][1] == 0.008
    spoilt = joined("flash", read={"f0": reading(), "x": reading(flags=(Flag.CLIPPED,))})
    assert [name for name, at in spoilt.doubts.items() if at[1]] == [Flag.EXTRA_FRAME, Flag.CLIPPED]
    warm = joined("", read={"f0": reading()}, note=rows.WARM_UP_NOTE)
    assert warm.doubts[Flag.WARM_UP].tolist() == [True]
    assert not warm.doubts[Flag.EXTRA_FRAME].any()


def test_a_body_that_no_opened_frame_has_is_blank() -> None:
    read = {"f0": reading(), "f1": reading(height=0), "f2": reading("9", height=0)}
    assert joined("flash", "flash", "flash", "flash", read=read).log["body"].tolist() == [
        "Made Up 7",
        "Made Up 7",
        "",
        "",
    ]


def test_ambient_frames_carry_only_what_is_wrong_with_their_pixels() -> None:
    dark = reading(flags=(Flag.TOO_DARK, Flag.NO_TARGET, Flag.CLIPPED))
    frames = joined("flash", "ambient", "dark", read={f"f{at}": dark for at in range(3)})
    assert frames.doubts[Flag.TOO_DARK].tolist() == [True, False, False]
    assert frames.doubts[Flag.CLIPPED].tolist() == [True, True, True]
    assert frames.of_kind(Kind.AMBIENT, Kind.DARK).tolist() == [False, True, True]
    assert frames.sound.tolist() == [False, False, False]
    assert rows.sound({Flag.TOO_DARK: np.array([True, False])}, 2).all()
    assert rows.sound({}, 3).tolist() == [True] * 3


def test_the_place_of_the_target_and_the_lens_of_the_log_or_the_file() -> None:
    box = (0.1, 0.2, 0.3, 0.4)
    read = {"f0": reading(box=box, exposure={"lens": "50"}), "f1": reading()}
    frames = joined("flash", "flash", read=read)
    assert frames.log.loc[0, list(rows.BOX)].tolist() == list(box)
    assert frames.log.loc[1, list(rows.BOX)].isna().all()
    assert frames.log["lens"].tolist() == ["50", ""]
    own = joined("flash", "flash", read=read, lens=["mine", "mine"])
    assert own.log["lens"].tolist() == ["mine", "mine"]


# --- patches and light ------------------------------------------------------------------------------------------------


def test_patches_of_frames_with_masked_pixels_of_both_greens() -> None:
    read = (reading(black_masked=(510.0, 511.0, 512.0, 514.0)), None, reading(signal=signal(mean=(1.0, NAN, 2.0))))
    found = rows.patches_of(read)
    assert found.mean[0].tolist() == [500.0, 1000.0, 250.0]
    assert found.u[0].tolist() == [1.0, 2.0, 3.0]
    assert found.masked[0].tolist() == [510.0, 512.5, 512.0]
    assert np.isnan(found.mean[1:]).all()
    assert found.u[2].tolist() == [1.0, 2.0, 3.0]
    assert (found.black[0].tolist(), found.white[0].tolist()) == ([512.0] * 3, [16383.0] * 3)
    assert rows.patches_of(()).mean.shape == (0, 3)


def signals(n: int, **more: Any) -> Any:
    usual: dict[str, Any] = {
        "signal": np.tile([400.0, 800.0, 600.0], (n, 1)), "covariance": np.tile(np.diag([1.0, 4.0, 9.0]), (n, 1, 1)),
        "causes": {"room": np.tile(np.diag([0.0, 3.0, 0.0]), (n, 1, 1))}, "ambient_pct": np.full(n, 0.3),
        "room": np.full(n, -1), "share": np.full(n, NAN), "change": np.zeros((n, 3)), "seen": np.ones((n, 2), bool),
    }  # fmt: skip
    return SimpleNamespace(**usual | more)


def test_columns_of_light() -> None:
    frames = joined("flash", "ambient", "flash", read={"f0": reading(around=(0.1, 0.2, 0.3)), "f1": reading()})
    found = rows.light_columns(frames, signals(3))
    assert [found[f"signal_{one}"][0] for one in "rgb"] == [400.0, 800.0, 600.0]
    assert [found[f"u_signal_{one}"][0] for one in "rgb"] == pytest.approx([2.0, 4.0, 6.0])
    assert [found[f"around_{one}"][0] for one in "rgb"] == [0.1, 0.2, 0.3]
    assert np.isnan(found["around_r"][1:]).all()
    assert found["ambient_pct"] == pytest.approx([0.3, NAN, 0.3], nan_ok=True)
    assert found["clipped_pct"] == pytest.approx([0.2, NAN, NAN], nan_ok=True)
    assert found["gradient_pct"] == pytest.approx([3.0, NAN, NAN], nan_ok=True)
    assert found["g1_g2"] == pytest.approx([1.01, 1.01, NAN], nan_ok=True)
    ratios = rows.ratio_columns(found, np.array([True, False, True]))
    assert ratios["r_g"] == pytest.approx([0.5, NAN, 0.5], nan_ok=True)
    assert ratios["b_g"][0] == 0.75
    dark = rows.ratio_columns(
        {"signal_r": np.ones(2), "signal_g": np.array([0.0, -1.0]), "signal_b": np.ones(2)}, np.ones(2, bool)
    )
    assert np.isnan(dark["r_g"]).all()


def test_what_a_change_of_room_light_does_to_output() -> None:
    """A quarter of a change of 80 was taken off 800: 820 with it left in, 740 with all of it off."""
    room, share = np.array([0, -1, 0]), np.array([0.25, NAN, 1.0])
    seen = np.array([[True, False], [False, False], [True, True]])
    light = signals(3, room=room, share=share, change=np.full((3, 3), 80.0), seen=seen)
    found = rows.room_columns(joined("flash", "ambient", "flash"), light)
    assert found["room_output_stops"] == pytest.approx([np.log2(820.0 / 740.0), 0.0, np.log2(880.0 / 800.0)])
    assert found["room"].tolist() == [0, -1, 0]
    assert found["room_proven"].tolist() == [False, True, True]
    faint = signals(4, room=np.zeros(4, int), share=np.full(4, 0.5), change=np.full((4, 3), 0.5))
    faint.signal[:, 1] = 0.5, 0.125, 0.25, -0.25
    found = rows.room_columns(joined(*["flash"] * 4), faint)["room_output_stops"]
    assert found == pytest.approx([np.log2(0.75 / 0.25), NAN, NAN, NAN], nan_ok=True), "of less than a count; of none"


def test_what_frames_are_compared_by() -> None:
    """log2 of the share of the range, with N^2 / ISO taken out; a moved target tells no level."""
    frames = joined("flash", "flash", "flash", read={f"f{at}": reading(exposure={"focal_mm": 50.0}) for at in range(3)})
    frames.doubts[Flag.TARGET_MOVED][2] = True
    light = signals(3, signal=np.array([[1.0, 800.0, 1.0], [1.0, -5.0, 1.0], [1.0, 800.0, 1.0]]))
    table = rows.comparison(frames, light, rows.patches_of(frames.read))
    settings = rows.exposure_stops(frames.log)
    assert table["level"].to_numpy() == pytest.approx([np.log2(800.0 / 15871.0) + settings[0], NAN, NAN], nan_ok=True)
    assert table["green"].tolist() == [800.0, -5.0, 800.0]
    assert table["u_green"].tolist() == [1.0, 1.0, 1.0], "without what a lamp leaves open"
    assert table["noise_level"][0] == pytest.approx(2.0 / 800.0 / np.log(2.0))
    assert np.isnan(table["noise_level"][1])
    assert table["focal_mm"].tolist() == [50.0] * 3
    light.signal[0, 1] = 0.0
    none = rows.comparison(frames, light, rows.patches_of(frames.read))
    assert none[["level", "noise_level"]].iloc[0].isna().all()


def test_exposure_settings_in_stops_of_each_body() -> None:
    table = pd.DataFrame(
        {
            "body": ["X", "X", "X", "Y", "Y"],
            "f_number": [8.0, 16.0, NAN, NAN, NAN],
            "iso": [100.0, 100.0, 100.0, 100.0, 400.0],
        }
    )
    found = rows.exposure_stops(table)
    assert found[1] - found[0] == pytest.approx(2.0)
    assert np.isnan(found[2])
    assert found[4] - found[3] == pytest.approx(-2.0), "an aperture that no frame records is one"


def output(**more: Any) -> list[float]:
    usual: dict[str, Any] = {
        "body": "X", "head": ["A", "A", "A", "B", "B", "B"], "power": ["1", "1", "2", "1", "1", "2"],
        "stops": [0.0, 0.0, 1.0, 0.0, 0.005, 1.0], "kind": "flash", "level": [-1.0, -1.2, -2.0, -1.4, -1.4, -2.6],
    }  # fmt: skip
    used = more.pop("used", [True] * 6)
    usable = more.pop("usable", [True] * 6)
    return rows.output_stops(pd.DataFrame(usual | more), np.array(used), np.array(usable)).tolist()


def test_output_over_the_brightest_light_at_the_highest_power() -> None:
    """A at full reads -1.1 on the mean, B -1.4."""
    assert output() == pytest.approx([0.1, -0.1, -0.9, -0.3, -0.3, -1.5])
    assert output(used=[False, True, True, True, True, True]) == pytest.approx([0.2, 0.0, -0.8, -0.2, -0.2, -1.4])
    assert output(usable=[False, *[True] * 5])[0] != output()[0]
    assert np.isnan(output(usable=[False, *[True] * 5])[0])
    higher = output(stops=[1.0, 1.0, 2.0, 0.0, 0.0, 1.0])
    assert higher == pytest.approx([0.4, 0.2, -0.6, 0.0, 0.0, -1.2]), "B alone at the highest power"
    bodies = output(body=["X"] * 3 + ["Y"] * 3)
    assert bodies[3:] == pytest.approx([0.0, 0.0, -1.2])
    assert output(level=[NAN, -1.2, -2.0, -1.4, -1.4, -2.6])[1:3] == pytest.approx([0.0, -0.8])


def test_without_flash_frames_cards_or_whatever_there_is_make_the_zero() -> None:
    none = [False] * 6
    cards = output(used=none, kind=["job", "card", "job", "job", "job", "job"])
    assert cards == pytest.approx([0.2, 0.0, -0.8, -0.2, -0.2, -1.4])
    lost = output(used=none, usable=[True, False, *[True] * 4], kind=["job", "card", "job", "job", "job", "job"])
    assert lost == pytest.approx([0.0, NAN, -1.0, -0.4, -0.4, -1.6], nan_ok=True), "a card that cannot be used"
    assert output(used=none, kind="job", stops=NAN) == pytest.approx([0.1, -0.1, -0.9, -0.3, -0.3, -1.5])
    assert np.isnan(output(used=none, usable=none)).all()


# --- flags in the end -------------------------------------------------------------------------------------------------


def settled(*kinds: str, **doubts: list[bool]) -> dict[str, list[int]]:
    frames = joined(*kinds)
    more = {Flag(name): np.array(at) for name, at in doubts.items()}
    return {flag: np.flatnonzero(at).tolist() for flag, at in rows.settled(frames, more).items() if at.any()}


def test_what_only_follows_from_another_doubt_is_not_told() -> None:
    yes, both = [True], [True, True]
    assert settled("flash", no_flash=yes, too_dark=yes, settings_changed=yes) == {
        "no_flash": [0],
        "settings_changed": [0],
    }
    assert settled("flash", missing=yes, no_flash=yes) == {"missing": [0]}
    assert settled("flash", unreadable=yes, extra_frame=yes, clipped=yes) == {"unreadable": [0], "extra_frame": [0]}
    assert settled("flash", no_target=yes, target_moved=yes, uneven=yes) == {"no_target": [0], "target_moved": [0]}
    assert settled("flash", damaged=yes, clipped=yes, tail_cut=yes) == {"damaged": [0], "tail_cut": [0]}
    assert settled("flash", damaged=yes, no_flash=yes) == {"damaged": [0]}
    assert settled("flash", clipped=yes, outlier=yes) == {"clipped": [0], "outlier": [0]}
    assert settled("flash", "ambient", settings_changed=both, clipped=both) == {
        "clipped": [0, 1],
        "settings_changed": [0],
    }


def test_the_table_has_the_contracts_columns_the_logs_and_the_further_ones() -> None:
    frames = joined("flash", "flash", "ambient", mine=["a", "b", "c"], room_share=["x", "y", "z"])
    measured = {
        name: np.arange(3.0) for name in (*rows.COLOUR, "r_g", "b_g", "output_stops", "room_share", "u_mired_frame")
    }
    own = ("flags", "status", "colour_from", *frames.log, *measured)
    measured |= {name: np.zeros(3) for name in names(FrameRow, optional=False) if name not in own}
    doubts = {Flag.CLIPPED: np.array([False, True, False]), Flag.UNEVEN: np.array([True, False, False])}
    table = rows.assembled(frames, measured, doubts, {"Made Up 7": SimpleNamespace(colour_from="dng")})  # type: ignore[dict-item]
    assert list(table)[: len(rows.COLUMNS)] == list(rows.COLUMNS)
    assert table["status"].tolist() == ["doubtful", "rejected", "ok"]
    assert table["flags"].tolist() == ["uneven", "clipped", ""]
    assert table["mired"].tolist()[0::2] == [0.0, 2.0]
    assert np.isnan(table["mired"][1])
    assert table["u_mired_frame"].tolist() == [0.0, 1.0, 2.0]
    assert table["colour_from"].tolist() == ["dng", "dng", ""]
    assert table["room_share"].tolist() == ["x", "y", "z"], "the log's own"
    assert list(table)[-1] == "u_mired_frame"
    assert "mine" in table


def test_a_power_in_joules_asks_for_the_energy_of_its_head(tmp_path: Path) -> None:
    for head, table in (("B", "heads.B"), ("", "heads.NAME")):
        with pytest.raises(GreystepError, match=rf"add max_energy_j under \[{table}\]"):
            power_of(load_settings(tmp_path), head, "200 J")
