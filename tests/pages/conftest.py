"""An invented kit as the tables that the report shows: made here by hand arithmetic, not by the stages that measure."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.columns import HeadRow, PairRow, PowerRow, names, rows_of
from greystep.compare.actions import SendBack
from greystep.compare.called import Called
from greystep.compare.drift import analyse
from greystep.compare.verdict import WorstPair, judge
from greystep.sentences.actions import step
from greystep.sentences.kit import Odd
from greystep.sentences.summary import ReferenceLight, Summary
from greystep.session.bodies import Body
from greystep.session.pictures import Picture, as_jpegs
from greystep.session.readings import FrameCounts
from greystep.session.settings import DEFAULT_TOLERANCE, HeadInfo
from greystep.terms import Quantity, Verdict
from greystep.words import CAUTION
from helpers.synthetic import make_session

#: About 5600 K: du', dv' for one mired warmer and for 0.001 Duv greener (colour-science 0.4.7, Ohno 2013, differences).
WARMER, GREENER = np.array([2.418e-4, 4.086e-4]), np.array([-7.54e-4, 9.86e-4])
WHITE, MIRED_AT_WHITE = np.array([0.206098, 0.476195]), 1e6 / 5600
POWERS = {"full": 0.0, "1/2": 1.0, "1/4": 2.0, "1/8": 3.0, "1/16": 4.0}
#: Mired at full, mired a stop, Duv, output error a stop.
CHARACTER = {
    "A": (180.0, 0.05, 0.0004, 0.005),
    "B": (179.2, 2.30, 0.0006, -0.030),
    "C": (180.6, -0.90, 0.0002, 0.012),
    "D": (180.3, 0.10, 0.0021, 0.004),
}
FLAGGED = {("B", "1/8", 1): "partial_flash", ("C", "full", 0): "ambient_high"}
NOTE = "The absolute scale is not anchored by a meter: differences hold, absolute Kelvin rests on the camera's matrix."
PAIR_COLUMNS = [
    "head_a",
    "power_a",
    "head_b",
    "power_b",
    "delta_mired",
    "u_delta_mired",
    "delta_k",
    "delta_duv",
    "delta_steps",
    "verdict",
    "u_delta_duv",
]


@dataclass(frozen=True)
class Kit:
    """The tables and the summary, and pictures of the frames."""

    readings: pd.DataFrame
    powers: pd.DataFrame
    summary: Summary
    pictures: dict[str, Picture]


def make_kit(heads: dict[str, tuple[float, float, float, float]] = CHARACTER, seed: int = 5) -> Kit:
    rng = np.random.default_rng(seed)
    rows: list[dict[str, Any]] = []
    for index, (power, stops) in enumerate(POWERS.items()):
        rows.append(_frame(rng, f"amb{index}.dng", "", power, stops, None, ""))
    rows += [_frame(rng, "amb5.dng", "", "full", 0.0, None, "")]
    for repeat in range(3):  # all heads rigged and in turns, up through the powers and down again
        for power, stops in sorted(POWERS.items(), key=lambda item: item[1] * (-1) ** repeat):
            for head, (base, slope, duv, _) in heads.items():
                name = f"{head}_{power.replace('/', '-')}_{repeat + 1}.dng"
                white = (base + slope * stops + rng.normal(0, 0.35), duv + rng.normal(0, 4e-5))
                flags = FLAGGED.get((head, power, repeat), "")
                rows.append(_frame(rng, name, head, power, stops, white, flags))
    readings = pd.DataFrame(rows)
    readings["shot"] = np.arange(len(readings))
    powers = _powers(readings, heads)
    table = _heads(powers)
    pairs = _pairs(powers)
    reference = powers.iloc[0]
    widest = pairs.sort_values("delta_mired", key=abs).tail(1)
    worst = [
        WorstPair(int(place), row, row.power_a, row.power_b, Quantity.MIRED, abs(row.delta_mired) / 4.0, 1.6)
        for place, row in zip(widest.index, rows_of(widest, PairRow), strict=True)
    ]
    sentences = {
        "A": "A holds: 1/8 is 4 K (0.1 mired) warmer and neither greener nor pinker than full (limit 4 mired).",
        "B": "B does not hold: 1/16 is 270 K (9.0 mired) warmer and neither greener nor pinker than full.",
        "C": "C is too close to call yet: 1/16 is 100 K (3.3 mired) cooler and neither greener nor pinker than full.",
        "D": "D is steady on its own, but 15 K (0.5 mired) warmer and 0.0017 greener than the rest of the kit.",
    }
    todo = [
        f"Send back heads B and D, or swap them. {CAUTION}",
        "If head B must stay: keep it between full and 1/2.",
        "Shoot head B at 1/8 again.",
    ]
    counts = {name: int((readings["status"] == name).sum()) for name in ("ok", "doubtful", "rejected")}
    summary = Summary(
        session="Hire kit, prep day",
        reference=ReferenceLight(
            **{
                name: float(reference[name]) for name in ("mired", "duv", "u_prime", "v_prime", "output_stops", "cct_k")
            },
            head="A",
            power="full",
            kit=False,
        ),
        tolerance=DEFAULT_TOLERANCE,
        heads_table=table,
        pairs=pairs,
        worst_pair=worst[0] if worst else None,
        frames=FrameCounts(len(readings), **counts),
        called=Called(Verdict.OUTSIDE, Verdict.WITHIN),
        odd=Odd(back=("B", "D") if "D" in heads else ()),
        sentences={head: sentences.get(head, f"{head} holds.") for head in heads},
        todo=tuple(todo),
        safe_ranges=pd.DataFrame(columns=["head_a", "head_b", "safe_powers"]),
        notes=(NOTE,),
        bodies=(Body("Camera 01", None, np.ones(3), None, "dng-2", None, None, False),),
        attribution=None,
        check_frames=None,
        **_judged(readings, list(heads)),
    )
    picture = np.linspace(30, 220, 256)[None, :, None] * np.ones((170, 1, 3))
    pictures = {}
    for name in readings["frame"]:
        noisy = picture + rng.normal(0, 6, picture.shape)
        noisy[58:112, 96:160] = 128 + rng.normal(0, 4, (54, 64, 1))
        pictures[name] = as_jpegs(noisy.clip(0, 255).astype(np.uint8))
    return Kit(readings, powers, summary, pictures)


def _judged(readings: pd.DataFrame, heads: list[str]) -> dict[str, Any]:
    """Return what figures and the table of heads need, of the stages that judge: the same cells in the same order."""
    gear = {head: HeadInfo(pack="P1", serial=f"107{number}") for number, head in enumerate(heads)}
    settings = make_session(heads=gear)
    drift = analyse(readings, settings)
    judged = judge(drift, settings.tolerance)
    back = tuple(head for head in ("B", "D") if head in heads and "D" in heads)
    steps = [SendBack(back)] if back else []
    told = tuple(step(what, drift.timing, settings.path) for what in steps)
    return {"calipers": judged.calipers, "findings": judged.findings, "settings": settings, "steps": told}


def _frame(
    rng: np.random.Generator,
    name: str,
    head: str,
    power: str,
    stops: float,
    white: tuple[float, float] | None,
    flags: str,
) -> dict[str, Any]:
    measured = white is not None and flags != "partial_flash"
    mired, duv = white if measured and white else (np.nan, np.nan)
    u_prime, v_prime = WHITE + WARMER * (mired - MIRED_AT_WHITE) + GREENER * duv / 0.001
    status = {"": "ok", "partial_flash": "rejected"}.get(flags, "doubtful")
    signal = 9000.0 * 2 ** -float(rng.normal(0, 0.01)) if white else 12.0
    return {
        "frame": name, "head": head, "pack": "P1" if head in ("A", "B") else "P2" if head else "", "power": power,
        "stops": stops, "kind": "flash" if white else "ambient", "captured": "2026-03-02T07:12:00.00", "shot": 0,
        "body": "Camera 01", "exposure_s": 0.008, "f_number": 8.0, "iso": 100.0, "patch_x0": 0.39, "patch_y0": 0.36,
        "patch_x1": 0.61, "patch_y1": 0.64, "signal_r": signal * 0.5, "signal_g": signal, "signal_b": signal * 0.7,
        "u_signal_r": 2.0, "u_signal_g": 2.0, "u_signal_b": 2.0, "r_g": 0.5, "b_g": 0.7, "x": 0.33, "y": 0.34,
        "u_prime": u_prime, "v_prime": v_prime, "cct_k": 1e6 / mired, "duv": duv, "mired": mired,
        "u_cct_k": 3.1 if measured else np.nan, "u_duv": 3e-5 if measured else np.nan,
        "u_mired": 0.1 if measured else np.nan, "output_stops": -stops if measured else np.nan, "ambient_pct": 0.1,
        "clipped_pct": 0.0, "gradient_pct": 2.0, "status": status, "flags": flags, "colour_from": "dng-2", "note": "",
    }  # fmt: skip


def _powers(readings: pd.DataFrame, heads: dict[str, tuple[float, float, float, float]]) -> pd.DataFrame:
    rows = []
    used = readings[(readings["kind"] == "flash") & (readings["status"] != "rejected")]
    used = used.sort_values("head", key=lambda column: column.map(list(heads).index), kind="stable")
    for (head, power), cell in used.groupby(["head", "power"], sort=False):
        n, stops = len(cell), cell["stops"].iloc[0]
        row: dict[str, Any] = {"head": head, "power": power, "stops": stops, "n": n, "n_outlier": 0}
        for name in ("mired", "duv", "u_prime", "v_prime"):
            row[name] = cell[name].mean()
            row[f"s_{name}"] = cell[name].std()
        row |= {"u_mired": 0.42, "u_duv": 5e-5, "u_u_prime": 1.1e-4, "u_v_prime": 1.9e-4}
        row["cct_k"] = 1e6 / row["mired"]
        row["s_cct_k"], row["u_cct_k"] = row["s_mired"] * 1e6 / row["mired"] ** 2, 0.42 * 1e6 / row["mired"] ** 2
        row["output_stops"] = -stops + heads[str(head)][3] * stops
        row["output_error_stops"] = heads[str(head)][3] * stops
        rows.append(row)
    table = pd.DataFrame(rows)
    first = table.groupby("head", sort=False)[["mired", "cct_k", "duv", "u_prime", "v_prime"]].transform("first")
    for delta, name in (("mired", "mired"), ("k", "cct_k"), ("duv", "duv")):
        table[f"delta_{delta}"] = table[name] - first[name]
    light = table.iloc[0]
    for delta, name in (("mired", "mired"), ("k", "cct_k"), ("duv", "duv")):
        table[f"ref_delta_{delta}"] = table[name] - light[name]
    away = np.hypot(table["u_prime"] - light["u_prime"], table["v_prime"] - light["v_prime"])
    table["ref_delta_steps"], table["u_output_error_stops"], table["body"] = away / 0.0011, 0.008, "Camera 01"
    apart = np.hypot(table["u_prime"] - first["u_prime"], table["v_prime"] - first["v_prime"])
    table["delta_steps"] = apart / 0.0011
    return whole(table, PowerRow)


def whole(table: pd.DataFrame, kind: type) -> pd.DataFrame:
    """Return a table with the columns that this kit knows nothing of."""
    missing = [name for name in names(kind, optional=False) if name not in table]
    return table.assign(**dict.fromkeys(missing, np.nan))


def _heads(powers: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for head, cells in powers.groupby("head", sort=False):
        span = np.ptp(cells["mired"])
        error = cells["output_error_stops"].abs().max()
        slope = np.polyfit(cells["stops"], cells["mired"], 1)[0]
        verdict = "outside" if span > 4.6 else "undecided" if span > 3.2 else "within"
        why = {
            "outside": f"{cells['power'].iloc[-1]} is {span:.1f} mired from {cells['power'].iloc[0]}, limit 4",
            "undecided": "cannot call it: 2 more rounds, 4 min",
            "within": "",
        }[verdict]
        rows.append(
            {
                "head": head, "n": int(cells["n"].sum()), "span_k": np.ptp(cells["cct_k"]), "span_mired": span,
                "u_span_mired": 0.6, "span_duv": np.ptp(cells["duv"]), "span_steps": span / 2.2,
                "slope_mired_per_stop": slope, "u_slope_mired_per_stop": 0.12, "repeatability_mired": 0.35,
                "repeatability_k": 11.0, "repeatability_stops": 0.01, "warmup_mired": np.nan,
                "u_warmup_mired": np.nan, "largest_output_error_stops": error, "verdict": verdict, "why": why,
                "label": head, "body": "Camera 01",
            }
        )  # fmt: skip
    return whole(pd.DataFrame(rows), HeadRow)


def _pairs(powers: pd.DataFrame) -> pd.DataFrame:
    rows = []
    cells = powers.to_dict("records")
    for i, a in enumerate(cells):
        for b in cells[i + 1 :]:
            if a["head"] == b["head"]:
                continue
            delta, duv = b["mired"] - a["mired"], b["duv"] - a["duv"]
            steps = np.hypot(b["u_prime"] - a["u_prime"], b["v_prime"] - a["v_prime"]) / 0.0011
            outside, within = abs(delta) > 4.6 or abs(duv) > 0.0011, abs(delta) < 3.4
            verdict = "outside" if outside else "within" if within else "undecided"
            rows.append(
                {
                    "head_a": a["head"], "power_a": a["power"], "head_b": b["head"], "power_b": b["power"],
                    "delta_mired": delta, "u_delta_mired": 0.6, "delta_k": b["cct_k"] - a["cct_k"], "delta_duv": duv,
                    "delta_steps": steps, "verdict": verdict, "u_delta_duv": 7e-5,
                }
            )  # fmt: skip
    return whole(pd.DataFrame(rows, columns=PAIR_COLUMNS), PairRow)


@pytest.fixture(scope="session")
def kit() -> Kit:
    return make_kit()


@pytest.fixture(scope="session")
def kit_of() -> Callable[..., Kit]:
    """Return the maker itself, for kits with other labels."""
    return make_kit
