"""Whole invented sessions: what is written, that it is the same twice, and that the pixels carry the truth."""

import csv
import datetime
import json
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import rawpy
import tifffile

from greystep.demo.kit import CameraSettings, HeadCharacter, Kit, Shot, shoot
from greystep.demo.scenario import frames, lights, shutter_s, stops_of, truth, write_demo, write_session
from greystep.demo.sensor import Sensor
from greystep.demo.spectra import camera, grey_card, observer
from greystep.errors import GreystepError

SAMPLE = Path(__file__).parents[2] / "sample_data" / "hire_kit"
SMALL = Kit(
    (HeadCharacter("007", mired_per_stop=2.0), HeadCharacter("None", duv=0.004)), powers=("1/1", "1/4"), repeats=1,
    sensor=Sensor(height=160, width=160),
)  # fmt: skip
#: Middle of the card of the table-top, well inside it whatever the noise: rows, columns.
MIDDLE = (slice(100, 190), slice(156, 256))


def files_of(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def patch(path: Path, where: tuple[slice, slice] = MIDDLE) -> np.ndarray:
    """Mean R, G, B of the card above the nominal black, as the raw library decodes it."""
    with rawpy.imread(str(path)) as raw:
        sites = raw.raw_image[where].astype(np.float64) - 512.0
    return np.array(
        [sites[0::2, 0::2].mean(), (sites[0::2, 1::2].mean() + sites[1::2, 0::2].mean()) / 2, sites[1::2, 1::2].mean()]
    )


@pytest.fixture(scope="module")
def hire_kit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "hire"
    write_demo(folder, camera="exact")
    return folder


@pytest.fixture(scope="module")
def faults(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "faults"
    write_demo(folder, "faults")
    return folder


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


def truth_of(folder: Path) -> dict:
    return json.loads((folder / "truth.json").read_text(encoding="ascii"))


def test_same_seed_same_bytes_other_seed_other_bytes(tmp_path: Path) -> None:
    for name, seed in (("one", 4), ("two", 4), ("other", 5)):
        write_session(tmp_path / name, SMALL, shoot(SMALL, seed), seed)
    assert files_of(tmp_path / "one") == files_of(tmp_path / "two")
    one, other = files_of(tmp_path / "one"), files_of(tmp_path / "other")
    assert one.keys() == other.keys()
    assert all(one[name] != other[name] for name in one if name.endswith(".dng"))


def test_decoded_frames_are_the_counts_that_were_made(tmp_path: Path) -> None:
    shots = shoot(SMALL, 4)
    write_session(tmp_path / "s", SMALL, shots, 4)
    made = list(frames(SMALL, shots, 4))
    assert len(made) == len(shots) == 8
    for place, (mosaic, picture) in enumerate(made):
        with rawpy.imread(str(tmp_path / "s" / "frames" / f"f{place + 1:04d}.dng")) as raw:
            np.testing.assert_array_equal(raw.raw_image, mosaic)
        wanted = datetime.datetime(2025, 9, 1, 8, 30) + datetime.timedelta(seconds=shots[place].time_s)
        assert abs((picture.captured - wanted).total_seconds()) <= 0.0051


def test_a_folder_that_holds_anything_is_left_alone(tmp_path: Path) -> None:
    keep = tmp_path / "mine.txt"
    keep.write_text("mine", encoding="utf-8")
    with pytest.raises(GreystepError, match="not empty"):
        write_demo(tmp_path)
    with pytest.raises(GreystepError, match="not empty"):
        write_demo(keep)
    assert files_of(tmp_path) == {"mine.txt": b"mine"}


@pytest.mark.parametrize(
    ("how", "message"), [({"scenario": "wedding"}, "'wedding'.*hire-kit"), ({"camera": "phone"}, "'phone'.*measured")]
)
def test_unknown_names_are_refused_before_anything_is_written(tmp_path: Path, how: dict, message: str) -> None:
    with pytest.raises(GreystepError, match=message):
        write_demo(tmp_path / "new", **how)
    assert not (tmp_path / "new").exists()


def test_log_and_session_file_say_what_was_shot(hire_kit: Path) -> None:
    rows = rows_of(hire_kit / "shots.csv")
    assert list(rows[0]) == ["frame", "head", "power", "kind", "pack", "note"]
    assert len(rows) == 66
    assert {row["frame"] for row in rows} == {path.name for path in (hire_kit / "frames").iterdir()}
    flashes = [row for row in rows if row["kind"] == "flash"]
    cells = {(row["head"], row["power"]) for row in flashes}
    assert cells == {(head, power) for head in "ABCD" for power in ("1/1", "1/2", "1/4", "1/8", "1/16")}
    session = tomllib.loads((hire_kit / "session.toml").read_text(encoding="utf-8"))
    assert session["target"] == {"patch": "auto", "reflectance": "grey.csv"}
    assert session["reference"] == {"head": "A", "power": "full"}
    assert session["heads"]["C"]["t01_s"] == {"full": "1/400", "1/16": "1/2500"}
    card = np.loadtxt(hire_kit / "grey.csv", delimiter=",", skiprows=1)
    np.testing.assert_allclose(np.interp(np.arange(360.0, 831.0), *card.T), grey_card())


def test_the_whole_session_is_small_and_names_no_maker(hire_kit: Path) -> None:
    sizes = [len(data) for data in files_of(hire_kit).values()]
    assert sum(sizes) < 9e6
    for path in (hire_kit / "frames").iterdir():
        with tifffile.TiffFile(path) as tiff:
            tags = tiff.pages[0].tags
            assert [tags[code].value for code in (271, 272, 50708)] == ["Invented", "Bench 14", "Invented Bench 14"]


def test_pixels_of_the_exact_camera_carry_the_true_colour(hire_kit: Path) -> None:
    """By hand: raw counts less ambient, back through the 3x3 of the file, off the card: the light's u'v' and output."""
    answers = truth_of(hire_kit)["frames"]
    ambient = np.mean([patch(hire_kit / "frames" / a["frame"]) for a in answers if a["kind"] == "ambient"], axis=0)
    with tifffile.TiffFile(hire_kit / "frames" / "f0001.dng") as tiff:
        parts = np.array(tiff.pages[0].tags[50721].value, dtype=float).reshape(9, 2)
    inverse = np.linalg.inv((parts[:, 0] / parts[:, 1]).reshape(3, 3))
    even = lights([Shot("", "", 0.0, "flash", 0.0, mired=178.6, duv=0.0005, output_stops=0.0)])[0]
    off_card = (even * grey_card()) @ observer() / (even @ observer())
    errors, brightness = [], []
    for answer in answers:
        if answer["kind"] == "flash":
            signal = patch(hire_kit / "frames" / answer["frame"]) - ambient
            x, y, z = inverse @ signal / off_card
            u_v = np.array([4 * x, 9 * y]) / (x + 15 * y + 3 * z)
            errors.append(u_v - (answer["u_prime"], answer["v_prime"]))
            brightness.append(np.log2(signal[1]) - answer["output_stops"])
    errors = np.array(errors)
    assert len(errors) == 60
    # 0.04 step: red and blue sites lie a pixel apart in the light's gradient, which plain means do not take out.
    assert np.abs(errors.mean(axis=0)).max() < 4e-5
    assert np.abs(errors).max() < 2e-4  # noise of the lowest power
    assert np.ptp(brightness) < 0.004


def test_full_power_stands_at_three_quarters_of_the_range(hire_kit: Path) -> None:
    answers = truth_of(hire_kit)["frames"]
    full = [patch(hire_kit / "frames" / a["frame"])[1] / (16383 - 512) for a in answers if a["power"] == "1/1"]
    assert 0.68 < min(full) < max(full) < 0.80


def test_truth_has_the_names_of_the_contract(hire_kit: Path) -> None:
    answers = truth_of(hire_kit)
    assert answers["schema"] == 1
    names = ["frame", "head", "power", "kind", "cct_k", "duv", "mired", "u_prime", "v_prime", "output_stops", "flags"]
    assert all(list(frame) == names for frame in answers["frames"])
    ambient = next(frame for frame in answers["frames"] if frame["kind"] == "ambient")
    assert ambient["cct_k"] is None
    heads = {head["head"]: head for head in answers["heads"]}
    assert abs(heads["A"]["slope_mired_per_stop"]) < 0.4
    assert heads["B"]["slope_mired_per_stop"] * 4 == pytest.approx(10, abs=2)
    assert heads["C"]["slope_mired_per_stop"] * 4 == pytest.approx(-9, abs=2)
    duv = {head: np.mean([f["duv"] for f in answers["frames"] if f["head"] == head]) for head in "AD"}
    assert duv["D"] - duv["A"] == pytest.approx(0.0035, abs=0.0008)
    top = [f["output_stops"] for f in answers["frames"] if (f["head"], f["power"]) == ("A", "1/1")]
    assert np.mean(top) == pytest.approx(0.0, abs=1e-12)  # A is the brightest at full


def test_output_zero_leaves_out_what_no_mean_may_use() -> None:
    shots = list(shoot(SMALL, 1))
    odd = next(place for place, shot in enumerate(shots) if shot.power == "1/1")
    shots[odd] = replace(shots[odd], flags=("outlier",), output_stops=1.0)
    top = [frame["output_stops"] for frame in truth(SMALL, shots)["frames"] if frame["power"] == "1/1"]
    assert sorted(top) == [0.0, pytest.approx(1.0, abs=0.1)]


def test_labels_that_look_like_something_else_stay_as_they_are(tmp_path: Path) -> None:
    write_session(tmp_path / "s", SMALL, shoot(SMALL, 4), 4)
    session = tomllib.loads((tmp_path / "s" / "session.toml").read_text(encoding="utf-8"))
    assert list(session["heads"]) == ["007", "None"]
    rows = rows_of(tmp_path / "s" / "shots.csv")
    assert {row["head"] for row in rows} == {"007", "None", ""}


def test_exact_thirds() -> None:
    assert stops_of(8.0) - stops_of(11.0) == pytest.approx(-1.0)
    assert stops_of(5.6) == pytest.approx(5.0)
    assert shutter_s("1/125") == pytest.approx(1 / 128)
    assert shutter_s("1/60") == pytest.approx(1 / 64)


def test_settings_change_the_light_as_optics_do() -> None:
    """A stop wider doubles flash and room light; a stop longer doubles the room light alone; ISO scales the counts."""
    kit = Kit(
        (HeadCharacter("A"),), flat_target=True, gradient=0.0, level=0.2, ambient_share=0.1, compressed=False,
        sensor=Sensor(height=120, width=120, prnu=0.0, hot_pixels=0, dust=0), camera="exact",
    )  # fmt: skip

    def green(kind: str, settings: CameraSettings) -> float:
        lit = {"mired": 178.6, "duv": 0.0005, "output_stops": 0.0} if kind == "flash" else {}
        mosaic, _ = next(frames(kit, [Shot("A", "1/1", 0.0, kind, 0.0, settings=settings, **lit)], 1))
        return float(mosaic[0::2, 1::2].mean()) - 512.0

    plain, wide, slow, fast_film = (
        CameraSettings(),
        CameraSettings(f_number=8.0),
        CameraSettings(shutter="1/60"),
        CameraSettings(iso=200),
    )
    flash, room = green("flash", plain), green("ambient", plain)
    assert flash - room == pytest.approx(0.2 * (16383 - 512), rel=2e-3)
    assert green("flash", wide) == pytest.approx(2 * flash, rel=2e-3)
    assert green("flash", slow) - flash == pytest.approx(room, rel=3e-2)
    assert green("ambient", slow) == pytest.approx(2 * room, rel=1e-2)
    assert green("flash", fast_film) == pytest.approx(2 * flash, rel=2e-3)
    assert green("dark", plain) == pytest.approx(0.0, abs=0.1)


def test_stack_has_twelve_job_frames_of_one_scene(tmp_path: Path) -> None:
    write_demo(tmp_path / "stack", "stack")
    answers = [frame for frame in truth_of(tmp_path / "stack")["frames"] if frame["kind"] == "job"]
    assert len(answers) == 12
    cct, output = (np.array([frame[name] for frame in answers]) for name in ("cct_k", "output_stops"))
    assert 25 < cct.std(ddof=1) < 110
    assert 0.025 < output.std(ddof=1) < 0.11
    greens = [patch(tmp_path / "stack" / "frames" / frame["frame"])[1] for frame in answers]
    np.testing.assert_allclose(np.log2(greens) - np.log2(greens[0]), output - output[0], atol=0.01)
    assert 0.5 < max(greens) / (16383 - 512) < 0.9


def test_three_lights_has_a_setup_of_tested_cells(tmp_path: Path) -> None:
    write_demo(tmp_path / "lights", "three-lights")
    setup = rows_of(tmp_path / "lights" / "SETUP.csv")
    assert list(setup[0]) == ["role", "head", "power", "share"]
    assert sum(float(row["share"]) for row in setup) == pytest.approx(1.0)
    tested = {(frame["head"], frame["power"]) for frame in truth_of(tmp_path / "lights")["frames"]}
    assert {(row["head"], row["power"]) for row in setup} <= tested
    assert len({row["head"] for row in setup}) == 3


def test_every_fault_is_there_once(faults: Path) -> None:
    flags = [flag for frame in truth_of(faults)["frames"] for flag in frame["flags"].split(";") if flag]
    wanted = {
        "missing", "extra_frame", "unreadable", "damaged", "target_moved", "clipped", "no_flash", "partial_flash",
        "near_white", "too_dark", "uneven", "ambient_high", "no_ambient", "settings_changed", "black_doubtful",
        "matrix_differs", "tail_cut", "outlier",
    }  # fmt: skip
    assert set(flags) == wanted
    assert {flag: flags.count(flag) for flag in wanted if flags.count(flag) > 1} == {
        "near_white": 2, "ambient_high": 2, "settings_changed": 2,
    }  # fmt: skip


def flagged(folder: Path, flag: str) -> Path:
    name = next(f["frame"] for f in truth_of(folder)["frames"] if flag in f["flags"].split(";"))
    return folder / "frames" / name


def tag(path: Path, code: int) -> np.ndarray:
    with tifffile.TiffFile(path) as tiff:
        return np.array(tiff.pages[0].tags[code].value, dtype=float)


def test_each_fault_is_in_the_pixels_or_the_tags(faults: Path) -> None:
    top = 16383 - 512
    plain = faults / "frames" / "f0001.dng"  # the ambient frame
    with rawpy.imread(str(flagged(faults, "clipped"))) as raw:
        assert (raw.raw_image[MIDDLE] == 16383).mean() > 0.2
    answers = truth_of(faults)["frames"]
    normal = {(f["head"], f["power"]): faults / "frames" / f["frame"] for f in answers if not f["flags"]}
    assert np.log2(patch(flagged(faults, "partial_flash"))[1] / patch(normal["A", "1/1"])[1]) < -0.33
    assert patch(flagged(faults, "no_flash"))[1] == pytest.approx(patch(plain)[1], abs=0.3)
    near_white = next(f for f in answers if f["flags"] == "near_white")
    assert 0.90 < patch(faults / "frames" / near_white["frame"])[1] / top < 0.98
    assert 0.01 < patch(flagged(faults, "too_dark"))[1] / top < 0.018
    assert 0.005 < patch(plain)[1] / patch(normal["B", "1/16"])[1] * 2 < 0.01  # a stop lower is ambient_high
    ends = [patch(flagged(faults, "uneven"), (MIDDLE[0], part))[1] for part in (slice(156, 166), slice(246, 256))]
    assert abs(ends[1] / ends[0] - 1) > 0.10
    edge = (MIDDLE[0], slice(130, 150))  # on the card where it should stand
    assert patch(flagged(faults, "target_moved"), edge)[1] < 0.5 * patch(normal["B", "1/1"], edge)[1]
    with rawpy.imread(str(flagged(faults, "damaged"))) as raw:
        assert (raw.raw_image[MIDDLE] == 0).sum() == 64
    assert tag(flagged(faults, "black_doubtful"), 50714)[0] / tag(plain, 50714)[0] == pytest.approx(515 / 512)
    assert tag(flagged(faults, "matrix_differs"), 50722)[0] != tag(plain, 50722)[0]
    with pytest.raises(rawpy.LibRawError):
        rawpy.imread(str(flagged(faults, "unreadable")))
    assert not flagged(faults, "missing").exists()
    log = (faults / "shots.csv").read_text(encoding="utf-8")
    assert flagged(faults, "extra_frame").exists()
    assert flagged(faults, "extra_frame").name not in log
    assert flagged(faults, "missing").name in log
    session = tomllib.loads((faults / "session.toml").read_text(encoding="utf-8"))
    assert session["heads"]["D"]["t01_s"]["full"] == "1/60"  # longer than the 1/125 of every frame


def test_outlier_lies_far_from_its_repeats(faults: Path) -> None:
    answers = truth_of(faults)["frames"]
    odd = next(f for f in answers if f["flags"] == "outlier")
    cell = [f["mired"] for f in answers if (f["head"], f["power"], f["flags"]) == (odd["head"], odd["power"], "")]
    assert len(cell) >= 4
    assert abs(odd["mired"] - np.median(cell)) > 6 * np.std(cell, ddof=1)


def test_camera_of_the_default_is_a_measured_one() -> None:
    assert Kit((HeadCharacter("A"),)).camera == "measured"
    assert (camera("measured").matrix_a != camera("measured").matrix_d65).all()
