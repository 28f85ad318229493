"""Limits of reading and placing frames, their order and their files, just inside and just outside.

Each limit is written as a number in its test.
"""

import io
import math
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from PIL import Image
from scipy.stats import t as student

from greystep.errors import GreystepError
from greystep.session import workers
from greystep.session.conductor import conduct
from greystep.session.costs import disagreement
from greystep.session.entries import as_json
from greystep.session.flash_light import light_by_count
from greystep.session.matching import place_by_light
from greystep.session.measured import Measured
from greystep.session.pictures import as_jpegs
from greystep.session.runs import RUN_NOTE, settling
from greystep.session.toml_file import read_toml
from greystep.session.warm_ups import _alike_in_a_row, find_warm_ups
from greystep.session.workers import Crew
from helpers.logs import log
from session.test_conductor_by_hand import frames_of, plan_of
from session.test_shoot import reading

# --- frames on rows ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("off", "told"), [(0.19, False), (-0.19, False), (0.21, True), (-0.21, True)])
def test_an_iso_a_fifth_of_a_stop_off_is_another_than_the_plan_asks_for(off: float, told: bool) -> None:
    (frame,) = frames_of(-1.0)
    object.__setattr__(frame, "iso", 400.0 * 2.0**off)
    (event,) = conduct(plan_of("A0", note=["ISO 400"]), [frame]).events
    assert math.isnan(event.iso) != told
    assert event.asked_iso == 400.0 or not told


def test_what_a_frame_costs_on_a_row() -> None:
    """Rows that expect light, none, and what is not known; frames half a stop off, without light, and not known."""
    found = disagreement(np.array([-1.0, np.inf, np.nan]), np.array([-1.5, -np.inf, np.nan]))
    assert found.tolist() == [[0.5, 0.8, 0.3], [np.inf, 0.0, 0.3], [0.3, 0.3, 0.3]]


def test_a_flash_that_did_not_fire_keeps_its_row() -> None:
    """It costs 0.8 stop; to leave out both frame and row costs 0.9."""
    stops = np.array([0.0, 3.0, 1.0, 4.0, 2.0])
    light = np.where(np.arange(5) == 2, -np.inf, 9.0 - stops)
    assert place_by_light(log("A0", "A3", "A1", "A4", "A2"), light).tolist() == [0, 1, 2, 3, 4]


@pytest.mark.parametrize(("beside", "found"), [("0.36", []), ("0.40", [(0, "A"), (1, "A"), (2, "A")])])
def test_warm_ups_save_eight_tenths_of_a_stop(beside: str, found: list[tuple[int, str]]) -> None:
    """The frame of the second row is missing, and of three before the first one may be it, 0.36 or 0.40 stop off.

    As warm-ups they cost 0.03 and the row without frame 0.45; else that frame costs what it is off, and two that have
    no row 0.9.
    """
    light = np.array([-1.0, -1.0, -1.0, -1.0, -2.0, -3.0, -4.0])
    assert find_warm_ups(log("A0", f"A{beside}", "A1", "A2", "A3"), light) == found


@pytest.mark.parametrize(("last", "alike"), [(0.29, True), (0.31, False)])
def test_warm_ups_are_alike_within_three_tenths_of_a_stop(last: float, alike: bool) -> None:
    assert _alike_in_a_row(np.array([5.0, 0.0, 0.1, last])) == alike


def test_room_light_is_that_of_three_quarters_of_the_frames_without_flash() -> None:
    light = light_by_count([*map(reading, (0.001, 0.002, 0.003, 0.004, 0.005, 0.024, 0.5))], 5)
    assert light is not None
    assert light[6] - light[5] == pytest.approx(np.log2(0.496 / 0.020), abs=0.005)


# --- what is measured and kept ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("seen", "settled"), [(3, False), (4, True)])
def test_a_target_is_settled_with_four_frames_that_show_it(seen: int, settled: bool) -> None:
    frames: Any = Measured.__new__(Measured)
    frames.labels = {f"f{at}": "X" for at in range(9)}
    frames.readings = {
        f"f{at}": SimpleNamespace(signal=at < seen + 2, flags=("too_dark",) if at < 2 else ()) for at in range(9)
    }
    frames.targets = {"X": "there", "Y": None}
    assert frames.settled_targets() == ({"X": "there"} if settled else {})


def test_sixteen_numbers_are_kept_as_numbers_and_seventeen_as_bytes() -> None:
    @dataclass
    class Entry:
        few: NDArray[Any]
        many: NDArray[Any]

    kept = as_json(Entry(np.arange(16.0), np.arange(17.0)))
    assert kept["few"] == list(range(16))
    assert kept["many"][0] == (17,)
    assert isinstance(kept["many"][1], str)


def test_pictures_are_kept_whole_and_of_every_second_and_third_pixel() -> None:
    kept = as_jpegs(np.zeros((12, 18, 3), np.uint8))
    sizes = {longest: Image.open(io.BytesIO(kept.jpeg(longest))).size for longest in (18, 17, 9, 8, 6, 2)}
    assert sizes == {18: (18, 12), 17: (9, 6), 9: (9, 6), 8: (6, 4), 6: (6, 4), 2: (6, 4)}


@pytest.mark.parametrize(
    ("size", "says"), [(2**20, "is not UTF-8 text"), (2**20 + 1, "no such file has more than 1 MB")]
)
def test_session_toml_has_one_mebibyte(size: int, says: str, tmp_path: Path) -> None:
    (tmp_path / "session.toml").write_bytes(b"\xff" * size)
    with pytest.raises(GreystepError, match=says):
        read_toml(tmp_path)


def test_a_decoder_has_twenty_seconds_for_a_frame_and_a_process_sixty_to_begin(monkeypatch: pytest.MonkeyPatch) -> None:
    limits: list[float] = []

    class Process:
        alive = True

        def ask(self, work: Any, task: Any, limit_s: float) -> Any:
            limits.append(limit_s)
            return work(*task)

        def end(self) -> None: ...

        kill = end

    monkeypatch.setattr(workers, "_Process", Process)
    monkeypatch.setattr(workers, "needs_library", lambda _: True)
    with Crew(1) as crew:
        assert list(crew.each(str, [(Path("a.nef"),)])) == ["a.nef"]
    assert limits == [60.0, 20.0]


# --- runs from rest ---------------------------------------------------------------------------------------------------


def clearness(mired: NDArray[Any]) -> float:
    """The change of a run over its 95 % half-width, for the time constant that leaves least."""
    place, best = np.arange(len(mired), dtype=float), (np.inf, 0.0)
    for tau in np.geomspace(0.7, 1.5 * place[-1], 40):
        design = np.stack([np.ones(len(place)), 1.0 - np.exp(-place / tau)], axis=1)
        fitted, (left,), *_ = np.linalg.lstsq(design, mired)
        standard = np.sqrt(left / (len(place) - 3) * np.linalg.inv(design.T @ design)[1, 1])
        best = min(best, (left, abs(fitted[1]) / standard))
    return float(best[1] / student.ppf(0.975, len(place) - 3))


@pytest.mark.parametrize(("size", "clear", "moves"), [(1.97, 1.5, False), (1.73, 1.7, True)])
def test_a_head_moves_where_the_change_is_clear_of_its_scatter_by_sixteen_tenths(
    size: float, clear: float, moves: bool
) -> None:
    scatter = np.random.default_rng(4).normal(0.0, size, 20)
    mired = 180.0 + 6.0 * (1.0 - np.exp(-np.arange(20.0) / 4.0)) + scatter
    assert clearness(mired) == pytest.approx(clear, abs=0.02)
    run = pd.DataFrame({"mired": mired, "shot": range(20), "note": RUN_NOTE, "kind": "flash", "head": "A"})
    (found,) = settling(run.assign(body="X", power="1/1", status="ok", flags=""), 1.0)
    assert (found.after > 0) == moves
