"""Large clean frames: pixel noise is small there, so the spectrum of the light on a card that is not flat decides.

Lights, card and observer are summed here over wavelengths, with nothing of the product in them but its answer; every
trial is a head of its own, with a tube, a glass and a colour of its own.
"""

from pathlib import Path

import colour
import numpy as np
import pandas as pd
import pytest

from greystep.measure.patch import PatchSignal
from greystep.measure.reading import Reading
from greystep.raw.dng import ColourTags
from greystep.raw.exposure import Exposure
from greystep.session.ingest import join_readings
from greystep.session.settings import load_settings

MATRIX = np.array([[0.95, -0.28, -0.09], [-0.55, 1.32, 0.24], [-0.17, 0.27, 0.72]])
NM = np.arange(360.0, 831.0)
#: A warm grey: 9 % more in the red than in the violet, as cards of painted board are.
CARD = ((360.0, 0.168), (430.0, 0.1745), (520.0, 0.179), (610.0, 0.181), (700.0, 0.184), (830.0, 0.187))
#: Lines of a dense xenon discharge in the visible [nm], from memory; they stand up to 0.4 over the continuum.
LINES = (450.1, 462.4, 467.1, 473.4, 484.4, 492.3, 529.2, 541.9, 597.7, 605.1, 618.2)
HIGHEST = 0.4
TRIALS = 600


def observer() -> np.ndarray:
    functions = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    return np.asarray(functions.align(colour.SpectralShape(360, 830, 1)).values)


def tube(rng: np.random.Generator, away: float) -> np.ndarray:
    """One tube behind one glass: a glowing body near 5600 K, lines, and the slow colour of the glass."""
    kelvin = 1e6 / (178.6 + away * rng.uniform(-1, 1))
    lines = sum(rng.uniform(0, HIGHEST) * np.exp(-0.5 * ((NM - line) / 2.5) ** 2) for line in LINES)
    glass = np.exp(away / 8.0 * rng.uniform(-0.04, 0.04) * np.exp(-0.5 * ((NM - 545.0) / 60.0) ** 2))
    return (560.0 / NM) ** 5 / np.expm1(1.4388e7 / (NM * kelvin)) * (1.0 + lines) * glass


def reading(rgb: np.ndarray, u: np.ndarray) -> Reading:
    signal = PatchSignal(
        mean=tuple(rgb), u=tuple(u), sd=(50.0,) * 3, n=(60_000,) * 3, black=(512.0,) * 3, white=(16383.0,) * 3,
        ceiling=(16383.0,) * 3, g1_g2=1.0, clipped_pct=0.0, gradient_pct=1.0, damage="",
    )  # fmt: skip
    return Reading(
        exposure=Exposure(exposure_s=0.008, f_number=11.0, iso=100.0, make="Made", model="Up", serial="7"),
        height=4000, width=6000, signal=signal, way="region", box=(0.4, 0.4, 0.6, 0.6),
        colour=ColourTags(MATRIX, None, 21, 0, None, None, None, None, "dng"),
    )  # fmt: skip


def session(folder: Path, side: int, away: float, seed: int) -> pd.DataFrame:
    """Return flash rows with their errors: `side` pixels of card at three quarters of the range, dark room."""
    (folder / "grey.csv").write_text("nm,factor\n" + "\n".join(f"{nm},{value}" for nm, value in CARD))
    (folder / "session.toml").write_text('[target]\nreflectance = "grey.csv"\n')
    rng, functions = np.random.default_rng(seed), observer()
    card = np.interp(NM, *np.transpose(CARD))
    lights = np.array([tube(rng, 0.5), *(tube(rng, away) for _ in range(TRIALS - 1))])
    xyz = lights @ functions
    uv = xyz[:, :2] * (4.0, 6.0) / (xyz @ [1.0, 15.0, 3.0])[:, None]
    cct, duv = colour.temperature.uv_to_CCT_Ohno2013(uv).T
    rgb = (lights * card) @ functions @ MATRIX.T
    rgb = rgb / rgb[:, 1:2] * 12_000.0
    # Photon noise at 0.25 counts an electron; a quarter of the pixels are red, a quarter blue, half of them green.
    u = np.sqrt(rgb * 0.25 / (side**2 * np.array([0.25, 0.5, 0.25])))
    u_dark = np.full(3, 0.75) / np.sqrt(side**2 / 4)
    seen = rgb + u * rng.standard_normal(rgb.shape)
    readings = {f"a{n}": reading(u_dark * rng.standard_normal(3), u_dark) for n in range(TRIALS)}
    readings |= {f"f{n}": reading(seen[n], u[n]) for n in range(TRIALS)}
    log = [(f"a{n}", f"H{n}", "", np.nan, "ambient") for n in range(TRIALS)]
    log += [(f"f{n}", f"H{n}", "full", 0.0, "flash") for n in range(TRIALS)]
    shots = pd.DataFrame(log, columns=["frame", "head", "power", "stops", "kind"]).assign(pack="", note="", row=0)
    shots = shots.astype(dict.fromkeys(("frame", "head", "power", "kind", "pack", "note"), "str"))
    found = join_readings(load_settings(folder), shots, list(readings), readings, {}).readings
    flash = found[found["kind"] == "flash"].reset_index(drop=True)
    return flash.assign(
        off_mired=flash["mired"] - 1e6 / cct, off_duv=flash["duv"] - duv, off_cct_k=flash["cct_k"] - cct
    )


@pytest.mark.parametrize("side", [128, 256, 512])
def test_ninety_five_intervals_in_a_hundred_hold_duv_and_warmth(side: int, tmp_path: Path) -> None:
    rows = session(tmp_path, side, 8.0, seed=side)
    # 92 to 98 % is asked of the method; 600 trials add 0.9 % (k = 1) to the share that is seen. Of the spectrum a large
    # part is the same in all tubes, so that where pixel noise is smallest the intervals of warmth hold more often.
    for column, most in (("duv", 0.985), ("mired", 0.997), ("cct_k", 0.997)):
        held = np.mean(rows[f"off_{column}"].abs() <= rows[f"u_{column}"])
        assert 0.915 <= held <= most, (column, held)


def test_two_lights_of_one_kind_are_as_far_apart_off_the_card_as_they_are(tmp_path: Path) -> None:
    """What the card does to a light away from the reference is taken off too."""
    rows = session(tmp_path, 100_000, 8.0, seed=3)
    for column, most in (("off_mired", 0.02), ("off_duv", 8e-6)):
        cct = rows["mired"] - rows["mired"].mean()
        slope = np.polyfit(cct, rows[column], 1)[0]
        assert abs(slope * 8.0) < most, column
