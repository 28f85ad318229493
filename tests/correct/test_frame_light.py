"""The source of each frame's light, end to end: invented sessions as raw files, and their true answers."""

import json
import re
from dataclasses import replace
from datetime import datetime
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from greystep.cli.app import app
from greystep.compare.drift import analyse
from greystep.constants import STEP_UPRIME_VPRIME
from greystep.correct.gains import COLUMNS, Corrections, correct_frames
from greystep.correct.profile import make_profile
from greystep.demo import spectra
from greystep.demo.dngfile import Picture, dng_bytes
from greystep.demo.kit import CameraSettings, HeadCharacter, Kit, Shot, light
from greystep.demo.scenario import write_session
from greystep.demo.sensor import MATERIALS, Sensor, chip, expose, table_top
from greystep.errors import GreystepError
from greystep.measure.chromaticity import steps, xyz_to_upvp
from greystep.sentences.corrections import lines
from greystep.session.ingest import Ingested, ingest
from greystep.session.settings import load_settings

#: 1.9 mired is 60 K at 5600 K.
HEAD = HeadCharacter("A", "P1", "1071", mired=178.6, scatter_mired=1.9, scatter_duv=0.0002, scatter_stops=0.06)
AWAY = 3.5  # card widths: out of the frame


def write(folder: Path, shots: list[Shot], seed: int = 3, **changes: object) -> Path:
    """Write a session at 1/4 with an ambient frame before it, and its light drawn by the seed."""
    kit = replace(Kit((HEAD,), camera="exact", level=2.8, ambient_share=0.00005, compressed=False), **changes)  # type: ignore[arg-type]
    rng = np.random.default_rng(seed)
    ambient = Shot("", "", np.nan, "ambient", 0.0)
    lit = [light(HEAD, replace(shot, time_s=10.0 + 6.0 * place), rng) for place, shot in enumerate(shots)]
    write_session(folder, kit, [ambient, *lit], seed)
    return folder


def one(kind: str = "job", focus: float | None = None, shift: float = AWAY, **more: object) -> Shot:
    return Shot("A", "1/4", 2.0, kind, 0.0, heat=1.0, focus=focus, shift=shift, **more)  # type: ignore[arg-type]


def planes(count: int = 12) -> list[Shot]:
    return [one(focus=0.95 - 0.9 * plane / count) for plane in range(count)]


def read(folder: Path) -> Ingested:
    return ingest(load_settings(folder))


def truth(folder: Path) -> pd.DataFrame:
    return pd.DataFrame(json.loads((folder / "truth.json").read_text())["frames"]).set_index("frame")


def left_over(found: Corrections, folder: Path, data: Ingested) -> tuple[pd.Series, pd.Series]:
    """Apply the gains to the true, noise-free neutrals: distances of the frames from their median [steps, stops]."""
    table = found.table[found.table["gain_r"].notna()].set_index("frame")
    true = truth(folder).loc[table.index]
    (body,) = data.bodies.values()
    matrix = body.matrix if body.matrix is not None else next(iter(found.developed.values()))
    upvp = true[["u_prime", "v_prime"]].to_numpy()
    x, y = 9 * upvp[:, 0], 4 * upvp[:, 1]
    bottom = 6 * upvp[:, 0] - 16 * upvp[:, 1] + 12
    xyz = np.stack([x / y, np.ones(len(x)), (bottom - x - y) / y], axis=1)
    neutral = xyz @ matrix.T
    corrected = neutral / neutral[:, 1:2] * table[["gain_r", "gain_g", "gain_b"]].to_numpy()
    seen = xyz_to_upvp(corrected @ np.linalg.inv(matrix).T)
    colour = pd.Series(steps(seen, np.median(seen, axis=0)), index=table.index)
    stops = true["output_stops"] + table["exposure_stops"]
    return colour, (stops - stops.median()).abs()


def u_steps(table: pd.DataFrame) -> np.ndarray:
    """Half-width of a frame's colour in steps: at 5600 K a mired is 0.00048 in u'v' (own arithmetic)."""
    return table["u_mired_shift"].to_numpy() * 0.00048 / STEP_UPRIME_VPRIME


# --- overlap -------------------------------------------------------------------------------------------------------


def test_a_stack_with_one_target_frame_before_it(tmp_path: Path) -> None:
    """The card is shot once and taken away; 12 planes follow: true neutrals within 0.1 step and 0.005 stop + U."""
    folder = write(tmp_path / "s", [one("flash", 0.5, 0.0), *planes()])
    data = read(folder)
    found = correct_frames(data, to="frame:f0002.dng", match_brightness=True)
    table = found.table
    assert list(table["source"]) == ["patch"] + ["overlap"] * 12
    assert set(table["via"][1:]) == {"f0002.dng"}
    assert table["agreed_pct"][1:].between(50, 95).all()
    assert (table["status"] == "ok").all()
    colour, stops = left_over(found, folder, data)
    assert (colour.to_numpy() <= 0.1 + u_steps(table)).all()
    assert (stops.to_numpy() <= 0.005 + table["u_exposure_stops"].to_numpy()).all()
    uncorrected = truth(folder).loc[table["frame"], "output_stops"]
    assert uncorrected.std() > 0.03  # there was something to correct


def test_a_stack_without_any_target_is_matched_to_itself(tmp_path: Path) -> None:
    folder = write(tmp_path / "s", planes(), seed=4)
    data = read(folder)
    for to in (None, "frame:f0004.dng"):
        found = correct_frames(data, to=to, match_brightness=True)
        assert set(found.table["source"]) == {"overlap"}
        assert "matched to itself" in lines(found.messages)[0]
        table = found.table.set_index("frame")
        true = truth(folder).loc[table.index]
        reference = true["output_stops"].median() if to is None else true.loc["f0004.dng", "output_stops"]
        assert (table["exposure_stops"] - (reference - true["output_stops"])).abs().max() < 0.005
        mired = true["mired"].median() if to is None else true.loc["f0004.dng", "mired"]
        assert (table["mired_shift"] - (mired - true["mired"])).abs().max() < 0.4
    assert table.loc["f0004.dng", "gain_r"] == pytest.approx(1.0, abs=1e-9)


def test_brightness_is_left_alone_and_gains_are_the_same(tmp_path: Path) -> None:
    folder = write(tmp_path / "s", planes(4), seed=5)
    data = read(folder)
    colour_only, all_of_it = (correct_frames(data, match_brightness=which).table for which in (False, True))
    assert (colour_only["exposure_stops"] == 0).all()
    assert colour_only["gain_r"].tolist() == all_of_it["gain_r"].tolist()


def test_a_series_without_target_cannot_be_brought_to_a_white(tmp_path: Path) -> None:
    data = read(write(tmp_path / "s", planes(3)))
    for to in ("5500K", "A@full"):
        with pytest.raises(GreystepError) as caught:
            correct_frames(data, to=to)
        assert "--smooth" in str(caught.value)


def test_a_frame_of_something_else_gets_no_gain(tmp_path: Path) -> None:
    """A card from edge to edge: no_overlap, no value, and the others are corrected all the same."""
    folder = write(tmp_path / "s", planes(5))
    other = write(tmp_path / "other", planes(5), flat_target=True)
    (folder / "frames" / "f0003.dng").write_bytes((other / "frames" / "f0003.dng").read_bytes())
    found = correct_frames(read(folder), match_brightness=True)
    table = found.table.set_index("frame")
    assert table.loc["f0003.dng", ["status", "flags", "source"]].tolist() == ["rejected", "no_overlap", ""]
    assert np.isnan(table.loc["f0003.dng", "gain_r"])
    assert (table["status"] == "ok").sum() == 4
    assert any("f0003.dng: no correction" in line and "same things" in line for line in lines(found.messages))


@pytest.mark.parametrize(
    ("changes", "shot", "words"),
    [
        ({"sensor": Sensor(height=480, width=480)}, {}, "480 x 480 px"),
        ({}, {"settings": CameraSettings(focal_mm=85.0)}, "85 mm"),
    ],
)
def test_frames_that_cannot_be_laid_over_each_other_say_why(
    tmp_path: Path, changes: dict, shot: dict, words: str
) -> None:
    folder = write(tmp_path / "s", planes(4))
    other = write(tmp_path / "other", [one(**shot) for _ in range(4)], **changes)
    (folder / "frames" / "f0002.dng").write_bytes((other / "frames" / "f0002.dng").read_bytes())
    found = correct_frames(read(folder))
    assert found.table.set_index("frame").loc["f0002.dng", "status"] == "rejected"
    assert any(words in line and "f0002.dng" in line for line in lines(found.messages))


def test_a_reference_that_is_clipped_or_missing_stops_the_command(tmp_path: Path) -> None:
    folder = write(tmp_path / "s", planes(3))
    bright = write(tmp_path / "bright", [one() for _ in range(3)], level=200.0)
    (folder / "frames" / "f0003.dng").write_bytes((bright / "frames" / "f0003.dng").read_bytes())
    with pytest.raises(GreystepError, match=r"f0003\.dng: \d+ % of it is clipped"):
        correct_frames(read(folder), to="frame:f0003.dng")
    with pytest.raises(GreystepError, match=r"f0099\.dng"):
        correct_frames(read(folder), to="frame:f0099.dng")
    (folder / "frames" / "f0002.dng").write_bytes(b"not a raw file")
    with pytest.raises(GreystepError, match=r"f0002\.dng.*cannot be opened"):
        correct_frames(read(folder), to="frame:f0002.dng")


# --- nearby --------------------------------------------------------------------------------------------------------


def test_the_last_target_under_the_same_lights_stands_in(tmp_path: Path) -> None:
    """Frames of another set-up on the same lights share no pixels with the target frames before them."""
    shots = [one("flash", shift=0.0), one("flash", shift=0.0), one(), one()]
    folder = write(tmp_path / "s", shots)
    other = write(tmp_path / "other", [one() for _ in range(4)], flat_target=True)
    (folder / "frames" / "f0004.dng").write_bytes((other / "frames" / "f0004.dng").read_bytes())
    log = (folder / "shots.csv").read_text().splitlines()
    for modifier, source in (("softbox", "nearby"), ("grid", "")):
        lines = [log[0] + ",modifier", *(f"{line},softbox" for line in log[1:])]
        lines[4] = f"{log[4]},{modifier}"
        (folder / "shots.csv").write_text("\n".join(lines) + "\n")
        found = correct_frames(read(folder), match_brightness=True)
        row = found.table.set_index("frame").loc["f0004.dng"]
        assert row["source"] == source, modifier
    lines[4] = f"{log[4]},softbox"
    (folder / "shots.csv").write_text("\n".join(lines) + "\n")
    table = correct_frames(read(folder)).table.set_index("frame")
    assert table.loc["f0004.dng", "via"] == "f0003.dng"
    assert table.loc["f0004.dng", "age_s"] == pytest.approx(6.0, abs=0.01)
    assert table.loc["f0004.dng", "gain_b"] == table.loc["f0003.dng", "gain_b"]
    assert table.loc["f0004.dng", "u_mired_shift"] > table.loc["f0003.dng", "u_mired_shift"]
    assert table.loc["f0005.dng", "source"] == "overlap"


# --- smooth, another session, profile ---------------------------------------------------------------------------------


def test_smooth_keeps_the_trend_and_takes_out_the_jumps(tmp_path: Path) -> None:
    """A fade of 0.4 stop and 12 mired over 24 frames of the grey card; what jumps about it goes."""
    fade = [
        replace(one("job", shift=0.0), head="", power="", stops=np.nan, time_s=10.0 + 6.0 * place)
        for place in range(24)
    ]
    rng = np.random.default_rng(1)
    away = rng.standard_normal((24, 2)) * [1.9, 0.06]
    shots = [
        replace(shot, mired=172 + 0.5 * n + away[n, 0], duv=0.001, output_stops=-2 - 0.017 * n + away[n, 1])
        for n, shot in enumerate(fade)
    ]
    kit = Kit((HEAD,), camera="exact", level=2.8, ambient_share=0.00005, compressed=False)
    folder = tmp_path / "fade"
    write_session(folder, kit, [Shot("", "", np.nan, "ambient", 0.0), *shots], 1)
    found = correct_frames(read(folder), match_brightness=True, smooth_over=9)
    after = np.array([shot.output_stops for shot in shots]) + found.table["exposure_stops"].to_numpy()
    line = np.polyval(np.polyfit(np.arange(24), after, 1), np.arange(24))
    assert np.std(after - line) < 0.03 < np.std(away[:, 1])
    before = np.polyfit(np.arange(24), [shot.output_stops for shot in shots], 1)[0]
    assert (line[-1] - line[0]) / 23 == pytest.approx(before, abs=0.002)
    warm = np.array([shot.mired for shot in shots]) + found.table["mired_shift"].to_numpy()
    assert np.std(np.diff(warm)) < 0.35 * np.std(np.diff([shot.mired for shot in shots]))
    assert (found.table["via"] == "").all()


def test_last_month_is_matched_by_the_same_camera_and_lens(tmp_path: Path) -> None:
    last = write(tmp_path / "last", [one("flash", shift=0.0) for _ in range(4)], seed=11)
    folder = write(tmp_path / "now", [one("flash", shift=0.0), *planes(3)], seed=12)
    other, data = read(last), read(folder)
    found = correct_frames(data, elsewhere=other)
    (reference,) = found.references.values()
    assert "of Invented kit" in reference.label
    true = truth(folder).loc[found.table["frame"], "mired"].to_numpy()
    # Both sessions tested A at 1/4: the same head at the same power is taken to be the same light.
    assert found.table["mired_shift"].to_numpy() == pytest.approx(true[0] - true, abs=0.3)
    tested = analyse(other.readings, other.settings).powers.iloc[0]
    assert (reference.mired, reference.duv) == pytest.approx((tested["mired"], tested["duv"]), abs=1e-9)


def test_a_profile_is_asked_before_the_pixels_of_a_job(tmp_path: Path) -> None:
    test = write(tmp_path / "test", [one("flash", shift=0.0) for _ in range(4)], seed=11)
    folder = write(tmp_path / "now", planes(3), seed=12)
    tested = read(test)
    profile = make_profile(tested, analyse(tested.readings, tested.settings))
    found = correct_frames(read(folder), profile=profile)
    assert set(found.table["source"]) == {"profile"}
    assert found.table["gain_r"].to_numpy() == pytest.approx(1.0)
    assert found.table["via"].iloc[0] == "A at 1/4 in Invented kit"


def test_the_command_says_where_its_values_come_from(tmp_path: Path) -> None:
    folder = write(tmp_path / "s", planes(4))
    run = CliRunner().invoke(app, ["correct", str(folder), "--stack"])
    assert run.exit_code == 0, run.output
    assert "what it shares with another frame (4 frames)" in " ".join(run.output.split())
    table = pd.read_csv(folder / "report" / "corrections.csv")
    assert list(table.columns) == list(COLUMNS)
    before = (folder / "report" / "corrections.csv").read_bytes()
    wrong = CliRunner().invoke(app, ["correct", str(folder), "--smooth", "--to", "median"])
    assert wrong.exit_code == 2
    missing = CliRunner().invoke(app, ["correct", str(folder), "--profile", str(tmp_path / "none")])
    assert missing.exit_code == 1
    assert (folder / "report" / "corrections.csv").read_bytes() == before


# --- which light changed ---------------------------------------------------------------------------------------------


def two_lights(folder: Path, key_mired: float, key_stops: float) -> Path:
    """A alone, B alone, both, both again with A changed: two lights from two sides on one table top."""
    sensor, camera = Sensor(), spectra.camera("exact")
    surfaces = np.stack([spectra.grey_card() if m == "card" else spectra.surface(m) for m in MATERIALS])
    scene = table_top(sensor, np.random.default_rng(1), shift=AWAY)
    across = (np.arange(sensor.width) + 0.5) / sensor.width
    sides = {
        "A": replace(scene, shading=scene.shading * (1.2 - across)),
        "B": replace(scene, shading=scene.shading * across),
    }
    fixed = chip(sensor, np.random.default_rng(2))
    flash = spectra.flash(np.array([178.0]), np.array([0.001]))[0]
    scale = 30000.0 / (spectra.grey_card() * flash @ camera.sensitivities[:, 1])

    def electrons(mired: float, stops: float) -> np.ndarray:
        spectrum = spectra.flash(np.array([mired]), np.array([0.001]))[0]
        return surfaces * spectrum @ camera.sensitivities * scale * 2.0**stops

    frames = [{"A": (178, 0)}, {"B": (180, -0.5)}, {"A": (178, 0), "B": (180, -0.5)}]
    frames.append({"A": (178 + key_mired, key_stops), "B": (180, -0.5)})
    lights = ["A@1/4", "B@1/8", "A@1/4 & B@1/8", "A@1/4 & B@1/8"]
    (folder / "frames").mkdir(parents=True)
    for place, lit in enumerate(frames):
        images = []
        for head in "AB":
            if head in lit:
                # One exposure without read noise or black a light, then all of them summed: light adds in the raw file.
                quiet = replace(sensor, black=(0.0,) * 4, read_noise_e=0.0, white=60000)
                rng = np.random.default_rng([3, place, ord(head)])
                images.append(
                    expose(quiet, fixed, sides[head], electrons(*lit[head]), 0 * surfaces[:, :3], rng).astype(float)
                )
        mosaic = np.clip(sum(images) + 512, 0, 16383).astype(np.uint16)
        picture = Picture(
            captured=datetime(2025, 9, 1, 9, 0, 10 * place), exposure_s=Fraction(1, 125), f_number=11.0, iso=100,
            focal_mm=100.0, fired=True, matrix_a=camera.matrix_a, matrix_d65=camera.matrix_d65,
            neutral=(0.549, 1.0, 0.782), black=(512.0,) * 4, white=16383,
        )  # fmt: skip
        (folder / "frames" / f"f{place}.dng").write_bytes(dng_bytes(mosaic, picture, compressed=False))
    rows = [f"f{place}.dng,,,job,{text}" for place, text in enumerate(lights)]
    (folder / "shots.csv").write_text("\n".join(["frame,head,power,kind,lights", *rows]) + "\n")
    return folder


def test_the_light_that_changed_is_named_with_stops_and_mired(tmp_path: Path) -> None:
    found = correct_frames(read(two_lights(tmp_path / "s", 6.0, 0.3)), to="frame:f2.dng")
    table = found.table.set_index("frame")
    assert table.loc["f3.dng", ["status", "flags"]].tolist() == ["rejected", "light_changed"]
    (line,) = [line for line in lines(found.messages) if line.startswith("f3.dng")]
    said = re.search(r"A (\d\.\d\d) stop brighter and (\d+\.\d) mired warmer than in f0\.dng, B as in f1\.dng", line)
    assert said, line
    assert float(said[1]) == pytest.approx(0.30, abs=0.02)
    assert float(said[2]) == pytest.approx(6.0, abs=1.0)


def test_two_lights_that_did_not_change_are_corrected(tmp_path: Path) -> None:
    found = correct_frames(read(two_lights(tmp_path / "s", 0.0, 0.0)), to="frame:f2.dng")
    row = found.table.set_index("frame").loc["f3.dng"]
    assert [row["source"], row["status"]] == ["overlap", "ok"]
    assert row["gain_r"] == pytest.approx(1.0, abs=0.001)
