"""Whole sessions whose log names no frames: in order, slipped by lost and surplus frames, rows exchanged."""

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from greystep.demo.kit import HeadCharacter, Kit, Shot, light, shoot
from greystep.demo.scenario import write_session
from greystep.demo.sensor import Sensor
from greystep.errors import FaultsError
from greystep.measure.patch import PatchSignal
from greystep.measure.reading import Reading
from greystep.raw.exposure import Exposure
from greystep.sentences.frames import lines
from greystep.sentences.session_notes import sentence
from greystep.session import ingest as ingest_module
from greystep.session.flash_light import light_by_count
from greystep.session.ingest import Ingested, ingest
from greystep.session.matching import PlacedByLight, place_frames
from greystep.session.settings import load_settings

HEADS = (HeadCharacter("A"), HeadCharacter("B", mired=177.0, output_stops=-1.3))
KIT = Kit(
    HEADS,
    powers=("1/1", "1/2", "1/4", "1/8"),
    repeats=2,
    sensor=Sensor(height=160, width=240),
    ambient_share=0.001,
    compressed=False,
)
POP, TWICE = "pop.dng", "twice.dng"


@pytest.fixture(scope="module")
def shot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The kit with two frames that its log does not have: a test pop at 1/16 after A's third, and one fired twice."""
    folder = tmp_path_factory.mktemp("demo") / "kit"
    shots = list(shoot(KIT, 3))
    rng = np.random.default_rng(1)
    third, sixth = shots[3], shots[6]
    pop = Shot("A", "1/16", 4.0, "flash", third.time_s + 3.0, name=POP, logged=False, heat=1.0)
    twice = replace(sixth, time_s=sixth.time_s + 3.0, name=TWICE, logged=False)
    write_session(folder, KIT, [*shots[:4], light(HEADS[0], pop, rng), *shots[4:7], twice, *shots[7:]], 3)
    return folder


Make = Callable[..., tuple[Path, pd.DataFrame]]


@pytest.fixture
def session(shot: Path, tmp_path: Path) -> Make:
    """A copy whose log names no frames, without some frames; with it the log as it is true."""

    def make(
        lost: Sequence[int] = (), extra: Sequence[str] = (), swapped: tuple[int, int] | None = None
    ) -> tuple[Path, pd.DataFrame]:
        log = pd.read_csv(shot / "shots.csv", dtype=str, keep_default_na=False)
        away = {log["frame"][row] for row in lost} | ({POP, TWICE} - set(extra))
        (tmp_path / "frames").mkdir()
        for path in (shot / "frames").iterdir():
            if path.name not in away:
                (tmp_path / "frames" / path.name).symlink_to(path)
        (tmp_path / "session.toml").write_text(
            (shot / "session.toml").read_text().replace("grey.csv", f"{shot}/grey.csv")
        )
        order = list(range(len(log)))
        if swapped:
            order[swapped[0]], order[swapped[1]] = swapped[1], swapped[0]
        log.iloc[order].assign(frame="").to_csv(tmp_path / "shots.csv", index=False)
        return tmp_path, log

    return make


def labels(found: Ingested) -> dict[str, tuple[str, str, str]]:
    named = found.readings[found.readings["frame"] != ""]
    return dict(zip(named["frame"], zip(named["head"], named["power"], named["kind"], strict=True), strict=True))


def faults_of(folder: Path) -> tuple[str, ...]:
    with pytest.raises(FaultsError) as caught:
        ingest(load_settings(folder))
    assert not (folder / "readings.csv").exists()
    return caught.value.faults


def test_a_sequence_that_did_not_slip_is_taken_in_order(session: Make) -> None:
    folder, log = session()
    found = ingest(load_settings(folder))
    assert found.readings["frame"].tolist() == log["frame"].tolist()
    assert not [line for line in lines(found.messages) if "row" in line]


@pytest.mark.parametrize("place", [0, 3, 8, 11, 19])  # ambient frames at 0, 9, 18 and 19
def test_a_lost_frame_leaves_its_own_row_empty_and_no_other(session: Make, place: int) -> None:
    folder, log = session(lost=[place])
    found = ingest(load_settings(folder))
    true = log.set_index("frame").drop(log["frame"][place])
    assert labels(found) == dict(
        zip(true.index, zip(true["head"], true["power"], true["kind"], strict=True), strict=True)
    )
    assert isinstance(found.notes[0], PlacedByLight)
    assert "placed by their light" in sentence(found.notes[0])
    (empty,) = found.readings[found.readings["frame"] == ""].to_dict(orient="records")
    assert (empty["head"], empty["power"], empty["kind"]) == tuple(log.loc[place, ["head", "power", "kind"]])
    assert (empty["flags"], empty["shot"]) == ("missing", -1)
    slip = next(line for line in lines(found.messages) if line.startswith("shots.csv: 20 rows, 19 frames"))
    assert (f"after {log['frame'][place - 1]}, row" if place and place != 19 else "row") in slip
    first, last = re.search(r"rows? (\d+)(?: to (\d+))? \(.*?\): .*(?:no|without a) frame", slip).groups()
    assert int(first) <= place + 2 <= int(last or first)
    assert any(line.startswith("row ") and "no frame is left for it" in line for line in lines(found.messages))


def test_a_test_pop_has_no_row(session: Make) -> None:
    folder, log = session(extra=[POP])
    found = ingest(load_settings(folder))
    assert labels(found).pop(POP) == ("", "", "")
    assert found.readings["frame"].tolist() == [*log["frame"], POP]
    assert found.readings["flags"].tolist()[-1] == "extra_frame"
    assert any(f"after {log['frame'][3]}, {POP}: no row" in line for line in lines(found.messages))


def test_one_of_two_alike_is_not_chosen_but_named(session: Make) -> None:
    folder, log = session(extra=[TWICE])
    count, place = faults_of(folder)
    assert count.startswith("20 rows, 21 frames in capture order: 1 frame too many; ")
    assert place == f"after {log['frame'][5]}, {log['frame'][6]} to {TWICE}: 1 of them without a row"


def test_as_many_frames_as_rows_that_slipped_between(session: Make) -> None:
    folder, log = session(lost=[12], extra=[POP])
    count, pop, lost = faults_of(folder)
    assert count.startswith("20 rows and as many frames in capture order, but their light says")
    assert pop == f"after {log['frame'][3]}, {POP}: no row"
    assert lost.startswith(f"after {log['frame'][11]}, row 14 (B ")


def test_rows_in_the_wrong_order_decide_nothing(session: Make) -> None:
    folder, log = session(swapped=(11, 12))
    found = ingest(load_settings(folder))
    readings = found.readings
    exchanged = log["frame"][[11, 12]].tolist()
    assert readings["frame"].tolist() == [*log["frame"][:11], "", "", *log["frame"][13:], *exchanged]
    assert readings["flags"].tolist()[11:13] == ["missing", "missing"]
    assert readings["flags"].tolist()[-2:] == ["extra_frame", "extra_frame"]
    assert not readings["flags"].str.contains("flash|outlier").any()  # of the frames on their own rows
    line = sentence(found.notes[0])
    assert line.startswith(f"{exchanged[0]} (row 13), {exchanged[1]} (row 14): the light is not what the row says, but")
    assert lines(found.messages)[0] == line


def test_where_light_does_not_tell_the_exposure_data_do(session: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("greystep.session.matching.light_by_count", lambda readings, unlit: None)
    folder, _ = session(lost=[12])
    count, place = faults_of(folder)
    assert count.startswith("20 rows, 19 frames in capture order: 1 frame too few; ")
    assert re.match(r"rows \d+ to \d+ \(B .*\): 1 of them without a frame", place)


def test_a_head_of_which_most_is_lost_is_not_placed_by_light(session: Make) -> None:
    folder, _ = session(lost=range(10, 15))
    count, *places = faults_of(folder)
    assert count.startswith("20 rows, 15 frames in capture order: 5 frames too few; ")
    assert not [place for place in places if place.startswith("after")]


def test_a_log_that_is_not_whole_is_an_error_though_light_places_all(session: Make) -> None:
    folder, log = session(lost=[3, 12, 14])
    _, *places = faults_of(folder)
    # Row 14 repeats row 13, so that either may be the lost one: both come after the frame of row 11, row 12 being lost.
    assert [place.split(",")[0] for place in places] == [f"after {log['frame'][row]}" for row in (2, 11, 11)]


def test_nothing_is_placed_where_the_log_names_its_frames(
    shot: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ingest_module, "place_frames", lambda *_: pytest.fail("placed"))
    ingest(replace(load_settings(shot), path=shot), store=tmp_path)


# --- rows and frames without files ------------------------------------------------------------------------------------

#: Two rounds of two heads, as planned; a level of its own for B.
PLANNED = (
    "ambient", "dark", "A 0", "A 2", "A 4", "A 4", "A 2", "A 0", "B 0", "B 2", "B 4", "B 4", "B 2", "B 0", "C 0", "C 2",
    "C 4", "C 4", "C 2", "C 0", "ambient",
)  # fmt: skip
ROOM = 0.01


def planned_log() -> pd.DataFrame:
    cells = [row.split() if " " in row else ("", "") for row in PLANNED]
    return pd.DataFrame(
        {
            "frame": pd.array([""] * len(PLANNED), dtype="str"),
            "row": range(2, len(PLANNED) + 2),
            "head": pd.array([head for head, _ in cells], dtype="str"),
            "power": pd.array([f"1/{2 ** int(stops)}" if stops else "" for _, stops in cells], dtype="str"),
            "stops": [float(stops or "nan") for _, stops in cells],
            "kind": pd.array([row if " " not in row else "flash" for row in PLANNED], dtype="str"),
        }
    )


def planned_readings(room: float = ROOM) -> list[Reading]:
    level = {"A": 0.8, "B": 0.7, "C": 0.85}
    shares = {"ambient": room, "dark": 0.0}
    return [reading(shares[row] if " " not in row else room + level[row[0]] / 2.0 ** float(row[2:])) for row in PLANNED]


def place(readings: Sequence[Reading], order: Sequence[int]) -> tuple[list[str], tuple[str, ...]]:
    """Place the frames f0, f1, ... that were taken of the planned rows `order`; return the frames of the rows."""
    shots, notes = place_frames(planned_log(), [f"f{row}" for row in order], [readings[row] for row in order])
    return shots["frame"].tolist(), tuple(lines(notes))


WHOLE = list(range(len(PLANNED)))
NAMES = [f"f{row}" for row in WHOLE]


@pytest.mark.parametrize(("a", "b"), [(8, 9), (9, 10), (3, 9 + 5), (7, 20)])
def test_frames_that_fit_each_others_rows_have_none(a: int, b: int) -> None:
    order = WHOLE.copy()
    order[a], order[b] = b, a
    frames, (line,) = place(planned_readings(), order)
    assert frames == ["" if row in (a, b) else f"f{row}" for row in WHOLE]
    assert line.startswith(f"f{b} (row {a + 2}), f{a} (row {b + 2}): the light is not what the row says, but what")


def test_rows_exchanged_in_a_plan_shot_in_part_have_no_frame_either() -> None:
    order = [*WHOLE[:8], 9, 8, *WHOLE[10:15]]
    frames, lines = place(planned_readings(), order)
    assert frames == [*NAMES[:8], "", "", *NAMES[10:15], *[""] * 6]
    assert len(lines) == 2
    assert "f9 (row 10), f8 (row 11)" in lines[0]


def test_a_frame_much_brighter_than_its_row_and_repeat_has_none_and_a_darker_one_keeps_it() -> None:
    readings = planned_readings()
    readings[9], readings[18] = reading(0.6), reading(0.85 / 4.0 / 2.2)
    frames, (line,) = place(readings, WHOLE)
    assert frames == [*NAMES[:9], "", *NAMES[10:]]
    assert line.startswith("f9 (row 11), f18 (row 20): the light is not what the row says; check")


def test_all_frames_of_a_light_unlike_its_setting_are_the_heads_own() -> None:
    readings = planned_readings()
    for row in (9, 12):
        readings[row] = reading(ROOM + 0.7 / 4.0 * 2.1)
    frames, (line,) = place(readings, WHOLE)
    assert frames == NAMES
    assert line.startswith("f9 (row 11), f12 (row 14): the light is not what the row says; check")


@pytest.mark.parametrize("lost", [0, 1, 20])
@pytest.mark.parametrize("room", [ROOM, 0.0])
def test_a_forgotten_frame_without_flash_leaves_a_row_of_its_kind_empty(lost: int, room: float) -> None:
    frames, (line,) = place(planned_readings(room), [row for row in WHOLE if row != lost])
    if room:
        assert frames == ["" if row == lost else f"f{row}" for row in WHOLE]
    else:  # without room light the two are alike
        assert frames[2:20] == NAMES[2:20]
        assert frames.count("") == 1
    said = "row 22 (ambient): no frame" if lost == 20 else "at the start, rows 2 to 3 (ambient to dark): 1 of them"
    assert said in line


def test_without_another_ambient_frame_nothing_tells_it_from_a_dark_one() -> None:
    with pytest.raises(FaultsError, match=r"at the start, rows 2 to 3 \(ambient to dark\): 1 of them without a frame"):
        place(planned_readings(), WHOLE[1:20])


@pytest.mark.parametrize(
    ("lost", "said"),
    [(4, "after f3, rows 6 to 7 .A 1/16.: 1 of them without"), (9, "after f8, row 11 .B 1/4.: no frame")],
)
def test_a_plan_shot_in_part_that_slipped_is_told_by_light(lost: int, said: str) -> None:
    with pytest.raises(FaultsError) as caught:
        place(planned_readings(), [row for row in WHOLE[:14] if row != lost])
    count, slip = caught.value.faults
    assert (
        "13 frames in capture order: 8 frames too few; their light fits the first 14 rows but for a slip; correct"
        in count
    )
    assert re.match(said, slip), slip


# --- the light of frames ----------------------------------------------------------------------------------------------


def reading(share: float, iso: float | None = 100.0, serial: str = "7", damage: str = "") -> Reading:
    three = (1.0, 1.0, 1.0)
    level = (0.5 * share * 1000.0, share * 1000.0, 0.6 * share * 1000.0)
    signal = PatchSignal(
        mean=level, u=three, sd=three, n=(9, 9, 9), black=(0.0,) * 3, white=(1000.0,) * 3, ceiling=(1000.0,) * 3,
        g1_g2=1.0, clipped_pct=0.0, gradient_pct=0.0, damage=damage,
    )  # fmt: skip
    exposure = Exposure(exposure_s=0.008, f_number=8.0, iso=iso, serial=serial)
    return Reading(exposure, 10, 10, signal, None, None, False, "region", None, None, (), "")


def test_room_light_is_parted_from_flash_and_taken_off() -> None:
    room = 0.01
    shares = [room, 0.8 + room, 0.4 + room, 0.05 + room, room]
    light = light_by_count([reading(share) for share in shares], 2)
    assert light is not None
    assert light[[0, 4]].tolist() == [-np.inf, -np.inf]
    assert (light[1:4] - light[1]).tolist() == pytest.approx([0.0, -1.0, -4.0], abs=1e-9)


def test_exposure_settings_are_taken_out() -> None:
    light = light_by_count([reading(0.0), reading(0.1, iso=100.0), reading(0.4, iso=400.0)], 1)
    assert light is not None
    assert light[1] == pytest.approx(light[2])


def test_a_frame_that_cannot_be_measured_is_not_known() -> None:
    light = light_by_count([reading(0.0), reading(0.5), reading(0.5, damage="zeros"), reading(0.5, iso=None)], 1)
    assert light is not None
    assert np.isnan(light).tolist() == [False, False, True, True]


@pytest.mark.parametrize(
    "readings",
    [
        [reading(0.5), reading(0.5, serial="8")],
        [reading(0.005 * 2.0**step) for step in range(7)],
        [reading(np.nan)],
    ],
)
def test_light_that_cannot_be_compared(readings: list[Reading]) -> None:
    assert light_by_count(readings, 1) is None
