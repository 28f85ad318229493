"""What is read of large frames to tell that the target stands in place, on cards whose place is known."""

from pathlib import Path

import numpy as np
import pytest

from greystep.measure import clear_target as in_one
from greystep.measure import target_corners
from greystep.measure.clear_target import clear_target
from greystep.measure.reading import measure_frame
from greystep.measure.target import Target, fixed_target, pixel_box
from greystep.measure.target_corners import corner_windows, in_place
from greystep.raw import raster
from greystep.raw.frame import open_frame
from greystep.session import cache
from greystep.session.ingest import ingest
from greystep.session.settings import load_settings
from helpers.card_scenes import HEIGHT, TILE, WIDTH, Series, shoot

KINDS = (
    "clean",
    "clean",
    "clean",
    "dust and hot pixels",
    "gradient of 8 %",
    "shift of 15 %",
    "card gone",
    "shift of 4 %",
)
CARD = Series(seed=5, cx=1000.0, cy=700.0, wide=420.0, high=420.0, degrees=3.0, ground=0.3, rough=0.1, thing="board")


@pytest.fixture(autouse=True)
def frames_count_as_large(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(target_corners, "SMALL", 0)


@pytest.fixture
def decoded(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Tiles that have been decoded, by their numbers."""
    tiles: list[int] = []
    decode = raster._decoded

    def count(data, index, *rest):  # type: ignore[no-untyped-def]
        tiles.append(index)
        return decode(data, index, *rest)

    monkeypatch.setattr(raster, "_decoded", count)
    return tiles


def card_target(one: Series) -> Target:
    """The target as the search finds it: the card's upright box and its inset."""
    rows, columns = (np.flatnonzero(one.card().any(axis=k)) for k in (1, 0))
    x0, x1, y0, y1 = columns[0] / WIDTH, columns[-1] / WIDTH, rows[0] / HEIGHT, rows[-1] / HEIGHT
    by, of = 0.15 * (x1 - x0), 0.15 * (y1 - y0)
    return Target((x0, y0, x1, y1), (x0 + by, y0 + of, x1 - by, y1 - of), True)


@pytest.fixture(scope="module")
def kit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session of one head, a frame of each kind."""
    folder = tmp_path_factory.mktemp("kit")
    (folder / "frames/A/1-1").mkdir(parents=True)
    assert len(list(shoot(CARD, folder / "frames/A/1-1", KINDS))) == len(KINDS)
    return folder


def test_a_frame_costs_the_tiles_of_its_patch_and_of_two_corners(kit: Path, decoded: list[int]) -> None:
    path = min(kit.rglob("*.dng"))
    target = card_target(CARD)
    frame = open_frame(path)
    y0, y1, x0, x1 = pixel_box(target.patch, frame.height, frame.width, (2, 2))
    tiles = ((y1 - 1) // TILE - y0 // TILE + 1) * ((x1 - 1) // TILE - x0 // TILE + 1)
    reading = measure_frame(path, target)
    assert reading.sparse
    assert len(decoded) == tiles + 2
    whole = measure_frame(path, target, whole=True)
    assert whole.surround is not None
    assert not whole.sparse
    assert whole.signal == reading.signal
    assert whole.around == reading.around
    assert reading.around == pytest.approx((0.3, 0.3, 0.3), rel=0.15)


def test_moved_and_missing_cards_are_told_and_nothing_else_is(kit: Path) -> None:
    """The shift of 4 % is doubted by its corners and found harmless by all that lies about the card."""
    found = ingest(load_settings(kit)).readings.set_index("shot").sort_index()
    told = dict(zip(KINDS, found["flags"], strict=True))
    assert "target_moved" in told["shift of 15 %"]
    assert "no_target" in told["card gone"]
    for kind in set(KINDS) - {"shift of 15 %", "card gone"}:
        assert "target" not in told[kind], kind


def test_corners_agree_where_edges_do_and_only_there() -> None:
    rng = np.random.default_rng(1)
    y, x = np.mgrid[0:12, 0:12]

    def corners(dx: float = 0.0, light: float = 1.0, noise: float = 0.01, tilt: float = 0.0) -> np.ndarray:
        card = np.clip(y - 5.5, 0, 1) * np.clip(x - 5.5 - dx, 0, 1)
        maps = np.stack([0.3 + 0.7 * card, 0.3 + 0.7 * card[::-1, ::-1]]) * (1 + tilt * (x - 6) / 12)
        return light * (maps + noise * rng.standard_normal(maps.shape))

    for good in (corners(), corners(light=0.2), corners(0.3), corners(noise=0.03), corners(tilt=0.1)):
        assert in_place([good], corners())[0]
    nothing = 0.3 + 0.01 * rng.standard_normal((2, 12, 12))
    for bad in (corners(3.0), corners(-3.0), nothing, np.full((2, 12, 12), 0.3), corners()[:, ::-1]):
        assert not in_place([bad], corners())[0]
    assert not in_place([corners()], nothing)[0]
    assert in_place([corners(), nothing], corners()).tolist() == [True, False]


def test_a_target_at_the_edge_of_the_frame_shows_the_corners_that_it_has(kit: Path) -> None:
    frame = open_frame(min(kit.rglob("*.dng")))
    high = corner_windows(frame, fixed_target((0.4, 0.0, 0.7, 0.5)))
    assert len(high) == 2
    assert all(window[0] > 0.3 * HEIGHT for window in high)
    assert corner_windows(frame, fixed_target((0.0, 0.0, 1.0, 1.0))) == ()
    assert corner_windows(frame, fixed_target((0.0, 0.0, 0.5, 0.5))) == ()  # one corner alone
    small = [(0.4, 0.4, 0.4 + side / WIDTH, 0.4 + side / HEIGHT) for side in (73, 86)]
    assert [len(corner_windows(frame, fixed_target(box))) for box in small] == [0, 2]  # 22 and 26 px for 12 bins of 2


@pytest.mark.parametrize("odd", [False, True])
def test_one_clear_frame_finds_the_target_where_the_others_agree(
    odd: bool, kit: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the card lies elsewhere in the frame that is looked at first, all are looked at and the others decide."""
    monkeypatch.setattr(in_one, "LARGE", 1)
    frames = sorted(kit.rglob("*.dng"))
    folder = tmp_path / "frames/A/1-1"
    folder.mkdir(parents=True)
    order = [frames[5], *frames[:3]] if odd else frames[:4]  # the sixth is shifted by 15 %
    for number, frame in enumerate(order):
        (folder / f"{number}.dng").hardlink_to(frame)
    looked_at: list[str] = []
    whole = cache.overview_of
    monkeypatch.setattr(cache, "overview_of", lambda path: looked_at.append(path.name) or whole(path))
    found = ingest(load_settings(tmp_path), jobs=1).readings.set_index("frame").sort_index()
    assert bool(looked_at) == odd
    moved = found["flags"].str.contains("target_moved").tolist()
    assert moved == [odd, False, False, False]
    x0, y0 = found[["patch_x0", "patch_y0"]].iloc[-1]
    assert CARD.card()[round(y0 * HEIGHT), round(x0 * WIDTH)]


def test_a_frame_with_two_like_areas_or_none_is_not_clear() -> None:
    neutral = np.array([0.52, 1.0, 0.66], np.float32)
    picture = np.full((171, 256, 3), 0.05 * neutral, np.float32)
    assert clear_target(picture) is None
    picture[40:100, 40:100] = 0.5 * neutral
    target = clear_target(picture)
    assert target is not None
    np.testing.assert_allclose(np.multiply(target.box, (256, 171, 256, 171)), (40, 40, 100, 100), atol=2.5)
    assert clear_target(picture * 0.1) is None  # dark
    two = picture.copy()
    two[40:100, 150:210] = 0.5 * neutral
    assert clear_target(two) is None
    over = picture.copy()
    over[150:160, 150:200] = 1.0
    assert clear_target(over) is None
    red = picture.copy()
    red[40:100, 40:100] = (1.5, 0.3, 0.1)
    assert clear_target(np.minimum(red, 0.9)) is None
