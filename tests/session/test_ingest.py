"""Log and readings joined: hand-made readings of known light through the whole table, then whole sessions on disk."""

import json
import os
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from greystep import flags
from greystep.demo.scenario import write_demo
from greystep.errors import FaultsError, GreystepError
from greystep.measure.chromaticity import cct_duv_to_xy, xy_to_xyz
from greystep.measure.patch import PatchSignal
from greystep.measure.reading import Reading
from greystep.raw.dng import ColourTags
from greystep.raw.exposure import Exposure
from greystep.sentences.frames import line, lines
from greystep.sentences.session_notes import sentences
from greystep.session import cache
from greystep.session.ingest import Ingested, ingest, join_readings, overviews, write_readings
from greystep.session.messages import FrameFault, SessionFact
from greystep.session.settings import load_settings
from helpers.jpegs import pixels_of

BOX = (0.4, 0.4, 0.6, 0.6)
MATRIX = np.array([[0.95, -0.28, -0.09], [-0.55, 1.32, 0.24], [-0.17, 0.27, 0.72]])
WHITE, BLACK = 16383.0, 512.0
ROOM = np.array([9.0, 8.0, 2.0])  # tungsten-like, some percent of a weak flash
CONTRACT = [
    "frame", "head", "pack", "power", "stops", "kind", "captured", "shot", "body", "exposure_s", "f_number", "iso",
    "patch_x0", "patch_y0", "patch_x1", "patch_y1", "signal_r", "signal_g", "signal_b",
    "u_signal_r", "u_signal_g", "u_signal_b", "r_g", "b_g", "x", "y", "u_prime", "v_prime", "cct_k", "duv", "mired",
    "u_cct_k", "u_duv", "u_mired", "output_stops", "ambient_pct", "clipped_pct", "gradient_pct",
    "status", "flags", "colour_from",
]  # fmt: skip


def tags(matrix: np.ndarray = MATRIX, source: str = "dng") -> ColourTags:
    return ColourTags(matrix, None, 21, 0, None, None, None, None, source)


def camera_rgb(cct: npt.ArrayLike, duv: npt.ArrayLike, green: float, matrix: np.ndarray = MATRIX) -> np.ndarray:
    """Signals (..., 3) of lights."""
    rgb = xy_to_xyz(cct_duv_to_xy(cct, duv)) @ matrix.T
    return np.asarray(green * rgb / rgb[..., 1:2])


def reading(mean: np.ndarray | None, u: float = 0.01, own: tuple[str, ...] = (), **more: Any) -> Reading:
    """One measured frame: exposure fields, ``colour`` and ``surround`` by name."""
    signal = None
    if mean is not None:
        three = (1.0, 1.0, 1.0)
        signal = PatchSignal(
            mean=tuple(mean), u=(u, u, u), sd=three, n=(100, 200, 100), black=(BLACK,) * 3, white=(WHITE,) * 3,
            ceiling=(WHITE,) * 3, g1_g2=1.0, clipped_pct=0.0, gradient_pct=2.0, damage="",
        )  # fmt: skip
    exposure = Exposure(
        exposure_s=0.008, f_number=11.0, iso=100.0, make="Made", model="Up", serial="7", lens="100 mm", focal_mm=100.0
    )
    fields = {name: value for name, value in more.items() if name in Exposure.__dataclass_fields__}
    return Reading(
        exposure=replace(exposure, **fields), height=200, width=300, signal=signal, colour=more.get("colour", tags()),
        black_masked=None, opcodes=False, way="region", surround=more.get("surround"), box=BOX, flags=own,
        message=more.get("message", ""),
    )  # fmt: skip


def replace_exposure(item: Reading | None) -> Reading | None:
    return item and replace(item, exposure=replace(item.exposure, make="mY", f_number=None))


def lit(cct: float, duv: float, green: float, stops: float = 0.0, **more: Any) -> Reading:
    return reading(camera_rgb(cct, duv, green * 2.0**-stops) + ROOM, **more)


Entry = tuple[str, str, str, Reading | None]  # frame, head or kind, power, reading
POWERS = {"1/1": 0.0, "1/4": 2.0, "1/16": 4.0, "": np.nan}


def log_of(entries: list[Entry], **columns: Any) -> pd.DataFrame:
    kinds = [what if what in ("ambient", "dark", "job") else "flash" for _, what, _, _ in entries]
    text = {
        "frame": [name for name, *_ in entries],
        "head": ["" if what in ("ambient", "dark", "job") else what for _, what, _, _ in entries],
        "pack": [""] * len(entries),
        "power": [power for *_, power, _ in entries],
        "kind": kinds,
        "note": [""] * len(entries),
    }
    table = pd.DataFrame({name: pd.array(values, dtype="str") for name, values in text.items()})
    table.insert(4, "stops", [POWERS[power] for power in table["power"]])
    return table.assign(row=range(2, len(table) + 2), **columns)


@pytest.fixture
def join(tmp_path: Path) -> Callable[..., Ingested]:
    """Join hand-made readings; a reading of None is a row without file."""

    def run(entries: list[Entry], toml: str = "", extra: dict[str, Reading] | None = None, **columns: Any) -> Ingested:
        (tmp_path / "session.toml").write_text(toml, encoding="utf-8")
        known = {name: item for name, _, _, item in entries if item is not None} | (extra or {})
        return join_readings(load_settings(tmp_path), log_of(entries, **columns), list(known), known, {})

    return run


def row(found: Ingested, frame: str) -> pd.Series:
    return found.readings.set_index("frame").loc[frame]


def kit(repeats: int = 3, scatter: float = 0.0, seed: int = 0) -> list[Entry]:
    """Two heads at three powers with an ambient frame; A at 5600 K, B at 5500 K and a third of a stop less."""
    rng = np.random.default_rng(seed)
    entries: list[Entry] = [("amb.dng", "ambient", "", reading(ROOM))]
    for head, cct, less in (("A", 5600.0, 0.0), ("B", 5500.0, 1 / 3)):
        for power, stops in list(POWERS.items())[:3]:
            for n in range(repeats):
                level = stops + less + scatter * rng.normal()
                name = f"{head}{power.replace('/', '-')}_{n}.dng"
                entries.append((name, head, power, lit(cct + 10 * scatter * rng.normal(), 0.001, 8000, level)))
    return entries


def changed(entries: list[Entry], frame: str, item: Reading | None) -> list[Entry]:
    return [(name, what, power, item if name == frame else old) for name, what, power, old in entries]


# --- the table ------------------------------------------------------------------------------------------------------


def test_the_columns_are_the_contracts_then_note_and_what_the_log_holds(join: Callable[..., Ingested]) -> None:
    table = join(kit(), lights="x", iso_log="y").readings
    assert table.columns.tolist()[: len(CONTRACT)] == CONTRACT
    assert table.columns.tolist()[len(CONTRACT) :] == [
        "note", "lights", "iso_log", "lens", "u_mired_frame", "u_mired_ambient", "u_mired_black", "g1_g2",
        "room", "room_share", "room_mired", "room_duv", "room_u_prime", "room_v_prime", "room_output_stops",
        "room_proven", "u_duv_ambient", "u_duv_black", "u_duv_frame", "u_mired_room", "u_duv_room",
        "u_mired_target", "u_duv_target", "around_r", "around_g", "around_b", "shows_card",
    ]  # fmt: skip
    text = {
        "frame",
        "head",
        "pack",
        "power",
        "kind",
        "captured",
        "body",
        "status",
        "flags",
        "colour_from",
        "note",
        "lens",
    }
    for name in CONTRACT:
        assert str(table[name].dtype) == ("str" if name in text else "int64" if name == "shot" else "float64"), name


def test_a_known_light_comes_back(join: Callable[..., Ingested]) -> None:
    found = join(kit())
    first = row(found, "B1-4_0.dng")
    truth = cct_duv_to_xy(5500.0, 0.001)
    assert (first["x"], first["y"]) == pytest.approx(tuple(truth), abs=1e-9)
    assert first["cct_k"] == pytest.approx(5500, abs=0.2)  # Ohno 2013 itself
    assert first["mired"] == pytest.approx(1e6 / first["cct_k"])
    assert first["duv"] == pytest.approx(0.001, abs=1e-6)
    assert first["signal_g"] == pytest.approx(8000 * 2 ** (-7 / 3))
    assert first["u_signal_g"] == pytest.approx(2 * np.hypot(0.01, 0.01))
    assert first["ambient_pct"] == pytest.approx(100 * 8 / (8 + first["signal_g"]))
    assert (first["body"], first["colour_from"], first["patch_x1"]) == ("Made Up 7", "dng", 0.6)
    assert found.readings["output_stops"][1:].tolist() == pytest.approx(
        [level for level in (0, -2, -4, -1 / 3, -7 / 3, -13 / 3) for _ in range(3)]
    )


def test_an_ambient_row_holds_signals_only(join: Callable[..., Ingested]) -> None:
    entries = [*kit(), ("dark.dng", "dark", "", reading(np.zeros(3), own=("too_dark",)))]
    for frame in ("amb.dng", "dark.dng"):
        ambient = row(join(entries), frame)
        assert ambient["status"] == "ok"
        assert np.isfinite(ambient["signal_g"])
        assert ambient[["r_g", "cct_k", "mired", "output_stops", "ambient_pct", "gradient_pct"]].isna().all()
        assert ambient["colour_from"] == ""


def test_exposure_settings_are_taken_out_of_the_output(join: Callable[..., Ingested]) -> None:
    wide = lit(5600, 0.001, 16000, 2.0, f_number=8.0)  # a stop more light on the sensor
    entries = [*changed(kit(), "A1-4_1.dng", wide), ("amb2.dng", "ambient", "", reading(ROOM, f_number=8.0))]
    found = row(join(entries), "A1-4_1.dng")
    assert found["output_stops"] == pytest.approx(-2)
    assert found["flags"] == "settings_changed"


def test_unknown_apertures_are_taken_as_one(join: Callable[..., Ingested]) -> None:
    entries = [
        (name, what, power, replace(item, exposure=replace(item.exposure, f_number=None)))
        for name, what, power, item in kit()
        if item is not None
    ]
    found = join(entries)
    assert row(found, "A1-16_0.dng")["output_stops"] == pytest.approx(-4)
    assert any("no aperture" in note for note in sentences(found.notes))


def test_each_camera_body_has_its_own_matrix_ambient_and_zero_of_output(join: Callable[..., Ingested]) -> None:
    other = np.diag([1.3, 1.0, 0.8]) @ MATRIX
    two = [
        (f"y_{name}", what, power, replace(
            reading(camera_rgb(5500 if what == "B" else 5600, 0.001, 500 * 2 ** -POWERS[power], other))
            if what != "ambient" else reading(np.zeros(3)),
            exposure=replace(item.exposure, serial="8"), colour=tags(other, "dng"),
        ))
        for name, what, power, item in kit()
        if item is not None
    ]  # fmt: skip
    found = join([*kit(), *two])
    assert list(found.bodies) == ["Made Up 7", "Made Up 8"]
    mine = found.readings[found.readings["body"] == "Made Up 8"].set_index("frame")
    assert mine.loc["y_B1-16_0.dng", "cct_k"] == pytest.approx(5500, abs=0.3)
    assert mine["output_stops"].max() == pytest.approx(0, abs=1e-9)
    assert not mine["flags"].str.contains("matrix_differs").any()
    assert any("2 camera bodies" in note for note in sentences(found.notes))


def test_files_and_rows_without_each_other_are_kept(join: Callable[..., Ingested]) -> None:
    entries = changed(kit(), "A1-1_1.dng", None)
    found = join(entries, extra={"more.dng": lit(5600, 0, 4000)})
    missing, extra = row(found, "A1-1_1.dng"), row(found, "more.dng")
    assert (missing["status"], missing["flags"], missing["shot"]) == ("rejected", "missing", -1)
    assert found.readings["frame"].tolist()[-1] == "more.dng"
    assert (extra["status"], extra["flags"], extra["kind"], extra["head"]) == ("rejected", "extra_frame", "", "")
    assert np.isfinite(extra["signal_g"])
    assert np.isnan(extra["cct_k"])
    assert any(line.startswith("A1-1_1.dng: ") for line in lines(found.messages))
    assert any(line.startswith("more.dng: no row") for line in lines(found.messages))


# --- colour: matrix, meter, target ----------------------------------------------------------------------------------


def test_the_matrix_of_most_flash_frames_is_used_for_all(join: Callable[..., Ingested]) -> None:
    entries = kit()
    odd = lit(5600, 0.001, 8000, colour=tags(np.diag([1.05, 1, 0.95]) @ MATRIX))
    found = join(changed(entries, "A1-1_0.dng", odd))  # the first frame of the log carries the other one
    first = row(found, "A1-1_0.dng")
    assert first["flags"] == "matrix_differs"
    assert first["cct_k"] == pytest.approx(5600, abs=0.2)


def test_without_a_matrix_there_are_ratios_and_output_but_no_colour(join: Callable[..., Ingested]) -> None:
    entries = [(name, what, power, replace(item, colour=None)) for name, what, power, item in kit() if item]
    found = join(entries)
    first = row(found, "A1-4_0.dng")
    assert (first["status"], first["flags"], first["colour_from"]) == ("doubtful", "no_matrix", "none")
    assert np.isnan(first["x"])
    assert first["r_g"] == pytest.approx(camera_rgb(5600, 0.001, 1.0)[0])
    assert first["output_stops"] == pytest.approx(-2)
    assert any("No colour matrix" in note for note in sentences(found.notes))


def test_a_camera_json_replaces_the_embedded_matrices(join: Callable[..., Ingested], tmp_path: Path) -> None:
    (tmp_path / "camera.json").write_text(json.dumps({"schema": 1, "matrix_1": MATRIX.tolist(), "illuminant_1": 21}))
    entries = [(name, what, power, replace(item, colour=tags(np.eye(3)))) for name, what, power, item in kit() if item]
    found = join(entries, toml='[camera]\nmatrix = "camera.json"\n')
    first = row(found, "A1-1_0.dng")
    assert first["cct_k"] == pytest.approx(5600, abs=0.2)
    assert (first["colour_from"], first["flags"]) == ("camera.json", "")


def test_a_meter_reading_anchors_the_scale(join: Callable[..., Ingested]) -> None:
    unlike = np.diag([1.08, 1.0, 0.94]) @ MATRIX  # the file's matrix is wrong by a gain a channel
    entries = [(name, what, power, replace(item, colour=tags(unlike))) for name, what, power, item in kit() if item]
    meter = '[camera]\nmeter = {frame = "A1-1_1.dng", cct_k = 5600, duv = 0.001}\n'
    found, free = join(entries, toml=meter), join(entries)
    assert abs(row(free, "B1-4_0.dng")["cct_k"] - 5500) > 100
    assert row(found, "A1-1_1.dng")["cct_k"] == pytest.approx(5600, abs=0.2)
    assert row(found, "B1-4_0.dng")["cct_k"] == pytest.approx(5500, abs=0.3)  # exact: the error is von Kries
    body = found.bodies["Made Up 7"]
    assert body.anchored
    assert SessionFact.NOT_ANCHORED not in found.notes
    assert SessionFact.NOT_ANCHORED in free.notes
    # What the body promises: the neutral of a light is matrix @ (target_factor * XYZ).
    neutral = body.matrix @ (body.target_factor * xy_to_xyz(cct_duv_to_xy(5500, 0.001)))
    measured = row(found, "B1-4_0.dng")
    assert neutral[0] / neutral[1] == pytest.approx(measured["r_g"], rel=1e-6)
    assert neutral[2] / neutral[1] == pytest.approx(measured["b_g"], rel=1e-6)


def test_a_meter_on_a_frame_that_is_not_there_is_told(join: Callable[..., Ingested]) -> None:
    found = join(kit(), toml='[camera]\nmeter = {frame = "nobody.dng", cct_k = 5600}\n')
    assert not found.bodies["Made Up 7"].anchored
    assert any("nobody.dng" in note for note in sentences(found.notes))


def test_a_target_that_is_not_flat_is_divided_out(join: Callable[..., Ingested], tmp_path: Path) -> None:
    """Planckian light off a warm target, both as spectra: the light's own temperature comes back."""
    from greystep.measure.locus import observer

    nm, cmf = observer()
    warm = np.interp(nm, [400, 700], [0.95, 1.0])
    (tmp_path / "grey.csv").write_text(
        "nm,factor\n" + "".join(f"{a:g},{b:.6f}\n" for a, b in zip(nm, warm, strict=True))
    )

    def off_target(kelvin: float, green: float) -> np.ndarray:
        planck = (560 / nm) ** 5 / np.expm1(1.4388e-2 / (nm * 1e-9 * kelvin))
        rgb = MATRIX @ ((planck * warm) @ cmf)
        return green * rgb / rgb[1]

    entries: list[Entry] = [("amb.dng", "ambient", "", reading(np.zeros(3)))]
    entries += [(f"a{n}.dng", "A", "1/1", reading(off_target(5600, 8000))) for n in range(2)]
    entries += [("b.dng", "B", "1/4", reading(off_target(5300, 2000)))]
    found = join(entries, toml='[target]\nreflectance = "grey.csv"\n')
    assert row(found, "a0.dng")["cct_k"] == pytest.approx(5600, abs=1)
    assert row(found, "b.dng")["cct_k"] == pytest.approx(5300, abs=3)  # one factor a session, that of the reference
    assert abs(row(join(entries), "a0.dng")["cct_k"] - 5600) > 100
    assert row(found, "a0.dng")["r_g"] == pytest.approx(off_target(5600, 1)[0])  # ratios are before the target


@pytest.mark.parametrize(
    ("toml", "cct"),
    [
        ("", 5600),
        ('[reference]\nhead = "B"\npower = "1/4"\n', 5500),
        ('[reference]\nhead = "B"\n', 5500),
    ],
)
def test_the_matrix_is_fixed_at_the_reference_neutral(join: Callable[..., Ingested], toml: str, cct: float) -> None:
    rgb = camera_rgb(cct, 0.001, 1.0)
    assert join(kit(), toml=toml).bodies["Made Up 7"].reference_neutral == pytest.approx(tuple(rgb))


def test_the_kit_as_reference_is_the_mean_of_the_heads_at_full(join: Callable[..., Ingested]) -> None:
    mean = (camera_rgb(5600, 0.001, 1.0) + camera_rgb(5500, 0.001, 1.0)) / 2
    found = join(kit(), toml="[reference]\nkit = true\n")
    assert found.bodies["Made Up 7"].reference_neutral == pytest.approx(tuple(mean))


@pytest.mark.parametrize(
    ("toml", "lost", "cct", "told"),
    [
        ('[reference]\nhead = "A"\npower = "1/1"\n', ["A1-1_0.dng"], 5650, "head A at 1/4 instead"),
        ('[reference]\nhead = "B"\n', ["B1-1_0.dng"], 5550, ""),  # its highest tested power, that of the differences
        ('[reference]\nhead = "B"\n', ["B1-1_0.dng", "B1-4_0.dng", "B1-16_0.dng"], 5600, "head A at 1/1 instead"),
        ("[reference]\nkit = true\n", ["A1-1_0.dng", "B1-1_0.dng"], 5650, "head A at 1/4 instead"),
    ],
)
def test_a_reference_that_was_not_measured_is_replaced_by_the_next_power_and_told(
    join: Callable[..., Ingested], toml: str, lost: list[str], cct: float, told: str
) -> None:
    """Never by a frame at whatever power comes first in the log, which here begins at the lowest."""
    drifting = {"1/16": 5700.0, "1/4": 5650.0, "1/1": 5600.0}
    entries: list[Entry] = [("amb.dng", "ambient", "", reading(ROOM))]
    for head, less in (("A", 0.0), ("B", 100.0)):
        for power, warm in drifting.items():
            light = lit(warm - less, 0.001, 8000, POWERS[power])
            entries.append((f"{head}{power.replace('/', '-')}_0.dng", head, power, light))
    for frame in lost:
        entries = changed(entries, frame, None)
    found = join(entries, toml=toml)
    assert found.bodies["Made Up 7"].reference_neutral == pytest.approx(tuple(camera_rgb(cct, 0.001, 1.0)))
    assert [note for note in sentences(found.notes) if "instead" in note] == (
        [f"The reference could not be measured with Made Up 7: its matrix is fixed at {told}."] if told else []
    )


@pytest.mark.parametrize("doubt", ["outlier", "check"])
def test_no_check_frame_and_no_outlier_moves_the_matrix(join: Callable[..., Ingested], doubt: str) -> None:
    """The reference neutral, and with it every other frame's colour, is what it is without that frame."""
    entries = kit(5, 0.02)
    odd: Entry = ("odd.dng", "A", "1/1", lit(5300, 0.003, 8000))
    notes = [*[""] * len(entries), "check frame" if doubt == "check" else ""]
    clean, found = join(entries), join([*entries, odd], note=notes)
    assert ("outlier" in row(found, "odd.dng")["flags"]) == (doubt == "outlier")
    neutrals = [one.bodies["Made Up 7"].reference_neutral for one in (found, clean)]
    assert neutrals[0] == pytest.approx(neutrals[1], rel=1e-12)
    frames = [name for name, *_ in entries]
    both = [one.readings.set_index("frame").loc[frames] for one in (found, clean)]
    assert list(both[0]["flags"]) == list(both[1]["flags"])
    for name in ("mired", "duv", "u_mired"):
        assert both[0][name].to_numpy() == pytest.approx(both[1][name].to_numpy(), rel=1e-9, nan_ok=True)


def test_a_light_shot_in_check_frames_alone_may_fix_the_matrix(join: Callable[..., Ingested]) -> None:
    entries = [*kit(), ("c.dng", "C", "1/1", lit(5900, 0.001, 8000))]
    notes = [*[""] * (len(entries) - 1), "check frame"]
    found = join(entries, toml='[reference]\nhead = "C"\n', note=notes)
    assert found.bodies["Made Up 7"].reference_neutral == pytest.approx(tuple(camera_rgb(5900, 0.001, 1.0)))


def test_whites_far_from_the_reference_or_the_locus_are_told_apart(join: Callable[..., Ingested]) -> None:
    entries = kit()
    entries += [("warm.dng", "C", "1/1", lit(4300, 0, 8000)), ("near.dng", "D", "1/1", lit(4600, 0, 8000))]
    green = camera_rgb(5600, 0.0, 8000) * (0.5, 1, 0.5) + ROOM
    entries += [("green.dng", "E", "1/1", reading(green))]
    found = join(entries)
    assert row(found, "warm.dng")["flags"] == "far_from_reference"  # 54 mired
    assert row(found, "near.dng")["flags"] == ""  # 39 mired
    far = row(found, "green.dng")
    assert far["flags"] == "far_from_locus"
    assert far[["x", "u_prime", "duv"]].notna().all()
    assert far[["cct_k", "mired"]].isna().all()


# --- what is doubtful -----------------------------------------------------------------------------------------------


def test_clean_frames_carry_no_flag(join: Callable[..., Ingested]) -> None:
    for seed in range(8):
        found = join(kit(repeats=4, scatter=0.02, seed=seed)).readings
        # 8 counts of room light are 1.6 % of the weakest frames: that is flagged rightly, and nothing else.
        wrong = found["flags"].map(lambda cell: set(flags.split(cell)) - {"ambient_high"})
        assert not wrong.map(bool).any()
        assert (found["flags"] != "").equals(found["ambient_pct"] > 0.5)


def test_a_frame_that_did_not_fire_or_fell_short_is_rejected_for_that_alone(join: Callable[..., Ingested]) -> None:
    entries = changed(kit(scatter=0.01), "A1-4_0.dng", reading(ROOM, own=("too_dark",)))
    entries = changed(entries, "B1-1_2.dng", lit(5500, 0.001, 8000, 1 / 3 + 0.3))
    found = join(entries)
    none, short = row(found, "A1-4_0.dng"), row(found, "B1-1_2.dng")
    assert (none["flags"], short["flags"]) == ("no_flash", "partial_flash")
    assert (none["status"], short["status"]) == ("rejected", "rejected")
    assert short[["signal_g", "ambient_pct"]].notna().all()
    assert short[["r_g", "x", "cct_k", "u_mired", "output_stops"]].isna().all()
    assert any("A at 1/4" in line for line in lines(found.messages))
    assert any("0.3" in line and "B at 1/1" in line for line in lines(found.messages))
    # The zero of the output does not feel it.
    assert row(found, "A1-1_0.dng")["output_stops"] == pytest.approx(0, abs=0.05)


def test_an_outlier_is_kept_out_of_the_zero_of_the_output(join: Callable[..., Ingested]) -> None:
    entries = changed(kit(scatter=0.01), "A1-1_0.dng", lit(5600, 0.001, 8000, -0.5))
    found = join(entries)
    assert row(found, "A1-1_0.dng")["flags"] == "outlier"
    assert row(found, "A1-1_1.dng")["output_stops"] == pytest.approx(0, abs=0.05)
    assert any(re.search(r"0\.[45]\d stop brighter", line) for line in lines(found.messages))


def test_check_frames_of_a_cold_head_make_no_outliers(join: Callable[..., Ingested]) -> None:
    """Eight check frames, 40 K from the head's own three: neither are outliers of the other."""
    entries = kit(scatter=0.01)
    entries += [(f"check{n}.dng", "A", "1/1", lit(5640 + 0.1 * n, 0.001, 8000)) for n in range(8)]
    notes = ["check frame" if name.startswith("check") else "" for name, *_ in entries]
    found = join(entries, note=pd.array(notes, dtype="str"))
    assert not found.readings["flags"].str.contains("outlier").any()
    assert "outlier" in set(join(entries).readings["flags"])


def test_a_label_stays_as_typed_at_the_start_of_a_note(join: Callable[..., Ingested]) -> None:
    entries = [(name, what, power, replace_exposure(item)) for name, what, power, item in kit()]
    assert any(note.startswith("mY Up 7 recorded no aperture") for note in sentences(join(entries).notes))


def test_little_signal_without_an_ambient_frame_hangs_on_the_black_level(join: Callable[..., Ingested]) -> None:
    entries = [entry for entry in kit() if entry[1] != "ambient"]
    found = join(entries)
    assert row(found, "A1-1_0.dng")["flags"] == "no_ambient"  # 0.4 K a count
    assert row(found, "A1-16_0.dng")["flags"] == "no_ambient;black_doubtful"  # some 7 K a count
    assert row(found, "A1-16_0.dng")["u_cct_k"] > 2
    assert any("No ambient frame" in note for note in sentences(found.notes))
    dark = join([*entries, ("dark.dng", "dark", "", reading(np.zeros(3)))])
    assert row(dark, "A1-16_0.dng")["flags"] == "no_ambient"


@pytest.mark.parametrize("counts", [1, 3, 10])
def test_a_wrong_black_level_costs_nothing_with_an_ambient_frame(join: Callable[..., Ingested], counts: float) -> None:
    entries: list[Entry] = [("amb.dng", "ambient", "", reading(ROOM + counts))]
    entries += [(f"a{n}.dng", "A", "1/1", reading(camera_rgb(5600, 0.001, 300) + ROOM + counts)) for n in range(2)]
    assert row(join(entries), "a0.dng")["cct_k"] == pytest.approx(5600, abs=0.2)
    assert "black_doubtful" in row(join(entries[1:]), "a0.dng")["flags"]


def test_room_light_that_changed_is_told_where_it_matters(join: Callable[..., Ingested]) -> None:
    entries = [*kit(), ("late.dng", "ambient", "", reading(ROOM * 1.2))]
    found = join(entries)
    marked = found.readings[found.readings["flags"].str.contains("ambient_changed")]["frame"].tolist()
    assert "A1-16_0.dng" in marked  # 1.6 of 500 counts
    assert "A1-1_0.dng" not in marked  # 1.6 of 8000
    assert any("room light changed" in note for note in sentences(found.notes))
    steady = join([*kit(), ("late.dng", "ambient", "", reading(ROOM + 0.02))])
    assert not steady.readings["flags"].str.contains("ambient_changed").any()


def test_a_moved_target_is_found_and_says_nothing_else(join: Callable[..., Ingested]) -> None:
    place = np.ones((30, 30)) * 0.4
    place[5:25, 5:25] = 1.0
    rng = np.random.default_rng(0)

    def seen(shift: int) -> np.ndarray:
        return np.roll(place, shift, axis=1) * (1 + 0.01 * rng.normal(size=place.shape))

    entries = [
        (name, what, power, replace(item, surround=seen(0))) for name, what, power, item in kit() if item is not None
    ]
    moved = replace(lit(5600, 0.001, 6000, own=("uneven",)), surround=seen(4))  # a fifth of its width
    found = join(changed(entries, "A1-1_0.dng", moved))
    assert row(found, "A1-1_0.dng")["flags"] == "no_target;target_moved"
    assert row(found, "A1-1_0.dng")["status"] == "rejected"
    assert (found.readings["flags"].str.contains("target_moved")).sum() == 1


def test_a_job_frame_is_measured_where_the_target_stands_in_it(join: Callable[..., Ingested]) -> None:
    place = np.ones((30, 30)) * 0.4
    place[5:25, 5:25] = 1.0
    scene = np.random.default_rng(1).uniform(0.2, 1.0, (6, 6)).repeat(5, axis=0).repeat(5, axis=1)
    entries = [(name, what, power, replace(item, surround=place)) for name, what, power, item in kit() if item]
    entries += [
        ("with.dng", "job", "", replace(lit(5400, 0.001, 4000), surround=place)),
        ("without.dng", "job", "", replace(lit(3000, 0.02, 700, own=("uneven", "clipped")), surround=scene)),
        ("nothing.dng", "job", "", reading(None, own=("no_target",))),
    ]
    found = join(entries)
    assert row(found, "with.dng")["cct_k"] == pytest.approx(5400, abs=0.3)
    assert row(found, "with.dng")["output_stops"] == pytest.approx(-1)
    for frame in ("without.dng", "nothing.dng"):
        job = row(found, frame)
        assert (job["status"], job["flags"]) == ("ok", "")
        assert job[["patch_x0", "signal_g", "r_g", "cct_k", "output_stops", "clipped_pct"]].isna().all()


def test_a_series_of_job_frames_alone_is_measured(join: Callable[..., Ingested]) -> None:
    entries: list[Entry] = [("amb.dng", "ambient", "", reading(ROOM))]
    entries += [(f"j{n}.dng", "job", "1/4", lit(5600 + n, 0.001, 8000, 0.1 * n)) for n in range(3)]
    found = join(entries)
    assert found.readings["cct_k"][1:].tolist() == pytest.approx([5600, 5601, 5602], abs=0.2)
    assert found.readings["output_stops"][1:].mean() == pytest.approx(0)
    assert found.bodies["Made Up 7"].reference_neutral == pytest.approx(tuple(camera_rgb(5600, 0.001, 1.0)))


def test_unreadable_frames_are_rejected_with_their_own_line(join: Callable[..., Ingested]) -> None:
    broken = replace(
        reading(None, own=("unreadable",), message="A1-1_0.dng: cut off at 200 bytes; copy it again"), height=0
    )
    found = join(changed(kit(), "A1-1_0.dng", broken))
    assert row(found, "A1-1_0.dng")["flags"] == "unreadable"
    assert "A1-1_0.dng: cut off at 200 bytes; copy it again" in lines(found.messages)


def test_joining_changes_nothing_it_is_given(tmp_path: Path) -> None:
    (tmp_path / "session.toml").write_text("", encoding="utf-8")
    entries = kit()
    shots, known = log_of(entries), {name: item for name, _, _, item in entries if item is not None}
    before = shots.copy(deep=True)
    once, again = (join_readings(load_settings(tmp_path), shots, list(known), known, {}) for _ in range(2))
    pd.testing.assert_frame_equal(shots, before)
    pd.testing.assert_frame_equal(once.readings, again.readings)
    assert (once.notes, once.messages) == (again.notes, again.messages)


def test_a_doubt_that_many_frames_share_is_told_in_one_line(join: Callable[..., Ingested]) -> None:
    found = join([entry for entry in kit() if entry[1] != "ambient"])
    (fault,) = [fact for fact in found.messages if isinstance(fact, FrameFault) and fact.flag == flags.Flag.NO_AMBIENT]
    assert len(fault.frames) == 18
    assert "and 14 more: no ambient frame at its settings" in line(fault)


@pytest.mark.parametrize("green", [8000.0, 300.0])
def test_intervals_hold_the_truth(join: Callable[..., Ingested], green: float) -> None:
    """600 heads, each with its own light, its own room light and its own ambient frame, all measured with noise."""
    rng = np.random.default_rng(11)
    entries: list[Entry] = []
    noise, drawn = 0.3, []
    for _ in range(600):
        white = rng.uniform(5200, 6000), rng.uniform(-0.003, 0.003)
        room = ROOM * rng.uniform(0.5, 3) + rng.uniform(-5, 5)  # black error and all
        drawn.append((white, room + rng.normal(0, noise, 3), room + rng.normal(0, noise, 3)))
    whites, ambient, room = (np.array(column) for column in zip(*drawn, strict=True))
    flash = camera_rgb(*whites.T, green) + room
    for n in range(600):
        entries.append((f"a{n}.dng", "ambient", "", reading(ambient[n], noise)))
        entries.append((f"f{n}.dng", f"H{n}", "1/1", reading(flash[n], noise)))
    heads = [f"H{n}" for n in range(600) for _ in range(2)]
    table = join(entries, head=pd.array(heads, dtype="str")).readings
    table = table[table["kind"] == "flash"].set_index("frame")
    cct, duv = whites[[int(name[1:-4]) for name in table.index]].T
    for name, true in (("cct_k", cct), ("mired", 1e6 / cct), ("duv", duv)):
        inside = np.mean(np.abs(table[name] - true) <= table[f"u_{name}"])
        assert 0.92 < inside < 0.98, name


# --- whole sessions -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "faults"
    write_demo(folder, "faults", "exact", seed=1)
    return folder


@pytest.fixture(scope="module")
def lights(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "lights"
    write_demo(folder, "three-lights", "exact", seed=1)
    return folder


def truth_of(folder: Path) -> pd.DataFrame:
    return pd.DataFrame(json.loads((folder / "truth.json").read_text())["frames"]).set_index("frame")


def test_every_fault_of_the_demo_is_found_and_none_is_confused(faulty: Path) -> None:
    found = ingest(load_settings(faulty)).readings.set_index("frame")
    wanted = truth_of(faulty)["flags"]
    assert found["flags"].to_dict() == wanted.to_dict()
    assert found["status"].tolist() == [flags.status(flags.split(cell)) for cell in found["flags"]]


def test_a_clean_session_comes_back_true(lights: Path) -> None:
    found = ingest(load_settings(lights)).readings.set_index("frame")
    truth = truth_of(lights).loc[found.index]
    assert (found["flags"] == "").all()
    lit_rows = found["kind"] == "flash"
    error = (found["cct_k"] - truth["cct_k"])[lit_rows]
    assert abs(error.mean()) < max(0.5, 3 * error.std() / np.sqrt(len(error)))
    assert (error.abs() <= found["u_cct_k"][lit_rows]).mean() > 0.85
    assert (found["duv"] - truth["duv"])[lit_rows].abs().max() < 2e-4
    assert (found["output_stops"] - truth["output_stops"])[lit_rows].abs().max() < 0.003


def test_a_second_run_measures_only_what_changed(lights: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    session = load_settings(lights)
    first = ingest(session)
    measured: list[str] = []
    real = cache.measure_frame

    def count(path: Path, *rest: Any) -> Reading:
        measured.append(path.name)
        return real(path, *rest)

    monkeypatch.setattr(cache, "measure_frame", count)
    calls: list[tuple[int, int]] = []
    again = ingest(session, progress=lambda done, total: calls.append((done, total)))
    pd.testing.assert_frame_equal(first.readings, again.readings)
    assert measured == []
    assert calls == [(len(first.readings),) * 2]
    one = sorted(session.frames_dir.iterdir())[3]
    one.write_bytes(one.read_bytes())
    pd.testing.assert_frame_equal(first.readings, ingest(session).readings)
    assert measured == [one.name]
    box = first.bodies[first.readings["body"][0]].target.patch
    by_hand = ingest(session, patch=box)
    assert len(measured) == 1 + len(first.readings)
    assert not by_hand.bodies[first.readings["body"][0]].target.found
    ingest(session)


def test_a_damaged_cache_is_measured_again(lights: Path) -> None:
    session = load_settings(lights)
    first = ingest(session).readings
    for place, entry in enumerate(sorted((lights / ".greystep").glob("*.json"))):
        data = entry.read_bytes()
        entry.write_bytes(
            [b"", data[: len(data) // 2], b"\x00\xff", b"[1]", data.replace(b'"signal"', b'"sign"')][place % 5]
        )
    half = lights / ".greystep" / f".{'0' * 32}.json.abcdefgh.part"
    half.write_text("what a killed run leaves")
    os.utime(half, (1, 1))
    pd.testing.assert_frame_equal(first, ingest(session).readings)
    assert not list((lights / ".greystep").glob(".*"))


def test_a_run_that_was_stopped_keeps_what_it_measured(lights: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    session = load_settings(lights)
    first = ingest(session).readings
    for entry in (lights / ".greystep").iterdir():
        entry.unlink()

    def stop(done: int, total: int) -> None:
        if done == 10:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        ingest(session, progress=stop)
    calls: list[int] = []
    pd.testing.assert_frame_equal(first, ingest(session, progress=lambda done, total: calls.append(done)).readings)
    assert calls[0] >= 10


def test_frames_are_only_read(lights: Path) -> None:
    before = {path: (path.stat().st_mtime_ns, path.read_bytes()) for path in (lights / "frames").rglob("*")}
    found = ingest(load_settings(lights))
    overviews(found)
    write_readings(found)
    assert {path: (path.stat().st_mtime_ns, path.read_bytes()) for path in (lights / "frames").rglob("*")} == before


def test_the_written_table_reads_back(faulty: Path) -> None:
    found = ingest(load_settings(faulty))
    path = write_readings(found)
    assert path == faulty / "readings.csv"
    text = path.read_bytes()
    assert text.startswith(b"frame,head,pack,power,stops,kind,")
    assert b"\r" not in text
    back = pd.read_csv(
        path, dtype={"head": str, "power": str}, keep_default_na=False, na_values={"cct_k": [""], "shot": [""]}
    )
    assert back["head"].tolist() == found.readings["head"].tolist()
    assert back["power"].tolist() == found.readings["power"].tolist()
    np.testing.assert_array_equal(back["cct_k"], found.readings["cct_k"])
    assert back["shot"].isna().tolist() == (found.readings["flags"] == "missing").tolist()


def test_a_session_that_cannot_be_written_goes_elsewhere(lights: Path, tmp_path: Path) -> None:
    session = load_settings(lights)
    blocked = replace(session, path=tmp_path / "blocked")
    blocked.path.mkdir()
    (blocked.path / "shots.csv").write_bytes((lights / "shots.csv").read_bytes())
    (blocked.path / ".greystep").write_text("in the way")
    (blocked.path / "readings.csv").mkdir()
    found = ingest(blocked, store=tmp_path / "out")
    assert write_readings(found, store=tmp_path / "out") == tmp_path / "out" / "readings.csv"
    assert any((tmp_path / "out" / ".greystep").iterdir())
    assert any("cannot be written" in line for line in lines(found.messages))
    with pytest.raises(GreystepError, match="cannot be written"):
        write_readings(found)
    assert any("--out" in line for line in lines(ingest(blocked).messages))


def test_pictures_are_small_and_kept(lights: Path) -> None:
    found = ingest(load_settings(lights))
    pictures = overviews(found)
    assert list(pictures) == found.readings["frame"].tolist()
    assert all(max(picture.height, picture.width) <= 256 for picture in pictures.values())
    again = overviews(found)
    assert all(pictures[name] == again[name] for name in pictures)
    box = found.bodies[found.readings["body"][0]].target.patch
    frame = found.readings["frame"][2]
    pixels = pixels_of(pictures[frame].jpeg(256))
    height, width = pixels.shape[:2]
    assert (height, width) == (pictures[frame].height, pictures[frame].width)
    patch = pixels[int(box[1] * height) : int(box[3] * height), int(box[0] * width) : int(box[2] * width)]
    red, green, blue = patch.reshape(-1, 3).mean(axis=0)
    assert red == pytest.approx(green, abs=3)  # the card looks grey
    assert blue == pytest.approx(green, abs=3)


def test_nothing_to_read_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "frames").mkdir()
    (tmp_path / "shots.csv").write_text("frame,head,power\na.dng,A,full\n")
    with pytest.raises(GreystepError, match="no raw frames"):
        ingest(load_settings(tmp_path))
    (tmp_path / "frames" / "a.dng").write_bytes(b"no raw frame at all")
    with pytest.raises(GreystepError, match=r"its one frame cannot be read.*a\.dng"):
        ingest(load_settings(tmp_path))


def test_a_log_without_frame_names_is_matched_in_capture_order(lights: Path, tmp_path: Path) -> None:
    log = pd.read_csv(lights / "shots.csv", dtype=str, keep_default_na=False)
    session = replace(load_settings(lights), path=tmp_path)
    log.drop(columns="frame").to_csv(tmp_path / "shots.csv", index=False)
    assert ingest(session).readings["frame"].tolist() == log["frame"].tolist()
    log.drop(columns="frame").iloc[:-9].to_csv(tmp_path / "shots.csv", index=False)
    with pytest.raises(FaultsError, match="frames too many"):
        ingest(session)


# --- two frames that disagree -----------------------------------------------------------------------------------------


def test_an_outlier_of_the_reference_cell_does_not_move_the_neutral(join: Callable[..., Ingested]) -> None:
    """Colours 2.5 to 300 K off: the neutral is that of sound frames, of other cells where two frames do not tell."""
    for repeats in (2, 3):
        entries = kit(repeats, scatter=0.03, seed=1)
        sound = [name for name, head, power, _ in entries if (head, power) == ("A", "1/1")][1:]
        stand_in = [name for name, head, power, _ in entries if (head, power) == ("A", "1/4")]
        for away in (2.5, 20.0, 300.0):
            found = join(changed(entries, "A1-1_0.dng", lit(5600.0 + away, 0.001, 8000)))
            (body,) = found.bodies.values()
            names = sound if repeats > 2 else stand_in
            ratios = found.readings.set_index("frame").loc[names, ["r_g", "b_g"]].mean().tolist()
            assert body.reference_neutral is not None
            assert [body.reference_neutral[0], body.reference_neutral[2]] == pytest.approx(ratios, rel=1e-12)


def test_where_one_light_is_all_there_is_the_matrix_is_fixed_at_it_all_the_same(join: Callable[..., Ingested]) -> None:
    other = [(f"x{n}", "X", "1/1", lit(5600 + 900 * n, 0.001, 8000, serial="8")) for n in (0, 1)]
    found = join([*kit(2, scatter=0.03), *other])
    assert found.readings["mired"].iloc[-2:].notna().all()


def test_the_set_power_decides_which_of_two_frames_is_on_a_wrong_row(join: Callable[..., Ingested]) -> None:
    """A row was missed and a flash did not fire: the count fits, and a frame of full power stands on a row of 1/4."""
    entries = kit(2, scatter=0.02)
    found = join(changed(entries, "A1-4_0.dng", lit(5650.0, 0.001, 8000)))
    good, wrong = row(found, "A1-4_1.dng"), row(found, "A1-4_0.dng")
    assert (good["status"], good["flags"]) == ("ok", "")
    assert (wrong["status"], wrong["flags"]) == ("doubtful", "outlier")
    assert "A1-4_0.dng: unlike its repeats (A at 1/4): " in (said := "".join(lines(found.messages)))
    assert " stop brighter; left out" in said
    lost = changed(changed(entries, "A1-4_0.dng", lit(5650.0, 0.001, 8000)), "A1-4_1.dng", reading(ROOM))
    found = join(lost)
    assert row(found, "A1-4_0.dng")["flags"] == "outlier"
    assert row(found, "A1-4_1.dng")["flags"] == "no_flash"
    assert re.search(
        r"unlike its setting \(A at 1/4\): [12]\.\d\d stop brighter; left out", "".join(lines(found.messages))
    )
