"""A frame taken apart into the lights that lit it: against plain sums over its fields."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from correct.test_overlap_by_hand import blocks
from correct.test_overlap_whole_by_hand import limit, tukey
from greystep.correct import unmix
from greystep.measure.uncertainty import student_factor
from greystep.raw.blocks import Blocks

Floats = NDArray[np.float64]


def lit(count: int = 2, noise: float = 0.003) -> tuple[list[Blocks], Blocks, Floats]:
    """A scene of 64 by 96 blocks lit from its sides in turn, and by all of them in known amounts; a sixth has moved."""
    rng = np.random.default_rng(7)
    x = np.linspace(0.0, 1.0, 96)[None, :, None] * np.ones((64, 1, 3))
    y = np.linspace(0.0, 1.0, 64)[:, None, None] * np.ones((1, 96, 3))
    things = 0.3 + 0.1 * ndimage.gaussian_filter(rng.standard_normal((64, 96, 1)), (3.0, 3.0, 0.0))
    sides = [things * (1.2 - x), things * (0.2 + x), things * (0.2 + y)][:count]
    amounts = np.array([[0.5, 0.6, 0.7], [0.9, 0.8, 0.7], [0.2, 0.3, 0.4]])[:count]
    mixed = np.asarray(sum(side * amount for side, amount in zip(sides, amounts, strict=True)))
    mixed[20:36, 8:48] *= 1.7

    def seen(signal: Floats) -> Blocks:
        return blocks(signal * (1.0 + noise * rng.standard_normal(signal.shape)))

    return [seen(side) for side in sides], seen(mixed), amounts


@pytest.fixture
def still(monkeypatch: pytest.MonkeyPatch) -> None:
    """Frames that lie on each other."""
    monkeypatch.setattr(unmix, "align", lambda mixed, single: (np.zeros(2), 0.0))


def plain_fields(one: Blocks) -> Floats:
    return np.array([
        one.signal[4 * row : 4 * row + 4, 4 * column : 4 * column + 4].mean(axis=(0, 1))
        for row in range(16) for column in range(24)
    ])  # fmt: skip


@pytest.mark.usefixtures("still")
@pytest.mark.parametrize("count", [2, 3])
def test_a_frame_is_a_sum_of_lights_as_sure_as_it_is_without_each_part_of_it(count: int) -> None:
    singles, mixed, amounts = lit(count)
    found = unmix.unmix(singles, mixed)
    assert found is not None
    assert found.amounts == pytest.approx(amounts, abs=0.01)
    lights, frame = np.stack([plain_fields(one) for one in singles], axis=1), plain_fields(mixed)
    squares = plain_fields(blocks(mixed.signal**2))[:, 1]
    even = 1.0 / (1.0 + np.maximum(squares / frame[:, 1] ** 2 - 1.0, 0.0) / 0.03**2)
    row, column = np.divmod(np.arange(384), 24)
    solved = unmix._solve(lights, frame, even, None)
    assert solved is not None
    light, weight = solved
    assert found.amounts == pytest.approx(light)
    assert found.agreed_pct == pytest.approx(100.0 * np.mean(weight > 0))
    assert 75.0 < found.agreed_pct < 92.0
    off = []
    for part in range(16):
        inside = (row // 4 == part // 4) & (column // 6 == part % 4)
        share = weight[inside].sum() / weight.sum()
        if share <= 0.005:
            continue
        rest = unmix._solve(lights[~inside], frame[~inside], even[~inside], light)
        assert rest is not None
        off.append(np.log(light / rest[0]) * np.sqrt(1.0 / share - 1.0))
    factor = student_factor(len(off) - 1)
    spread = np.array(off)
    assert found.u_stops == pytest.approx(factor * np.sqrt(np.mean(spread[:, :, 1] ** 2, axis=0)) / np.log(2.0))
    contrast = spread[:, :, 2] - spread[:, :, 0]
    assert found.u_contrast == pytest.approx(factor * np.sqrt(np.mean(contrast**2, axis=0)))


@pytest.mark.parametrize("start", [None, np.full((2, 3), 0.75)])
def test_the_amounts_are_the_weighted_least_squares_ones_of_the_fields_that_they_explain(start: Floats | None) -> None:
    singles, mixed, amounts = lit()
    lights, frame = np.stack([plain_fields(one) for one in singles], axis=1), plain_fields(mixed)
    even = np.random.default_rng(8).uniform(0.2, 1.0, 384)
    solved = unmix._solve(lights, frame, even, start)
    assert solved is not None
    light, weight = solved
    left = np.einsum("fnc,nc->fc", lights, light) / frame - 1.0
    distance = np.abs(left).max(axis=1) * np.sqrt(even)
    cut = limit(distance, even >= np.median(even))
    assert weight == pytest.approx(even * tukey(distance, cut), abs=2e-3)
    for channel in range(3):
        design = lights[:, :, channel] / frame[:, channel, None]
        wanted = np.linalg.solve((design.T * weight) @ design, design.T @ weight)
        assert light[:, channel] == pytest.approx(wanted, abs=1e-5)
    assert light == pytest.approx(amounts, abs=0.01)


@pytest.mark.usefixtures("still")
def test_a_frame_that_the_lights_do_not_explain_is_not_taken_apart() -> None:
    singles, mixed, _ = lit()
    other = blocks(np.random.default_rng(9).uniform(0.1, 0.6, mixed.signal.shape).repeat(4, 0).repeat(4, 1)[:64, :96])
    assert unmix.unmix(singles, other) is None
    assert unmix.unmix([singles[0], blocks(0.5 * singles[0].signal)], mixed) is None, "one light twice"
    third = blocks(mixed.signal.copy())
    third.signal[:, 32:] *= np.random.default_rng(1).uniform(0.3, 1.5, (16, 16, 3)).repeat(4, 0).repeat(4, 1)
    solved = unmix._solve(
        np.stack([plain_fields(one) for one in singles], axis=1), plain_fields(third), np.ones(384), None
    )
    assert solved is not None
    assert 0.25 < np.mean(solved[1] > 0) < 0.4
    assert unmix.unmix(singles, third) is None, "a third of it is too little"
    dark = blocks(mixed.signal.copy())
    dark.signal[:, 4:] = 0.001
    assert unmix.unmix(singles, dark) is None, "sixteen fields are too few"
    hidden = blocks(singles[1].signal, clipped=tuple((y, x) for y in range(0, 64, 4) for x in range(0, 96, 4)))
    assert unmix.unmix([singles[0], hidden], mixed) is None, "where one light is clipped nothing is told"


@pytest.mark.usefixtures("still")
@pytest.mark.parametrize(("parts", "enough"), [(2, False), (3, True)])
def test_without_each_of_three_parts_of_the_frame_its_doubt_is_told(parts: int, enough: bool) -> None:
    singles, mixed, _ = lit()
    dark = blocks(mixed.signal.copy())
    dark.signal[:48] = 0.001
    dark.signal[:, 24 * parts :] = 0.001
    found = unmix.unmix(singles, dark)
    assert (found is not None) == enough
    if found is not None:
        assert (found.u_stops > 0).all()


@pytest.mark.usefixtures("still")
def test_a_light_that_did_not_fire_has_no_share() -> None:
    singles, _, _ = lit()
    found = unmix.unmix(singles, blocks(0.7 * singles[0].signal))
    assert found is not None
    assert found.amounts[0] == pytest.approx([0.7] * 3, abs=0.01)
    assert found.amounts[1] == pytest.approx([0.0] * 3, abs=0.01)
    assert (found.amounts >= 0.0).all()


@pytest.mark.usefixtures("still")
@pytest.mark.parametrize("clipped", [True, False])
def test_what_lies_about_a_clipped_block_of_the_frame_is_left_out(clipped: bool) -> None:
    """Three blocks about it, which its light has spread over, are told neither to agree nor to disagree."""
    singles, _, amounts = lit(noise=0.0)
    signal = np.asarray(sum(one.signal * amount for one, amount in zip(singles, amounts, strict=True)))
    signal[17:24, 17:24] *= 1.5
    found = unmix.unmix(singles, blocks(signal, clipped=((20, 20),) if clipped else ()))
    assert found is not None
    assert found.agreed_pct == pytest.approx(100.0 if clipped else 100.0 * 380 / 384)
    assert found.amounts == pytest.approx(amounts, abs=1e-4)
