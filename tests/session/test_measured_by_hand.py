"""The raw files of a session while it is read, on stand-ins for what reads them: what each step asks, what stays."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.errors import GreystepError
from greystep.flags import Flag
from greystep.measure.reading import Reading
from greystep.measure.target import Target, fixed_target
from greystep.raw.exposure import Exposure
from greystep.session import measured
from greystep.session.measured import Measured
from greystep.session.raw_files import Start
from helpers import synthetic

HERE, THERE, NOW = (Target(box, box, found=True) for box in ((0.2, 0.2, 0.6, 0.6), (0.3, 0.3, 0.7, 0.7), (0, 0, 1, 1)))
LIT: Any = object()  # stands for the signal of a frame whose target was measured


class Card:
    """A card in the camera, and what was asked of it.

    Attributes:
        frames: By file: when it was taken, and by which body.
        kept: Files whose readings are known.
    """

    def __init__(self, frames: Mapping[str, tuple[str, str]]) -> None:
        self.frames, self.kept, self.asked = frames, set[str](), list[Any]()
        self.gone: list[Any] = []
        self.flags: dict[str, tuple[str, ...]] = {}
        self.seen_in = ""

    def exposures(self, folder: Path, names: Sequence[str], known: Any, crew: Any) -> dict[str, Exposure]:
        return {name: Exposure(captured=self.frames[name][0], model=self.frames[name][1]) for name in names}

    def measure(
        self, folder: Path, targets: Any, known: Any, cache: Any, prints: Any, crew: Any, recorded: Any = None,
        progress: Any = None, whole: bool = False,
    ) -> dict[str, Reading]:  # fmt: skip
        self.asked.append((list(targets), list(targets.values()), progress, whole))
        return {
            name: Reading(recorded[name], flags=self.flags.get(name, ()), message=f"{name}: odd", signal=LIT, height=at)
            for at, name in enumerate(targets)
        }

    def find_once(
        self, folder: Path, names: Sequence[str], find: Any, cache: Any, prints: Any, crew: Any, at_once: bool = False
    ) -> tuple[Target, str]:
        self.asked.append((list(names), find, at_once))
        return (HERE, self.seen_in) if at_once or not self.seen_in else (THERE, "")


Make = Callable[..., tuple[Measured, Card]]


@pytest.fixture
def make(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Make:
    def made(frames: Mapping[str, tuple[str, str]], **settings: Any) -> tuple[Measured, Card]:
        card: Any = Card(frames)
        for name in ("exposures", "measure", "find_once"):
            monkeypatch.setattr(measured.kept, name, getattr(card, name))
        monkeypatch.setattr(
            measured, "start_of", lambda path: Start(name, 1, 2) if (name := Path(path).name) != "lost" else None
        )
        monkeypatch.setattr(measured.kept, "recall", lambda cache, prints: card.gone.append(dict(prints)) or {})
        monkeypatch.setattr(measured.kept, "forget_target", lambda names, *_: card.gone.append(list(names)))
        monkeypatch.setattr(measured, "forget_others", lambda cache, prints: card.gone.append(set(prints)))
        given = replace(synthetic.make_session(), path=tmp_path, frames_dir=tmp_path / "card", **settings)
        files: Any = Measured(given, list(frames), tmp_path, None)  # type: ignore[arg-type]
        return files, card

    return made


BODIES = {"b": ("10:02", "Y"), "a": ("10:03", "X"), "c": ("10:01", "X"), "d": ("10:04", "Y")}


def shots(kinds: str, frames: str = "abcd") -> pd.DataFrame:
    names = {"f": "flash", "k": "check", "a": "ambient", "j": "job", "c": "card", "-": ""}
    kind = [names[one] for one in kinds]
    return pd.DataFrame({"frame": list(frames), "kind": kind, "head": "A", "power": "1/1", "stops": 0.0})


def test_files_stand_in_the_order_of_the_clock_each_with_its_body(make: Make, tmp_path: Path) -> None:
    files, card = make(BODIES | {"lost": ("10:05", "X")})
    assert files.names == ["c", "b", "a", "d", "lost"]
    assert files.labels == {"a": "X", "b": "Y", "c": "X", "d": "Y", "lost": "X"}
    assert files.cache == tmp_path / ".greystep"
    assert files.starts["a"] == Start("a", 1, 2)
    assert files.starts["lost"] is None
    (marks,) = card.gone
    assert [len(mark) for mark in marks.values()] == [32, 32, 32, 32, 0]
    assert len(set(marks.values())) == 5


def test_a_target_is_as_given_else_as_settled_else_it_is_sought_in_each_body(make: Make) -> None:
    files, card = make(BODIES)
    box = (0.1, 0.2, 0.3, 0.4)
    files.find_targets(shots("ffff"), box, {"X": THERE})
    assert files.targets == {"X": fixed_target(box), "Y": fixed_target(box)}
    files.find_targets(shots("ffff"), None, {"X": THERE})
    assert files.targets == {"X": THERE, "Y": HERE}
    ((names, find, at_once),) = card.asked
    assert (names, at_once) == (["b", "d"], True)
    assert find.keywords == {"has_card": True}


@pytest.mark.parametrize(
    ("kinds", "names", "flash"),
    [("ffff", ["a", "c"], True), ("kfaf", ["a"], True), ("aaff", ["c"], True), ("jfcf", ["c"], False),
     ("jfaf", ["a"], False), ("-f-f", ["a", "c"], False), ("afaf", ["a", "c"], False)],
)  # fmt: skip
def test_where_the_log_tells_of_no_flash_one_clear_frame_is_not_enough(
    make: Make, kinds: str, names: list[str], flash: bool
) -> None:
    files, card = make({name: (f"10:0{at}", "X" if name in "ac" else "Y") for at, name in enumerate("abcd")})
    files.find_targets(shots(kinds), None, {"Y": THERE})
    ((found, find, at_once),) = card.asked
    assert (found, at_once) == (names, flash)
    assert (find is measured._find_in_lit) == (not flash)


def test_all_are_measured_and_once_more_where_the_others_do_not_show_the_target(
    make: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    files, card = make(BODIES)
    held: list[tuple[str, list[str]]] = []

    def found_in_others(name: str, looked_at: Sequence[str], readings: Any) -> bool:
        held.append((name, list(looked_at)))
        assert set(readings) == set(BODIES)
        return "b" in looked_at

    monkeypatch.setattr(measured.places, "found_in_others", found_in_others)
    card.seen_in = "a"
    files.find_targets(shots("ffff"), None, {})
    card.asked.clear()
    told: Any = lambda done, total: None  # noqa: E731
    files.measure_all(told)
    assert held == [("a", ["a", "c"]), ("a", ["b", "d"])]
    first, again, last = card.asked
    assert first == (["c", "b", "a", "d"], [HERE] * 4, told, False)
    assert (again[0], again[2]) == (["a", "c"], False)
    assert last == (["c", "a"], [THERE] * 2, told, False)
    assert files.targets == {"X": THERE, "Y": HERE}
    marks = card.gone[0]
    assert card.gone[1:] == [set(marks.values()), ["a", "c"], ["b", "d"]]
    assert files.readings["a"].height == 1, "of the second time"
    assert files.readings["d"].height == 3


def test_a_target_that_all_frames_told_is_not_held_against_them(make: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    files, card = make(BODIES)
    monkeypatch.setattr(measured.places, "found_in_others", lambda *_: pytest.fail("there is no other"))
    files.find_targets(shots("ffff"), None, {})
    files.measure_all(None)
    assert len(card.asked) == 3


def test_a_session_of_which_no_frame_can_be_read_says_so_with_the_first(make: Make) -> None:
    files, card = make(BODIES)
    card.flags = dict.fromkeys("abc", (Flag.UNREADABLE,))
    files.find_targets(shots("ffff"), HERE.box, {})
    files.measure_all(None)
    card.flags["d"] = (Flag.CLIPPED, Flag.UNREADABLE)
    with pytest.raises(GreystepError, match="card: none of its 4 frames can be read; the first: c: odd"):
        files.measure_all(None)
    files.names = ["b"]
    files.readings.clear()
    card.flags["b"] = (Flag.UNREADABLE,)
    with pytest.raises(GreystepError, match="card: its one frame cannot be read; the first: b: odd"):
        files.measure_all(None)


def test_readings_go_through_the_matrix_where_the_session_has_none_of_its_own(
    make: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(measured, "through_matrix", lambda found: dict.fromkeys(found, Reading(width=7)))
    for matrix, width in (("embedded", 7), ("camera.json", 0)):
        files, card = make(BODIES, matrix=matrix)
        files.targets = {"X": HERE, "Y": None}
        files.measure(["a", "d"])
        files.measure(["b"], whole=True)
        assert card.asked == [(["a", "d"], [HERE, None], None, False), (["b"], [None], None, True)]
        assert {name: one.width for name, one in files.readings.items()} == {"a": width, "d": width, "b": width}
        assert [one.width for one in files.in_order(["d", "a"])] == [width] * 2
    files.measure(["c"])
    assert len(files.in_order()) == 4
    assert files.in_order() == [files.readings[name] for name in "cbad"]


def test_moved_frames_are_measured_again_where_a_target_was_found_and_say_so(
    make: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    files, _ = make(BODIES)
    files.targets = {"X": HERE, "Y": Target(HERE.box, HERE.box, found=False)}
    files.readings = {name: Reading(height=1) for name in BODIES}
    asked: list[Any] = []

    def measure_again(folder: Path, where: Any, *_: Any) -> dict[str, Reading]:
        asked.append(where)
        return {name: Reading(height=2, flags=(Flag.CLIPPED,)) for name in where if name != "c"}

    monkeypatch.setattr(measured.kept, "measure_again", measure_again)
    assert files.measure_again(["a", "b", "c"])
    assert not files.measure_again(["c"])
    files.targets["Y"] = None
    assert not files.measure_again(["d"])
    assert asked == [{"a": HERE, "c": HERE}, {"c": HERE}, {}]
    assert {name: one.height for name, one in files.readings.items()} == {"a": 2, "b": 1, "c": 1, "d": 1}
    assert files.readings["a"].flags == (Flag.TARGET_MOVED, Flag.CLIPPED)


def test_a_target_is_settled_by_four_frames_of_its_body_that_show_it(make: Make) -> None:
    files, _ = make({name: (f"10:0{at}", "X" if at < 5 else "Y") for at, name in enumerate("abcdefgh")})
    files.targets = {"X": HERE, "Y": THERE}
    lit, dark = Reading(signal=LIT, flags=(Flag.CLIPPED,)), Reading(signal=LIT, flags=(Flag.TOO_DARK,))
    files.readings = dict.fromkeys("abcdfgh", lit) | {"e": dark}
    assert files.settled_targets() == {"X": HERE}, "four of five, and three"
    files.readings["d"] = Reading()
    assert files.settled_targets() == {}
    files.readings |= {"d": lit, "e": lit}
    assert files.settled_targets() == {"X": HERE}
    files.targets["X"] = None
    assert files.settled_targets() == {}


def test_frames_of_one_light_in_turns_by_power_and_head(make: Make) -> None:
    """Three heads at two powers, the second shots behind the first ones; nine of the eighteen are looked at."""
    rows = [(turn, stops, head) for turn in range(3) for head in "CAB" for stops in (1.0, 0.0)]
    table = pd.DataFrame(
        {"frame": [f"f{at}" for at in range(18)], "kind": "flash", "head": [head for *_, head in rows],
         "stops": [stops for _, stops, _ in rows], "power": [str(stops) for _, stops, _ in rows]}
    )  # fmt: skip
    found = measured._spread(table, [f"f{at}" for at in range(18)])
    in_turn = sorted(range(18), key=lambda at: rows[at])
    assert found == [f"f{at}" for at in in_turn[:9]]
    assert measured._spread(table.assign(frame="x"), [f"g{at}" for at in range(18)]) == [
        f"g{at}" for at in np.linspace(0, 17, 9).astype(int)
    ]
