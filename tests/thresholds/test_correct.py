"""Limits of comparing two frames by what they share, and of what is made of it: just inside and just outside.

Frames are made as blocks, without noise, so that each limit stands alone. The numbers are this tool's own choices; each
limit is written as a number in its test.
"""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from greystep.correct.alignment import align, bloomed
from greystep.correct.developed import white_of_240
from greystep.correct.images import Origin
from greystep.correct.lit_by import what_changed
from greystep.correct.overlap import compare, half_width_stops
from greystep.correct.references import Reference, carried
from greystep.correct.render import Developed, said_of_loss, write_image
from greystep.correct.shared import assumed_light, join_series
from greystep.correct.trend import trend
from greystep.correct.unmix import unmix
from greystep.flags import Flag
from greystep.measure.chromaticity import cct_duv_to_xy, xy_to_xyz
from greystep.measure.target import Target
from greystep.raw.blocks import Blocks, block_side, thin
from greystep.raw.dng import ColourTags
from greystep.raw.exposure import Exposure
from greystep.raw.frame import Mosaic
from greystep.session.bodies import Body
from greystep.session.cards import shows_card
from helpers.lit_frames import lit_frame

Floats = NDArray[np.float64]
#: Fields of four blocks a side.
ROWS, COLUMNS, SIDE = 24, 32, 4
Y, X = np.mgrid[0 : ROWS * SIDE, 0 : COLUMNS * SIDE]
#: Patterns of the blocks that leave no field brighter: a chessboard and stripes, orthogonal to each other.
BOARD = np.where((X + Y) % 2, 1.0, -1.0)
STRIPES = np.where(Y % 2, 1.0, -1.0)
#: Faint things that both frames show, so that they are laid over each other as they stand.
THINGS = 1.0 + 0.02 * np.sin(X / 2.5) * np.sin(Y / 3.0)


def blocks(green: Floats, colour: Floats | None = None) -> Blocks:
    """A frame of these blocks (h, w), or with a factor of its own for each channel (h, w, 3)."""
    signal = np.repeat(green[..., None], 3, axis=2) * (1.0 if colour is None else colour)
    height, width = green.shape
    return Blocks(signal, np.zeros(green.shape, np.bool_), height * SIDE, width * SIDE, SIDE)


def flat(level: float = 0.4, rows: int = ROWS, columns: int = COLUMNS) -> Floats:
    return np.full((rows * SIDE, columns * SIDE), level)


def by_field(values: Floats) -> Floats:
    """One value a field (rows, columns) over all its blocks."""
    return np.kron(values, np.ones((SIDE, SIDE)))


def scattered(share: float, seed: int = 1) -> NDArray[np.bool_]:
    """This share of the fields, by chance."""
    chosen = np.zeros(ROWS * COLUMNS, np.bool_)
    chosen[: round(share * chosen.size)] = True
    return np.random.default_rng(seed).permutation(chosen).reshape(ROWS, COLUMNS)


def resembling(alike: float) -> Floats:
    """A pattern of this correlation with the chessboard over nine by nine blocks, where stripes have one of 1 / 9."""
    own = (STRIPES - BOARD / 9.0) / np.sqrt(1.0 - 1.0 / 81.0)
    return np.asarray(alike * BOARD + np.sqrt(1.0 - alike**2) * own)


def chessboard() -> Floats:
    return np.where(np.indices((ROWS, COLUMNS)).sum(axis=0) % 2, 1.0, -1.0)


def area(share: float) -> NDArray[np.bool_]:
    """Blocks of about this share of the frame: an upright part of it, whole fields wide."""
    inside = np.zeros(Y.shape, np.bool_)
    inside[: 16 * SIDE, : round(share * ROWS * COLUMNS / 16) * SIDE] = True
    return inside


# --- which blocks and fields count ------------------------------------------------------------------------------------


def test_a_frame_is_thinned_to_160_blocks_of_two_periods_at_least() -> None:
    assert block_side(3200, 4800, (2, 2)) == 4800 // 160
    assert block_side(100, 100, (2, 2)) == 4
    assert block_side(100, 100, (6, 6)) == 12


@pytest.mark.parametrize(("at_top", "clipped"), [(22, False), (28, True)])
def test_one_pixel_in_ten_thousand_at_a_top_below_white_is_where_the_sensor_saturates(
    at_top: int, clipped: bool
) -> None:
    # 250,000 pixels of each colour: 25 of them are the least.
    rng = np.random.default_rng(2)
    values = rng.integers(1000, 14000, (1000, 1000)).astype(np.float64)
    greens = values[0::2, 1::2]
    greens[17 * np.arange(at_top), 17 * np.arange(at_top)] = 15000.0
    pattern = np.array([[0, 1], [3, 2]], np.int8)
    mosaic = Mosaic(values, np.tile(pattern, (500, 500)), np.zeros(values.shape))
    assert bool(thin([mosaic], (16383.0,) * 4, 10, pattern).clipped.any()) == clipped


def test_three_blocks_about_a_clipped_one_are_left_out() -> None:
    clipped = np.zeros((20, 20), np.bool_)
    clipped[10, 10] = True
    around = bloomed(clipped)
    assert around.sum() == 7 * 7
    assert around[7:14, 7:14].all()


@pytest.mark.parametrize(("level", "compared"), [(0.0035, False), (0.0045, True), (0.93, True), (0.97, False)])
def test_fields_between_four_thousandths_and_95_hundredths_of_the_range_are_compared(
    level: float, compared: bool
) -> None:
    assert (compare(blocks(flat(level)), blocks(flat(level))).flag == "") == compared


@pytest.mark.parametrize(
    ("blocks_high", "blocks_wide", "enough"),
    [(20, 20, True), (20, 16, False), (19, 19, False)],  # 25, 20 and 16 fields
)
def test_two_dozen_fields_of_four_blocks_a_side_are_needed(blocks_high: int, blocks_wide: int, enough: bool) -> None:
    frame = blocks(np.full((blocks_high, blocks_wide), 0.4))
    assert (compare(frame, frame).flag == "") == enough


@pytest.mark.parametrize(("side", "aligned"), [(13, False), (15, True)])
def test_frames_are_aligned_from_96_usable_blocks_on(side: int, aligned: bool) -> None:
    # Two blocks at each edge are not usable: of 13 x 13 blocks 81 are, of 15 x 15 121.
    y, x = np.mgrid[0:side, 0:side] - (side - 1) / 2
    thing, moved = (0.2 + 0.5 * np.exp(-((x - shift) ** 2 + y**2) / 18.0) for shift in (0.0, 0.6))
    shift, _ = align(blocks(thing), blocks(moved))
    assert (abs(shift[0] - 0.6) < 0.15) == aligned


def test_fine_things_are_blurred_by_one_and_a_half_blocks() -> None:
    """Waves of 24 blocks that move one way and waves of 6 that move the other hold each other in balance then."""

    def waves(moved: float) -> Blocks:
        broad, fine = np.sin((X - moved) / 24.0 * 2.0 * np.pi), np.sin((X + moved) / 6.0 * 2.0 * np.pi)
        return blocks(0.3 * (1.0 + 0.1 * broad + 0.085 * fine))

    assert align(waves(0.0), waves(0.3))[0][0] == pytest.approx(0.0, abs=0.06)


def test_what_moved_in_a_third_of_the_frame_pulls_as_one_and_a_half_deviations_let_it() -> None:
    def things(moved: float, noise: float) -> Blocks:
        pattern = np.sin((X - np.where(0.35 * X.shape[1] > X, moved, 0.0)) / 20.0 * 2.0 * np.pi)
        scatter = noise * np.random.default_rng(1).standard_normal(X.shape)
        return blocks(0.3 * (1.0 + 0.1 * pattern * np.cos(Y / 17.0 * 2.0 * np.pi)) * (1.0 + scatter))

    assert align(things(0.0, 0.0), things(1.0, 0.03))[0][0] == pytest.approx(0.172, abs=0.035)


# --- which fields agree -----------------------------------------------------------------------------------------------


def agreed(typical: float, farther: float) -> float:
    """Share that agrees [%] where 7 fields in 10 are `typical` off, up and down by turns, and 3 in 10 are `farther`."""
    off = typical * chessboard()
    off[scattered(0.3)] = farther * np.sign(off[scattered(0.3)])
    return compare(blocks(flat()), blocks(flat() * (1.0 + by_field(off)))).agreed_pct


@pytest.mark.parametrize(
    ("typical", "farther", "agree"),
    [(0.003, 4.0 * 0.003, True), (0.003, 5.1 * 0.003, False), (0.012, 0.036, True), (0.012, 0.045, False)],
)
def test_fields_agree_within_four_and_a_half_typical_distances_and_four_hundredths(
    typical: float, farther: float, agree: bool
) -> None:
    assert (agreed(typical, farther) > 99.0) == agree


@pytest.mark.parametrize(("share", "flag"), [(0.35, "no_overlap"), (0.45, "")])
def test_four_fields_in_ten_must_agree(share: float, flag: str) -> None:
    rng = np.random.default_rng(3)
    off = rng.uniform(0.045, 0.055, (ROWS, COLUMNS)) * rng.choice([-1.0, 1.0], (ROWS, COLUMNS))
    off[scattered(share)] = 0.002 * chessboard()[scattered(share)]
    assert compare(blocks(flat()), blocks(flat() * (1.0 + by_field(off)))).flag == flag


@pytest.mark.parametrize(("off", "agree"), [(0.0527, True), (0.0605, False)])
def test_a_field_with_a_structure_of_three_hundredths_counts_half(off: float, agree: bool) -> None:
    # Three tenths of the frame, on the right, have that structure: they agree within 0.04 * sqrt(2) = 0.0566.
    right = X >= (COLUMNS - 10) * SIDE
    reference = flat() * (1.0 + 0.03 * BOARD * right)
    away = np.where(right, off, 0.012 * by_field(chessboard()))
    result = compare(blocks(reference), blocks(reference * (1.0 + away)))
    assert (result.agreed_pct > 80.0) == agree


@pytest.mark.parametrize(("alike", "flag"), [(0.44, "no_overlap"), (0.56, "")])
def test_fields_show_the_same_things_above_a_correlation_of_one_half(alike: float, flag: str) -> None:
    reference = flat() * THINGS * (1.0 + 0.1 * BOARD)
    frame = flat() * THINGS * (1.0 + 0.1 * resembling(alike))
    assert compare(blocks(reference), blocks(frame)).flag == flag


# --- light that has changed -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("rms", "flag"), [(0.006, ""), (0.0081, "light_changed")])
def test_brightness_that_varies_by_seven_thousandths_is_a_changed_light(rms: float, flag: str) -> None:
    tilt = np.sqrt(3.0) * rms * (2.0 * X / X.max() - 1.0)
    assert compare(blocks(flat()), blocks(flat() * np.exp(tilt))).flag == flag


@pytest.mark.parametrize("channel", [0, 2])
@pytest.mark.parametrize(("rms", "flag"), [(0.003, ""), (0.0041, "light_changed")])
def test_colour_that_varies_by_35_ten_thousandths_is_a_changed_light(rms: float, flag: str, channel: int) -> None:
    colour = np.ones((*X.shape, 3))
    colour[..., channel] = np.exp(np.sqrt(3.0) * rms * (2.0 * X / X.max() - 1.0))
    assert compare(blocks(flat()), blocks(flat(), colour)).flag == flag


@pytest.mark.parametrize(("times", "flag"), [(1.9, "light_changed"), (2.65, "")])
def test_what_is_left_is_looked_at_up_to_two_and_a_half_times_farther_out(times: float, flag: str) -> None:
    # The limit of agreement is 0.04 here; a quarter of the frame, on the left, is brighter by so many times that.
    off = 0.012 * chessboard()
    off[:, : COLUMNS // 4] += times * 0.04
    assert compare(blocks(flat()), blocks(flat() * (1.0 + by_field(off)))).flag == flag


def changed(
    inside: NDArray[np.bool_], level: float, alike: float = 1.0, strange: NDArray[np.bool_] | None = None
) -> str:
    """Flag where the blocks inside are lit otherwise, their pattern so far alike; strange ones show another thing."""
    reference = flat(0.3) * THINGS * (1.0 + 0.3 * BOARD)
    shown = np.where(inside, resembling(alike), BOARD)
    frame = flat(0.3) * THINGS * np.where(inside, level, 1.0)
    if strange is not None:
        shown, frame = np.where(strange, -BOARD, shown), frame * np.where(strange, 0.93, 1.0)
    return compare(blocks(reference), blocks(frame * (1.0 + 0.3 * shown))).flag


@pytest.mark.parametrize(("rows", "columns", "flag"), [(4, 5, ""), (5, 5, "light_changed")])
def test_the_same_things_in_other_light_are_told_from_three_hundredths_of_the_frame_on(
    rows: int, columns: int, flag: str
) -> None:
    # 23 of the 768 fields are three hundredths; here 20 and 25 are lit otherwise, in a corner.
    assert changed((rows * SIDE > Y) & (columns * SIDE > X), 0.93) == flag


@pytest.mark.parametrize(("level", "flag"), [(0.984, ""), (0.977, "light_changed")])
def test_other_light_differs_by_two_hundredths(level: float, flag: str) -> None:
    assert changed(area(0.35), level) == flag


@pytest.mark.parametrize(("alike", "flag"), [(0.92, ""), (0.98, "light_changed")])
def test_the_same_things_are_alike_above_a_correlation_of_95_hundredths(alike: float, flag: str) -> None:
    assert changed(area(0.25), 0.8, alike) == flag


@pytest.mark.parametrize(("same", "strange", "flag"), [(3, 5, ""), (5, 4, "light_changed")])
def test_where_most_of_what_does_not_agree_is_strange_no_light_has_changed(same: int, strange: int, flag: str) -> None:
    # Columns of fields over the whole height: 3 of 8 are the same in other light, or 5 of 9, less their borders.
    inside, other = same * SIDE > X, (COLUMNS - strange) * SIDE <= X
    assert changed(inside, 0.93, 1.0, other) == flag


# --- the uncertainty --------------------------------------------------------------------------------------------------


def test_sixteen_parts_are_left_out_in_turn_and_a_ten_thousandth_is_never_seen() -> None:
    result = compare(blocks(flat()), blocks(flat(0.38)))
    assert result.dof == 15
    # Student's t of 15 degrees of freedom: 2.131.
    assert half_width_stops(result) == pytest.approx(2.131 * 1e-4 / np.log(2.0), rel=0.05)


@pytest.mark.parametrize(("fields", "dof"), [(3, 14), (4, 15)])
def test_a_part_with_less_than_five_thousandths_of_the_weight_tells_nothing(fields: int, dof: float) -> None:
    # One of the sixteen parts is dark in blue but for these fields: 3 of 723 are 0.0041, 4 of 724 are 0.0055.
    blue = np.ones((ROWS, COLUMNS))
    blue[: ROWS // 4, : COLUMNS // 4] = 0.001
    blue[0, :fields] = 1.0
    frame = blocks(flat(), np.stack([np.ones(X.shape), np.ones(X.shape), by_field(blue)], axis=-1))
    assert compare(frame, frame).dof == dof


# --- several lights ---------------------------------------------------------------------------------------------------


def halves(first: float, second: float) -> Floats:
    return np.where(X < COLUMNS * SIDE // 2, first, second)


@pytest.mark.parametrize(("condition", "told"), [(85.0, True), (115.0, False)])
def test_lights_are_told_apart_up_to_a_condition_of_one_hundred(condition: float, told: bool) -> None:
    # Two lights of 1 + e and 1 - e on one half, the reverse on the other: the condition number is 1 / e.
    e = 1.0 / condition
    lights = [blocks(0.2 * halves(1.0 + e, 1.0 - e)), blocks(0.2 * halves(1.0 - e, 1.0 + e))]
    assert (unmix(lights, blocks(flat())) is not None) == told


@pytest.mark.parametrize(
    ("typical", "farther", "agree"),
    [(0.003, 4.0 * 0.003, True), (0.003, 5.1 * 0.003, False), (0.012, 0.036, True), (0.012, 0.045, False)],
)
def test_a_sum_of_lights_explains_fields_within_four_and_a_half_typical_distances_and_four_hundredths(
    typical: float, farther: float, agree: bool
) -> None:
    off = typical * chessboard()
    off[scattered(0.3)] = farther * np.sign(off[scattered(0.3)])
    lights = [blocks(halves(0.3, 0.1)), blocks(halves(0.1, 0.3))]
    found = unmix(lights, blocks(flat() * (1.0 + by_field(off))))
    assert found is not None
    assert (found.agreed_pct > 95.0) == agree


@pytest.mark.parametrize(("off", "agree"), [(0.0527, True), (0.0605, False)])
def test_in_a_sum_of_lights_a_field_with_a_structure_of_three_hundredths_counts_half(off: float, agree: bool) -> None:
    # As above: three tenths of the frame, on the right, agree within 0.04 * sqrt(2) = 0.0566; lights from above, below.
    right, upper = X >= (COLUMNS - 10) * SIDE, Y < ROWS * SIDE // 2
    away = np.where(right, off, 0.012 * by_field(chessboard()))
    lights = [blocks(np.where(upper, 0.3, 0.1)), blocks(np.where(upper, 0.1, 0.3))]
    found = unmix(lights, blocks(flat() * (1.0 + 0.03 * BOARD * right) * (1.0 + away)))
    assert found is not None
    assert (found.agreed_pct > 85.0) == agree


# --- series and rendering ---------------------------------------------------------------------------------------------


#: XYZ to camera RGB of an invented camera, and a body of it.
MATRIX = np.array([[0.92, -0.25, -0.10], [-0.52, 1.30, 0.25], [-0.15, 0.25, 0.70]])
TAGS = ColourTags(MATRIX, None, 0, 0, None, None, None, None, "dng")
BODY = Body("Invented 1", MATRIX, np.ones(3), TAGS, "dng", None, None, False)


def neutral(kelvin: float) -> Floats:
    seen = MATRIX @ xy_to_xyz(cct_duv_to_xy(kelvin, 0.0))
    return np.asarray(seen / seen[1])


def test_a_series_without_a_card_and_without_a_setting_is_taken_for_5500_kelvin() -> None:
    """Common practice for flash, no source."""
    assert assumed_light(BODY, blocks(flat())) == pytest.approx(neutral(5500.0), rel=1e-6)


@pytest.mark.parametrize(("focal_mm", "one_setting"), [(104.2, True), (96.0, True), (105.9, False), (94.4, False)])
def test_focal_lengths_within_a_twentieth_are_one_setting(focal_mm: float, one_setting: bool) -> None:
    frames = {"a": blocks(flat()), "b": replace(blocks(flat()), focal_mm=100.0)}
    frames = {"a": replace(frames["b"], focal_mm=focal_mm), "b": frames["b"], "c": frames["b"]}
    rows = [lit_frame(frame=name, shot=shot) for shot, name in enumerate(frames)]
    _, found, _ = join_series(rows, "frame:b", BODY, frames.__getitem__)
    assert (found["a"].trouble == "") == one_setting
    assert found["c"].trouble == ""


@pytest.mark.parametrize(
    ("stops", "mired", "said"),
    [(0.017, 0.0, ""), (0.023, 0.0, "brighter"), (0.0, 0.42, ""), (0.0, 0.58, "warmer")],
)
def test_a_light_has_changed_from_two_hundredths_of_a_stop_and_half_a_mired_on(
    stops: float, mired: float, said: str
) -> None:
    ratio = neutral(1e6 / (1e6 / 5600.0 + mired)) / neutral(5600.0) * 2.0**stops
    single = {"A": halves(0.3, 0.1), "B": halves(0.1, 0.3)}
    mixed = single["A"][..., None] * ratio + single["B"][..., None]
    frames = {name: blocks(light) for name, light in single.items()} | {"both": blocks(np.ones(X.shape), mixed)}
    red, _, blue = neutral(5600.0)
    common = {"exposure_s": 0.008, "f_number": 8.0, "iso": 100.0, "source": "patch", "r_g": red, "b_g": blue}
    rows = [
        lit_frame(**common, frame=name, lights=lights, head="", stops=np.nan, shot=shot)
        for shot, (name, lights) in enumerate((("A", "A@1/1"), ("B", "B@1/1"), ("both", "A@1/1 & B@1/1")))
    ]
    session = SimpleNamespace(heads={}, dial=None)
    text = what_changed(rows[2], rows, session, BODY, frames.__getitem__)  # type: ignore[arg-type]
    assert text
    assert ("brighter" in text, "warmer" in text) == (said == "brighter", said == "warmer"), text


def test_the_trend_is_drawn_through_nine_frames() -> None:
    """Four frames on each side of a place count, the fifth does not."""
    jump = np.zeros(31)
    jump[15] = 1.0
    found = trend(jump)
    assert found[11] != 0.0
    assert found[19] != 0.0
    assert found[10] == found[20] == 0.0


@pytest.mark.parametrize(("share", "said"), [(0.00085, 0), (0.00115, 1)])
def test_pixels_cut_off_are_worth_a_line_from_a_thousandth_on(share: float, said: int) -> None:
    assert len(said_of_loss([share, 0.0])) == said


@pytest.mark.parametrize(("over", "lost"), [(0.0042, 0.0), (0.0058, 1.0)])
def test_a_value_is_cut_off_where_it_lies_half_a_hundredth_beyond_white(
    over: float, lost: float, tmp_path: Path
) -> None:
    picture = Developed(8, 8, iter([(0, np.full((8, 8, 3), 1.0 + over, np.float32))]))
    origin = Origin("a.dng", Exposure(), "lin_rec709", "Linear Rec.709")
    assert write_image(tmp_path / "a.tif", picture, origin) == lost


# --- what is a card ---------------------------------------------------------------------------------------------------

#: The patch, the card and all that is read about it, as shares of the frame: the map has 60 bins of 0.01 a side.
SHOWN = Target(box=(0.3, 0.3, 0.7, 0.7), patch=(0.4, 0.4, 0.6, 0.6), found=True)
AT = 0.2 + (np.arange(60) + 0.5) / 100.0


def beside(by: float) -> np.ndarray:
    """Which bins lie farther from the card than so many of its sizes."""
    away = np.maximum(np.abs(AT - 0.5) - 0.2, 0.0) / 0.4
    return np.maximum(away[:, None], away) > by


GROUND = np.where(beside(0.08), 0.5, 1.0)


def proven(
    ratio: tuple[float, float] = (0.0, 0.0),
    level: float = -1.0,
    stops: float = 1.0,
    surround: np.ndarray = GROUND,
    usual: np.ndarray = GROUND,
    rough: float = 1.0,
    head: str = "A",
) -> bool:
    """Whether a job frame is taken for the card of one card frame of A at full; ratios and levels are logarithms."""
    card, job = (
        SimpleNamespace(signal=SimpleNamespace(sd=(sd,) * 3, mean=(mean,) * 3), surround=map_, colour=None)
        for sd, mean, map_ in ((1.0, 8000.0, usual), (rough**0.5, 8000.0, surround))
    )
    none = np.zeros(2, dtype=bool)
    doubts = {Flag.TOO_DARK: none, Flag.UNEVEN: none}
    kinds = np.array(["flash", "job"])
    frames = SimpleNamespace(read=(card, job), doubts=doubts, of_kind=lambda *asked: np.isin(kinds, asked))
    log = pd.DataFrame({"body": "X", "head": ["A", head], "lights": "", "stops": [0.0, stops], "level": [0.0, level]})
    own = np.exp([[0.0, ratio[0]], [0.0, ratio[1]]])
    ratios = {"r_g": 0.5 * own[0], "b_g": 0.7 * own[1]}
    found = shows_card(SimpleNamespace(), frames, log, ratios, ~none, {"X": SHOWN})  # type: ignore[arg-type]
    return bool(found[1])


@pytest.mark.parametrize(
    ("stops", "colour", "tint", "level"), [(0.0, 0.03, 0.02, 0.25), (4.0, 0.03 + 0.04, 0.02 + 0.012, 0.25 + 0.2)]
)
def test_a_card_is_as_near_to_its_heads_card_as_three_hundredths_and_a_hundredth_a_stop(
    stops: float, colour: float, tint: float, level: float
) -> None:
    """In colour; in tint two hundredths and three thousandths, in brightness a quarter and a twentieth of a stop."""
    # Blue over red is the difference of both ratios, tint their mean.
    for share, card in ((0.93, True), (1.07, False)):
        for sign in (-share, share):
            half = sign * colour / 2.0
            assert proven((-half, half), -stops, stops) == card
            assert proven((sign * tint, sign * tint), -stops, stops) == card
            assert proven(level=-stops + sign * level, stops=stops) == card


@pytest.mark.parametrize(("away", "card"), [(0.11, True), (0.13, False)])
def test_the_ground_of_a_card_may_be_brighter_by_twelve_hundredths(away: float, card: bool) -> None:
    # Pixels scatter by 1 in 8000, which adds next to nothing.
    assert proven(surround=np.where(beside(0.08), 0.5 * np.exp(away), 1.0)) == card


@pytest.mark.parametrize(("uneven", "card"), [(0.018, True), (0.022, False)])
def test_a_card_is_as_even_as_two_hundredths(uneven: float, card: bool) -> None:
    checked = np.exp(uneven * (-1.0) ** np.add.outer(np.arange(60), np.arange(60)))
    assert proven(surround=GROUND * checked) == card


@pytest.mark.parametrize(("step", "card"), [(0.09, False), (0.11, True)])
def test_a_card_has_an_outline_of_a_tenth_against_its_ground(step: float, card: bool) -> None:
    same = np.where(beside(0.08), np.exp(-step), 1.0)
    assert proven(surround=same, usual=same) == card


@pytest.mark.parametrize(("same", "card"), [(0.77, True), (0.73, False)])
def test_three_quarters_of_the_ground_are_as_in_the_card_frames(same: float, card: bool) -> None:
    ground = np.argwhere(beside(0.08))
    other = GROUND.copy()
    other[tuple(ground[: round((1.0 - same) * len(ground))].T)] = 1.0
    assert proven(surround=other) == card


@pytest.mark.parametrize(("same", "card"), [(0.62, True), (0.58, False)])
def test_six_tenths_of_the_edges_are_as_in_the_card_frames(same: float, card: bool) -> None:
    inside = np.maximum(np.abs(AT - 0.5)[:, None], np.abs(AT - 0.5)) < 0.1
    edges = np.argwhere(~beside(0.08) & ~inside)
    other = GROUND.copy()
    other[tuple(edges[: round((1.0 - same) * len(edges))].T)] = 0.5
    assert proven(surround=other) == card


@pytest.mark.parametrize(("rim", "share", "card"), [((0.05, 0.08), 0.23, True), ((0.08, 0.1), 0.27, False)])
def test_the_ground_begins_eight_hundredths_of_a_cards_size_beside_it(
    rim: tuple[float, float], share: float, card: bool
) -> None:
    # One rim of bins is another scene, inside of that and beyond it, and of the ground less or more than a quarter is.
    changed = beside(rim[0]) & ~beside(rim[1])
    rest = np.argwhere(beside(0.1))
    more = round(share * np.count_nonzero(beside(0.08))) - np.count_nonzero(changed & beside(0.08))
    changed[tuple(rest[:more].T)] = True
    assert proven(surround=np.where(changed, 1.5 - GROUND, GROUND)) == card


@pytest.mark.parametrize(("more", "card"), [(1.9, True), (2.1, False)])
def test_the_pixels_of_a_card_scatter_no_more_than_twice_as_a_card_does(more: float, card: bool) -> None:
    """In variance."""
    assert proven(rough=more * 1.01) == card


# --- ties between sessions --------------------------------------------------------------------------------------------

SEES = np.array([[0.86, -0.28, -0.09], [-0.56, 1.36, 0.22], [-0.10, 0.18, 0.71]])


def tied(off: float, frames: int) -> Reference:
    """A reference of 180 mired, carried over by so many cards each of three heads; C has moved since [mired]."""

    def cards(moved: float) -> pd.DataFrame:
        mired = np.repeat([180.0, 180.0, 180.0 + moved], frames)
        rgb = xy_to_xyz(cct_duv_to_xy(1e6 / mired, 0.0)) @ SEES.T
        table = pd.DataFrame({"head": np.repeat(["A", "B", "C"], frames), "mired": mired, "signal_g": 8000.0})
        table = table.assign(r_g=rgb[:, 0] / rgb[:, 1], b_g=rgb[:, 2] / rgb[:, 1], u_mired=0.01, stops=0.0)
        return table.assign(kind="card", body="X", lens="", lights="", status="ok", flags="")

    body = SimpleNamespace(label="X", sees=SEES)
    settings = SimpleNamespace(title="other", heads={})
    other = SimpleNamespace(readings=cards(0.0), bodies={"X": body}, settings=settings)
    white = SEES @ xy_to_xyz(cct_duv_to_xy(1e6 / 180.0, 0.0))
    reference = Reference("A@full", (white[0] / white[1], 1.0, white[2] / white[1]), 8000.0, 180.0, 0.0, 0.0)
    return carried(reference, other, None, "X", cards(off), None, body, settings)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("off", "frames", "moved"),
    [(1.85, 20, False), (2.15, 20, True), (-2.15, 20, True), (2.55, 1, False), (2.85, 1, True)],
)
def test_a_head_has_moved_by_two_mired_and_four_standard_uncertainties(off: float, frames: int, moved: bool) -> None:
    # Of one frame each: 0.3 mired a flash on both sides and 0.3 a head; four times the root of 0.27 + 0.18 is 2.68.
    assert (list(tied(off, frames).moved) == ["C"]) == moved


def test_a_tie_holds_three_tenths_of_a_mired_a_flash_and_a_head() -> None:
    # A head: 0.09 there, 0.09 here, and 0.09 as like lights differ, once for its lights and once among the heads.
    assert tied(0.0, 1).u_mired == pytest.approx(2.0 * np.sqrt((4 * 0.09) / 3), rel=0.03)


# --- light of frames --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("away", "card"), [(0.18, True), (0.22, False), (-0.22, False)])
def test_a_card_that_nothing_vouches_for_is_within_two_tenths_of_the_cameras_white(away: float, card: bool) -> None:
    reading = SimpleNamespace(colour=SimpleNamespace(as_shot_neutral=(0.5, 1.0, 0.7)))
    one = np.array([True])
    doubts = {Flag.TOO_DARK: ~one, Flag.UNEVEN: ~one}
    frames = SimpleNamespace(read=(reading,), doubts=doubts, of_kind=lambda *kinds: np.array(["job" in kinds]))
    log = pd.DataFrame([{"body": "X", "head": "", "lights": "", "stops": np.nan, "level": 0.0}])
    ratios = {"r_g": np.array([0.5 * np.exp(away)]), "b_g": np.array([0.7])}
    target = {"X": SimpleNamespace(found=True)}
    assert shows_card(SimpleNamespace(), frames, log, ratios, one, target)[0] == card  # type: ignore[arg-type]


def test_a_white_of_240_without_a_cast_reads_240() -> None:
    assert white_of_240(np.ones(3)).tolist() == [240, 240, 240]
