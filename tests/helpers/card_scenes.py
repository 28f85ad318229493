"""Series of frames of a grey card whose place is known, as DNGs of many small tiles: as many as large frames have."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from helpers.dng_writer import write_dng

#: 16 x 11 tiles, as a frame of 45 MP in tiles of 512 px has; the card has as many tiles as it would have there.
HEIGHT: Final = 1376
WIDTH: Final = 2064
TILE: Final = 128
NEUTRAL: Final = np.array([0.52, 1.0, 0.66])  # an invented camera's answer to flash off a grey card
#: What is done to the frames of a series, and by how much of the card's width it has moved in each.
CLEAN: Final = ("clean",) * 6 + ("dust and hot pixels", "gradient of 8 %", "shift of 4 %")
FRAMES: Final = (*CLEAN, "shift of 15 %", "shift of 15 %", "card gone")
SHIFTS: Final = {"shift of 4 %": 0.04, "shift of 15 %": 0.15}
STOPS: Final = (0, -1, -2, -3, -4, -5, -1, -2, -1, -1, -3, -1)


@dataclass(frozen=True)
class Series:
    """One set-up: where the card lies [px, its sides, degrees] and what is about it."""

    seed: int
    cx: float
    cy: float
    wide: float
    high: float
    degrees: float
    ground: float
    rough: float
    thing: str

    def card(self, dx: float = 0.0, dy: float = 0.0) -> NDArray[np.bool_]:
        """Return which pixels show the card, shifted by shares of its sides."""
        y, x = np.ogrid[0:HEIGHT, 0:WIDTH]
        turn, u, v = np.radians(self.degrees), x - self.cx - dx * self.wide, y - self.cy - dy * self.high
        along, across = u * np.cos(turn) + v * np.sin(turn), v * np.cos(turn) - u * np.sin(turn)
        return np.asarray((np.abs(along) <= self.wide / 2) & (np.abs(across) <= self.high / 2))


def series(seed: int) -> Series:
    """Return a set-up by lot: a card of 8 to 32 % of the frame's width, grounds from black cloth to a white wall."""
    rng = np.random.default_rng(seed)
    wide = WIDTH * rng.uniform(0.08, 0.32)
    high = wide * rng.uniform(0.7, 1.4)
    degrees = float(rng.uniform(-8, 8) if rng.random() < 0.8 else rng.uniform(-40, 40))
    reach = 0.75 * max(wide, high)
    return Series(
        seed=seed,
        cx=float(rng.uniform(reach, WIDTH - reach)),
        cy=float(rng.uniform(min(reach, HEIGHT / 2), max(HEIGHT - reach, HEIGHT / 2))),
        wide=float(wide),
        high=float(high),
        degrees=degrees,
        ground=float(rng.choice([0.03, 0.1, 0.3, 0.5, 0.8, 1.3])),
        rough=float(rng.choice([0.0, 0.1, 0.3])),
        thing=str(rng.choice(["nothing", "board", "table", "cards"])),
    )


def shoot(one: Series, folder: Path, kinds: tuple[str, ...] = FRAMES) -> Iterator[Path]:
    """Write the frames of a series: full power first, then in whole stops down; 14 bit, shot and reading noise."""
    rng = np.random.default_rng(one.seed + 10_000)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float32)
    coarse = rng.uniform(1 - one.rough, 1 + one.rough, (HEIGHT // 16, WIDTH // 16)).astype(np.float32)
    about = one.ground * np.kron(coarse, np.ones((16, 16), np.float32))
    colour = np.ones((HEIGHT, WIDTH, 3), np.float32)
    if one.thing == "table":
        about[HEIGHT * 3 // 4 :] *= 0.5
    if one.thing == "board":
        colour[:, : WIDTH // 8] = (1.6, 0.9, 0.4)
    if one.thing == "cards":
        for k, level in enumerate((0.1, 0.4, 1.6)):
            about[40 : 40 + 60, 40 + 90 * k : 100 + 90 * k] = level
    fall_off = 1.0 - 0.2 * ((x / WIDTH - 0.5) ** 2 + (y / HEIGHT - 0.5) ** 2)
    filters = np.array([[0, 1], [1, 2]])[np.arange(HEIGHT)[:, None] % 2, np.arange(WIDTH) % 2]
    ratio = np.take_along_axis(colour, filters[..., None], axis=2)[..., 0] * NEUTRAL[filters].astype(np.float32)
    for number, kind in enumerate(kinds):
        way = rng.uniform(0, 2 * np.pi)
        shift = SHIFTS.get(kind, 0.0)
        dx, dy = (shift, 0.0) if kind == "shift of 15 %" and number % 2 else (shift * np.cos(way), shift * np.sin(way))
        card = one.card(dx, dy) & (kind != "card gone")
        light = 9000.0 / max(1.0, one.ground) * 2.0 ** STOPS[number % len(STOPS)] * rng.uniform(0.95, 1.05) * fall_off
        if kind == "gradient of 8 %":
            light = light * (1.0 + 0.08 * ((x - one.cx) * np.cos(way) + (y - one.cy) * np.sin(way)) / one.wide)
        mean = light * np.where(card, NEUTRAL[filters], about * ratio)
        if kind == "dust and hot pixels":
            for _ in range(40):
                at_y, at_x = int(rng.integers(20, HEIGHT - 20)), int(rng.integers(20, WIDTH - 20))
                mean[at_y - 5 : at_y + 5, at_x - 5 : at_x + 5] *= 0.93
        noise = rng.standard_normal((HEIGHT, WIDTH), np.float32)
        counts = 512 + mean + np.sqrt(0.4 * mean + 9.0) * noise
        if kind == "dust and hot pixels":
            counts[rng.random((HEIGHT, WIDTH), np.float32) < 2e-4] = 12_000
        stored = counts.clip(0, 16383).astype(np.uint16)
        yield write_dng(
            folder / f"{one.seed}_{number:02}.dng",
            stored,
            "ljpeg2",
            14,
            (TILE, TILE),
            subifd=False,
            black=(512.0,),
            white=(16383,),
        )
