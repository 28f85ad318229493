"""What a correction is said to be unsure by, and what may stand in for a target: each by hand."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import ndimage, stats

from greystep.correct import frame_light, lit_by, overlap, references, shared
from greystep.correct.lit_frames import LitFrame
from greystep.correct.unmix import Unmixed, unmix
from greystep.measure.chromaticity import cct_duv, xyz_to_xy
from greystep.raw.blocks import Blocks
from greystep.session.bodies import Body
from greystep.session.settings import load_settings
from helpers.lit_frames import lit_frame
from helpers.lit_patches import MATRIX

BODY = Body("Made Up 7", MATRIX, np.ones(3), None, "dng", None, None, False)


def rows(mired: list[float], u_mired: float = 0.05, **more: object) -> list[dict[str, Any]]:
    """Flash frames of A at full, in the order of capture."""
    start = {
        "head": "A", "power": "1/1", "stops": 0.0, "kind": "flash", "body": "Made Up 7", "lens": "100 mm", "flags": "",
        "status": "ok", "source": "patch", "r_g": 0.5, "b_g": 0.6, "signal_g": 8000.0, "duv": 0.001, "note": "",
        "exposure_s": 0.008, "f_number": 11.0, "iso": 100.0, "trouble": "", "u_mired": u_mired,
    }  # fmt: skip
    return [
        start | {"frame": f"f{n}", "shot": n, "mired": value, "captured": f"2026-03-02T09:{n:02d}:00"} | more
        for n, value in enumerate(mired)
    ]


@pytest.mark.parametrize(
    ("mired", "own"),
    [([180.0, 181.0, 182.0, 183.0, 184.0], 0.05), ([180.0] * 5, 0.4), ([180.0, 182.0], 0.05), ([180.0], 0.05)],
)
def test_a_median_of_frames_is_as_unsure_as_they_scatter_or_read(mired: list[float], own: float) -> None:
    found = references.median(pd.DataFrame(rows(mired, own)))
    assert found is not None
    n = len(mired)
    scatter = stats.t.ppf(0.975, n - 1) * np.std(mired, ddof=1) if n > 1 else 0.0
    assert found.u_mired == pytest.approx(np.sqrt(np.pi / 2) * max(scatter, own) / np.sqrt(n), rel=1e-3)
    assert found.mired == np.median(mired)


def lit(mired: list[float], **more: object) -> list[LitFrame]:
    return [lit_frame(**row) for row in rows(mired, **more)]  # type: ignore[arg-type]


def nearby(folder: Path, mired: tuple[float, ...] = (180.0, 183.0), **waiting: object) -> LitFrame:
    """Let frames with a target stand in for one that has none."""
    unknown = {"frame": "j", "shot": 7, "source": "", "trouble": "none", "r_g": np.nan, "signal_g": np.nan}
    (own,) = lit([0.0], **unknown | waiting)
    return frame_light._from_nearby(own, lit(list(mired)), load_settings(folder))


def test_the_last_target_before_a_frame_stands_in_with_the_spread_of_all(tmp_path: Path) -> None:
    found = nearby(tmp_path, captured="2026-03-02T09:07:00")
    assert (found.source, found.via, found.mired, found.why) == ("nearby", "f1", 183.0, "")
    spread = stats.t.ppf(0.975, 1) * np.std([180, 183], ddof=1)
    assert found.u_mired == pytest.approx(np.hypot(0.05, spread), rel=1e-3)
    assert found.age_s == 360.0
    assert nearby(tmp_path, captured="2026-03-02T09:07:00.5").age_s == 360.5, "with a fraction or without"
    assert np.isnan(nearby(tmp_path, captured="").age_s)
    assert np.isnan(nearby(tmp_path, captured="yesterday").age_s)
    assert (found.signal_g, found.marks) == (8000.0, frozenset())
    assert nearby(tmp_path, (180.0,)).u_mired == pytest.approx(0.05)


@pytest.mark.parametrize(
    "unlike",
    [{"flags": "light_changed"}, {"shot": -1}, {"lens": "50 mm"}, {"head": "B"}, {"stops": 1.0}, {"body": "Other"},
     {"modifier": "dome"}, {"lights": "A@1/1 & B@1/1"}],
    ids=str,
)  # fmt: skip
def test_no_target_stands_in_for_other_light(unlike: dict[str, Any], tmp_path: Path) -> None:
    found = nearby(tmp_path, **unlike)
    assert (found.source, found.trouble) == ("", "none")


@pytest.mark.parametrize(
    ("own", "other", "alike"),
    [
        ("A@1/2 & B@1/4", "B@1/4 & A@1/2", True), ("A@1/2 & B", "A@1/2 & B", True), ("A & B", "A & B@1/4", False),
        ("A@1/2 & B@1/4", "A@1/2 & B", False), ("A@1/2 & B@1/4", "A@1/2", False), ("A@1/2", "A@1/2 & B@1/4", False),
        ("A@1/2 & B@1/4", "A@1/2 & C@1/4", False), ("A@1/2 & B@1/4", "A@1/2 & B@1/8", False), ("A@bad", "A@bad", False),
        ("A", "A", True),
    ],
)  # fmt: skip
def test_lights_are_alike_by_their_heads_and_powers_known_or_not(
    own: str, other: str, alike: bool, tmp_path: Path
) -> None:
    settings = load_settings(tmp_path)
    (one,), (two,) = (lit([180.0], lights=lights) for lights in (own, other))
    assert frame_light._alike(one, two, settings) == alike


def test_at_other_settings_colour_stands_in_and_brightness_does_not(tmp_path: Path) -> None:
    found = nearby(tmp_path, f_number=8.0, flags="no_overlap")
    assert (found.source, found.marks, found.r_g) == ("nearby", {"settings_changed"}, 0.5)
    assert np.isnan(found.signal_g)


def test_a_target_that_is_too_dark_stands_in_only_where_no_other_is(tmp_path: Path) -> None:
    (own,), settings = lit([0.0], frame="j", shot=7, source=""), load_settings(tmp_path)
    both = [*lit([180.0]), *lit([190.0], frame="dark", shot=5, flags="too_dark")]
    assert frame_light._from_nearby(own, both, settings).via == "f0"
    assert frame_light._from_nearby(own, both[1:], settings).via == "dark"


# --- what two frames share -----------------------------------------------------------------------------------------


def blocks(level: float, size: int = 8, **more: Any) -> Blocks:
    return Blocks(np.full((size, size, 3), level), np.zeros((size, size), dtype=bool), 80, 80, 10, **more)


def test_room_light_is_taken_off_block_by_block_at_the_frames_own_settings() -> None:
    levels = {"f": 0.5, "slow": 0.6, "room": 0.1, "doubtful": 0.2, "after": 0.3, "alone": 0.7}
    pictures = {name: blocks(level) for name, level in levels.items()} | {"odd": blocks(0.3, 9)}
    log = pd.DataFrame(
        [("f", "job", "", 0.008), ("slow", "job", "", 0.5), ("room", "ambient", "", 0.008), ("odd", "ambient", "", 0.5),
         ("doubtful", "ambient", "damaged", 0.008), ("after", "job", "", 0.008), ("alone", "job", "", 2.0)],
        columns=["frame", "kind", "flags", "exposure_s"],
    ).assign(f_number=11.0, iso=100.0)  # fmt: skip
    asked: list[list[str]] = []

    def each(work: object, given: Any) -> list[Blocks]:
        asked.append([path.as_posix() for (path,) in given])
        return [pictures[path.name] for (path,) in given]

    crew: Any = SimpleNamespace(each=each)
    seen: list[tuple[int, int]] = []
    read = shared.block_reader(Path("frames"), log, ["f", "slow"], crew, lambda done, total: seen.append((done, total)))
    assert read("f").signal == pytest.approx(np.full((8, 8, 3), 0.4))
    assert read("slow").signal == pytest.approx(np.full((8, 8, 3), 0.6))  # its room light has another shape
    assert read("room").signal == pytest.approx(np.full((8, 8, 3), 0.1))
    assert seen[:2] == [(1, 2), (2, 2)]
    read("f")
    at_once = [one for one in asked if one]
    wanted = [[f"frames/{name}" for name in names] for names in (("f", "slow"), ("room",), ("odd",))]
    assert at_once == wanted, "all at the first, then one by one"
    assert read("after").signal == pytest.approx(np.full((8, 8, 3), 0.2)), "a picture is no room light"
    assert read("alone").signal == pytest.approx(np.full((8, 8, 3), 0.7)), "no room light was shot as it was"
    assert asked[-1] == ["frames/alone"]


@pytest.mark.parametrize(
    ("unlike", "said"),
    [({"lens": "50 mm"}, "lens 50 mm"), ({"lens": ""}, "lens unknown"), ({"orientation": 6}, "camera turned"),
     ({"focal_mm": 106.0}, "106 mm"), ({"focal_mm": None}, ""), ({"focal_mm": 104.0}, "")],
    ids=str,
)  # fmt: skip
def test_frames_of_another_lens_turn_or_length_are_not_laid_over_each_other(unlike: dict[str, Any], said: str) -> None:
    usual = {"lens": "100 mm", "focal_mm": 100.0}
    found = shared._unlike(blocks(0.5, **usual), blocks(0.5, **usual | unlike), "hub")
    assert (said in found) if said else not found


def test_the_hub_of_a_frame_is_the_job_frame_nearest_in_time(monkeypatch: pytest.MonkeyPatch) -> None:
    def nothing(name: str, hub: str, light: np.ndarray, body: Body, read: shared.Reader) -> shared.Shared:
        asked.append((name, hub, light.tolist()))
        return shared.Shared(name, hub, None, light, 0.0, 0.0, 0.0, 0.0, "" if hub != "j4" else "dark")

    asked: list[tuple[str, str, list[float]]] = []
    monkeypatch.setattr(shared, "_shared", nothing)
    anchors = [
        *lit([180.0], frame="j2", shot=2, kind="job"), *lit([180.0], frame="j4", shot=4, kind="job"),
        *lit([180.0], frame="card", shot=9, kind="card"),
    ]  # fmt: skip
    found = shared.of_anchors(lit([0.0] * 4), anchors, BODY, lambda name: blocks(0.5))
    assert {name: one.hub for name, one in found.items()} == {"f0": "j2", "f1": "j2", "f2": "j2", "f3": "j2"}
    found = shared.of_anchors(lit([0.0], shot=5), anchors, BODY, lambda name: blocks(0.5))
    assert found["f0"].hub == "card"  # the job frame nearest gave nothing
    assert asked[0][2] == [4000.0, 8000.0, 4800.0]


# --- which light has changed ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("amounts", "u_stops", "u_contrast", "expected", "said"),
    [
        ((1.1, 1.1, 1.1), 0.1, 0.0, 0.0, "A 0.14 stop brighter than in f"),
        ((0.9, 0.9, 0.9), 0.1, 0.0, 0.0, "A 0.15 stop darker than in f"),
        ((1.1, 1.1, 1.1), 0.2, 0.0, 0.0, "A as in f"),
        ((2.0, 2.0, 2.0), 0.1, 0.0, 1.0, "A as in f"),
        ((1.0, 1.0, 0.95), 0.1, 0.01, 0.0, "A WARMER mired warmer than in f"),
        ((1.0, 1.0, 1.05), 0.1, 0.01, 0.0, "A COOLER mired cooler than in f"),
        ((1.0, 1.0, 0.95), 0.1, 0.034, 0.0, "A WARMER mired warmer than in f"),  # 5.14 against 5.10
        ((1.0, 1.0, 0.95), 0.1, 0.035, 0.0, "A as in f"),
        ((0.0, 0.0, 0.0), 0.1, 0.1, 0.0, "A did not fire"),
        ((0.1, 0.0, 0.1), 0.1, 0.1, 0.0, "A did not fire"),
    ],
)
def test_a_light_has_changed_by_more_than_its_doubt(
    amounts: tuple[float, ...], u_stops: float, u_contrast: float, expected: float, said: str
) -> None:
    found = Unmixed(np.array([amounts]), np.array([u_stops]), np.array([u_contrast]), 90.0)
    neutral = np.array([0.5, 1.0, 0.65])
    xyz = np.linalg.solve(MATRIX, (neutral * [[1.0, 1.0, 1.0], [1.0, 1.0, 0.95], [1.0, 1.0, 1.05]]).T).T
    as_then, warm, cool = 1e6 / cct_duv(xyz_to_xy(xyz))[0]
    said = said.replace("WARMER", f"{warm - as_then:.1f}").replace("COOLER", f"{as_then - cool:.1f}")
    assert lit_by._said("A", "f", found, 0, expected, neutral, BODY) == said


# --- the overlap's own scatter -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("times", "seen"), [(2.7, False), (3.3, True)])
def test_a_left_over_counts_from_three_times_what_scatter_gives_it(times: float, seen: bool) -> None:
    """400 fields that scatter by 2 % and lean by so many times the noise of a surface through them."""
    y, x = (part.ravel() for part in np.mgrid[-0.95:1:20j, -0.95:1:20j])
    scatter = np.where((np.arange(400) + np.arange(400) // 20) % 2, 0.02, -0.02)
    noise = 0.02 * np.sqrt(5.0 / 100.0)
    left = scatter + times * noise * y / np.sqrt(np.mean(y**2))
    fields: Any = SimpleNamespace(hub=np.ones((400, 3)), frame=np.exp(left)[:, None] * np.ones(3), y=y, x=x)
    said = overlap._structure(fields, np.ones(400), np.ones(3))
    assert bool(said) == seen
    if seen:
        assert said == f"what is left varies over the frame by {100 * times * noise:.1f} % in brightness"


def test_what_two_like_frames_share_is_said_in_parts_of_the_frame() -> None:
    rng = np.random.default_rng(1)
    signal = 0.3 + 0.2 * rng.random((48, 64, 1)) * np.ones(3)
    one, two = (
        Blocks(signal * (1.0 + 0.002 * rng.standard_normal(signal.shape)), np.zeros((48, 64), dtype=bool), 480, 640, 10)
        for _ in range(2)
    )
    found = overlap.compare(one, two)
    assert (found.flag, found.dof) == ("", overlap.PARTS**2 - 1)
    assert 60.0 < found.agreed_pct <= 100.0


def test_a_frame_is_taken_apart_into_the_lights_that_lit_it() -> None:
    """Two lights from two sides in known amounts; the doubt of each is that of its scatter over parts of the frame."""
    rng = np.random.default_rng(4)
    x = np.linspace(0.0, 1.0, 160)[None, :, None] * np.ones((107, 1, 3))
    scene = 0.3 * (1.0 + 3.0 * ndimage.gaussian_filter(rng.random((107, 160, 1)) - 0.5, (1.5, 1.5, 0.0)))
    sides = [scene * (1.2 - x), scene * (0.2 + x)]
    amounts = np.array([[0.8, 0.9, 1.0], [1.3, 1.2, 1.1]])
    mixed = sum(side * amount for side, amount in zip(sides, amounts, strict=True))
    assert not isinstance(mixed, int)

    def seen(signal: np.ndarray, noise: float = 0.002) -> Blocks:
        signal = signal * (1.0 + noise * rng.standard_normal(signal.shape))
        return Blocks(signal, np.zeros((107, 160), dtype=bool), 1070, 1600, 10)

    found = unmix([seen(side) for side in sides], seen(mixed))
    assert found is not None
    assert found.amounts == pytest.approx(amounts, rel=2e-3)
    assert found.u_stops.shape == found.u_contrast.shape == (2,)
    assert 90.0 < found.agreed_pct <= 100.0
    errors = np.abs(np.log2(found.amounts[:, 1] / amounts[:, 1]))
    assert (errors < 2.0 * found.u_stops).all()
    assert (found.u_stops < 0.02).all()
    rough = unmix([seen(side, 0.02) for side in sides], seen(mixed, 0.02))
    assert rough is not None
    assert (rough.u_stops > 3.0 * found.u_stops).all()
    assert (rough.u_contrast > 3.0 * found.u_contrast).all()
    assert unmix([seen(sides[0]), seen(2.0 * sides[0], 0.0)], seen(mixed)) is None  # the same light twice


@pytest.mark.parametrize(
    ("flag", "trouble", "settled"),
    [("", "", True), ("light_changed", "it has", True), ("no_overlap", "too dark", False), (None, "clipped", False)],
)
def test_a_comparison_is_settled_by_a_light_or_by_one_that_changed(
    flag: str | None, trouble: str, settled: bool
) -> None:
    found = None if flag is None else overlap.Overlap(np.ones(3), np.eye(3), 15.0, 90.0, flag, trouble)
    one = shared.Shared("f", "hub", found, np.ones(3), 180.0, 0.0, 0.1, 0.01, trouble)
    assert shared.settled(one) == settled


def test_only_the_places_that_are_dark_or_bright_in_a_channel_are_left_out() -> None:
    signal = np.full((2, 3, 3), 0.5)
    signal[0, 1, 2], signal[1, 2, 0] = 0.96, 0.001
    assert overlap.well_exposed(signal).tolist() == [[True, False, True], [True, True, False]]


@pytest.mark.parametrize(
    ("flags", "faults"),
    [("no_flash;clipped", ("no_flash",)), ("clipped;uneven", ("clipped",)), ("uneven", ())],
)
def test_what_is_told_of_a_frame_that_cannot_serve(flags: str, faults: tuple[str, ...]) -> None:
    """First what no other source of light can mend, then what spoils its target; else that none was measured."""
    found = frame_light._start(lit_frame(**rows([180.0], flags=flags, status="rejected", source="")[0]))
    assert found.faults == faults
    assert (found.source, bool(found.trouble)) == ("", not faults)
