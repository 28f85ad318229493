"""Heads over several sessions: changes made by hand, cameras that see another scale, and how often chance is called."""

from collections.abc import Mapping
from dataclasses import replace
from types import ModuleType

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from greystep.compare import anchors
from greystep.compare.anchors import Metered, Visit
from greystep.compare.drift import analyse
from greystep.compare.history import History, compare_sessions
from greystep.errors import GreystepError
from greystep.sentences.history import note
from greystep.session.settings import DEFAULT_TOLERANCE, Tolerance

pytestmark = pytest.mark.usefixtures("spans_unasked")

SERIALS = {"A": "1071", "B": "1072", "C": "2038"}
TYPES = dict.fromkeys("ABC", "plain dome")


def visit(
    synthetic: ModuleType,
    seed: int,
    moved: Mapping[int, float] | None = None,
    camera: str = "Invented 1",
    scale: float = 0.0,
    date: str = "",
    reference: str = "A",
    serials: Mapping[str, str] = SERIALS,
    types: Mapping[str, str] = TYPES,
    meters: Mapping[str, Metered] | None = None,
    scatter: float = 0.3,
    tolerance: Tolerance = DEFAULT_TOLERANCE,
    rename: Mapping[str, str] | None = None,
    heads: int = 3,
    tint: Mapping[str, float] | None = None,
) -> Visit:
    """One session of heads at three powers; `moved` heads are off by so many mired, `scale` is the camera's doing.

    `tint` gives by how much Duv a head is greener.
    """
    offsets = np.zeros((heads, 3)) + scale
    for head, mired in (moved or {}).items():
        offsets[head] += mired
    readings = synthetic.simulate(np.random.default_rng(seed), offsets, repeats=3, scatter=scatter)
    readings["body"] = camera
    readings["duv"] += readings["head"].map(dict(tint or {})).fillna(0.0)
    if rename:
        readings["head"] = [rename.get(head, head) for head in readings["head"]]
    drift = analyse(readings, synthetic.make_session())
    name = f"day {seed}"
    return Visit(name, date, drift, serials, types, reference, {camera: f"{camera}; 100 mm"}, meters or {}, tolerance)


def said(history: History) -> tuple[str, ...]:
    """Return the notes of a history in sentences."""
    return tuple(map(note, history.notes))


def rows(history: History, session: str, head: str) -> pd.DataFrame:
    return history.table[(history.table["session"] == session) & (history.table["head"] == head)]


def test_a_moved_head_and_no_other(synthetic: ModuleType) -> None:
    history = compare_sessions([visit(synthetic, 1), visit(synthetic, 2, {1: 6.0})])
    assert (rows(history, "day 1", "B")["verdict"] == "").all()
    assert rows(history, "day 1", "B")["change_mired"].isna().all()
    moved = rows(history, "day 2", "B")
    assert (moved["verdict"] == "moved").all()
    assert (moved["anchor"] == "reference head").all()
    assert (moved["previous"] == "day 1").all()
    assert np.abs(moved["change_mired"] - 6.0).max() < moved["u_change_mired"].max() * 1.5
    assert (moved["change_k"] < -150).all()
    assert (rows(history, "day 2", "C")["verdict"] == "not moved").all()
    own = rows(history, "day 2", "A")
    assert (own["anchor"] == "same camera").all()
    assert (own["verdict"] == "not moved").all()
    assert history.notes == ()


def test_change_and_doubt_by_hand(synthetic: ModuleType) -> None:
    visits = [visit(synthetic, 1), visit(synthetic, 2, {2: 2.0})]
    found = rows(compare_sessions(visits), "day 2", "C").iloc[1]
    means: list[float] = []
    variances: list[float] = []
    dofs: list[float] = []
    for one in visits:
        joint = one.drift.fitted["mired"].cells  # C at 1/2 less A at full, by each source of chance
        means += [float(joint.values[7]), -float(joint.values[0])]
        variances += [float(part[7, 7] + part[0, 0] - 2 * part[7, 0]) for part in joint.parts]
        dofs += joint.dof.tolist()
    change = sum(means[2:]) - sum(means[:2])
    welch = sum(variances) ** 2 / sum(v**2 / d for v, d in zip(variances, dofs, strict=True) if v)
    assert found["change_mired"] == pytest.approx(change, abs=1e-9)
    assert found["u_change_mired"] == pytest.approx(stats.t.ppf(0.975, welch) * np.sqrt(sum(variances)), rel=0.02)
    assert found["change_k"] == pytest.approx(1e6 / found["mired"] - 1e6 / (found["mired"] - change), rel=1e-12)


def test_another_camera_is_told_apart_by_the_reference_head(synthetic: ModuleType) -> None:
    history = compare_sessions([visit(synthetic, 1), visit(synthetic, 2, {1: 8.0}, camera="Invented 2", scale=15.0)])
    moved = rows(history, "day 2", "B")
    assert (moved["verdict"] == "moved").all()
    assert np.abs(moved["change_mired"] - 8.0).max() < 1.0
    still = rows(history, "day 2", "C")
    assert (still["verdict"] == "not moved").all()
    # The observer term at full: 4 % of the mean difference to the reference head, both sessions, k = 2.
    apart = [
        float(np.diff(table.loc[[0, row], "mired"])[0])
        for table, row in ((rows_of(history, "day 1"), 3), (rows_of(history, "day 2"), 3))
    ]
    assert moved["u_observer_mired"].iloc[0] == pytest.approx(2 * 0.04 * abs(np.mean(apart)), rel=1e-9)
    assert moved["u_observer_mired"].iloc[2] > moved["u_observer_mired"].iloc[0]  # 7 % more between powers
    own = rows(history, "day 2", "A")
    assert (own["verdict"] == "cannot tell").all()
    assert (own["anchor"] == "none").all()
    assert own["change_mired"].isna().all()


def rows_of(history: History, session: str) -> pd.DataFrame:
    return history.table[history.table["session"] == session].reset_index(drop=True)


def test_another_camera_and_heads_of_unknown_type_leave_it_open(synthetic: ModuleType) -> None:
    other = visit(synthetic, 2, {1: 3.0}, camera="Invented 2", scale=15.0, types={})
    history = compare_sessions([visit(synthetic, 1, types={}), other])
    assert (rows(history, "day 2", "B")["verdict"] == "cannot tell").all()
    assert rows(history, "day 2", "B")["u_observer_mired"].iloc[0] == pytest.approx(6.0)


def test_without_an_anchor_another_camera_tells_nothing(synthetic: ModuleType) -> None:
    history = compare_sessions(
        [visit(synthetic, 1, reference=""), visit(synthetic, 2, reference="", camera="Invented 2", scale=15.0)]
    )
    later = rows_of(history, "day 2")
    assert set(later["verdict"]) == {"cannot tell"}
    assert set(later["anchor"]) == {"none"}
    assert (later["previous"] == "day 1").all()


def test_another_lens_is_another_camera(synthetic: ModuleType) -> None:
    first, second = visit(synthetic, 1, reference=""), visit(synthetic, 2, reference="", scale=5.0)
    second = Visit(**{**vars(second), "cameras": {"Invented 1": "Invented 1; 50 mm"}})
    assert set(rows_of(compare_sessions([first, second]), "day 2")["anchor"]) == {"none"}


def test_meters_in_both_sessions(synthetic: ModuleType) -> None:
    # Both cameras are set by a meter: their scales agree, up to what the meters say.
    meters = [{"Invented 1": Metered("A", 0.0, 178.6, 0.1)}, {"Invented 2": Metered("A", 0.0, 178.6, 0.1)}]
    history = compare_sessions(
        [
            visit(synthetic, 1, reference="", meters=meters[0]),
            visit(synthetic, 2, {0: 7.0}, reference="", camera="Invented 2", meters=meters[1]),
        ]
    )
    moved, still = rows(history, "day 2", "A"), rows(history, "day 2", "C")
    assert set(history.table.loc[history.table["session"] == "day 2", "anchor"]) == {"meter"}
    assert (moved["verdict"] == "moved").all()
    assert (still["verdict"] == "not moved").all()
    assert (still["u_change_mired"] > 2 * np.sqrt(2 * 0.3**2 + 2 * 0.1**2)).all()
    assert moved["u_observer_mired"].iloc[0] == 0.0  # the metered head at its own power
    assert moved["u_observer_mired"].iloc[1] == pytest.approx(
        2 * 0.07 * abs(float(moved["mired"].iloc[1]) - 178.6), rel=1e-9
    )


def test_a_meter_repeats_itself_to_three_tenths_of_a_mired(synthetic: ModuleType) -> None:
    meters = {"Invented 1": Metered("A", 0.0, 178.6, 0.1)}
    days = [visit(synthetic, day, reference="", meters=meters, scatter=0.01) for day in (1, 2)]
    told = rows(compare_sessions(days), "day 2", "A")["u_change_mired"].iloc[0]
    assert told == pytest.approx(1.96 * np.sqrt(2 * 0.3**2 + 2 * 0.1**2), rel=0.05)


def test_heads_are_known_by_their_serials(synthetic: ModuleType) -> None:
    # B of the first day is called Z on the second, and another head carries its label.
    later = visit(synthetic, 2, {1: 6.0}, rename={"B": "Z", "C": "B"}, serials={"A": "1071", "Z": "1072", "B": "9999"})
    history = compare_sessions([visit(synthetic, 1), later])
    assert (rows(history, "day 2", "Z")["verdict"] == "moved").all()
    assert (rows(history, "day 2", "B")["verdict"] == "").all()
    assert (rows(history, "day 2", "B")["previous"] == "").all()
    assert set(rows(history, "day 2", "Z")["serial"]) == {"1072"}
    assert "day 2: head B (serial 9999) is another head than in day 1 (serial 1072), so it is not compared." in said(
        history
    )


def test_a_session_without_serials_goes_by_label(synthetic: ModuleType) -> None:
    history = compare_sessions([visit(synthetic, 1), visit(synthetic, 2, {1: 6.0}, serials={})])
    assert (rows(history, "day 2", "B")["verdict"] == "moved").all()


def test_sessions_are_taken_by_date_and_against_the_last_one_that_has_the_light(synthetic: ModuleType) -> None:
    first = visit(synthetic, 1, date="2026-01-05")
    second = visit(synthetic, 2, {0: 0.0}, date="2026-02-05", heads=2)  # without C
    third = visit(synthetic, 3, {1: 6.0, 2: 6.0}, date="2026-03-05")
    history = compare_sessions([third, first, second])
    assert list(dict.fromkeys(history.table["session"])) == ["day 1", "day 2", "day 3"]
    assert set(rows(history, "day 3", "B")["previous"]) == {"day 2"}
    assert set(rows(history, "day 3", "C")["previous"]) == {"day 1"}
    assert set(rows(history, "day 3", "C")["verdict"]) == {"moved"}


def test_all_heads_moved_alike_is_said_to_be_something_else(synthetic: ModuleType) -> None:
    other = compare_sessions([visit(synthetic, 1), visit(synthetic, 2, {0: -6.0}, camera="Invented 2")])
    assert said(other) == (
        "day 2: every head held against head A reads warmer than before; suspect head A itself first.",
    )
    assert set(rows(other, "day 2", "B")["verdict"]) == set(rows(other, "day 2", "C")["verdict"]) == {"cannot tell"}
    two = [visit(synthetic, 1, heads=2), visit(synthetic, 2, {0: -6.0}, camera="Invented 2", heads=2)]
    assert said(compare_sessions(two)) == (
        "day 2: the only head held against head A reads warmer than before; suspect head A itself first.",
    )
    camera = compare_sessions([visit(synthetic, 1, reference=""), visit(synthetic, 2, reference="", scale=-5.0)])
    assert said(camera) == (
        "day 2: every head reads cooler than before; suspect the camera, its lens or the target first.",
    )


@pytest.mark.parametrize("heads", [2, 3])
def test_a_reference_head_that_moved_is_not_held_against(synthetic: ModuleType, heads: int) -> None:
    """The camera saw A move and the others stand still: theirs is what the camera saw, not the opposite of A's."""
    others_named = {2: "head B", 3: "heads B and C"}[heads]
    history = compare_sessions([visit(synthetic, 1, heads=heads), visit(synthetic, 2, {0: 6.0}, heads=heads)])
    assert set(rows(history, "day 2", "A")["verdict"]) == {"moved"}
    others = history.table[(history.table["session"] == "day 2") & (history.table["head"] != "A")]
    assert set(others["verdict"]) == {"not moved"}
    assert set(others["anchor"]) == {"same camera"}
    assert said(history) == (
        f"day 2: the reference head A has itself moved and is left out for {others_named}; what the same camera saw "
        "stands.",
    )


def test_a_reference_head_that_stood_still_is_not_suspected(synthetic: ModuleType) -> None:
    history = compare_sessions([visit(synthetic, 1, heads=2), visit(synthetic, 2, {1: 6.0}, heads=2)])
    assert set(rows(history, "day 2", "B")["verdict"]) == {"moved"}
    assert set(rows(history, "day 2", "B")["anchor"]) == {"reference head"}
    assert history.notes == ()


def test_a_camera_that_moved_all_heads_is_suspected_with_a_reference_too(synthetic: ModuleType) -> None:
    history = compare_sessions([visit(synthetic, 1), visit(synthetic, 2, scale=-5.0)])
    assert set(rows(history, "day 2", "B")["verdict"]) == {"not moved"}, "against the head of both days"
    assert said(history) == (
        "day 2: the reference head A moved in the camera, and heads B and C with it; suspect the camera, its lens or "
        "the target first.",
    )


def test_a_reference_head_that_moved_by_the_meter_is_not_held_against(synthetic: ModuleType) -> None:
    meters = {"Invented 1": Metered("A", 0.0, 178.6, 0.1)}
    visits = [visit(synthetic, 1, meters=meters), visit(synthetic, 2, {0: 6.0}, meters=meters)]
    later = rows_of(compare_sessions(visits), "day 2")
    assert set(later["anchor"]) == {"meter"}
    assert set(later["verdict"]) == {"moved", "not moved"}


@pytest.mark.parametrize("tolerance", [DEFAULT_TOLERANCE, Tolerance(4.0, None, None, None, 0.1, False)])
def test_a_tint_that_moved_between_cameras_is_left_open(synthetic: ModuleType, tolerance: Tolerance) -> None:
    """Three times the limit greener: the other camera may see it so, but nobody can say that the head stayed."""
    other = visit(synthetic, 2, camera="Invented 2", scale=15.0, tint={"B": 0.0030}, tolerance=tolerance)
    history = compare_sessions([visit(synthetic, 1), other])
    green = rows(history, "day 2", "B")
    assert green["change_duv"].to_numpy() == pytest.approx(np.full(3, 0.0030), abs=0.0002)
    assert set(green["verdict"]) == {"cannot tell"}
    assert green["tint_open"].all()
    assert set(rows(history, "day 2", "C")["verdict"]) == {"not moved"}
    assert not rows(history, "day 2", "C")["tint_open"].any()
    same = compare_sessions([visit(synthetic, 1), visit(synthetic, 2, tint={"B": 0.0030}, tolerance=tolerance)])
    assert set(rows(same, "day 2", "B")["verdict"]) == {"moved"}


def test_another_head_under_an_old_label_is_named(synthetic: ModuleType) -> None:
    later = visit(synthetic, 2, serials=SERIALS | {"B": "9999"})
    history = compare_sessions([visit(synthetic, 1), later])
    assert set(rows(history, "day 2", "B")["verdict"]) == {""}
    assert said(history) == (
        "day 2: head B (serial 9999) is another head than in day 1 (serial 1072), so it is not compared.",
    )
    third = compare_sessions([visit(synthetic, 1), later, visit(synthetic, 3, serials={"A": "1071"})])
    assert said(third)[1:] == (
        "day 3: head B (no serial) may be another head than in day 2 (serial 9999), so it is not compared.",
    )


def test_a_serial_that_another_head_of_the_day_has_is_not_lent_to_a_label(synthetic: ModuleType) -> None:
    # B of day 1 is Z on day 2, where B stands without a serial: it is not 1072 too.
    later = visit(synthetic, 2, rename={"B": "Z", "C": "B"}, serials={"A": "1071", "Z": "1072"})
    history = compare_sessions([visit(synthetic, 1), later])
    assert set(rows(history, "day 2", "Z")["previous"]) == {"day 1"}
    assert set(rows(history, "day 2", "B")["previous"]) == {""}


def test_the_reference_is_named_with_each_light_that_it_concerns(synthetic: ModuleType) -> None:
    history = compare_sessions([visit(synthetic, 1), visit(synthetic, 2, camera="Invented 2")])
    assert set(rows_of(history, "day 1")["reference"]) == {""}
    assert set(rows_of(history, "day 2")["reference"]) == {"A"}


def test_a_wide_doubt_is_not_a_head_that_stayed(synthetic: ModuleType) -> None:
    wide = compare_sessions([visit(synthetic, 1, scatter=4.0), visit(synthetic, 2, scatter=4.0)])
    assert "not moved" not in set(rows_of(wide, "day 2")["verdict"])
    tight = compare_sessions(
        [visit(synthetic, 1), visit(synthetic, 2, tolerance=Tolerance(0.2, None, None, None, None, False))]
    )
    assert "not moved" not in set(rows_of(tight, "day 2")["verdict"])


def test_chance_is_seldom_called_and_intervals_hold(synthetic: ModuleType) -> None:
    """Of 50 pairs of sessions: 150 heads and places, three lights each; by count, as degrees of freedom are few."""
    held, called = [], 0
    for seed in range(50):
        places = 0.5 * np.random.default_rng([seed, 7]).standard_normal((2, 3))  # each head is put on its stand anew
        pair = [
            visit(synthetic, 2 * seed + 10 + day, dict(enumerate(places[day].tolist())), scatter=0.5) for day in (0, 1)
        ]
        later = rows_of(compare_sessions(pair), pair[1].name)
        held += (later["change_mired"].abs() <= later["u_change_mired"]).tolist()
        called += int((later["verdict"] == "moved").groupby(later["head"]).any().sum())
    assert 0.92 <= np.mean(held) <= 0.99
    assert called <= 13  # of 150, 5 % at most: 14 or more happen once in 50


def test_two_heads_of_a_session_cannot_have_one_serial(synthetic: ModuleType) -> None:
    with pytest.raises(GreystepError, match='day 2: serial "1071" is that of heads A and B; correct one'):
        compare_sessions([visit(synthetic, 1), visit(synthetic, 2, serials=SERIALS | {"B": "1071"})])


def test_lights_that_are_judged_together_share_the_chance_of_error() -> None:
    """A change of 2.3 standard uncertainties is beyond chance alone (5 % over mired and Duv), and not among three."""
    one, many = np.array([1.0]), np.array([1e9])
    size, variances, dof = {"mired": 2.3, "duv": 0.0}, {"mired": one, "duv": one}, {"mired": many, "duv": many}
    change = anchors.Change(anchors.Anchor.CAMERA, "", size, variances, dof, True, 0.0)
    assert anchors.beyond(change, 1) == {"mired"}
    assert anchors.beyond(change, 3) == set()
    other = replace(change, same_camera=False, size={"mired": 2.1, "duv": 9.0})
    assert anchors.beyond(other, 1) == {"mired", "duv"}
    assert anchors.judgeable(other) == ("mired",)


def test_a_session_without_a_date_stays_behind_the_one_before_it(synthetic: ModuleType) -> None:
    visits = [visit(synthetic, 1, date="2026-02-01"), visit(synthetic, 2), visit(synthetic, 3, date="2026-01-01")]
    table = compare_sessions(visits).table
    assert list(dict.fromkeys(table["session"])) == ["day 3", "day 1", "day 2"]
    assert set(rows_of(compare_sessions(visits), "day 2")["previous"]) == {"day 1"}
    table = compare_sessions([visit(synthetic, 2), visit(synthetic, 3, date="2026-01-01")]).table
    assert list(dict.fromkeys(table["session"])) == ["day 2", "day 3"]


def test_a_reference_head_that_only_one_session_saw_is_not_held_against(synthetic: ModuleType) -> None:
    without = {"rename": {"A": "Z"}, "serials": {"Z": "9", "B": "1072", "C": "2038"}}
    for first, second in ((visit(synthetic, 1, reference="", **without), visit(synthetic, 2)),
                          (visit(synthetic, 1), visit(synthetic, 2, reference="", **without))):  # fmt: skip
        later = rows(compare_sessions([first, second]), "day 2", "B")
        assert set(later["anchor"]) == {"same camera"}
        assert set(later["verdict"]) == {"not moved"}
