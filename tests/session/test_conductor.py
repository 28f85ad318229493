"""Frames placed as they come, with the slips of a real morning: every other frame ends on its right row."""

import math
import os
from collections.abc import Callable
from functools import cache

import numpy as np
import pandas as pd
import pytest

from greystep.planning.cells import Cell, all_cells
from greystep.planning.folder import shots_table
from greystep.planning.order import arrange
from greystep.session.arrived import Arrived, Mark
from greystep.session.conductor import Conducted, Decisions, conduct
from greystep.session.placing_events import Aside, Event, Place
from greystep.session.power import parse_power
from greystep.session.shot_log import log_of
from greystep.session.shots import BOX, NOT_SHOT, PLACED

#: The bar has 20 shoots a slip: GREYSTEP_SEEDS=20.
SEEDS = range(int(os.environ.get("GREYSTEP_SEEDS", "4")))
HEADS, POWERS = tuple("ABCDEF"), ("full", "1/2", "1/4", "1/8", "1/16", "1/32", "1/64")


@cache
def planned(seed: int) -> pd.DataFrame:
    """The log of a test of six heads at seven powers, as `read_shots` reads it."""
    cells = all_cells(HEADS, POWERS, 2)
    plan = shots_table(arrange(cells, seed=seed, check=Cell("A", "full", 0.0)))
    stops = [parse_power(power).stops if power else math.nan for power in plan["power"]]
    return plan.assign(stops=stops, row=np.arange(2, len(plan) + 2))


class Shoot:
    """A person who shoots a plan, and is told what is next; heads differ by up to half a stop."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng([seed, 77])
        self.plan = planned(seed)
        self.level = dict(zip(HEADS, self.rng.uniform(-0.5, 0.5, len(HEADS)), strict=True))
        self.frames: list[Arrived] = []
        self.truth: dict[str, int] = {}

    def fire(self, row: int, *, light: float | None = None, rejected: str = "", counts: bool = True) -> str:
        """Shoot a row, or something else while it is due; a frame that `counts` belongs on the row."""
        here = self.plan.iloc[row]
        if light is None:
            unlit = here["kind"] in ("ambient", "dark")
            light = -math.inf if unlit else self.of(row) + 0.02 * self.rng.standard_normal()
        iso = float(found[-1]) if (found := here["note"].split("ISO ")[1:]) else 100.0
        name = f"f{len(self.frames):04d}.dng"
        self.frames.append(Arrived(name, light, rejected, iso))
        if counts:
            self.truth[name] = row
        return name

    def of(self, row: int) -> float:
        here = self.plan.iloc[row]
        return self.level[here["head"]] - here["stops"]

    def done(self) -> Conducted:
        return conduct(self.plan, self.frames)

    def last(self) -> Event:
        return self.done().events[-1]

    def finish(self) -> Conducted:
        """Shoot what is due, then the rest in its order."""
        while (done := self.done()).due >= 0:
            rest = np.flatnonzero(done.rows < 0).tolist()
            for row in (done.due, *(row for row in rest if row != done.due)):
                self.fire(row)
        return done

    def shoot_until(self, row: int) -> None:
        for place in range(row):
            self.fire(place)

    def somewhere(self, wanted: Callable[[int], bool]) -> int:
        rows = [row for row in range(1, len(self.plan) - 2) if wanted(row)]
        return int(self.rng.choice(rows))

    def flash(self, row: int) -> bool:
        return bool(self.plan["kind"].iloc[row] == "flash")

    def lowered(self, row: int) -> bool:
        """The row and the one before are of one head, and their powers differ."""
        one, two = self.plan.iloc[row - 1], self.plan.iloc[row]
        return bool(
            self.flash(row) and self.flash(row - 1) and one["head"] == two["head"] and one["power"] != two["power"]
        )

    def starts(self, row: int) -> bool:
        """The first flash of a head that is not the reference."""
        here = self.plan.iloc[row]
        return bool(
            self.flash(row) and here["head"] != "A" and not (self.plan["head"].iloc[:row] == here["head"]).any()
        )


def check(shoot: Shoot, done: Conducted) -> None:
    """Every frame that counts has its row, no other has one, and no row is left."""
    placed = {shoot.frames[at].frame: row for row, at in enumerate(done.rows.tolist()) if at >= 0}
    lights = shoot.plan[["head", "power", "kind"]].agg("|".join, axis=1).tolist()
    wrong = {
        name: row for name, row in shoot.truth.items() if name not in placed or lights[row] != lights[placed[name]]
    }
    assert not wrong
    assert set(placed) == set(shoot.truth)
    assert (done.rows >= 0).all()


@pytest.mark.parametrize("seed", SEEDS)
class TestSlips:
    def test_a_clean_shoot(self, seed: int) -> None:
        shoot = Shoot(seed)
        shoot.shoot_until(len(shoot.plan))
        done = shoot.done()
        check(shoot, done)
        assert {event.what for event in done.events} == {Place.IN_ORDER}
        assert done.due == -1

    def test_a_missed_row_is_asked_for_at_once(self, seed: int) -> None:
        shoot = Shoot(seed)
        row = shoot.somewhere(lambda row: shoot.lowered(row) and shoot.lowered(row + 1))
        shoot.shoot_until(row)
        shoot.fire(row + 1)
        assert shoot.last().what == Place.SKIPPED_TO
        assert shoot.last().left_out == (row,)
        assert shoot.done().due == row
        check(shoot, shoot.finish())

    def test_a_missed_row_that_nobody_goes_back_for_is_left_to_the_end(self, seed: int) -> None:
        shoot = Shoot(seed)
        row = shoot.somewhere(lambda row: shoot.lowered(row) and shoot.lowered(row + 1))
        shoot.shoot_until(row)
        for other in range(row + 1, len(shoot.plan)):
            shoot.fire(other)
        done = shoot.done()
        assert done.due >= 0
        assert (done.rows < 0).sum() == 1
        check(shoot, shoot.finish())

    def test_one_frame_twice(self, seed: int) -> None:
        shoot = Shoot(seed)
        row = shoot.somewhere(lambda row: shoot.lowered(row) and shoot.lowered(row + 1))
        shoot.shoot_until(row + 1)
        shoot.fire(row, counts=False)
        assert shoot.last().what == Aside.NOT_TURNED
        assert shoot.done().due == row + 1
        check(shoot, shoot.finish())

    def test_a_misfire_is_shot_again(self, seed: int) -> None:
        shoot = Shoot(seed)
        row = shoot.somewhere(lambda row: shoot.lowered(row) and shoot.flash(row + 1))
        shoot.shoot_until(row)
        shoot.fire(row, light=-math.inf, counts=False)
        assert (shoot.last().what, shoot.last().flag) == (Aside.REJECTED, "no_flash")
        assert shoot.done().due == row
        check(shoot, shoot.finish())

    def test_two_rows_exchanged(self, seed: int) -> None:
        shoot = Shoot(seed)
        row = shoot.somewhere(lambda row: shoot.lowered(row) and shoot.lowered(row + 1))
        shoot.shoot_until(row)
        shoot.fire(row + 1)
        shoot.fire(row)
        assert shoot.last().what == Place.EXCHANGED
        assert shoot.done().due == row + 2
        check(shoot, shoot.finish())

    def test_not_turned_down(self, seed: int) -> None:
        shoot = Shoot(seed)
        row = shoot.somewhere(shoot.lowered)
        shoot.shoot_until(row)
        shoot.fire(row, light=shoot.of(row - 1), counts=False)
        assert shoot.last().what == Aside.NOT_TURNED
        assert shoot.done().due == row
        check(shoot, shoot.finish())

    def test_iso_left(self, seed: int) -> None:
        shoot = Shoot(seed)
        row = shoot.somewhere(lambda row: row > 5 and shoot.flash(row) and "ISO" in shoot.plan["note"].iloc[row])
        shoot.shoot_until(row)
        shoot.fire(row)
        shoot.frames[-1] = Arrived(shoot.frames[-1].frame, shoot.frames[-1].light, "", shoot.frames[-1].iso * 4)
        assert shoot.last().asked_iso == pytest.approx(shoot.frames[-1].iso / 4)
        check(shoot, shoot.finish())

    @pytest.mark.parametrize("shots", [3, 4, 12])
    def test_warm_ups_through_the_camera(self, seed: int, shots: int) -> None:
        shoot = Shoot(seed)
        row = shoot.somewhere(shoot.starts)
        shoot.shoot_until(row)
        head = shoot.plan["head"].iloc[row]
        for _ in range(shots):
            shoot.fire(row, light=shoot.level[head] + 0.02 * shoot.rng.standard_normal(), counts=False)
        shoot.fire(row)
        done = shoot.finish()
        placed = {done.events[at].frame for at in done.rows.tolist()}
        assert not placed & {f"f{at:04d}.dng" for at in range(row, row + shots)}
        check(shoot, done)

    def test_a_card_is_pulled_and_its_frames_come_at_once(self, seed: int) -> None:
        shoot = Shoot(seed)
        row = shoot.somewhere(lambda row: row > 5)
        shoot.shoot_until(row)
        assert shoot.done().due == row
        for other in range(row, len(shoot.plan)):
            shoot.fire(other)
        check(shoot, shoot.done())

    def test_a_frame_that_fits_no_place_stops_nothing(self, seed: int) -> None:
        shoot = Shoot(seed)
        row = shoot.somewhere(lambda row: shoot.lowered(row) and shoot.lowered(row + 1))
        shoot.shoot_until(row)
        shoot.fire(row, light=shoot.level["A"] + 3.3, counts=False)
        assert shoot.last().what == Aside.NO_PLACE
        check(shoot, shoot.finish())

    def test_the_log_of_what_happened_is_read_back_to_the_same(self, seed: int) -> None:
        shoot = Shoot(seed)
        row = shoot.somewhere(lambda row: shoot.lowered(row) and shoot.lowered(row + 1))
        shoot.shoot_until(row)
        shoot.fire(row, light=-math.inf, counts=False)
        shoot.fire(row)
        shoot.fire(row + 2) if shoot.lowered(row + 2) else shoot.fire(row + 1)
        done = shoot.done()
        log = log_of(shoot.plan, shoot.frames, done, Decisions())
        assert log["frame"].tolist()[: len(shoot.frames)] == [frame.frame for frame in shoot.frames]
        assert len(log) == len(shoot.plan) + 1
        assert log.set_index("frame").loc[shoot.frames[row].frame, PLACED] == "set aside: rejected: no_flash"
        assert sorted(map(int, filter(None, log[BOX]))) == list(range(1, len(shoot.plan) + 1))
        again = log
        more = conduct(again, shoot.frames)
        pd.testing.assert_frame_equal(log_of(again, shoot.frames, more, Decisions()), log)
        assert again.iloc[more.due][["head", "power"]].tolist() == shoot.plan.iloc[done.due][["head", "power"]].tolist()
        assert log[PLACED].iloc[-1] == NOT_SHOT


def test_a_row_can_be_skipped_and_a_frame_taken_back() -> None:
    shoot = Shoot(1)
    shoot.shoot_until(6)
    done = conduct(shoot.plan, shoot.frames, Decisions(frozenset({"f0005.dng"})))
    assert done.due == 5
    assert done.events[-1].what == Aside.TAKEN_BACK
    done = conduct(shoot.plan, shoot.frames, Decisions(skipped=frozenset({6})))
    assert done.due == 7


def test_a_dim_frame_has_flash_where_its_light_is_that_of_the_row() -> None:
    """Darker than 1 % of the range, but far over room light: an ISO that was left, or a lamp that is on."""
    shoot = Shoot(1)
    row = shoot.somewhere(lambda row: shoot.lowered(row) and shoot.lowered(row + 1))
    shoot.shoot_until(row)
    for light, what, flag in (
        (shoot.of(row), Place.IN_ORDER, ""),
        (shoot.of(row) - 3.0, Aside.REJECTED, "no_flash"),
    ):
        event = conduct(shoot.plan, [*shoot.frames, Arrived("dim.dng", light, dim=True)]).events[-1]
        assert (event.what, event.flag) == (what, flag)
    flash_off = next(at for at in range(row, len(shoot.plan)) if shoot.plan["kind"].iloc[at] == "ambient")
    for other in range(row, flash_off):
        shoot.fire(other)
    event = conduct(shoot.plan, [*shoot.frames, Arrived("lamp.dng", -9.0, dim=True)]).events[-1]
    assert (event.what, event.row) == (Place.IN_ORDER, flash_off)


def test_what_else_there_is_to_a_frame_stands_in_the_log() -> None:
    shoot = Shoot(1)
    row = shoot.somewhere(lambda row: row > 5 and shoot.flash(row) and "ISO" in shoot.plan["note"].iloc[row])
    shoot.shoot_until(row)
    asked = int(shoot.plan["note"].iloc[row].split("ISO ")[1])
    frame = Arrived("f.dng", shoot.of(row), "", asked * 4.0, marks=(Mark.SET_BACK,))
    done = conduct(shoot.plan, [*shoot.frames, frame])
    assert log_of(shoot.plan, [*shoot.frames, frame], done, Decisions())[PLACED].iloc[row] == (
        f"in order; ISO {4 * asked} for {asked}; clock set back"
    )
    clipped = Arrived("f.dng", math.nan, "clipped", asked * 4.0)
    done = conduct(shoot.plan, [*shoot.frames, clipped])
    assert done.events[-1].placed == f"rejected: clipped; ISO {4 * asked} for {asked}"


@pytest.mark.parametrize(("stops", "told"), [(0.15, False), (0.25, True)])
def test_an_iso_counts_as_another_from_a_fifth_of_a_stop(stops: float, told: bool) -> None:
    shoot = Shoot(1)
    row = shoot.somewhere(lambda row: row > 5 and shoot.flash(row) and "ISO" in shoot.plan["note"].iloc[row])
    shoot.shoot_until(row)
    asked = int(shoot.plan["note"].iloc[row].split("ISO ")[1])
    frame = Arrived("f.dng", shoot.of(row), "", asked * 2.0**stops)
    assert ("ISO" in conduct(shoot.plan, [*shoot.frames, frame]).events[-1].placed) == told
