"""Targets found in rendered scenes of known layout, and their boxes in pixels."""

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from greystep.errors import GreystepError
from greystep.measure.target import Target, find_target, fixed_target, pixel_box

HEIGHT, WIDTH, FINE = 171, 256, 4
NEUTRAL = np.array([0.52, 1.0, 0.66])  # an invented camera's answer to flash off a grey card
BLUE, RED = np.array([0.3, 0.8, 1.1]), np.array([1.3, 0.7, 0.4])


def corners(cx: float, cy: float, side_x: float, side_y: float, degrees: float = 0.0) -> np.ndarray:
    """Which fine pixels lie in a rectangle; place and size in overview pixels."""
    y, x = ((np.arange(size * FINE) + 0.5) / FINE for size in (HEIGHT, WIDTH))
    y = y[:, None]
    turn = np.radians(degrees)
    along = (x - cx) * np.cos(turn) + (y - cy) * np.sin(turn)
    across = (y - cy) * np.cos(turn) - (x - cx) * np.sin(turn)
    return (np.abs(along) <= side_x / 2) & (np.abs(across) <= side_y / 2)


class Scene:
    """An invented set in front of the camera, four fine pixels to one of the overview."""

    def __init__(self, background: NDArray, gradient: float = 0.0, seed: int = 0) -> None:
        self.rng = np.random.default_rng(seed)
        self.fine = np.broadcast_to(background, (HEIGHT * FINE, WIDTH * FINE, 3)).copy()
        self.gradient = gradient

    def add(self, mask: NDArray, colour: NDArray) -> None:
        self.fine[mask] = colour

    def chart(self, left: float, top: float, patch: float, gap: float = 2.0) -> None:
        """Six by four patches in a black frame, the last row grey."""
        pitch = patch + gap
        frame = corners(left + 3 * pitch, top + 2 * pitch, 6 * pitch + gap, 4 * pitch + gap)
        self.add(frame, 0.03 * NEUTRAL)
        greys = (0.9, 0.6, 0.36, 0.2, 0.09, 0.03)
        for row in range(4):
            for column in range(6):
                colour = greys[column] * NEUTRAL if row == 3 else 0.5 * NEUTRAL * self.rng.uniform(0.2, 1.0, 3)
                middle = left + gap + (column + 0.5) * pitch, top + gap + (row + 0.5) * pitch
                self.add(corners(*middle, patch, patch), colour)

    def cap(self) -> NDArray:
        """Place the edge of a lens cap in the upper right corner; return where it is."""
        y, x = np.ogrid[0 : HEIGHT * FINE, 0 : WIDTH * FINE]
        mask = np.hypot(y / FINE + 30, x / FINE - 290) < 120
        self.add(mask, 0.01 * NEUTRAL)
        return mask

    def frames(
        self,
        powers: tuple[int, ...] = (0, 0, -1, -2, -3, -4, -5),
        full: float = 3.0,
        noise: float = 0.003,
        hot: float = 0.0,
        dust: int = 0,
    ) -> list[NDArray]:
        """Overviews at these powers [stops]; `full` is what a white would give at power 0, `noise` the sd there."""
        return exposed(self.still(), self.rng, powers, full, noise, hot, dust, self.gradient)

    def still(self) -> NDArray:
        """Mean of the fine pixels: the scene in even light."""
        rows = sum(self.fine[row::FINE] for row in range(FINE))
        return sum(rows[:, column::FINE] for column in range(FINE)) / FINE**2


def exposed(
    still: NDArray,
    rng: np.random.Generator,
    powers: tuple[int, ...] = (0, 0, -1, -2, -3, -4, -5),
    full: float = 3.0,
    noise: float = 0.003,
    hot: float = 0.0,
    dust: int = 0,
    gradient: float = 0.0,
) -> list[NDArray]:
    """Overviews of a scene in even light, see `Scene.frames`; the light may fall off across it."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    still = still * (1 + gradient * ((x / WIDTH - 0.5) + 0.5 * (y / HEIGHT - 0.5)))[..., None]
    for _ in range(dust):
        cy, cx = rng.uniform(0, HEIGHT), rng.uniform(0, WIDTH)
        still *= 1 - 0.04 * np.exp(-((y - cy) ** 2 + (x - cx) ** 2) / 3.0)[..., None]
    still = still.astype(np.float32)
    frames = []
    for power in powers:
        tint = np.array([1 + 0.004 * power, 1.0, 1 - 0.006 * power])
        frame = np.float32(full * 2.0**power * tint) * still
        spread = np.sqrt(np.float32(noise**2) * np.maximum(frame, 0) + np.float32(2e-4**2))
        frame += rng.standard_normal(frame.shape, dtype=np.float32) * spread
        if hot:
            frame[rng.random(frame.shape[:2]) < hot] += 0.5
        frames.append(np.minimum(frame, 1.0))
    return frames


def inside(target: Target | None, mask: np.ndarray, least: float) -> None:
    """The measured patch lies in the true target, whole, and is at least this share of its area."""
    assert target is not None
    assert target.found
    x0, y0, x1, y1 = target.patch
    rows = slice(round(y0 * HEIGHT * FINE), round(y1 * HEIGHT * FINE))
    columns = slice(round(x0 * WIDTH * FINE), round(x1 * WIDTH * FINE))
    assert mask[rows, columns].all(), f"{target} lies over the target's edge"
    share = (rows.stop - rows.start) * (columns.stop - columns.start) / mask.sum()
    assert share >= least, f"{target}: only {100 * share:.0f} % of the target"


CASES = {
    # name: (cx, cy, side, degrees, background, extras, share of the target's area that the patch must hold)
    "centre": (128, 85, 80, 0, 0.03 * NEUTRAL, "", 0.4),
    "off centre": (60, 120, 60, 0, 0.03 * NEUTRAL, "", 0.4),
    "small": (180, 50, 13, 0, 0.03 * NEUTRAL, "", 0.25),
    "small on a grey wall": (180, 50, 13, 0, 0.13 * NEUTRAL, "", 0.25),
    "grey wall, a tenth darker": (100, 90, 50, 0, 0.16 * NEUTRAL, "", 0.4),
    "white wall behind": (100, 90, 50, 0, 0.8 * NEUTRAL, "", 0.4),
    "turned 20": (128, 85, 70, 20, 0.03 * NEUTRAL, "", 0.2),
    "turned 45": (128, 85, 70, 45, 0.03 * NEUTRAL, "", 0.2),
    "turned, small": (70, 60, 22, 30, 0.03 * NEUTRAL, "", 0.1),
    "chart beside": (70, 85, 60, 0, 0.03 * NEUTRAL, "chart", 0.4),
    "chart on a wall": (70, 85, 60, 0, 0.5 * NEUTRAL, "chart", 0.4),
    "small, large chart": (50, 40, 22, 0, 0.1 * NEUTRAL, "chart", 0.25),
    "lens cap edge": (110, 95, 60, 0, 0.13 * NEUTRAL, "cap", 0.4),
    "blue board, larger": (60, 60, 50, 0, 0.03 * NEUTRAL, "blue", 0.4),
    "red board, larger": (60, 60, 50, 0, 0.03 * NEUTRAL, "red", 0.4),
    "table and wall": (128, 70, 50, 0, 0.3 * NEUTRAL, "table", 0.4),
    "leaves the frame below": (128, 150, 90, 0, 0.03 * NEUTRAL, "", 0.25),
    "fills the frame": (128, 85, 400, 0, 0.03 * NEUTRAL, "", 0.0),
    "fills the frame but for the cap": (128, 85, 400, 0, 0.03 * NEUTRAL, "cap", 0.0),
}


@cache
def laid(name: str) -> tuple[NDArray, NDArray]:
    """A scene in even light, and which fine pixels are the target's; all troubles are had with one."""
    cx, cy, side, degrees, background, extra, _ = CASES[name]
    scene = Scene(background, seed=len(name))
    if extra == "blue":
        scene.add(corners(180, 90, 80, 100), 0.4 * BLUE)
    if extra == "red":
        scene.add(corners(180, 90, 80, 100), 0.4 * RED)
    if extra == "table":
        scene.add(corners(128, 150, 256, 80), 0.2 * RED)
    target = corners(cx, cy, side, side, degrees)
    scene.add(target, 0.18 * NEUTRAL)
    if extra == "chart":
        scene.chart(130, 50, 15)
    if extra == "cap":
        target = target & ~scene.cap()
    return scene.still(), target


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("trouble", ["none", "gradient", "dust and hot pixels", "noise"])
def test_the_target_is_found(name: str, trouble: str) -> None:
    still, target = laid(name)
    dusty = trouble == "dust and hot pixels"
    frames = exposed(
        still,
        np.random.default_rng([len(name), len(trouble)]),
        full=0.9 if CASES[name][5] == "chart" or name == "white wall behind" else 3.0,
        hot=2e-3 if dusty else 0.0,
        dust=30 if dusty else 0,
        noise=0.01 if trouble == "noise" else 0.003,
        gradient=0.35 if trouble == "gradient" else 0.0,
    )
    inside(find_target(frames), target, CASES[name][6])


def card(seed: int = 0) -> tuple[Scene, NDArray]:
    scene, mask = Scene(0.13 * NEUTRAL, seed=seed), corners(90, 80, 40, 40)
    scene.add(mask, 0.18 * NEUTRAL)
    return scene, mask


def test_one_frame_is_enough() -> None:
    scene, mask = card()
    inside(find_target(scene.frames((-2,))), mask, 0.4)


def test_a_few_frames_of_something_else_do_not_mislead() -> None:
    scene, mask = card()
    other, _ = card(1)
    other.add(corners(120, 90, 100, 100), 0.3 * BLUE)
    frames = scene.frames() + other.frames((0, -1)) + scene.frames((-12, -12))  # a hand, and two misfires
    inside(find_target(frames), mask, 0.4)


def test_where_a_minority_of_frames_is_clipped_the_rest_decides() -> None:
    scene, mask = card()
    inside(find_target(scene.frames((4, 4, 0, -1, -2, -3, -4))), mask, 0.4)


@pytest.mark.parametrize("degrees", [0.0, 20.0, 45.0])
@pytest.mark.parametrize("side", [20, 90])
@pytest.mark.parametrize("stops", [0.3, 2.2])
@pytest.mark.parametrize("ground", ["dark", "grey", "textured", "blue board"])
def test_a_card_over_the_range_in_every_frame_is_the_target(
    ground: str, stops: float, side: int, degrees: float
) -> None:
    """Its place is found, not that of the background, whose light would be taken for the card's."""
    scene = Scene((0.02 if ground == "dark" else 0.03) * NEUTRAL, gradient=0.1, seed=side)
    if ground == "grey":
        scene.add(corners(128, 150, 256, 80), 0.012 * NEUTRAL)
    if ground == "textured":
        fine = scene.rng.uniform(0.4, 1.0, (HEIGHT // 3, WIDTH // 4 + 1))
        scene.fine *= np.kron(fine, np.ones((3 * FINE, 4 * FINE)))[: HEIGHT * FINE, : WIDTH * FINE, None]
    if ground == "blue board" and side > 20:
        scene.add(corners(215, 120, side / 2, side / 2), 0.03 * BLUE)
    mask = corners(100, 75, side, side, degrees)
    scene.add(mask, 0.18 * NEUTRAL)
    inside(find_target(scene.frames((0, 0, 0, 0), full=2.0**stops / 0.18)), mask, 0.2)


def test_what_is_over_the_range_beside_a_card_is_not_the_card() -> None:
    """White paper, a lamp, a soft highlight, a blown wall: the grey card that is within the range stays the target."""
    for extra in ("paper", "lamp", "wall"):
        scene = Scene(0.03 * NEUTRAL)
        mask = corners(70, 85, 45, 45)
        scene.add(mask, 0.18 * NEUTRAL)
        y, x = np.ogrid[0 : HEIGHT * FINE, 0 : WIDTH * FINE]
        lamp = np.hypot(y / FINE - 70, x / FINE - 190) < 30
        scene.add({"paper": corners(190, 85, 80, 110), "lamp": lamp, "wall": y / FINE + 0 * x < 40}[extra], 3 * NEUTRAL)
        inside(find_target(scene.frames((0, 0, 0))), mask, 0.4)


def test_only_an_outlined_rectangle_over_the_range_is_a_card() -> None:
    y, x = np.ogrid[0 : HEIGHT * FINE, 0 : WIDTH * FINE]
    away = np.hypot(y / FINE - 80, x / FINE - 120)
    shapes = {
        "disc": (away < 40) * 3.0,
        "corner": (corners(120, 80, 80, 80) & ~corners(140, 100, 60, 60)) * 3.0,
        "ring": ((away < 45) & (away > 25)) * 3.0,
        "soft": 3.0 * np.exp(-((away / 60) ** 2)),
        "at the edge": corners(20, 80, 60, 60) * 3.0,
    }
    for name, light in shapes.items():
        scene = Scene(0.03 * NEUTRAL)
        scene.fine = scene.fine + light[..., None] * NEUTRAL
        target = find_target(scene.frames((0, 0, 0)))
        if target is not None:
            x0, y0, x1, y1 = target.box
            inner = light[
                round(y0 * light.shape[0]) : round(y1 * light.shape[0]),
                round(x0 * light.shape[1]) : round(x1 * light.shape[1]),
            ]
            assert np.median(inner) < 0.3, name
    scene = Scene(0.03 * NEUTRAL)
    scene.add(corners(120, 80, 60, 60), 3.0 * NEUTRAL)
    frames = scene.frames((0, 0, 0))
    inside(find_target(frames), corners(120, 80, 60, 60), 0.4)
    elsewhere = find_target(frames, has_card=False)  # a job: white goods are no card
    assert elsewhere is None or elsewhere.box != find_target(frames).box


def test_a_chart_alone_gives_one_of_its_greys() -> None:
    scene = Scene(0.05 * NEUTRAL)
    scene.chart(60, 30, 18)
    target = find_target(scene.frames(full=0.9))
    assert target is not None
    x0, y0, x1, y1 = target.patch
    seen = scene.fine[
        round(y0 * HEIGHT * FINE) : round(y1 * HEIGHT * FINE), round(x0 * WIDTH * FINE) : round(x1 * WIDTH * FINE)
    ].reshape(-1, 3)
    np.testing.assert_allclose(seen / seen[:, 1:2], np.broadcast_to(NEUTRAL, seen.shape))
    assert np.ptp(seen[:, 1]) == 0


@pytest.mark.parametrize("shape", [(60, 90), (107, 160), (171, 256)])
def test_small_overviews_do(shape: tuple[int, int]) -> None:
    scene, mask = card()
    height, width = shape
    rows, columns = np.arange(height) * HEIGHT // height, np.arange(width) * WIDTH // width
    frames = [frame[rows][:, columns] for frame in scene.frames()]
    inside(find_target(frames), mask, 0.25)


def test_nothing_to_find() -> None:
    assert find_target([]) is None
    assert find_target([np.zeros((171, 256, 3), np.float32)] * 3) is None
    noise = np.random.default_rng(0).uniform(0.01, 1, (171, 256, 3)).astype(np.float32)
    assert find_target([noise]) is None


def test_frames_of_another_shape_are_left_out() -> None:
    scene, mask = card()
    inside(find_target([np.ones((50, 60, 3), np.float32), *scene.frames()]), mask, 0.4)


def test_the_patch_leaves_out_an_eighth_of_the_cards_sides_at_each_edge() -> None:
    scene, _ = card()
    target = find_target(scene.frames())
    assert target is not None
    x0, y0, x1, y1 = target.box
    inset = 0.12 * (x1 - x0), 0.12 * (y1 - y0)
    expected = (x0 + inset[0], y0 + inset[1], x1 - inset[0], y1 - inset[1])
    assert target.patch == pytest.approx(expected, abs=1e-9)


def test_a_background_that_reaches_three_edges_is_no_card() -> None:
    """A plain table over the whole lower half of the frame, and a small card that leaves the frame above."""
    scene = Scene(0.03 * NEUTRAL)
    scene.fine *= np.kron(scene.rng.uniform(0.3, 1.0, (HEIGHT, WIDTH, 1)), np.ones((FINE, FINE, 1)))
    scene.add(corners(128, 130, 256, 90), 0.18 * NEUTRAL)
    mask = corners(60, 12, 40, 40)
    scene.add(mask, 0.18 * NEUTRAL)
    inside(find_target(scene.frames()), mask, 0.2)


# --- boxes ----------------------------------------------------------------------------------------------------------


def test_a_given_target_is_measured_as_it_stands() -> None:
    assert fixed_target((0.1, 0.2, 0.3, 0.5)) == Target((0.1, 0.2, 0.3, 0.5), (0.1, 0.2, 0.3, 0.5), False)


@pytest.mark.parametrize(
    "box", [(0.5, 0.2, 0.3, 0.5), (0.1, 0.2, 0.3, 1.5), (-0.1, 0.2, 0.3, 0.5), (0.1, 0.2, 0.1, 0.5)]
)
def test_a_box_outside_the_frame_is_refused(box: tuple[float, float, float, float]) -> None:
    with pytest.raises(GreystepError, match="fractions"):
        fixed_target(box)


@pytest.mark.parametrize(
    ("box", "size", "period", "pixels"),
    [
        # edges rounded, then drawn in to the pattern: 30.1 -> 30, 49.7 -> 50; 20.2 -> 20, 40.4 -> 40
        ((0.101, 0.301, 0.202, 0.497), (100, 200), (2, 2), (30, 50, 20, 40)),
        ((0.11, 0.31, 0.21, 0.49), (100, 100), (2, 2), (32, 48, 12, 20)),
        ((0.11, 0.31, 0.21, 0.49), (100, 100), (6, 6), (36, 48, 12, 18)),
        ((0.0, 0.0, 1.0, 1.0), (101, 103), (2, 2), (0, 100, 0, 102)),
        # at most 512 a side, about the middle
        ((0.0, 0.0, 1.0, 1.0), (1024, 2000), (2, 2), (256, 768, 744, 1256)),
        ((0.0, 0.0, 1.0, 1.0), (1026, 1026), (6, 6), (258, 768, 258, 768)),
        # never less than a period
        ((0.5, 0.5, 0.501, 0.501), (100, 100), (2, 2), (50, 52, 50, 52)),
        ((0.999, 0.999, 1.0, 1.0), (100, 100), (6, 6), (90, 96, 90, 96)),
    ],
)
def test_pixel_boxes_by_hand(
    box: tuple[float, float, float, float],
    size: tuple[int, int],
    period: tuple[int, int],
    pixels: tuple[int, int, int, int],
) -> None:
    assert pixel_box(box, *size, period) == pixels
