"""Page one: its line, its steps, its swatches, and what stands in its table."""

import hashlib
import math
import re
import shlex
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from greystep.columns import FrameRow, PowerRow, rows_of
from greystep.compare import actions as advice
from greystep.compare.calipers import State
from greystep.compare.drift import Timing
from greystep.compare.findings import Spoilt
from greystep.flags import Flag
from greystep.measure.chromaticity import bradford, cct_duv_to_xy, working_space, xy_to_upvp, xy_to_xyz
from greystep.pages import first_page as first
from greystep.pages import strips
from greystep.pages.report import css_string
from greystep.sentences import kit as kit_said
from greystep.sentences import page_one
from greystep.sentences.actions import in_order, step
from greystep.sentences.frames import cures
from greystep.session.messages import FlaggedFrame, FrameFault
from greystep.session.raw_files import Start, start_of
from greystep.session.settings import Tolerance, load_settings
from greystep.terms import Quantity
from helpers import synthetic
from helpers.pages import Told, kit_of, tell


@pytest.fixture(scope="module")
def six() -> Told:
    return kit_of(6, powers=4, repeats=3)


def test_neutrals_are_those_of_the_colour_library() -> None:
    white = xy_to_upvp(cct_duv_to_xy(5600.0, 0.0005))
    lights = np.array([cct_duv_to_xy(k, duv) for k, duv in ((5600.0, 0.0005), (5300.0, 0.0), (6100.0, 0.004))])
    to_screen, screen = working_space("lin_rec709")
    adapt = bradford(xy_to_xyz(cct_duv_to_xy(5600.0, 0.0005)), screen)
    expected = xy_to_xyz(lights) @ (to_screen @ adapt).T
    assert strips.balanced(xy_to_upvp(lights), white) == pytest.approx(expected, abs=2e-4)
    assert strips.balanced(xy_to_upvp(lights), white)[0] == pytest.approx([1.0, 1.0, 1.0], abs=1e-9)


def test_a_warmer_light_is_shown_redder_and_a_greener_one_greener() -> None:
    white = xy_to_upvp(cct_duv_to_xy(5600.0, 0.0))
    warm, green = strips.balanced(xy_to_upvp(cct_duv_to_xy(np.array([5000.0, 5600.0]), np.array([0.0, 0.006]))), white)
    assert warm[0] > 1.02 > 0.98 > warm[2]
    assert green[1] > max(green[0], green[2])
    true, magnified = strips.hex_codes(np.array([warm]), 1)[0], strips.hex_codes(np.array([warm]), 5)[0]
    red_over_blue = [int(code[1:3], 16) - int(code[5:7], 16) for code in (true, magnified)]
    assert 0 < red_over_blue[0] < red_over_blue[1]


def test_the_reference_is_a_plain_grey_and_the_odd_heads_are_not(six: Told) -> None:
    rows, times = first.rows_of_heads(six.summary, six.tables, *cells_and_links(six))
    assert times > 1
    shown = {str(row["name"]): row["swatches"] for row in rows}
    for head, limit in (("A", 12), ("D", 12)):
        code = shown[head][1]
        assert np.ptp([int(code[at : at + 2], 16) for at in (1, 3, 5)]) <= limit
    green = [int(shown["C"][1][at : at + 2], 16) for at in (1, 3, 5)]
    assert green[1] > max(green[0], green[2]) + 20


def cells_and_links(kit: Told) -> tuple[Any, Any]:
    cells = rows_of(kit.drift.powers, PowerRow)
    return cells, {label: f"#{label}" for label in kit.facts.judged.calipers.labels}


def test_the_worst_heads_stand_first_with_their_serials(six: Told) -> None:
    rows, _ = first.rows_of_heads(six.summary, six.tables, *cells_and_links(six))
    states = [row["state"] for row in rows]
    assert {rows[0]["name"], rows[1]["name"]} == {"B", "C"}
    assert states == sorted(states, key=["send back", "do not mix", "shoot again", "cannot call it", "keep"].index)
    assert {row["name"]: row["serial"] for row in rows} == {name: f"{1071 + n}" for n, name in enumerate("ABCDEF")}


def test_the_strip_says_who_where_with_what_and_how_many_frames(six: Told) -> None:
    facts = dict(first.strip_of(six.summary, rows_of(six.readings, FrameRow)))
    total = len(six.readings)
    assert facts["Usable frames"] == f"{total - 1} of {total}"
    assert facts["Tested by"] == "A. Nonymous"
    assert facts["Place"] == "Stage 3, prep room"
    assert facts["Lens"] == "Invented 100 mm"
    assert re.fullmatch(r"2026-03-02 09:00 to \d\d:\d\d", facts["Date and time"])


def test_session_toml_says_who_tested_and_where(tmp_path: Path) -> None:
    (tmp_path / "session.toml").write_text('tested_by = "A. Nonymous"\nplace = "Stage 3"\n', encoding="utf-8")
    settings = load_settings(tmp_path)
    assert (settings.tested_by, settings.place) == ("A. Nonymous", "Stage 3")


@pytest.mark.parametrize("names", [("A",), ("B", "C", "D"), tuple(f"head of the long name {n}" for n in range(12))])
def test_the_verdict_is_one_line(six: Told, names: tuple[str, ...]) -> None:
    rows = [replace(six.summary.heads[0], label=name) for name in names]
    sentences = dict.fromkeys(names, "x")
    called, tolerance = six.summary.called, six.summary.tolerance
    for odd in (
        kit_said.Odd(back=names),
        kit_said.Odd(back=names, spoilt=names),
        kit_said.Odd(back=names[:1], runs={names[0]: "runs 12.3 \N{PLUS-MINUS SIGN} 10.2 mired cool at every power"}),
        kit_said.Odd(spoilt=names),
        kit_said.Odd(clash=names),
        kit_said.Odd(packs=names),
        kit_said.Odd(runs=dict.fromkeys(names, "runs 4.1 \N{PLUS-MINUS SIGN} 0.6 mired cool")),
        kit_said.Odd(),
    ):
        title, _ = kit_said.headline(rows, sentences, called, tolerance, odd)
        assert 10 < len(title) <= 60


def test_shooting_again_comes_first_with_its_time_and_a_command_that_can_be_pasted(tmp_path: Path) -> None:
    folder = tmp_path / "hire kit's test"
    wanted = [
        advice.SendBack(("B",)),
        advice.ShootRounds(("A", "C"), 2.0, 5),
        advice.ShootHeadAgain("D", Spoilt(9, 15, "")),
    ]
    steps = [step(what, Timing(12.0, 60.0), folder) for what in in_order(wanted)]
    assert [one.said.split()[0] for one in steps] == ["Shoot", "Shoot", "Send"]
    assert "2 more rounds, 3 min" in steps[0].said
    assert steps[1].said.endswith("; 4 min.")  # 15 frames in 12 s each, and the head set up: 240 s
    assert shlex.split(steps[0].command) == ["greystep", "plan", f"{folder.name}_again", "--more", folder.name]
    assert steps[2].handles


def test_a_head_that_drifts_is_held_against_its_own_lights_and_a_tinted_one_against_others(six: Told) -> None:
    calipers = six.facts.judged.calipers
    stands = {calipers.labels[one.head]: one for one in calipers.heads}
    drift, tint = stands["B"].by[Quantity.MIRED].decides, stands["C"].by[Quantity.DUV].decides
    assert (calipers.light(drift.light), calipers.light(drift.against)) == (("B", "1/8"), ("B", "1/1"))
    assert calipers.light(tint.light)[0] == "C"
    assert calipers.light(tint.against)[0] in ("A", "D", "F"), "heads that nothing stands against"


def test_at_most_five_lines_say_what_to_do(six: Told) -> None:
    steps = tuple(replace(six.summary.steps[0], said=f"Step {n}.") for n in range(8))
    shown = first.steps_of(replace(six.summary, steps=steps))
    assert [one["said"] for one in shown] == [
        *(f"Step {n}." for n in range(4)),
        "4 more things to do stand on the next page.",
    ]
    assert len(first.steps_of(replace(six.summary, steps=steps[:5]))) == 5


def test_a_steady_head_that_is_greener_is_cured_by_the_gel_of_that_size(six: Told) -> None:
    stands = {six.facts.judged.calipers.labels[one.head]: one for one in six.facts.judged.calipers.heads}
    findings = {one.head: one for one in six.summary.findings}
    tolerance = six.summary.tolerance
    assert stands["C"].state == State.BACK
    assert page_one.fails_on(stands["C"]) == "green and pink"
    assert "1/8 minus green on it, which leaves about" in page_one.cure(stands["C"], findings["C"], tolerance)
    assert page_one.fails_on(stands["B"]) == "warmth"
    assert "minus green" not in page_one.cure(stands["B"], findings["B"], tolerance)
    assert page_one.cure(stands["A"], findings["A"], tolerance) == ""


def test_the_proof_has_its_limit_and_both_lights(six: Told) -> None:
    said, swatch = first.proof(six.summary, cells_and_links(six)[0])
    assert re.match(r"[BC] at \S+ is .* than [A-F] at \S+: (warmth|green and pink) is out of its limit, ", said)
    assert swatch.count("<rect") == 6
    assert "true" in swatch
    assert "differences" in swatch


def test_the_head_of_printed_sheets_cannot_end_its_style() -> None:
    text = 'A "kit" \\ </style><script>\n\N{HIRAGANA LETTER A}'
    css = css_string(text)
    assert not set('"<>\n') & set(css[1:-1])
    decoded = re.sub(r"\\([0-9a-f]+) ", lambda found: chr(int(found[1], 16)), css[1:-1])
    assert decoded == text


def limits(**given: float) -> Tolerance:
    return Tolerance(**(dict.fromkeys(("mired", "duv", "steps", "kelvin", "output_stops")) | given), is_default=False)


@pytest.mark.parametrize(
    ("tolerance", "titles"),
    [
        (limits(kelvin=120.0, duv=0.001), ["Warmth, kelvin", "Green and pink"]),
        (limits(steps=3.0), ["Colour"]),
        (limits(mired=4.0), ["Warmth, mired", "Green and pink"]),
        (limits(output_stops=0.1), ["Warmth, mired", "Green and pink"]),
        (limits(), ["Warmth, mired", "Green and pink"]),
    ],
)
def test_every_kind_of_limit_has_its_strips(six: Told, tolerance: Tolerance, titles: list[str]) -> None:
    kit = tell(six.readings, replace(synthetic.make_session(), tolerance=tolerance))
    assert [column["title"] for column in first.columns_of(kit.tables)] == titles
    html = kit.page()
    assert html.count("undecided") + html.count("outside") > 5 or not (tolerance.mired or tolerance.kelvin)
    judged = {str(one) for one in ("mired", "kelvin", "duv", "steps") if getattr(tolerance, one) is not None}
    rows = kit.tables["calipers"]
    assert set(rows.loc[rows["limit"].notna(), "quantity"]) - {"output_stops"} == judged
    assert (rows["verdict"] != "").equals(rows["limit"].notna())


def test_heads_that_moved_between_packs_are_told_with_their_packs() -> None:
    readings = synthetic.simulate(np.random.default_rng(2), np.zeros((3, 3)), repeats=4)
    half = readings.groupby(["head", "power"]).cumcount() % 2
    kit = tell(
        readings.assign(pack=np.where((readings["head"] == "B") & (half == 1), "P2", "P1")), synthetic.make_session()
    )
    assert "B at 1/1 on pack P2" in kit.page()
    assert "A at 1/1 on pack" not in kit.page()


def test_raw_files_are_known_by_their_first_bytes_and_size(tmp_path: Path) -> None:
    (tmp_path / "frames").mkdir()
    long, short = bytes(range(256)) * 400, b"short"
    (tmp_path / "frames" / "a.dng").write_bytes(long)
    (tmp_path / "frames" / "b.dng").write_bytes(short)
    frames = tmp_path / "frames"
    for name, content in (("a.dng", long), ("b.dng", short)):
        changed = (frames / name).stat().st_mtime_ns
        assert start_of(frames / name) == Start(hashlib.sha256(content[:65536]).hexdigest(), len(content), changed)
    assert start_of(frames / "gone.dng") is None
    assert start_of(frames) is None


def test_a_cure_is_told_of_each_frame_that_shares_a_fault() -> None:
    nothing = math.nan
    flagged = tuple(
        FlaggedFrame(name, 3, "B", "1/4", 0.01, nothing, nothing, nothing, 0.4, False, nothing, nothing, nothing)
        for name in ("f1.dng", "f2.dng")
    )
    told = cures([FrameFault(Flag.PARTIAL_FLASH, flagged), FrameFault(Flag.NO_AMBIENT, flagged[:1])])
    assert list(told) == ["f1.dng", "f2.dng"]
    assert [said.partition(";")[2].strip() for said in told["f1.dng"]] == [
        "wait for full charge and shoot it again", "shoot one with the flash off and all else the same",
    ]  # fmt: skip
    assert len(told["f2.dng"]) == 1
