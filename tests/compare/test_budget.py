"""What the half-widths leave out: sizes against sums over spectra and hand arithmetic, and absolute figures held."""

import html
import json
import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import colour
import numpy as np
import pandas as pd
import pytest

from greystep.api import Session
from greystep.compare.budget import Bears, Component, Method, Part, Width, find_budget
from greystep.measure.chromaticity import cct_duv_to_xy, xy_to_xyz
from greystep.measure.patch import PatchSignal
from greystep.measure.reading import Reading
from greystep.raw.dng import ColourTags
from greystep.raw.exposure import Exposure
from greystep.session.ingest import Ingested, join_readings
from greystep.session.settings import load_settings

MATRIX = np.array([[0.95, -0.28, -0.09], [-0.55, 1.32, 0.24], [-0.17, 0.27, 0.72]])
NM = np.arange(360.0, 831.0)
FULL = 8000.0  # counts of green
BANNED = re.compile(r"\bsteps?\b|u'v'|expanded|locus|\bnan\b|sigma|anchored", re.IGNORECASE)


def white(cct: float, duv: float) -> np.ndarray:
    return xy_to_xyz(cct_duv_to_xy(cct, duv))


def reading(rgb: np.ndarray, matrix: np.ndarray, iso: float = 100.0, around: np.ndarray | None = None) -> Reading:
    u = np.sqrt(np.abs(rgb) * 0.4 + 9.0) / 128.0
    signal = PatchSignal(
        mean=tuple(rgb), u=tuple(u), sd=(50.0,) * 3, n=(16_384,) * 3, black=(512.0,) * 3, white=(16383.0,) * 3,
        ceiling=(16383.0,) * 3, g1_g2=1.0, clipped_pct=0.0, gradient_pct=1.0, damage="",
    )  # fmt: skip
    return Reading(
        exposure=Exposure(exposure_s=0.008, f_number=11.0, iso=iso, make="Made", model="Up", serial="7"),
        height=4000, width=6000, signal=signal, way="region", box=(0.4, 0.4, 0.6, 0.6),
        colour=ColourTags(matrix, None, 21, 0, None, None, None, None, "dng"),
        around=None if around is None else tuple(around),
    )  # fmt: skip


def session(
    folder: Path,
    toml: str = "",
    matrix: np.ndarray = MATRIX,
    lights: Mapping[str, tuple[float, float]] = {"A": (5600.0, 0.001), "B": (5500.0, 0.001)},
    around: Mapping[str, np.ndarray] = {},
    warmer_at_iso_400: float = 0.0,
) -> Session:
    """Two heads at 1/1, 1/4 and 1/16, three times, each with 0.1 mired of scatter; the lowest twice at ISO 400 too."""
    (folder / "session.toml").write_text(toml)
    rng = np.random.default_rng(5)
    found, log = {"a": reading(np.zeros(3), matrix), "b": reading(np.zeros(3), matrix, 400.0)}, []
    log = [(name, "", "", np.nan, "ambient") for name in found]
    for head, (cct, duv) in lights.items():
        for power, stops, iso in (("1/1", 0.0, 100.0), ("1/4", 2.0, 100.0), ("1/16", 4.0, 100.0), ("1/16", 4.0, 400.0)):
            for n in range(3):
                away = 0.1 * rng.standard_normal() + (warmer_at_iso_400 if iso > 100 else 0.0)
                light = MATRIX @ white(1e6 / (1e6 / cct + away), duv)
                name = f"{head}{stops:g}_{iso:g}_{n}"
                level = light / light[1] * FULL * 2.0**-stops * iso / 100.0
                found[name] = reading(level, matrix, iso, around.get(head))
                log.append((name, head, power, stops, "flash"))
    shots = pd.DataFrame(log, columns=["frame", "head", "power", "stops", "kind"]).assign(pack="", note="", row=0)
    shots = shots.astype(dict.fromkeys(("frame", "head", "power", "kind", "pack", "note"), "str"))
    return Session(join_readings(load_settings(folder), shots, list(found), found, {}))


def budget(kit: Session) -> dict[Part, list[Component]]:
    parts: dict[Part, list[Component]] = {}
    for part in kit.report().budget:
        parts.setdefault(part.part, []).append(part)
    return parts


def colour_of(rgb: np.ndarray) -> np.ndarray:
    """CCT and Duv by the library alone."""
    x, y, z = np.linalg.inv(MATRIX) @ rgb
    uv = np.array([4.0 * x, 6.0 * y]) / (x + 15.0 * y + 3.0 * z)
    cct, duv = colour.temperature.uv_to_CCT_Ohno2013(uv)
    return np.array([1e6 / cct, duv])


# --- sizes ----------------------------------------------------------------------------------------------------------


def test_a_card_that_nobody_measured_by_its_sum_over_the_spectrum(tmp_path: Path) -> None:
    """1 % over 300 nm: 0.67 mired at 5600 K in the finder's own simulation."""
    (card,) = budget(session(tmp_path))[Part.CARD]
    functions = (
        colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(colour.SpectralShape(360, 830, 1)).values
    )
    light = colour.sd_blackbody(5600.0, colour.SpectralShape(360, 830, 1)).values
    tilted = np.interp(NM, [400.0, 700.0], [0.995, 1.005])
    seen, true = (colour_of(MATRIX @ (spectrum @ functions)) for spectrum in (light * tilted, light))
    assert card.mired == pytest.approx(abs(seen - true)[0], abs=0.03)
    assert card.mired == pytest.approx(0.67, abs=0.1)
    assert (card.width, card.method, card.bears) == (Width.LIMIT, Method.SESSION, Bears.ABSOLUTE)


def test_a_card_of_known_reflectance_leaves_only_the_spectrum_open(tmp_path: Path) -> None:
    (tmp_path / "grey.csv").write_text("nm,factor\n400,0.176\n550,0.18\n700,0.183\n")
    parts = budget(session(tmp_path, '[target]\nreflectance = "grey.csv"\n'))
    assert Part.CARD not in parts
    assert 0.0 < parts[Part.CARD_SPECTRUM][0].mired < 0.1


def test_one_count_of_black_at_the_darkest_light_by_hand(tmp_path: Path) -> None:
    (black,) = budget(session(tmp_path, lights={"A": (5600.0, 0.001), "B": (5600.0, 0.001)}))[Part.BLACK]
    light = MATRIX @ white(5600.0, 0.001)
    # The darkest cell holds its frames at ISO 100 and at ISO 400: 500 and 2000 counts.
    signal = light / light[1] * FULL / 16.0 * 2.5
    assert (black.mired, black.duv) == pytest.approx(tuple(abs(colour_of(signal + 1.0) - colour_of(signal))), rel=0.02)
    assert black.power == "1/16"


def test_bounce_by_head_from_the_light_about_the_card(tmp_path: Path) -> None:
    """B stands nearer to a brick wall: the wall is three times as bright beside the card as under A, and red."""
    brick = np.array([1.8, 1.0, 0.4])
    parts = budget(session(tmp_path, around={"A": 0.5 * brick, "B": 1.5 * brick}))[Part.BOUNCE]
    by_head = {part.head: part for part in parts}
    moved = {}
    for head, cct, share in (("A", 5600.0, 0.5), ("B", 5500.0, 1.5)):
        light = MATRIX @ white(cct, 0.001)
        moved[head] = colour_of(light * (1.0 + 0.01 * share * brick)) - colour_of(light)
        assert by_head[head].mired == pytest.approx(abs(moved[head][0]), rel=0.02)
        assert by_head[head].duv == pytest.approx(abs(moved[head][1]), rel=0.02)
    between = by_head[""]
    assert between.bears == Bears.DIFFERENCES
    assert between.mired == pytest.approx(abs(moved["B"] - moved["A"])[0], rel=0.02)
    assert between.mired > 1.0  # a wall of brick is worth a word


def test_a_light_at_two_isos_tells_how_linear_the_sensor_is(tmp_path: Path) -> None:
    (seen,) = budget(session(tmp_path, warmer_at_iso_400=0.6))[Part.LINEARITY]
    assert seen.method == Method.SESSION
    assert 0.5 < seen.mired < 0.85  # 0.6, and what six frames of 0.1 leave open
    kit = session(tmp_path)
    (assumed,) = [part for part in find_budget(kit.ingested, kit.drift, ()) if part.part == Part.LINEARITY]
    assert (assumed.method, assumed.mired) == (Method.SIMULATED, pytest.approx(0.18 * 4.0 / 3.0))


# --- absolute figures -----------------------------------------------------------------------------------------------


def wrong(cct: float, duv: float, mired: float, tint: float) -> np.ndarray:
    """A file's matrix that reads a light so far off."""
    gains = (MATRIX @ white(cct, duv)) / (MATRIX @ white(1e6 / (1e6 / cct + mired), duv + tint))
    return np.diag(gains / gains[1]) @ MATRIX


def test_absolute_figures_hold_the_truth_where_their_frames_alone_do_not(tmp_path: Path) -> None:
    """Cameras whose matrices read up to 4.5 mired and 0.002 Duv off, as simulated cameras do."""
    rng = np.random.default_rng(11)
    held, alone = [], []
    for number in range(15):
        cct, duv = rng.uniform(5300, 5900), rng.uniform(-0.002, 0.003)
        matrix = wrong(cct, duv, *(rng.uniform(-1, 1, 2) * (4.5, 0.002)))
        folder = tmp_path / str(number)
        folder.mkdir()
        powers = session(folder, matrix=matrix, lights={"A": (cct, duv)}).powers
        held += [
            np.abs(powers["cct_k"] - cct) <= powers["u_absolute_k"],
            np.abs(powers["duv"] - duv) <= powers["u_absolute_duv"],
        ]
        alone.append(np.abs(powers["cct_k"] - cct) <= powers["u_cct_k"])
    assert np.mean(held) >= 0.95
    assert np.mean(alone) < 0.3


def test_a_meter_makes_absolute_figures_surer_and_holds_for_lights_of_its_kind(tmp_path: Path) -> None:
    meter = '[camera]\nmeter = {frame = "A0_100_0", cct_k = 5600, duv = 0.001}\n'
    alike = '[heads.A]\ntype = "one"\n[heads.B]\ntype = "one"\n'
    free, metered, same = (session(tmp_path, toml).powers for toml in ("", meter, meter + alike))
    a, b = (free["head"] == "A").to_numpy(), (free["head"] == "B").to_numpy()
    assert free["u_absolute_k"].between(140.0, 200.0).all()
    assert (metered["u_absolute_k"][a] < free["u_absolute_k"][a]).all()
    # Of a type that nobody named, 3 mired (k = 1) lie between any two heads; within a type 7 % of 3.2 mired do.
    at = 1e6 / metered["mired"][b].iloc[0] ** 2
    apart = np.hypot(metered["u_absolute_k"][b].iloc[0] / at, 0.0) ** 2 - (same["u_absolute_k"][b].iloc[0] / at) ** 2
    assert np.sqrt(apart) == pytest.approx(2.0 * np.sqrt(3.0**2 - (0.07 * 3.25) ** 2), rel=0.02)


@pytest.mark.parametrize(("known", "least", "most"), [("given", 100, 130), ("file", 140, 200), ("assumed", 600, 900)])
def test_a_matrix_of_ones_own_is_as_good_as_the_light_of_its_chart(
    known: str, least: float, most: float, tmp_path: Path
) -> None:
    content = {"schema": 1, "matrix_1": MATRIX.tolist(), "illuminant_1": 21, "light": {"cct_k": 5600, "from": known}}
    (tmp_path / "camera.json").write_text(json.dumps(content))
    powers = session(tmp_path, '[camera]\nmatrix = "camera.json"\n').powers
    assert powers["u_absolute_k"].between(least, most).all()


def test_differences_keep_their_own_half_widths(tmp_path: Path) -> None:
    kit = session(tmp_path)
    assert (kit.report().pairs["u_delta_mired"] < 4.0).all()
    assert (kit.powers["u_absolute_k"] > 2.0 * kit.powers["u_cct_k"]).all()


# --- what is said ---------------------------------------------------------------------------------------------------


def test_every_part_has_its_size_method_and_source_in_the_summary_and_on_the_page(tmp_path: Path) -> None:
    kit = session(tmp_path, around={"A": np.ones(3), "B": np.ones(3)})
    report = kit.report()
    parts = report.document["budget"]
    assert isinstance(parts, list)
    wanted = set(Part) - {Part.METER, Part.CARD_SPECTRUM}
    assert {part["part"] for part in parts} == wanted
    for part in parts:
        assert all(part[name] for name in ("method", "source", "what", "width"))
        assert part["mired"] is not None or part["share_of_difference"] is not None
        assert not BANNED.search(part["what"] + part["source"])
    report.write(tmp_path / "out")
    page = html.unescape((tmp_path / "out" / "report.html").read_text())
    assert "What \N{PLUS-MINUS SIGN} holds, and what it leaves out" in page
    for part in parts:
        assert part["what"].split(":")[0] in page
    reach = kit.powers["u_absolute_k"].iloc[0]
    said = f"a meter or another camera may read up to {round(reach, -1):.0f} K"
    assert said in page
    assert pd.read_csv(tmp_path / "out" / "powers.csv")["u_absolute_k"].notna().all()


def test_without_a_colour_matrix_there_is_no_absolute_figure(tmp_path: Path) -> None:
    kit = session(tmp_path)
    bare: Ingested = replace(
        kit.ingested, bodies={name: replace(body, matrix=None) for name, body in kit.ingested.bodies.items()}
    )
    assert not {Part.MATRIX, Part.CARD, Part.METER} & {part.part for part in find_budget(bare, kit.drift, ())}


def test_the_budget_asks_the_frames_that_the_means_use(tmp_path: Path) -> None:
    """Head B was shot in check frames alone; two check frames of A, which no mean uses, saw a brick-red surrounding."""
    kit = session(tmp_path, around={head: 0.1 * np.ones(3) for head in "AB"})
    seen = kit.ingested.readings
    kinds = np.where(seen["head"] == "B", "check", seen["kind"])
    kinds[np.flatnonzero((seen["head"] == "A") & (seen["power"] == "1/1"))[:2]] = "check"
    red = seen["around_r"].where((kinds != "check") | (seen["head"] == "B"), 5.0)
    checked = Session(replace(kit.ingested, readings=seen.assign(kind=kinds, around_r=red)))
    heads = {part.head: part.mired for part in budget(checked)[Part.BOUNCE] if part.head}
    assert set(heads) == {"A", "B"}
    assert heads["A"] == pytest.approx(heads["B"], rel=0.05)
    assert [part.head for part in budget(checked)[Part.BLACK]] == [part.head for part in budget(kit)[Part.BLACK]]


def test_scatter_and_what_moves_between_heads_are_two_parts_by_hand(tmp_path: Path) -> None:
    """Each of three frames scatters by 0.1 mired; a head's place is 0.5 and what nothing watched 1.0 mired (k = 1)."""
    opened = session(tmp_path)
    parts = {one.part: one for one in find_budget(opened.ingested, opened.drift, ()) if one.in_u}
    assert parts[Part.SHOTS].mired == pytest.approx(0.1 / np.sqrt(3.0), rel=0.5)
    assert parts[Part.PLACEMENT].mired == pytest.approx(np.hypot(0.5, 1.0))
