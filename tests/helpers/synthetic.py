"""Readings made from known truths, and a session to read them in; shared by the tests and the benchmark of compare."""

from pathlib import Path

import numpy as np
import pandas as pd

from greystep.session.settings import DEFAULT_TOLERANCE, HeadInfo, Settings, Tolerance
from greystep.session.shots import CHECK_NOTE

POWERS = ("1/1", "1/2", "1/4", "1/8", "1/16", "1/32", "1/64", "1/128", "1/256")


def make_session(
    head: str | None = None,
    power: str | None = None,
    kit: bool = False,
    tolerance: Tolerance = DEFAULT_TOLERANCE,
    heads: dict[str, HeadInfo] | None = None,
) -> Settings:
    return Settings(
        path=Path("kit"),
        title="Prep day",
        frames_dir=Path("kit/frames"),
        patch=None,
        reflectance=None,
        matrix="embedded",
        meter=None,
        reference_head=head,
        reference_power=power,
        reference_kit=kit,
        tolerance=tolerance,
        heads=heads or {},
    )


def table(
    head: list[str],
    stops: np.ndarray,
    mired: np.ndarray,
    duv: np.ndarray | float = 0.0005,
    output: np.ndarray | None = None,
    seconds: np.ndarray | None = None,
    noise_mired: float = 0.05,
) -> pd.DataFrame:
    """Make readings in capture order; u' v' move with mired and Duv about as near 5600 K."""
    n = len(mired)
    stops = np.asarray(stops, dtype=np.float64)
    labels = [POWERS[int(s)] if s in range(len(POWERS)) else f"-{s:g}" for s in stops]
    duv = np.broadcast_to(duv, n).astype(np.float64)
    times = pd.Timestamp("2026-03-02T09:00:00") + pd.to_timedelta(
        np.arange(n) * 10.0 if seconds is None else seconds, "s"
    )
    return pd.DataFrame(
        {
            "frame": [f"f{i:04d}.dng" for i in range(n)],
            "head": head,
            "pack": "",
            "power": labels,
            "stops": stops,
            "kind": "flash",
            "captured": [time.isoformat() for time in times],
            "shot": np.arange(n),
            "body": "Invented 1",
            "signal_g": 8000.0,
            "u_signal_g": 4.0,
            "u_prime": 0.2045 + 0.00040 * (mired - 178.6) - 0.3 * (duv - 0.0005),
            "v_prime": 0.4800 + 0.00025 * (mired - 178.6) + 1.2 * (duv - 0.0005),
            "cct_k": 1e6 / mired,
            "duv": duv,
            "mired": mired,
            "u_cct_k": 2.0,
            "u_duv": 1e-5,
            "u_mired": noise_mired,
            "output_stops": -stops if output is None else output,
            "status": "ok",
            "flags": "",
            "note": "",
        }
    )


def simulate(
    rng: np.random.Generator,
    offsets: np.ndarray,
    repeats: int = 5,
    scatter: float = 0.3,
    scatter_duv: float = 0.00005,
    warmup: float = 0.0,
    tau_shots: float = 5.0,
    order: str = "up-down",
    pace_s: float = 10.0,
    first_mired: float = 178.6,
    checks: int = 2,
) -> pd.DataFrame:
    """Simulate a test shot by head: `offsets` (heads, powers) in mired, a warm-up that saturates with the shots.

    A rested first head fires `checks` frames at full before each head and at the end.
    """
    heads, powers = offsets.shape
    legs = [np.arange(powers)[:: 1 if leg % 2 == 0 else -1] for leg in range(repeats)]
    one = np.concatenate(legs)
    if order == "straight":
        one = np.repeat(np.arange(powers), repeats)
    rows = []
    if order == "turns":  # all heads are rigged: every power, every head, round by round
        rows = [
            (h, power, at * powers + power, False)
            for at in range(repeats)
            for power in range(powers)
            for h in range(heads)
        ]
    for number in range(heads if order != "turns" else 0):
        mine = np.concatenate([rng.permutation(powers) for _ in legs]) if order == "shuffled" else one
        rows += [(number, 0, 0, True)] * checks + [(number, power, shot, False) for shot, power in enumerate(mine)]
    rows += [(heads, 0, 0, True)] * checks * (order != "turns")
    turn, power, shot, check = (np.array(column) for column in zip(*rows, strict=True))
    head = np.where(check, 0, turn)
    warm = np.where(check, 0.0, warmup * (1.0 - np.exp(-shot / tau_shots)))
    n = len(head)
    mired = first_mired + offsets[head, power] - warmup + warm + scatter * rng.standard_normal(n)
    readings = table(
        [chr(65 + number) for number in head],
        power,
        mired,
        0.0005 + scatter_duv * rng.standard_normal(n),
        -power + 0.01 * rng.standard_normal(n),
        seconds=np.arange(n) * pace_s + 400.0 * turn * (order != "turns"),
    )
    return readings.assign(note=np.where(check, CHECK_NOTE, ""))
