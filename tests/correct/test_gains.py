"""Corrections against hand arithmetic, against an independent exact camera, and against bad input."""

from pathlib import Path

import colour
import numpy as np
import pandas as pd
import pytest

from greystep.correct.exchange import corrections_document, write_corrections
from greystep.correct.gains import correct_frames
from greystep.correct.messages import NotCorrected
from greystep.documents import to_json
from greystep.errors import GreystepError
from greystep.measure.chromaticity import cct_duv_to_xy, xy_to_upvp
from greystep.sentences.corrections import lines
from greystep.session.ingest import Body, Ingested
from greystep.session.settings import load_settings
from helpers.lit_frames import readings

#: XYZ -> camera of an invented camera (plausible values, no real body).
MATRIX = np.array([[0.86, -0.28, -0.09], [-0.56, 1.36, 0.22], [-0.10, 0.18, 0.71]])
BODY = "Invented One 001"


def light_xyz(cct: float, duv: float) -> np.ndarray:
    x, y = cct_duv_to_xy(cct, duv)
    return np.array([x / y, 1.0, (1 - x - y) / y])


def reading(
    frame: str, head: str, power: str, stops: float, cct: float, duv: float, level: float, **more: object
) -> dict:
    neutral = MATRIX @ light_xyz(cct, duv)
    row = {
        "frame": frame, "head": head, "pack": "", "power": power, "stops": stops, "kind": "flash", "body": BODY,
        "signal_r": level * neutral[0] / neutral[1], "signal_g": level, "signal_b": level * neutral[2] / neutral[1],
        "r_g": neutral[0] / neutral[1], "b_g": neutral[2] / neutral[1], "cct_k": cct, "duv": duv, "mired": 1e6 / cct,
        "u_mired": 0.05, "status": "ok", "flags": "", "shot": 0, "captured": "", "lens": "", "exposure_s": 1 / 125,
        "f_number": 11.0, "iso": 100.0, "u_signal_r": 1.0, "u_signal_g": 1.0, "u_signal_b": 1.0,
        "u_duv": 2e-5, "output_stops": np.log2(level / 8000), "note": "",
    }  # fmt: skip
    row["u_prime"], row["v_prime"] = xy_to_upvp(cct_duv_to_xy(cct, duv))
    return row | more


@pytest.fixture
def session(tmp_path: Path) -> Path:
    (tmp_path / "frames").mkdir()
    return tmp_path


def ingested(folder: Path, rows: list[dict], **bodies: Body) -> Ingested:
    body = Body(
        label=BODY, matrix=MATRIX, target_factor=np.ones(3), tags=None, colour_from="dng", target=None,
        reference_neutral=None, anchored=False,
    )  # fmt: skip
    return Ingested(load_settings(folder), readings(rows), {BODY: body, **bodies}, (), ())


def two_heads() -> list[dict]:
    return [
        reading("a1.dng", "A", "1/1", 0, 5600, 0.001, 8000),
        reading("a2.dng", "A", "1/1", 0, 5600, 0.001, 8000),
        reading("b1.dng", "B", "1/4", 2, 5300, 0.003, 2000),
    ]


def test_gains_by_hand(session: Path) -> None:
    """gain_r = r_g reference / r_g frame; the gains times the frame's neutral are the reference's neutral."""
    rows = two_heads()
    table = correct_frames(ingested(session, rows), "A@full").table.set_index("frame")
    assert table.loc["b1.dng", "gain_r"] == pytest.approx(rows[0]["r_g"] / rows[2]["r_g"], rel=1e-8)
    assert table.loc["b1.dng", "gain_b"] == pytest.approx(rows[0]["b_g"] / rows[2]["b_g"], rel=1e-8)
    assert (table["gain_g"] == 1).all()
    assert table.loc["a1.dng", "gain_r"] == pytest.approx(1.0)
    assert table.loc["b1.dng", "mired_shift"] == pytest.approx(1e6 / 5600 - 1e6 / 5300)
    assert table.loc["b1.dng", "duv_shift"] == pytest.approx(-0.002)


def test_brightness_is_left_alone_unless_asked(session: Path) -> None:
    data = ingested(session, two_heads())
    assert (correct_frames(data, "A@full").table["exposure_stops"] == 0).all()
    stacked = correct_frames(data, "A@full", match_brightness=True).table.set_index("frame")
    assert stacked.loc["b1.dng", "exposure_stops"] == pytest.approx(2.0)


def test_the_matrix_brings_every_camera_colour_exactly(session: Path) -> None:
    """A colour seen under the frame's light, developed and multiplied, is the colour developed under the reference."""
    found = correct_frames(ingested(session, two_heads()), "A@full", match_brightness=True)
    row = found.table.set_index("frame").loc["b1.dng"]
    developed = found.developed[BODY]
    gains = np.array([row["gain_r"], 1, row["gain_b"]]) * 2 ** row["exposure_stops"]
    rng = np.random.default_rng(1)
    camera = rng.uniform(0.05, 0.9, (50, 3))
    wanted = (developed @ (camera * gains).T).T
    assert pytest.approx(wanted, abs=1e-12) == (found.matrices["b1.dng"] @ developed @ camera.T).T


def test_reference_neutral_is_neutral_in_the_working_space(session: Path) -> None:
    for space in ("lin_rec709", "lin_rec2020", "lin_ap0", "lin_ap1"):
        found = correct_frames(ingested(session, two_heads()), "A@full", space=space)
        developed = found.developed[BODY] @ np.array(found.references[BODY].neutral)
        assert developed == pytest.approx(np.ones(3), abs=2e-4)


def test_slopes_are_exact_for_neutrals_and_approximate_for_colours(session: Path) -> None:
    found = correct_frames(ingested(session, two_heads()), "A@full")
    row = two_heads()[2]
    neutral = found.developed[BODY] @ np.array([row["r_g"], 1, row["b_g"]])
    assert found.slopes["b1.dng"] * neutral == pytest.approx(found.matrices["b1.dng"] @ neutral, rel=1e-12)
    residual = found.table.set_index("frame")["residual_steps"]
    assert residual["a1.dng"] == pytest.approx(0, abs=1e-9)
    assert 0.05 < residual["b1.dng"] < 5


@pytest.mark.parametrize("space", ["lin_rec709", "lin_ap1"])
def test_the_numbers_that_a_person_types_or_says(session: Path, space: str) -> None:
    """Multipliers make the frame's grey equal in R, G and B; a white of 240 by colour-science's own functions."""
    found = correct_frames(ingested(session, two_heads()), "A@full", space=space)
    table = found.table.set_index("frame")
    for row in two_heads():
        typed = table.loc[row["frame"], ["multiplier_r", "multiplier_b"]].to_numpy(np.float64)
        assert typed * [row["r_g"], row["b_g"]] == pytest.approx([1.0, 1.0], rel=1e-9)
    source, reference = two_heads()[2], two_heads()[0]
    back = np.linalg.inv(MATRIX)
    seen, white = (back @ [row["r_g"], 1.0, row["b_g"]] for row in (source, reference))
    d65 = colour.xy_to_XYZ([0.3127, 0.3290])
    adapted = colour.adaptation.chromatic_adaptation_VonKries(seen / white[1], white / white[1], d65, "Bradford")
    light = colour.cctf_decoding(240 / 255, "sRGB") * colour.RGB_COLOURSPACES["sRGB"].matrix_XYZ_to_RGB @ adapted
    said = table.loc["b1.dng", ["white240_r", "white240_g", "white240_b"]].to_numpy(np.float64)
    assert said == pytest.approx(255 * colour.cctf_encoding(light, "sRGB"), abs=0.51)
    assert said[0] > 241 > 239 > said[2]  # B is the warmer light
    assert (table.loc[["a1.dng", "a2.dng"], ["white240_r", "white240_g", "white240_b"]] == 240).all(axis=None)
    # Two stops under, and brightness is to be matched: so much darker it is.
    dark = correct_frames(ingested(session, two_heads()), "A@full", match_brightness=True, space=space).table
    assert dark["white240_g"].iloc[2] == pytest.approx(255 * colour.cctf_encoding(light[1] / 4, "sRGB"), abs=0.51)


def test_a_white_in_kelvin_lands_on_that_white(session: Path) -> None:
    """Corrected neutrals, taken back through the camera matrix, have the asked CCT by colour-science's own solver."""
    found = correct_frames(ingested(session, two_heads()), "5000K+0.002")
    for row, source in zip(found.table.to_dict(orient="records"), two_heads(), strict=True):
        corrected = np.array([source["r_g"] * row["gain_r"], 1, source["b_g"] * row["gain_b"]])
        xyz = np.linalg.inv(MATRIX) @ corrected
        uv = colour.UCS_to_uv(colour.XYZ_to_UCS(xyz))
        assert colour.temperature.uv_to_CCT_Ohno2013(uv) == pytest.approx([5000, 0.002], abs=0.3)
    assert (found.table["exposure_stops"] == 0).all()


def test_kit_is_the_plain_mean_over_heads(session: Path) -> None:
    rows = [*two_heads(), reading("b2.dng", "B", "full", 0, 5400, 0.0, 7000)]
    found = correct_frames(ingested(session, rows), "kit")
    reference = found.references[BODY]
    assert reference.mired == pytest.approx((1e6 / 5600 + 1e6 / 5400) / 2)
    assert reference.neutral[0] == pytest.approx(np.sqrt(rows[0]["r_g"] * rows[3]["r_g"]))


def test_median_is_not_moved_by_one_odd_frame(session: Path) -> None:
    rows = [
        reading(f"s{i}.dng", "A", "1/4", 2, cct, 0.001, 4000) for i, cct in enumerate([5500, 5510, 5520, 5515, 4000])
    ]
    found = correct_frames(ingested(session, rows), "median")
    assert found.references[BODY].mired == pytest.approx(1e6 / 5510)


def test_one_frame_as_reference_and_a_head_with_an_at_sign(session: Path) -> None:
    rows = [reading("x.dng", "A@left", "1/1", 0, 5600, 0, 8000), reading("y.dng", "A@left", "1/2", 1, 5500, 0, 4000)]
    data = ingested(session, rows)
    assert correct_frames(data, "A@left@1/1").references[BODY].mired == pytest.approx(1e6 / 5600)
    assert correct_frames(data, "frame:y.dng").references[BODY].mired == pytest.approx(1e6 / 5500)


@pytest.mark.parametrize(
    ("to", "words"),
    [
        ("Z@full", ["Z@full", "A@1/1"]),
        ("frame:none.dng", ["none.dng"]),
        ("A@1/64", ["A@1/64"]),
        ("bluish", ["bluish", "5500K"]),
    ],
)
def test_an_unknown_reference_is_named_with_what_is_known(session: Path, to: str, words: list[str]) -> None:
    with pytest.raises(GreystepError) as caught:
        correct_frames(ingested(session, two_heads()), to)
    assert all(word in str(caught.value) for word in words)


def test_frames_that_cannot_be_corrected_keep_their_row(session: Path) -> None:
    rows = [
        *two_heads(),
        reading("c.dng", "C", "1/1", 0, 5600, 0, 9000, status="rejected", flags="clipped", r_g=np.nan, b_g=np.nan),
        reading("j.dng", "", "", np.nan, 5600, 0, np.nan, kind="job", r_g=np.nan, b_g=np.nan),
    ]
    found = correct_frames(ingested(session, rows), "A@full")
    table = found.table.set_index("frame")
    assert list(table.loc[["c.dng", "j.dng"], "status"]) == ["rejected", "rejected"]
    assert table.loc[["c.dng", "j.dng"], "gain_r"].isna().all()
    assert [(type(one), one.frame) for one in found.messages] == [(NotCorrected, "c.dng"), (NotCorrected, "j.dng")]
    assert [line.split(":")[0] for line in lines(found.messages)] == ["j.dng"], "the other is told with its fault"


def test_another_camera_is_never_corrected_across(session: Path) -> None:
    rows = [*two_heads(), reading("o.dng", "A", "1/1", 0, 5600, 0, 8000, body="Other")]
    other = Body(
        label="Other", matrix=MATRIX, target_factor=np.ones(3), tags=None, colour_from="dng", target=None,
        reference_neutral=None, anchored=False,
    )  # fmt: skip
    found = correct_frames(ingested(session, rows, Other=other), "frame:a1.dng")
    assert "another camera" in lines(found.messages)[0]
    assert found.table.set_index("frame").loc["o.dng", "status"] == "rejected"


def test_files_hold_what_the_table_holds(session: Path) -> None:
    found = correct_frames(ingested(session, two_heads()), "A@full")
    table_path, json_path, *_ = write_corrections(found, "a job", session / "report")
    back = pd.read_csv(table_path, keep_default_na=False, dtype={"power": str})
    assert list(back["power"]) == ["1/1", "1/1", "1/4"]
    assert list(back["gain_r"]) == list(found.table["gain_r"])
    text = json_path.read_text()
    assert text == to_json(corrections_document(found, "a job")) + "\n"
    assert "NaN" not in text


def test_the_space_of_the_matrix_is_the_named_one(session: Path) -> None:
    """The XYZ that A gives back for the reference neutral is the white of the space: BT.709 D65, ACES (ST 2065-1)."""
    for space, white in (("lin_rec709", (0.3127, 0.3290)), ("lin_ap0", (0.32168, 0.33767))):
        found = correct_frames(ingested(session, two_heads()), "A@full", space=space)
        name = {"lin_rec709": "sRGB", "lin_ap0": "ACES2065-1"}[space]
        to_xyz = colour.RGB_COLOURSPACES[name].matrix_RGB_to_XYZ
        xyz = to_xyz @ found.developed[BODY] @ np.array(found.references[BODY].neutral)
        assert xyz[:2] / xyz.sum() == pytest.approx(white, abs=2e-4)
