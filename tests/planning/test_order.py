"""The order of a test: by hand where it is short, by counting where it is long."""

import itertools
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from greystep.errors import GreystepError
from greystep.planning.cells import Cell, all_cells, swap_cells
from greystep.planning.order import FRAMES, Action, Step, arrange
from greystep.session.power import parse_power

CHECK = Cell("A", "full", 0.0)
SEVEN = ["full", "1/2", "1/4", "1/8", "1/16", "1/32", "1/64"]


def frames(steps: Sequence[Step]) -> list[Step]:
    return [step for step in steps if step.what in FRAMES]


def stops(step: Step) -> float:
    return parse_power(step.power).stops


def short(steps: Sequence[Step]) -> list[str]:
    return [" ".join(filter(None, [step.what, step.head, step.power])) for step in steps]


def seed_of(down_first: Sequence[bool]) -> int:
    """Return a seed whose lots fall so."""
    for seed in range(200):
        steps = arrange(all_cells(["A", "B"], ["full", "1/4"], 2), seed=seed)
        first = {}
        for step in frames(steps):
            first.setdefault(step.head, step.power)
        if [first["A"] == "full", first["B"] == "full"] == list(down_first):
            return seed
    raise AssertionError("no seed draws these lots")


def test_head_after_head_by_hand() -> None:
    steps = arrange(all_cells(["A", "B"], ["full", "1/4"], 3), seed=seed_of([True, False]), check=CHECK)
    assert short(steps) == [
        "ambient", "dark",
        "head A", "warm-up A", "flash A full", "dump A 1/4", "flash A 1/4", "flash A 1/4", "flash A full",
        "flash A full", "dump A 1/4", "flash A 1/4",
        "check A full", "check A full", "ambient",
        "head B", "warm-up B", "dump B 1/4", "flash B 1/4", "flash B full", "flash B full", "dump B 1/4",
        "flash B 1/4", "flash B 1/4", "flash B full",
        "check A full", "check A full", "ambient",
    ]  # fmt: skip
    notes = [step.note for step in frames(steps)]
    assert notes[2] == "3 warm-up shots at full before"
    assert notes[11] == "3 warm-up shots at full before; after a dump"
    assert Counter(notes)["after a dump"] == 3


@pytest.mark.parametrize("order", ["by-head", "shuffled", "mixed"])
@pytest.mark.parametrize("check", [None, Cell("A", "full", 0.0, "P1"), Cell("R", "full", 0.0)])
def test_every_light_is_shot_and_every_lowering_has_its_dump(order: str, check: Cell | None) -> None:
    cells = all_cells(["A", "B", "C"], SEVEN, 3, {"A": "P1", "B": "P1", "C": "P2"})
    for seed in range(10):
        steps = arrange(cells, order, seed, check)
        shot = Counter((step.head, step.power, step.pack) for step in steps if step.what == "flash")
        assert set(shot) == {(cell.head, cell.power, cell.pack) for cell in cells}
        assert shot == Counter({(c.head, c.power, c.pack): 3 for c in cells}) + Counter({("A", "1/32", "P1"): 3})
        last: dict[str, float] = {}  # by pack, which holds the charge; by head where no pack is known
        for before, step in itertools.pairwise(steps):
            bank = step.pack or step.head
            if step.what == "warm-up":
                last[bank] = 0.0
            elif step.what in ("flash", "check"):
                lowered = stops(step) > last.get(bank, stops(step))
                assert lowered == (before.what == "dump" and (before.head, before.power) == (step.head, step.power))
                assert lowered == ("after a dump" in step.note)
                last[bank] = stops(step)


@pytest.mark.parametrize("order", ["by-head", "shuffled", "mixed"])
def test_room_light_first_and_last_and_at_each_iso(order: str) -> None:
    steps = arrange(all_cells(["A", "B"], SEVEN, 2), order, check=Cell("R", "full", 0.0))
    shot = frames(steps)
    assert shot[0].what == shot[-1].what == "ambient"
    for iso in (100, 1600):
        of_iso = [step.what for step in shot if step.iso == iso]
        assert of_iso[0] == of_iso[-1] == "ambient"
        assert of_iso.count("dark") == 1
    # Five stops as they come, and one light at both settings.
    assert {step.power for step in shot if step.iso == 1600 and step.power} == {"1/32", "1/64"}
    assert {(step.head, step.power) for step in shot if step.power == "1/32" and step.iso == 1600} == {("A", "1/32")}
    iso = None
    for step in steps:
        if step.what == "iso":
            assert step.iso != iso
            iso = step.iso
        elif step.what in FRAMES:
            assert step.iso == iso


@pytest.mark.parametrize(("order", "turns"), [("by-head", 3), ("shuffled", 2), ("mixed", 2)])
@pytest.mark.parametrize("check", [None, Cell("R", "full", 0.0)])
def test_a_flash_off_frame_between_two_heads_or_rounds_at_the_setting_in_use(
    order: str, turns: int, check: Cell | None
) -> None:
    steps = arrange(all_cells(["A", "B", "C"], ["full", "1/4"], 2), order, check=check)
    shot = frames(steps)
    between = [at for at, step in enumerate(shot) if step.what == "ambient" and 0 < at < len(shot) - 1]
    assert len(between) == turns - 1
    for at in between:  # after the check frames, before the next flash
        assert shot[at - 1].what == ("check" if check else "flash")
        assert shot[at + 1].what == "flash"
    flashes = [at for at, step in enumerate(shot) if step.what == "flash"]
    assert all(len([at for at in flashes if first < at < last]) == 12 / turns for first, last in
               itertools.pairwise([0, *between, len(shot)]))  # fmt: skip
    assert {shot[at] for at in between} == {Step(Action.AMBIENT, 5.0, iso=100)}
    # At the ISO that the last frames had, so that nothing is set for it.
    steps = arrange(all_cells(["A", "B"], SEVEN, 2), order, check=check)
    for before, step in itertools.pairwise(step for step in steps if step.what in (*FRAMES, Action.ISO)):
        if step.what == "ambient" and step.seconds == 5.0:
            assert before.iso == step.iso


@pytest.mark.parametrize(
    ("powers", "link", "factor"),
    [
        (["full", "1/4", "1/64"], "1/4", 4),
        (["1/1", "1/16", "1/512"], "1/16", 16),
        (["1/2", "1/8", "1/128"], "1/8", 4),
        (SEVEN, "1/32", 16),
    ],
)
def test_no_light_is_clipped_or_too_dark_at_either_iso(powers: list[str], link: str, factor: int) -> None:
    cells = all_cells(["A", "B"], powers, 2)
    isos = sorted({cell.iso for cell in cells})
    assert isos == [100, 100 * factor]
    top = min(cell.stops for cell in cells)
    levels = [0.75 * 2.0 ** (top - cell.stops) * cell.iso / 100 for cell in cells]
    assert 0.02 < min(levels) <= max(levels) <= 0.75 + 1e-9
    both = {(c.head, c.power) for c in cells if c.iso == isos[0]} & {
        (c.head, c.power) for c in cells if c.iso == isos[1]
    }
    assert both == {("A", link)}


def test_one_iso_is_never_named() -> None:
    assert not [step for step in arrange(all_cells(["A"], SEVEN[:6], 2)) if step.what == "iso"]


def test_check_frames_stand_before_each_other_head_and_at_the_end() -> None:
    steps = arrange(all_cells(["B", "A", "C", "D"], ["full", "1/4"], 2), check=CHECK)
    blocks = [name for name, _ in itertools.groupby(steps, key=lambda s: "check" if s.what == "check" else s.head)]
    assert blocks == ["", "check", "B", "", "A", "check", "", "C", "check", "", "D", "check", ""]
    assert sum(step.what == "check" for step in steps) == 8


def test_lots_fall_both_ways_and_follow_the_seed() -> None:
    cells = all_cells(["A", "B", "C"], ["full", "1/4", "1/16"], 2)
    first = [frames(arrange(cells, seed=seed))[2].power for seed in range(60)]
    assert 15 < first.count("full") < 45
    assert set(first) == {"full", "1/16"}
    assert arrange(cells, "shuffled", 3) == arrange(cells, "shuffled", 3) != arrange(cells, "shuffled", 4)


def test_shuffled_rounds_hold_every_light_once_in_an_order_of_their_own() -> None:
    cells = all_cells(["A", "B", "C"], SEVEN[:5], 3)
    shot = [(s.head, s.power) for s in arrange(cells, "shuffled", 2) if s.what == "flash"]
    rounds = [shot[at : at + 15] for at in (0, 15, 30)]
    assert all(sorted(one) == sorted(rounds[0]) for one in rounds)
    assert len({tuple(one) for one in rounds}) == 3
    assert sum(a[0] != b[0] for a, b in itertools.pairwise(shot)) > 20


def test_mixed_goes_up_and_down_through_the_powers() -> None:
    shot = [s for s in arrange(all_cells(["A", "B", "C"], SEVEN[:5], 3), "mixed", 2) if s.what == "flash"]
    legs = [np.diff([stops(step) for step in shot[at : at + 15]]) for at in (0, 15, 30)]
    signs = [int(np.sign(leg.sum())) for leg in legs]
    assert all((np.sign(leg) * sign >= 0).all() for leg, sign in zip(legs, signs, strict=True))
    assert signs in ([1, -1, 1], [-1, 1, -1])


def test_the_time_it_takes() -> None:
    # PRACTICE, simulated elsewhere: 41 min head by head against 4 h 53 where each change of head is a move, for 6x7x3.
    cells = all_cells(list("ABCDEF"), SEVEN, 3)
    by_head = arrange(cells)
    assert sum(step.seconds for step in by_head) / 60 == pytest.approx(41, rel=0.1)
    shuffled = arrange(cells, "shuffled")
    shot = [step.head for step in shuffled if step.what == "flash"]
    moves = sum(a != b for a, b in itertools.pairwise(shot))
    assert sum(step.seconds for step in shuffled) / 60 + 2.5 * moves == pytest.approx(293, rel=0.1)


def test_cells_of_unequal_rounds_fill_the_first_legs() -> None:
    cells = [Cell("A", "full", 0.0, rounds=3), Cell("A", "1/4", 2.0, rounds=1)]
    shot = [step.power for step in arrange(cells) if step.what == "flash"]
    assert Counter(shot) == {"full": 3, "1/4": 1}
    assert shot[2:] == ["full", "full"]


def test_a_swap_changes_one_thing_at_a_time() -> None:
    cells = swap_cells(["C", "D"], ["P1", "P2"], ["full", "1/4", "1/16"], 2)
    assert {cell.power for cell in cells} == {"full", "1/16"}
    steps = arrange(cells, check=Cell("R", "full", 0.0))
    places = [(step.head, step.pack) for step in steps if step.what == "head"]
    assert set(places) == {("C", "P1"), ("C", "P2"), ("D", "P1"), ("D", "P2")}
    assert all((a[0] == b[0]) != (a[1] == b[1]) for a, b in itertools.pairwise(places))
    assert all(step.pack for step in steps if step.what == "flash")
    assert sum(step.what == "warm-up" for step in steps) == 4


@pytest.mark.parametrize("order", ["shuffled", "mixed"])
@pytest.mark.parametrize("part", ["pack", "channel", "modifier"])
def test_what_must_be_moved_is_shot_head_by_head_alone(order: str, part: str) -> None:
    one = Cell("C", "full", 0.0, "P1", parts=(("channel", "1"), ("modifier", "")))
    other = {
        "pack": replace(one, pack="P2"),
        "channel": replace(one, parts=(("channel", "2"), ("modifier", ""))),
        "modifier": replace(one, parts=(("channel", "1"), ("modifier", "box"))),
    }[part]
    with pytest.raises(GreystepError, match=rf"order {order}: .* C stands in more than one way .* use by-head"):
        arrange([one, other, Cell("D", "full", 0.0, "P1")], order)
    assert sum(step.what == "head" for step in arrange([one, other, Cell("D", "full", 0.0, "P1")])) == 3
    # Two heads on two packs stay where they are.
    assert arrange([one, Cell("D", "full", 0.0, "P2")], order)


@pytest.mark.parametrize(
    "cells", [[Cell("C", "full", 0.0, "P1"), Cell("C", "full", 0.0, "P2")], [Cell("C", "full", 0.0, "P2")]]
)
def test_a_head_that_is_moved_gives_no_check_frames(cells: list[Cell]) -> None:
    steps = arrange([*cells, Cell("D", "full", 0.0, "P1")], check=Cell("C", "full", 0.0, "P1", iso=400))
    assert not [step for step in steps if step.what == "check"]
    assert {step.iso for step in frames(steps)} == {100}  # and no room light at an ISO that no frame has
    assert [step.seconds > 0 for step in steps if step.what == "head"] == [False] + [True] * len(cells)


@pytest.mark.parametrize(
    ("heads", "powers", "rounds", "message"),
    [
        (["A", "A"], ["full"], 2, "head A: there twice"),
        ([], ["full"], 2, "heads: none given"),
        (["A", " "], ["full"], 2, "heads: one is blank"),
        (["A"], ["full", "1/1"], 2, 'powers "full" and "1/1" are one'),
        (["A"], ["full", "16-Jan"], 2, "spreadsheet made a date"),
        (["A"], ["full", "1/1024"], 2, "powers span 10 stops, which no one ISO holds; plan two sessions"),
        (
            ["A"],
            ["full", "1/2", "1/512"],
            2,
            "powers span 9 stops, which no one ISO holds; add a power 4 or 5 stops below",
        ),
        (["A"], ["full"], 0, "0 repeats: nothing to shoot"),
        (["A"], ["200 J"], 2, r'power "200 J": needs the energy at full; give --max-energy'),
    ],
)
def test_faults(heads: list[str], powers: list[str], rounds: int, message: str) -> None:
    with pytest.raises(GreystepError, match=message):
        all_cells(heads, powers, rounds)


def test_faults_of_order_and_swap() -> None:
    with pytest.raises(GreystepError, match="order 'random': not known; use by-head, shuffled, mixed"):
        arrange(all_cells(["A"], ["full"], 2), "random")
    for heads, packs, powers, message in [
        (["C"], ["P1", "P2"], ["full", "1/4"], r"swap: 1 heads \(C\); name two"),
        (["C", "D"], ["P1", "P1"], ["full", "1/4"], r"swap: 2 packs \(P1, P1\); name two"),
        (["C", "D"], ["P1", ""], ["full", "1/4"], r"swap: 2 packs \(P1, \); name two"),
        (["C", "D"], ["P1", "P2"], [], "powers: none given"),
        (["C", "D"], ["P1", "P2"], ["full"], "the only power is full"),
        (["C", "D"], ["P1", "P2"], ["full", "1/64"], "1/64 lies more than 5 stops below full"),
    ]:
        with pytest.raises(GreystepError, match=message):
            swap_cells(heads, packs, powers, 2)


def test_powers_in_joules() -> None:
    cells = all_cells(["A"], ["2400 J", "150 J"], 2, max_energy_j=2400.0)
    assert [cell.stops for cell in cells] == pytest.approx([0.0, 4.0])
    swapped = swap_cells(["C", "D"], ["P1", "P2"], ["150 J", "2400 J"], 2, max_energy_j=2400.0)
    assert [cell.stops for cell in swapped] == pytest.approx([0.0, 4.0] * 4)
    with pytest.raises(GreystepError, match="--max-energy"):
        swap_cells(["C", "D"], ["P1", "P2"], ["150 J", "2400 J"], 2)
