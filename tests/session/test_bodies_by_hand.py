"""Which calibration and which neutral a body has, on a few rows that are written down."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.measure.reading import Reading
from greystep.raw.dng import ColourTags
from greystep.raw.exposure import Exposure
from greystep.session import bodies
from greystep.session.bodies import make_bodies, pinned_tags, reference_neutral
from greystep.session.settings import Meter, load_settings

MATRIX = np.array([[0.95, -0.28, -0.09], [-0.55, 1.32, 0.24], [-0.17, 0.27, 0.72]])
NAN = np.nan


def tags(scale: float = 1.0, neutral: Any = None) -> ColourTags:
    return ColourTags(scale * MATRIX, illuminant_1=21, as_shot_neutral=neutral)


def test_the_calibration_of_most_frames_the_first_on_equal_terms() -> None:
    one, two, twin = tags(), tags(1.1), tags()
    assert pinned_tags([two, one, None, twin]) is one
    assert pinned_tags([two, one]) is two
    assert pinned_tags([two, one, twin, two]) is two
    assert pinned_tags([None, None]) is None
    assert pinned_tags([]) is None


def test_frames_whose_matrix_tells_no_light_are_unreadable_and_say_why() -> None:
    blind = ColourTags(np.ones((3, 3)), illuminant_1=21)
    read = {
        "a": Reading(Exposure(iso=100.0), height=4, colour=tags()), "b": Reading(Exposure(iso=200.0), colour=blind),
        "c": Reading(height=5), "d": Reading(Exposure(iso=400.0), colour=blind),
    }  # fmt: skip
    found = bodies.through_matrix(read)
    assert list(found) == ["a", "b", "c", "d"]
    assert (found["a"], found["c"]) == (read["a"], read["c"])
    for name, iso in (("b", 200.0), ("d", 400.0)):
        assert (found[name].exposure.iso, found[name].flags) == (iso, ("unreadable",))
        assert found[name].message.startswith(f"{name}: its colour matrix has no inverse (1 1 1")


def test_a_body_of_which_no_matrix_is_known_has_no_factor_of_a_target(tmp_path: Path) -> None:
    settings = load_settings(tmp_path)
    for carried, neutral in ((None, (0.5, 1.0, 0.7)), (tags(), None), (tags(), (-0.5, 1.0, 0.7))):
        body = bodies.make_body("X", carried, None, neutral, settings, None)
        assert (body.matrix, body.sees, body.anchored) == (None, None, False)
        assert body.target_factor.tolist() == [1.0, 1.0, 1.0]
        assert body.reference_neutral == neutral


def test_a_meter_scales_the_matrix_where_each_channel_of_its_frame_has_light(tmp_path: Path) -> None:
    meter = Meter("f1", 5600.0, 0.0)
    settings = replace(load_settings(tmp_path), meter=meter)
    for metered, anchored in (((0.5, 1.0, 0.7), True), ((-0.1, 1.0, 0.7), False)):
        body = bodies.make_body("X", tags(), None, (0.5, 1.0, 0.7), settings, metered)
        assert body.anchored == anchored
        assert body.matrix is not None
        assert np.isfinite(body.matrix).all()


def rows(**more: Any) -> pd.DataFrame:
    usual: dict[str, Any] = {
        "frame": [f"f{at}" for at in range(6)], "head": ["A", "A", "B", "B", "B", ""],
        "power": ["1/2", "1/4", "1/1", "1/2", "1/2", ""],
        "stops": [1.0, 2.0, 0.0, 1.0, 1.0, NAN], "kind": ["flash"] * 5 + ["card"], "body": "X",
        "r_g": [0.1, 0.2, 0.3, 0.4, 0.6, 0.9], "b_g": [1.1, 1.2, 1.3, 1.4, 1.6, 1.9],
    }  # fmt: skip
    return pd.DataFrame(usual | more)


@pytest.mark.parametrize(
    ("toml", "serves", "neutral", "says"),
    [
        ("", [1, 1, 1, 1, 1, 1], 0.1, ""),
        ('[reference]\nhead = "B"\npower = "1/2"\n', [1, 1, 1, 1, 1, 1], 0.5, ""),
        ('[reference]\nhead = "B"\npower = "1/2"\n', [1, 1, 1, 0, 0, 1], 0.3, "head B at 1/1"),
        ('[reference]\nhead = "B"\npower = "1/2"\n', [1, 1, 0, 0, 0, 1], 0.1, "head A at 1/2"),
        ('[reference]\nkit = true\npower = "1/2"\n', [1, 1, 1, 1, 1, 1], 0.3, ""),
        ('[reference]\nkit = true\npower = "1/8"\n', [1, 1, 1, 1, 1, 1], 0.1, "head A at 1/2"),
        ("", [0, 0, 0, 0, 0, 1], 0.9, "frame f5"),
        ("", [0, 0, 0, 0, 0, 0], None, ""),
    ],
)
def test_the_neutral_is_that_of_the_reference_or_of_what_stands_in(
    toml: str, serves: list[int], neutral: float | None, says: str, tmp_path: Path
) -> None:
    (tmp_path / "session.toml").write_text(toml)
    found, told = reference_neutral(rows(), np.array(serves, dtype=bool), load_settings(tmp_path))
    assert told == says
    assert found == (None if neutral is None else (pytest.approx(neutral), 1.0, pytest.approx(neutral + 1.0)))


def test_a_card_stands_in_before_a_job_frame(tmp_path: Path) -> None:
    table = rows(kind=["job", "job", "job", "job", "job", "card"])
    found, told = reference_neutral(table, np.ones(6, dtype=bool), load_settings(tmp_path))
    assert (found, told) == ((0.9, 1.0, 1.9), "frame f5")
    lost = reference_neutral(table, np.array([0, 1, 1, 1, 1, 0], dtype=bool), load_settings(tmp_path))
    assert lost == ((0.2, 1.0, 1.2), "frame f1"), "a card that cannot be used"
    job, told = reference_neutral(table.assign(kind="job"), np.ones(6, dtype=bool), load_settings(tmp_path))
    assert (job, told) == ((0.1, 1.0, 1.1), "frame f0")


def made(
    folder: Path,
    table: pd.DataFrame,
    read: list[Reading | None],
    monkeypatch: pytest.MonkeyPatch,
    usable: list[int] | None = None,
    serves: list[int] | None = None,
    toml: str = "",
) -> tuple[Any, dict[str, str]]:
    """Return what each body is made of, and what stands in for its reference."""
    (folder / "session.toml").write_text(toml)
    body = bodies.make_body("", None, None, None, load_settings(folder), None)

    def note(label: str, given: Any, target: Any, neutral: Any, settings: Any, metered: Any) -> Any:
        return replace(body, label=label, tags=given, reference_neutral=neutral, colour_from=str(metered))

    monkeypatch.setattr(bodies, "make_body", note)
    count = len(table)
    one = np.array(usable or [1] * count, dtype=bool), np.array(serves or [1] * count, dtype=bool)
    return make_bodies(load_settings(folder), table, read, *one, {})


def frame(of: ColourTags | None = None, serial: str = "7", height: int = 10) -> Reading:
    return Reading(Exposure(serial=serial), height=height, colour=of)


def test_each_body_has_the_calibration_that_its_test_frames_carry(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    one, two = tags(), tags(1.1)
    read: list[Reading | None] = [frame(one), frame(two), frame(one), None, frame(height=0), frame(two)]
    found, told = made(tmp_path, rows(), read, monkeypatch)
    assert found["X"].tags is one
    assert (found["X"].reference_neutral, told) == ((0.1, 1.0, 1.1), {"X": ""})
    assert found["X"].has_serial
    jobs = rows(kind=["flash", "job", "job", "job", "job", "ambient"])
    first = made(tmp_path, jobs, [frame(one), frame(two), frame(two), None, None, frame(two)], monkeypatch)[0]
    assert first["X"].tags is one, "of job frames where there is no test frame alone"
    only = made(tmp_path, jobs.assign(kind="job"), [frame(one), frame(two), frame(two), None, None, None], monkeypatch)[
        0
    ]
    assert only["X"].tags is two
    dark = made(tmp_path, jobs.assign(kind="ambient"), [frame(one, ""), *[None] * 5], monkeypatch)[0]
    assert dark["X"].tags is one
    assert not dark["X"].has_serial
    both = made(
        tmp_path, rows(body=["X"] * 3 + ["Y"] * 3), [frame(one)] * 3 + [None, frame(height=0), None], monkeypatch
    )[0]
    assert list(both) == ["X"], "none of its frames could be opened"


def test_pictures_alone_are_held_to_the_cameras_own_white(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    nothing = [0] * 6
    set_white: list[Reading | None] = [frame(tags(neutral=(0.5, 2.0, 1.5)))] * 6
    found, told = made(tmp_path, rows(kind="job"), set_white, monkeypatch, serves=nothing)
    assert (found["X"].reference_neutral, told["X"]) == ((0.25, 1.0, 0.75), "the camera's own white")
    unset: list[Reading | None] = [frame(tags())] * 6
    found, told = made(tmp_path, rows(kind="job"), unset, monkeypatch, usable=[0, 1, 1, 1, 1, 1], serves=nothing)
    assert (found["X"].reference_neutral, told["X"]) == ((0.2, 1.0, 1.2), "what its first frame shows")
    found, told = made(tmp_path, rows(r_g=0.0), unset, monkeypatch)
    assert (found["X"].reference_neutral, told["X"]) == (None, ""), "a frame without red has no neutral"


def test_the_metered_frame_is_the_bodys_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    toml = '[camera]\nmeter = {frame = "f3", cct_k = 5600}\n'
    read: list[Reading | None] = [frame(tags())] * 6
    found, _ = made(tmp_path, rows(), read, monkeypatch, toml=toml)
    assert found["X"].colour_from == str((0.4, 1.0, 1.4))
    lost, _ = made(tmp_path, rows(), read, monkeypatch, usable=[1, 1, 1, 0, 1, 1], toml=toml)
    assert lost["X"].colour_from == "None"


def test_a_body_without_a_calibration_or_a_neutral_has_no_matrix_and_a_flat_target(tmp_path: Path) -> None:
    for given, neutral in ((None, (0.5, 1.0, 0.7)), (tags(), None)):
        found = bodies.make_body("X", given, None, neutral, load_settings(tmp_path), None)
        assert (found.matrix, found.sees, found.anchored) == (None, None, False)
        assert found.target_factor.tolist() == [1.0, 1.0, 1.0]
        assert found.colour_from == ("none" if given is None else "dng")
    fixed = bodies.make_body("X", tags(), None, (0.5, 1.0, 0.7), load_settings(tmp_path), None)
    assert fixed.matrix is not None
    assert fixed.sees == pytest.approx(fixed.matrix)
