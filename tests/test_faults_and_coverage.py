"""What issue and bars ask of readings as a whole: true intervals in every condition, every fault caught, none invented.

Conditions and levels are simulated pixel by pixel (`helpers.lit_patches`). Faults are put into demo frames at the sizes
that must be caught, written as files and read as sessions.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from greystep.demo import dngfile
from greystep.demo.kit import CameraSettings, HeadCharacter, Kit, Shot, shoot
from greystep.demo.scenario import frames, write_session
from greystep.demo.sensor import CARD_BOX, Sensor
from greystep.sentences.frames import lines
from greystep.session.ingest import Ingested, ingest
from greystep.session.settings import load_settings
from helpers.intervals import narrowness
from helpers.lit_patches import BLACK, CONDITIONS, WEAK, simulate

# --- intervals and bias, pixel by pixel -----------------------------------------------------------------------------


@pytest.mark.parametrize("green", [8000.0, 300.0])
@pytest.mark.parametrize("name", CONDITIONS)
def test_ninety_five_intervals_in_a_hundred_hold_the_truth(name: str, green: float, tmp_path: Path) -> None:
    """92 to 98 % is asked of the method: intervals that are too narrow by an eighth at most, or too wide by a fifth.

    Warmth and tint of 140 trials: how narrow intervals are is known to 4 % (k = 1), as from the hits of 500 in either
    (`benchmarks/hold_intervals.py`).
    """
    rows = simulate(CONDITIONS[name], green, 140, tmp_path, seed=len(name) + int(green))
    errors = {column: rows[column] - rows[f"true_{column}"] for column in ("cct_k", "mired", "duv")}
    for column, error in errors.items():
        assert 0.78 < narrowness(error, rows[f"u_{column}"]) < 1.16, column
        assert abs(error.mean()) < 4.0 * error.std() / np.sqrt(len(error)), column
    both = [np.concatenate(pair) for pair in ((errors["mired"], errors["duv"]), (rows["u_mired"], rows["u_duv"]))]
    assert 0.84 < narrowness(*both) < 1.12


def test_weak_flash_in_tungsten_light_and_a_wrong_black_level(tmp_path: Path) -> None:
    """40 patches of 512 px, each its own; `benchmarks` has 200."""
    rows = simulate(WEAK, 300.0, 40, tmp_path, seed=8)
    error = rows["cct_k"] - rows["true_cct_k"]
    assert abs(error.mean()) < 3.0
    assert 0.6 <= narrowness(error, rows["u_cct_k"]) <= 1.2  # black is held for unknown, and taken off
    assert (error.abs() <= 2.0 * rows["u_cct_k"]).all()
    assert rows["ambient_pct"].to_numpy() == pytest.approx(np.full(40, 100 * 0.08 / 1.08), abs=3.5)
    assert set(rows["flags"]) == {"ambient_high"}


# --- faults at the sizes that must be caught, and clean frames ------------------------------------------------------

SMALL = Sensor(height=160, width=240)
SCATTER = 0.3  # mired
NOISE = 0.04  # of one frame of the sample's size, mired
Spoil = Callable[[np.ndarray, dngfile.Picture], tuple[np.ndarray, dngfile.Picture]]


def card(mosaic: np.ndarray) -> tuple[slice, slice]:
    """The middle of the card, well inside what is measured."""
    height, width = mosaic.shape
    x, y, across, along = CARD_BOX
    rows = slice(int((y - 0.25 * along) * height) // 2 * 2, int((y + 0.25 * along) * height) // 2 * 2)
    return rows, slice(int((x - 0.25 * across) * width) // 2 * 2, int((x + 0.25 * across) * width) // 2 * 2)


def clip(share: float, declared: float) -> Spoil:
    """Let the sensor saturate where this share of the card's greens is cut off; the file's white may be wrong."""

    def spoil(mosaic: np.ndarray, picture: dngfile.Picture) -> tuple[np.ndarray, dngfile.Picture]:
        top = int(np.quantile(mosaic[card(mosaic)][0::2, 1::2], 1.0 - share))
        return np.minimum(mosaic, top), replace(picture, white=round(BLACK + (top - BLACK) * declared))

    return spoil


def zero_block(mosaic: np.ndarray, picture: dngfile.Picture) -> tuple[np.ndarray, dngfile.Picture]:
    """Lose 8 x 8 px at an odd place of the card."""
    rows, columns = card(mosaic)
    spoilt = mosaic.copy()
    spoilt[rows.start + 5 : rows.start + 13, columns.start + 3 : columns.start + 11] = 0
    return spoilt, picture


def write_spoilt(folder: Path, kit: Kit, shots: Sequence[Shot], seed: int, spoils: dict[int, Spoil]) -> None:
    """Write a session, and the frames of `spoils` once more with what is done to their pixels."""
    write_session(folder, kit, shots, seed)
    for place, spoil in spoils.items():
        mosaic, picture = next(frames(kit, [shots[place]], seed))
        data = dngfile.dng_bytes(*spoil(mosaic, picture), kit.compressed)
        (folder / "frames" / f"f{place + 1:04d}.dng").write_bytes(data)


#: What is done to a frame, and the flags that it must carry, no other: the sizes are those of the bars.
FAULTS: dict[str, tuple[dict, Spoil | None, set[str]]] = {
    "fired 0.3 stop short": ({"less": 0.3}, None, {"partial_flash"}),
    "did not fire": ({"mired": np.nan, "duv": np.nan, "output_stops": np.nan}, None, {"no_flash"}),
    "moved right by 15 %": ({"shift": 0.15}, None, {"target_moved"}),
    "moved left by 15 %": ({"shift": -0.15}, None, {"target_moved"}),
    "half a percent clipped": ({}, clip(0.005, 1.0), {"clipped", "near_white"}),
    "white level 10 % too high": ({}, clip(0.005, 1.1), {"clipped", "near_white"}),
    "8 x 8 px zeroed": ({}, zero_block, {"damaged"}),
    "warmer by 6 sd": ({"warmer": 6.0}, None, {"outlier"}),
    "cooler by 6 sd": ({"warmer": -6.0}, None, {"outlier"}),
    "aperture a third of a stop less": ({"settings": CameraSettings(f_number=13.0)}, None, {"settings_changed"}),
    "other lens setting": ({"settings": CameraSettings(focal_mm=85.0)}, None, {"settings_changed"}),
    "other matrix": ({"other_matrix": True}, None, {"matrix_differs"}),
    "black level 2 counts off": ({"tag_black": 2.0}, None, {"black_doubtful"}),
    "cut off": ({"cut_to_bytes": 200_000}, None, {"unreadable"}),
    "light askew": ({"extra_gradient": 0.2}, None, {"uneven"}),
}


def faulty_kit() -> Kit:
    heads = (
        HeadCharacter("A", scatter_mired=SCATTER), HeadCharacter("B", mired=177.5, scatter_mired=SCATTER),
        HeadCharacter("C", mired=180.0, mired_per_stop=1.5, scatter_mired=SCATTER),
    )  # fmt: skip
    return Kit(heads, powers=("1/1", "1/2", "1/4"), repeats=6, camera="exact", compressed=False)


def with_faults(kit: Kit, seed: int) -> tuple[list[Shot], dict[int, Spoil], dict[str, set[str]]]:
    """Put each fault into a frame of its own, at most two a cell, by lot."""
    rng = np.random.default_rng([seed, 77])
    shots = list(shoot(kit, seed))
    lots = [place for place in rng.permutation(len(shots)).tolist() if shots[place].kind == "flash"]
    taken: dict[tuple[str, str], int] = {}
    odd: set[str] = set()
    spoilt: list[int] = []
    for _, _, names in FAULTS.values():
        fit = [
            place
            for place in lots
            if place not in spoilt
            and taken.get((shots[place].head, shots[place].power), 0) < 2
            and not ("clipped" in names and shots[place].power != "1/1")  # a sensor saturates at full power
            and not ("outlier" in names and shots[place].head in odd)  # two of one head make a head that scatters
        ]
        spoilt.append(fit[0])
        cell = (shots[fit[0]].head, shots[fit[0]].power)
        taken[cell] = taken.get(cell, 0) + 1
        odd |= {cell[0]} if "outlier" in names else set()
    table = pd.DataFrame([(s.head, s.power, s.mired) for s in shots], columns=["head", "power", "mired"])
    sound = table[(table["power"] != "") & ~table.index.isin(spoilt)].groupby(["head", "power"])["mired"]
    dof = sound.count() - 1
    sd = np.sqrt((sound.var() * dof).sum() / dof.sum() + NOISE**2)
    spoils: dict[int, Spoil] = {}
    wanted: dict[str, set[str]] = {f"f{place + 1:04d}.dng": set() for place in range(len(shots) + 1)}
    for place, (change, spoil, names) in zip(spoilt, FAULTS.values(), strict=True):
        shot, more = shots[place], dict(change)
        if less := more.pop("less", 0.0):
            more["output_stops"] = -shot.stops - less
        if warmer := more.pop("warmer", 0.0):
            others = sound.get_group((shot.head, shot.power)).to_numpy()
            # The median of the cell with this frame at one end of it, from which the distance counts.
            more["mired"] = np.median([*others, np.sign(warmer) * np.inf]) + warmer * sd
        shots[place] = replace(shot, **more)
        wanted[f"f{place + 1:04d}.dng"] = names
        if spoil is not None:
            spoils[place] = spoil
    shots.append(Shot("", "", np.nan, "ambient", shots[-1].time_s + 60.0, settings=CameraSettings(f_number=13.0)))
    return shots, spoils, wanted


@pytest.mark.parametrize("seed", [1, 2])
def test_every_fault_is_caught_and_none_is_taken_for_another(seed: int, tmp_path: Path) -> None:
    kit = faulty_kit()
    shots, spoils, wanted = with_faults(kit, seed)
    write_spoilt(tmp_path / "s", kit, shots, seed, spoils)
    found = ingest(load_settings(tmp_path / "s")).readings.set_index("frame")["flags"]
    seen = {frame: set(filter(None, cell.split(";"))) for frame, cell in found.items()}
    assert {frame: names for frame, names in seen.items() if names != wanted[str(frame)]} == {}
    assert sum(map(bool, seen.values())) == len(FAULTS)


def test_a_shutter_of_four_fifths_of_the_flash_is_caught(tmp_path: Path) -> None:
    """1/200 s against t0.1 of 1/160 s; 1/200 against 1/250 is no fault."""
    heads = (HeadCharacter("long", t01_s=(("full", "1/160"),)), HeadCharacter("short", t01_s=(("full", "1/250"),)))
    kit = Kit(
        heads, powers=("1/1",), repeats=4, camera="exact", compressed=False, sensor=SMALL,
        settings=CameraSettings(shutter="1/200"),
    )  # fmt: skip
    write_session(tmp_path / "s", kit, shoot(kit, 1), 1)
    table = ingest(load_settings(tmp_path / "s")).readings
    assert (table["flags"][table["head"] == "long"] == "tail_cut").all()
    assert (table["flags"][table["head"] != "long"] == "").all()


def test_a_card_over_the_range_in_every_frame_is_clipped_and_nothing_else_is_measured(tmp_path: Path) -> None:
    """1.8 stops above a card at three quarters of the range: the ground must not be taken for the card."""
    kit = Kit(
        (HeadCharacter("A", output_stops=1.8), HeadCharacter("B", mired=177.0, output_stops=1.7)), powers=("1/1",),
        repeats=3, camera="exact", compressed=False, sensor=SMALL,
    )  # fmt: skip
    write_session(tmp_path / "s", kit, shoot(kit, 1), 1)
    found = ingest(load_settings(tmp_path / "s"))
    flash = found.readings[found.readings["kind"] == "flash"]
    assert (flash["status"] == "rejected").all()
    assert flash["flags"].str.contains("clipped").all()
    assert flash["cct_k"].isna().all()
    x, y, across, along = CARD_BOX
    assert (flash["patch_x0"].between(x - across / 2, x) & flash["patch_y1"].between(y, y + along / 2)).all()
    assert "f0002.dng: the card is over the range (A at 1/1): close the aperture by 2 stops" in lines(found.messages)[0]


def test_a_moved_card_gives_colour_but_no_output(tmp_path: Path) -> None:
    """Moved by 15 to 40 % of its width it is found again; half out of the frame it cannot be used."""
    kit = Kit(
        (HeadCharacter("A"), HeadCharacter("B", mired=177.0)), powers=("1/1", "1/4"), repeats=4, camera="exact",
        compressed=False, sensor=SMALL,
    )  # fmt: skip
    shots = list(shoot(kit, 1))
    flash = [place for place, shot in enumerate(shots) if shot.kind == "flash"]
    shifts = dict(zip([flash[1], flash[6], flash[9], flash[12]], (0.15, -0.25, 0.4, 1.4), strict=True))
    for place, shift in shifts.items():
        shots[place] = replace(shots[place], shift=shift)
    write_session(tmp_path / "s", kit, shots, 1)
    folder = tmp_path / "s"
    for _ in range(2):  # measured, and from the cache
        table = ingest(load_settings(folder)).readings
        assert table["flags"].astype(bool).sum() == len(shifts)
        for place, shift in shifts.items():
            row = table.iloc[place]
            assert row["frame"] == f"f{place + 1:04d}.dng"
            assert np.isnan(row["output_stops"])
            if shift > 1.0:
                assert row["status"] == "rejected"
                continue
            assert (row["status"], row["flags"]) == ("doubtful", "target_moved")
            assert abs(row["mired"] - shots[place].mired) < row["u_mired"] + 0.3
            others = table[(table["kind"] == "flash") & (table["flags"] == "")]
            assert row["patch_x0"] - others["patch_x0"].mean() == pytest.approx(shift * CARD_BOX[2], abs=0.02)


def test_one_percent_of_room_light_is_caught(tmp_path: Path) -> None:
    kit = Kit(
        (HeadCharacter("A"),), powers=("1/1", "1/4"), repeats=6, camera="exact", compressed=False, sensor=SMALL,
        ambient_share=0.00316,
    )  # fmt: skip
    write_session(tmp_path / "s", kit, shoot(kit, 1), 1)
    table = ingest(load_settings(tmp_path / "s")).readings
    low = table["power"] == "1/4"
    assert table["ambient_pct"][low].mean() == pytest.approx(1.0, abs=0.1)
    assert (table["flags"][low] == "ambient_high").all()
    assert (table["flags"][~low] == "").all()


def clean(folder: Path, seed: int) -> Ingested:
    """108 clean flash frames: dust, hot pixels, light that falls by 8 %, ISO 100 to 800 with ambient frames each."""
    heads = (
        HeadCharacter("A", mired_per_stop=2.0), HeadCharacter("B", mired=176.0, scatter_mired=0.8, duv=0.003),
        HeadCharacter("C", mired=181.0, mired_per_stop=-2.0, scatter_mired=0.1, warmup_mired=3.0, output_stops=-0.3),
    )  # fmt: skip
    sensor = replace(SMALL, dust=8, hot_pixels=60, black=(511.0, 512.5, 513.25, 512.0))
    kit = Kit(
        heads, powers=("1/1", "1/4", "1/16"), repeats=12, camera="exact", compressed=False, sensor=sensor,
        gradient=0.08, ambient_share=0.0001,
    )  # fmt: skip
    iso = {"1/1": 100, "1/4": 200, "1/16": 800}
    shots = [replace(shot, settings=CameraSettings(iso=iso.get(shot.power, 100))) for shot in shoot(kit, seed)]
    at = shots[-1].time_s
    shots += [
        Shot("", "", np.nan, "ambient", at + 10.0 + n, settings=CameraSettings(iso=speed))
        for n, speed in enumerate((200, 800))
    ]
    write_session(folder, kit, shots, seed)
    return ingest(load_settings(folder))


def test_two_hundred_clean_frames_carry_no_flag(tmp_path: Path) -> None:
    """None of 216: of frames that were flagged once in 70, 95 of 100 such samples would show one."""
    flash = 0
    for seed in (1, 2):
        found = clean(tmp_path / str(seed), seed)
        table = found.readings
        assert table.loc[table["flags"] != "", ["frame", "head", "power", "flags"]].empty
        assert found.messages == ()
        assert table["gradient_pct"].max() > 4
        flash += int((table["kind"] == "flash").sum())
    assert flash >= 200
