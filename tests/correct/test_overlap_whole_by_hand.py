"""What two frames share: against plain sums over fields, and what each step asks."""

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from correct.test_overlap_by_hand import blocks, some
from greystep.correct import overlap
from greystep.correct.overlap import Overlap, _Fields
from greystep.flags import Flag
from greystep.raw.blocks import Blocks

Floats = NDArray[np.float64]


def tukey(distance: Floats, cut: float) -> Floats:
    return np.asarray(np.where(np.abs(distance) < cut, (1.0 - (distance / cut) ** 2) ** 2, 0.0))


def limit(distance: Floats, calm: NDArray[np.bool_]) -> float:
    """4.5 times where four tenths of all fields, or of the calm ones, lie; from 0.01 % to 4 %."""
    middle = max(np.quantile(distance, 0.4), np.quantile(distance[calm], 0.4))
    return float(np.clip(4.5 * middle, 1e-4, 0.04))


def scattered(scatter: float = 0.004, odd: int = 40) -> _Fields:
    """Four hundred fields whose ratio is 0.5, 0.6, 0.7 with a scatter; some have moved, some have structure."""
    rng = np.random.default_rng(1)
    y, x = (part.ravel() for part in np.mgrid[-0.95:0.95:20j, -0.95:0.95:20j])
    hub = rng.uniform(0.1, 0.6, (400, 1)) * np.array([0.5, 1.0, 0.7])
    frame = hub * [0.5, 0.6, 0.7] * (1.0 + scatter * rng.standard_normal((400, 3)))
    frame[:odd] *= rng.uniform(0.3, 3.0, (odd, 3))
    around = hub * rng.uniform(0.8, 1.25, (400, 1))
    fields: Any = some(
        hub=hub, frame=frame, around=around, structure=rng.uniform(0.0, 0.12, 400), structure_2=np.zeros(400),
        alike=np.ones(400), level=np.zeros((400, 3)), contrast=np.zeros((400, 3)), y=y, x=x, total=500,
    )  # fmt: skip
    return fields  # type: ignore[no-any-return]


@pytest.mark.parametrize("start", [None, np.array([0.55, 0.55, 0.6])])
@pytest.mark.parametrize("scatter", [0.0004, 0.004, 0.02])
def test_fields_that_agree_weigh_by_how_even_they_are_and_how_near_to_the_common_ratio(
    scatter: float, start: Floats | None
) -> None:
    fields = scattered(scatter)
    weight, ratio, wider = overlap._agreeing(fields, start)
    even = 1.0 / (1.0 + (fields.structure / 0.03) ** 2)
    left = np.abs(fields.frame / ratio - fields.hub) / fields.around
    distance = left.max(axis=1) * np.sqrt(even)
    cut = limit(distance, fields.structure <= np.median(fields.structure))
    assert weight == pytest.approx(even * tukey(distance, cut), abs=1e-4)
    assert wider == pytest.approx(even * tukey(distance, 2.5 * cut), abs=1e-4)
    pull = weight[:, None] / fields.around
    assert ratio == pytest.approx((pull * fields.frame).sum(axis=0) / (pull * fields.hub).sum(axis=0), rel=1e-6)
    assert ratio == pytest.approx([0.5, 0.6, 0.7], rel=0.3 * scatter)
    assert not weight[:40].any() or scatter > 0.01


def test_the_doubt_of_a_ratio_is_that_of_leaving_out_each_sixteenth_of_the_frame() -> None:
    fields = scattered()
    weight, ratio, _ = overlap._agreeing(fields)
    weight[(fields.y < -0.5) & (fields.x > 0.5)] *= 1e-3  # a part that is hardly there tells nothing
    covariance, dof = overlap._uncertainty(fields, weight, ratio)
    deviations = []
    for row in range(4):
        for column in range(4):
            inside = (np.floor((fields.y + 1) * 2) == row) & (np.floor((fields.x + 1) * 2) == column)
            share = weight[inside].sum() / weight.sum()
            if share < 0.005:
                assert (row, column) == (0, 3)
                continue
            rest: Any = some(**{
                name: values[~inside] for name, values in vars(fields).items() if name != "total"
            })  # fmt: skip
            without = overlap._agreeing(rest, ratio)[1]
            deviations.append((np.log(ratio) - np.log(without)) * np.sqrt(1.0 / share - 1.0))
    assert len(deviations) == 15
    assert dof == 14.0
    assert covariance == pytest.approx(np.mean([np.outer(one, one) for one in deviations], axis=0) + 1e-8 * np.eye(3))
    third = (fields.y < 0.0) & (fields.y > -0.5) & (fields.x < 0.5)
    assert overlap._uncertainty(fields, np.where(third, 1.0, 0.0), ratio)[1] == 2.0, "three parts are enough"
    narrow = (fields.y < 0.0) & (fields.y > -0.5) & (np.abs(fields.x) < 0.5)
    few, none = overlap._uncertainty(fields, np.where(narrow, 1.0, 0.0), ratio)
    assert np.isnan(few).all(), "two parts are too few"
    assert none == 0.0


@pytest.mark.parametrize(("count", "spread"), [(400, 0.0), (400, 0.9), (25, 0.9)])
@pytest.mark.parametrize(("times", "seen"), [(2.95, False), (3.05, True)])
def test_what_is_left_is_held_against_its_scatter_by_what_the_fields_weigh(
    count: int, spread: float, times: float, seen: bool
) -> None:
    """A course down the frame against what scatter gives to five terms: of a quarter of the fields, eight at least."""
    rng = np.random.default_rng(5)
    y, x = rng.uniform(-0.9, 0.9, (2, count))
    weight = rng.uniform(1.0 - spread, 1.0, count)
    terms = np.stack([np.ones(count), x, y, x * y, x**2, y**2], axis=1)
    scatter = 0.05 * rng.standard_normal(count)
    root = np.sqrt(weight)
    scatter -= terms @ np.linalg.lstsq(terms * root[:, None], scatter * root, rcond=None)[0]
    effective = max(weight.sum() ** 2 / np.sum(weight**2) / 4.0, 8.0)
    noise = np.sqrt(np.average(scatter**2, weights=weight) * 5.0 / effective)
    course = (y - np.average(y, weights=weight)) / np.sqrt(np.cov(y, aweights=weight, ddof=0))
    left = scatter + times * noise * course
    hub = rng.uniform(0.1, 0.5, (count, 3))
    fields: Any = some(hub=hub, frame=hub * 0.7 * np.exp(left)[:, None], y=y, x=x, total=count)
    said = overlap._structure(fields, weight, np.full(3, 0.7))
    assert said == (f"what is left varies over the frame by {100 * times * noise:.1f} % in brightness" if seen else "")


# --- the order of what is asked ---------------------------------------------------------------------------------------


def compared(monkeypatch: pytest.MonkeyPatch, count: int = 100, agreed: int = 90, **said: Any) -> Overlap:
    """Compare frames of 200 fields, of which some can be compared and some agree; what each question is told."""
    told: dict[str, Any] = {"other": 0.0, "same": 1.0, "structure": ""} | said
    weight = (np.arange(count) < agreed) * 0.5
    ratio, wider = np.array([0.5, 0.6, 0.7]), np.ones(count)
    hub, frame = blocks(np.full((8, 8, 3), 0.3)), blocks(np.full((8, 8, 3), 0.2))
    every: Any = some(structure=np.zeros(count), total=200)

    def gathered(one: Blocks, moved: str, there: str) -> _Fields:
        assert one is hub
        assert (moved, there) == ("moved", "there")
        return every  # type: ignore[no-any-return]

    def laid(one: Blocks, other: Blocks, *where: Any) -> tuple[str, str]:
        assert (one is frame, other is hub, where) == (True, True, ("shift", "zoom"))
        return "moved", "there"

    def aligned(one: Blocks, other: Blocks) -> tuple[str, str]:
        assert (one is hub, other is frame) == (True, True)
        return "shift", "zoom"

    monkeypatch.setattr(overlap, "align", aligned)
    monkeypatch.setattr(overlap, "laid_over", laid)
    monkeypatch.setattr(overlap, "_fields", gathered)
    monkeypatch.setattr(overlap, "_agreeing", lambda fields: (weight, ratio, wider))
    monkeypatch.setattr(overlap, "_lit_otherwise", lambda fields, w, r: told["other"] if w is weight else None)
    monkeypatch.setattr(overlap, "_same_things", lambda f, w: told["same"] if w.sum() == agreed else None)
    monkeypatch.setattr(overlap, "_structure", lambda f, w, r: told["structure"] if w is wider else None)
    monkeypatch.setattr(overlap, "_uncertainty", lambda f, w, r: (np.eye(3), 9.0) if w is weight else None)
    return overlap.compare(hub, frame)


def test_frames_that_agree_have_a_ratio_and_its_doubt(monkeypatch: pytest.MonkeyPatch) -> None:
    found = compared(monkeypatch)
    assert found.ratio.tolist() == [0.5, 0.6, 0.7]
    assert found.covariance.tolist() == np.eye(3).tolist()
    assert (found.dof, found.agreed_pct, found.flag, found.why) == (9.0, 45.0, "", "")


@pytest.mark.parametrize(
    ("case", "flag", "agreed_pct", "why"),
    [
        (
            {"count": 23, "agreed": 23},
            Flag.NO_OVERLAP,
            0.0,
            "only 12 % of it is neither dark nor clipped in both frames",
        ),
        ({"count": 24, "agreed": 24}, "", 12.0, ""),
        ({"other": 0.031}, Flag.LIGHT_CHANGED, 45.0, "3 % of it shows the same things in other light"),
        ({"other": 0.029}, "", 45.0, ""),
        ({"agreed": 39}, Flag.NO_OVERLAP, 19.5, "only 20 % of it agrees with the reference frame"),
        ({"agreed": 40}, "", 20.0, ""),
        ({"count": 40, "agreed": 23}, Flag.NO_OVERLAP, 11.5, "only 12 % of it agrees with the reference frame"),
        ({"count": 40, "agreed": 24}, "", 12.0, ""),
        ({"agreed": 39, "other": 0.1}, Flag.LIGHT_CHANGED, 19.5, "10 % of it shows the same things in other light"),
        ({"same": 0.39}, Flag.NO_OVERLAP, 45.0, "only 39 % of what has structure shows the same things"),
        ({"same": 0.41}, "", 45.0, ""),
        ({"structure": "it varies"}, Flag.LIGHT_CHANGED, 45.0, "it varies"),
        ({"structure": "it varies", "same": 0.3}, Flag.NO_OVERLAP, 45.0, "only 30 % of what has structure shows"),
    ],
    ids=str,
)
def test_what_two_frames_do_not_share_is_told_with_its_numbers(
    monkeypatch: pytest.MonkeyPatch, case: dict[str, Any], flag: str, agreed_pct: float, why: str
) -> None:
    found = compared(monkeypatch, **case)
    assert found.flag == flag
    assert found.agreed_pct == pytest.approx(agreed_pct)
    assert found.why.startswith(why)
    assert bool(found.why) == bool(why)
    assert np.isfinite(found.ratio).all() == (not flag)
    assert (found.ratio.shape, found.covariance.shape) == ((3,), (3, 3))
    if flag:
        assert np.isnan(found.covariance).all()
        assert np.isnan(found.dof)
