"""What ingest asks of its parts: which frames the target is sought in, what is written, what is drawn."""

from collections.abc import Callable, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.errors import GreystepError
from greystep.flags import Flag
from greystep.measure.target import Target, fixed_target
from greystep.session import cache as kept
from greystep.session import ingest as ingesting
from greystep.session import measured
from greystep.session.ingest import Ingested, as_written, ingest, overviews, write_readings
from greystep.session.messages import KeptElsewhere, NotKept
from greystep.session.part import Part
from greystep.session.settings import load_settings
from greystep.session.shots import PutBack
from helpers.synthetic import make_session

TARGET = fixed_target((0.2, 0.2, 0.8, 0.8))


# --- where the target is sought ---------------------------------------------------------------------------------------


def chosen(kinds: list[str], **more: Any) -> list[str]:
    """Return the frames that are looked at; ``f0`` and so on, all of one body."""
    names = [f"f{at}" for at in range(len(kinds))]
    usual: dict[str, Any] = {"frame": names, "head": "A", "power": "1/1", "stops": 0.0, "kind": kinds}
    return measured._spread(pd.DataFrame(usual | more), names)


def test_flash_frames_then_cards_then_job_frames_then_any() -> None:
    assert chosen(["ambient", "flash", "card", "check"]) == ["f1", "f3"]
    assert chosen(["ambient", "job", "card", ""]) == ["f2"]
    assert chosen(["ambient", "job", ""]) == ["f1"]
    assert chosen(["ambient", "dark", ""]) == ["f0", "f1", "f2"]
    assert measured._spread(pd.DataFrame({"frame": ["x"], "kind": ["flash"]}), ["a", "b"]) == ["a", "b"], (
        "not of the log"
    )


def test_nine_frames_one_of_each_light_before_any_repeat_from_full_down() -> None:
    """Twelve lights of two heads, each shot twice: nine of the first shots, evenly from the highest to the lowest."""
    stops = np.repeat(np.arange(6.0), 4)
    heads = np.tile(["A", "A", "B", "B"], 6)
    found = chosen(["flash"] * 24, stops=stops, head=heads, power=stops.astype(str))
    order = [4 * power + 2 * head for power in range(6) for head in range(2)]
    assert found == [f"f{order[at]}" for at in (0, 1, 2, 4, 5, 6, 8, 9, 11)]
    more = chosen(["flash"] * 13, stops=[*range(10), 0, 1, 2], power=[*"abcdefghij", "a", "b", "c"])
    assert more == ["f0", "f1", "f2", "f3", "f4", "f5", "f6", "f7", "f9"], "of ten lights, and no repeat"
    few = chosen(["flash"] * 4, head=["A", "A", "B", "B"])
    assert few == ["f0", "f2", "f1", "f3"]


@pytest.fixture
def session(tmp_path: Path, shoot: Callable[..., None]) -> Path:
    """An ambient frame, head A at full and 1/4, twice each, an ambient frame; the log names none."""
    light = [3.0, 6000.0, 6000.0, 1500.0, 1500.0, 3.0]
    for at, level in enumerate(light):
        shoot(tmp_path / f"frames/f{at}.dng", level)
    rows = ["ambient,,", "flash,A,1/1", "flash,A,1/1", "flash,A,1/4", "flash,A,1/4", "ambient,,"]
    (tmp_path / "shots.csv").write_text("kind,head,power\n" + "\n".join(rows) + "\n")
    return tmp_path


Asked = list[tuple[list[str], bool]]


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> Asked:
    """The frames in which a target was sought, and whether one clear frame was to be enough."""
    seen: Asked = []

    def find_once(folder: Path, names: Sequence[str], *_: object, at_once: bool = False) -> tuple[Target | None, str]:
        seen.append((list(names), at_once))
        return TARGET, ""

    monkeypatch.setattr(kept, "find_once", find_once)
    return seen


class Placed:
    """Names the frames row after row, and remembers what it was asked."""

    def __init__(self) -> None:
        self.targets: dict[str, Target] = {}
        self.so_far: pd.DataFrame | None = None
        self.names: list[str] = []
        self.states: dict[str, str] = {}

    def see_targets(self, states: Any) -> bool:
        self.states = states
        return False

    def place(
        self, shots: pd.DataFrame, names: Sequence[str], readings: Sequence[Any]
    ) -> tuple[pd.DataFrame, tuple[()]]:
        self.names = list(names)
        assert len(readings) == len(names)
        to_come = [""] * (len(shots) - len(names))
        return shots.assign(frame=pd.array([*names, *to_come], dtype="str")), ()


def test_the_target_is_sought_in_flash_frames_of_the_log(session: Path, asked: Asked) -> None:
    found = ingest(load_settings(session), jobs=1)
    flash = [f"f{at}.dng" for at in (1, 3, 2, 4)]
    assert asked == [(flash, True)]
    assert found.readings["frame"].tolist() == [f"f{at}.dng" for at in range(6)]
    assert found.jobs == 1


def test_while_frames_come_the_log_does_not_tell_which_are_flashes(session: Path, asked: Asked) -> None:
    placing = Placed()
    found = ingest(load_settings(session), jobs=1, placing=placing)
    every = [f"f{at}.dng" for at in range(6)]
    assert asked == [(every, False)]
    assert placing.names == every
    assert placing.states == dict.fromkeys(every, "")
    assert found.readings["head"].tolist() == ["", "A", "A", "A", "A", ""]
    assert placing.targets == {found.readings["body"][1]: TARGET}, "four frames show it"
    asked.clear()
    ingest(load_settings(session), jobs=1, placing=placing)
    assert asked == [], "its place is known"


def test_the_place_of_a_target_is_open_until_four_frames_with_light_show_it(session: Path, asked: Asked) -> None:
    (session / "frames/f4.dng").unlink()
    placing = Placed()
    ingest(load_settings(session), jobs=1, placing=placing)
    assert len(placing.names) == 5, "two of them too dark"
    assert placing.targets == {}
    assert len(asked) == 1


def test_raw_files_beside_each_other_are_a_stack_where_one_is_asked_for(
    tmp_path: Path, shoot: Callable[..., None], asked: Asked
) -> None:
    stack = tmp_path / "stack"
    for at in range(2):
        shoot(stack / f"f{at}.dng")
    (tmp_path / "out").mkdir()
    found = ingest(load_settings(stack), jobs=1, store=tmp_path / "out", stack=True)
    assert found.readings[["frame", "kind"]].to_numpy().tolist() == [["f0.dng", "job"], ["f1.dng", "job"]]
    assert asked[0][0] == ["f0.dng", "f1.dng"]
    with pytest.raises(GreystepError, match="no such folder"):
        ingest(load_settings(stack), jobs=1)


def test_a_target_by_hand_is_not_sought_and_a_part_is_placed_on_its_rows(session: Path, asked: Asked) -> None:
    (session / "shots.csv").write_text("kind,head,power\nflash,A,1/1\nflash,A,1/4\n")
    found = ingest(load_settings(session), (0.3, 0.3, 0.6, 0.6), jobs=1, part=Part("f2.dng", "f3.dng"))
    assert asked == []
    assert found.readings["frame"].tolist() == ["f2.dng", "f3.dng"]
    assert found.readings.loc[0, ["patch_x0", "patch_x1"]].tolist() == pytest.approx([0.3, 0.6], abs=0.1)


def test_flashes_whose_target_moved_are_measured_where_it_stands_now(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a job frame nothing is measured again: it may show no card at all."""
    (session / "shots.csv").write_text(
        "kind,head,power\nambient,,\nflash,A,1/1\nflash,A,1/1\nflash,A,1/4\njob,,\nambient,,\n"
    )
    seen: list[dict[str, Target]] = []
    target = Target(TARGET.box, TARGET.patch, found=True)
    monkeypatch.setattr(kept, "find_once", lambda *_, **__: (target, ""))
    states = np.array(["", "", "target_moved", "", "target_moved", ""], dtype=object)
    monkeypatch.setattr(ingesting.places, "target_states", lambda _: states)
    monkeypatch.setattr(kept, "measure_again", lambda folder, where, *_: seen.append(where) or {})
    ingest(load_settings(session), jobs=1)
    assert seen == [{"f2.dng": target}]


def test_a_target_that_one_frame_showed_is_sought_in_all_where_the_others_do_not_bear_it_out(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All frames are then measured at the second place, and the person sees how far that is."""
    other = fixed_target((0.3, 0.3, 0.7, 0.7))
    sought: list[bool] = []
    asked: list[tuple[list[str], set[Target], bool, bool]] = []
    measure = kept.measure

    def find_once(*_: object, at_once: bool = False) -> tuple[Target, str]:
        sought.append(at_once)
        return (TARGET, "f1.dng") if at_once else (other, "")

    def measured(folder: Path, targets: dict[str, Target], *rest: Any) -> Any:
        if targets:
            asked.append((list(targets), set(targets.values()), rest[-1], rest[-2] is not None))
        return measure(folder, targets, *rest)

    monkeypatch.setattr(kept, "find_once", find_once)
    monkeypatch.setattr(kept, "measure", measured)
    monkeypatch.setattr(ingesting.places, "found_in_others", lambda *_: False)
    found = ingest(load_settings(session), jobs=1, progress=lambda done, total: None)
    every = [f"f{at}.dng" for at in range(6)]
    assert sought == [True, False]
    assert asked == [(every, {TARGET}, False, True), (every, {other}, False, True)]
    assert found.readings.loc[1, ["patch_x0", "patch_x1"]].tolist() == pytest.approx([0.3, 0.7], abs=0.05)
    monkeypatch.setattr(ingesting.places, "found_in_others", lambda *_: True)
    sought.clear()
    ingest(load_settings(session), jobs=1)
    assert sought == [True]


def test_frames_whose_corners_do_not_tell_are_read_whole(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[list[str], bool, bool]] = []
    measure = kept.measure

    def measured(folder: Path, targets: dict[str, Target], *rest: Any) -> Any:
        if len(rest) > 5:
            asked.append((list(targets), rest[-1], rest[-2] is None))
        return measure(folder, targets, *rest)

    monkeypatch.setattr(kept, "find_once", lambda *_, **__: (TARGET, ""))
    monkeypatch.setattr(kept, "measure", measured)
    monkeypatch.setattr(ingesting.places, "to_read_whole", lambda _: ["f2.dng"])
    ingest(load_settings(session), jobs=1, progress=lambda done, total: None)
    assert asked == [([f"f{at}.dng" for at in range(6)], False, False), (["f2.dng"], True, True)]


def test_what_there_is_to_say_of_the_log_is_told_on_the_terminal_and_kept(session: Path, asked: Asked) -> None:
    log = (session / "shots.csv").read_text().replace("flash,A,1/4", "flash,A,4-Jan")
    (session / "shots.csv").write_text(log)
    found = ingest(load_settings(session), jobs=1)
    put_back = PutBack((5, 6), ("4-Jan", "4-Jan"), ("1/4", "1/4"))
    assert put_back in found.notes
    assert put_back in found.messages


def test_no_more_of_a_frame_is_read_than_tells_its_light(
    session: Path, asked: Asked, monkeypatch: pytest.MonkeyPatch
) -> None:
    measure, whole = kept.measure, []

    def measured(*given: Any) -> Any:
        whole.append(given[-1])
        return measure(*given)

    monkeypatch.setattr(kept, "measure", measured)
    ingest(load_settings(session), jobs=1)
    assert whole[0] is False
    assert len(asked) == 1


def test_without_flash_a_target_is_sought_in_what_is_not_dark(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[tuple[int, bool]] = []
    monkeypatch.setattr(measured, "find_target", lambda pictures, has_card: seen.append((len(pictures), has_card)))
    dark, lit = np.full((10, 10, 3), 0.01), np.full((10, 10, 3), 0.5)
    measured._find_in_lit([dark, lit, dark])
    measured._find_in_lit([dark, dark])
    hot = np.full((40, 40, 3), 0.01)
    hot[3, 5] = 1.0
    measured._find_in_lit([lit, hot, lit])
    assert seen == [(1, False), (2, False), (2, False)], "a hot pixel is no light"


# --- what is written and drawn ----------------------------------------------------------------------------------------


def test_a_frame_without_file_has_no_shot_in_the_table() -> None:
    written = as_written(pd.DataFrame({"frame": ["a", "b"], "shot": [-1, 0]}))
    assert written["shot"].isna().tolist() == [True, False]
    assert written["shot"][1] == 0


def told(folder: Path, **more: Any) -> Ingested:
    usual: dict[str, Any] = {
        "frame": ["a", "b", "c", "d"], "shot": [0, 1, 2, -1], "body": ["X", "X", "Y", "X"],
        "flags": ["", "clipped", "unreadable", ""], "status": ["ok", "rejected", "rejected", "ok"],
    }  # fmt: skip
    bodies: Any = {
        "X": SimpleNamespace(reference_neutral=(0.5, 1.0, 0.8)),
        "Y": SimpleNamespace(reference_neutral=None),
    }
    return Ingested(load_settings(folder), pd.DataFrame(usual | more), bodies, (), (), 1)


def test_the_place_of_what_is_kept_is_told_where_it_is_not_the_session() -> None:
    settings = make_session()
    assert ingesting._where_kept(settings, None) == (NotKept("kit"),)
    assert ingesting._where_kept(settings, Path("kit/.greystep")) == ()
    assert ingesting._where_kept(settings, Path("out/.greystep")) == (KeptElsewhere("kit", "out"),)


def test_readings_go_beside_the_session_or_into_the_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "kit").mkdir()
    (tmp_path / "store").mkdir()
    found = told(tmp_path / "kit")
    assert write_readings(found, tmp_path / "store") == tmp_path / "kit" / "readings.csv"
    write = ingesting.write_table

    def refuse(path: Path, table: pd.DataFrame) -> None:
        if "kit" in str(path):
            raise GreystepError("kit: cannot be written")
        write(path, table)

    monkeypatch.setattr(ingesting, "write_table", refuse)
    assert write_readings(found, tmp_path / "store") == tmp_path / "store" / "readings.csv"
    with pytest.raises(GreystepError, match="kit: cannot be written"):
        write_readings(found)


def test_pictures_are_balanced_to_the_reference_and_drawn_anew_once_a_frame_is_sound(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def pictures_of(folder: Path, draw: Any, cache: Any, prints: Any, look: Any, crew: Any) -> dict[str, Any]:
        return {name: (draw[name](np.array([[[0.25, 0.5, 0.4]]])), look[name]) for name in draw}

    monkeypatch.setattr(ingesting, "pictures_of", pictures_of)
    found: dict[str, Any] = overviews(told(tmp_path))
    assert set(found) == {"a", "b"}, "neither one that is lost nor one that cannot be read"
    picture, look = found["a"]
    assert len(set(picture.ravel().tolist())) == 1, "grey"
    assert picture.dtype == np.uint8
    assert picture[0, 0, 0] == 188  # of one half, by the curve of sRGB: 0.7354 of 255
    assert found["b"][1] == look + Flag.CLIPPED
    unknown: dict[str, Any] = overviews(told(tmp_path, flags=""))
    assert unknown["c"][0][0, 0].tolist() == [137, 188, 170], "without a reference as it is"
    assert unknown["c"][1] != look
