"""What a person is told of frames and of a session: each fact has its line, and shared lines name the worst."""

import math
from dataclasses import replace

import pandas as pd
import pytest

from greystep import words
from greystep.flags import Flag
from greystep.sentences.frames import line
from greystep.sentences.session_notes import sentence
from greystep.session.log_slips import Gap, Slip
from greystep.session.matching import OtherLight, PlacedByLight, ShotInPart
from greystep.session.messages import (
    BodyFact,
    BodyNote,
    FarFromDaylight,
    FlaggedFrame,
    FrameFault,
    KeptElsewhere,
    NotKept,
    SessionFact,
)
from greystep.session.shots import PutBack
from greystep.session.watch import messages_of

ONE = FlaggedFrame(
    frame="f1.dng", row=2, head="A", power="1/4", exposure_s=1 / 250, clipped_pct=math.nan, gradient_pct=12.0,
    ambient_pct=0.8, short_stops=0.34, alone=False, away_mired=8.06, away_duv=-4e-4, away_stops=0.05,
)  # fmt: skip


@pytest.mark.parametrize("flag", sorted(set(Flag) - {Flag.LIGHT_CHANGED, Flag.NO_OVERLAP, Flag.OTHER_CAMERA}))
def test_every_flag_of_a_log_has_a_line(flag: Flag) -> None:
    said = line(FrameFault(flag, (ONE,)))
    assert said.startswith("f1.dng: ")
    assert "{" not in said


@pytest.mark.parametrize(
    ("flag", "change", "said"),
    [
        (Flag.OUTLIER, {}, "f1.dng: unlike its repeats (A at 1/4): 8.1 mired warmer, pinker by a trace (0.0004), 0.05"),
        (Flag.PARTIAL_FLASH, {"alone": True}, "f1.dng: 0.34 stop short of its setting (A at 1/4); wait for"),
        (Flag.CLIPPED, {}, "f1.dng: part of the grey card is clipped"),
        (Flag.CLIPPED, {"clipped_pct": 12.4}, "f1.dng: 12 % of the grey card is clipped"),
        (Flag.TAIL_CUT, {}, "f1.dng: its shutter time 1/250 s is shorter than the flash (A at 1/4)"),
        (Flag.MISSING, {"frame": ""}, "row 2: no frame is left for it (A at 1/4)"),
        (Flag.MISSING, {"frame": "", "box": "1"}, "box 1: no frame is left for it (A at 1/4)"),
        (Flag.UNREADABLE, {"reason": "cut off; copy it again"}, "f1.dng: cut off; copy it again"),
    ],
)
def test_a_line_carries_the_numbers_of_its_frame(flag: Flag, change: dict[str, object], said: str) -> None:
    assert line(FrameFault(flag, (replace(ONE, **change),))).startswith(said)


def test_many_frames_share_a_line_with_the_number_of_the_worst() -> None:
    sizes = [11.0, math.nan, 19.0, 12.0, 13.0, 14.0]
    flagged = tuple(replace(ONE, frame=f"f{n}.dng", gradient_pct=size) for n, size in enumerate(sizes))
    said = line(FrameFault(Flag.UNEVEN, flagged))
    assert said.startswith("f0.dng, f1.dng, f2.dng, f3.dng and 2 more: the light falls off by 19 %")
    other = (*flagged[:5], replace(ONE, power="1/1"))
    assert "(A at 1/4)" in line(FrameFault(Flag.NO_FLASH, flagged))
    assert "(A" not in line(FrameFault(Flag.NO_FLASH, other))


def test_how_frames_came_to_their_rows_is_said_in_report_and_terminal_alike() -> None:
    gap = Gap("9", "10", 1, False, ("A 1/4", "A 1/8"))
    placed = PlacedByLight(20, 19, (Slip("f7.dng", gap), Slip("", Gap("pop.dng", "pop.dng", 1, True, None))))
    assert (
        line(placed)
        == sentence(placed)
        == (
            "shots.csv: 20 rows, 19 frames in capture order: 1 frame too few; placed by their light: "
            "after f7.dng, rows 9 to 10 (A 1/4 to A 1/8): 1 of them without a frame; at the start, pop.dng: no row"
        )
    )
    assert "the 5 frames fits the first rows; the other 16 are not shot yet" in sentence(ShotInPart(5, 16))
    assert line(OtherLight(("f1", "f2"), ("row 3", "row 4"), False)).startswith(
        "f1 (row 3), f2 (row 4): the light is not what"
    )
    assert "--out" in line(NotKept("s"))
    assert line(KeptElsewhere("s", "o/.greystep")).endswith("lie in o/.greystep")


@pytest.mark.parametrize("fact", list(SessionFact))
def test_every_fact_of_a_session_has_a_sentence(fact: SessionFact) -> None:
    assert sentence(fact).endswith(".")


@pytest.mark.parametrize("fact", list(BodyFact))
def test_every_fact_of_a_body_names_it(fact: BodyFact) -> None:
    assert "mY Up 7" in sentence(BodyNote(fact, "mY Up 7", "head A at 1/2"))
    assert "the camera" in sentence(BodyNote(fact, "", "head A at 1/2")).lower()


def test_of_arrived_frames_what_many_share_is_said_once() -> None:
    both = FrameFault(Flag.UNEVEN, (ONE, replace(ONE, frame="f10.dng")))
    slip = PlacedByLight(3, 2, ())
    told = [both, slip, NotKept("s")]
    assert messages_of(told, pd.DataFrame({"frame": ["f1.dng"]})) == [both, slip]
    assert messages_of(told, pd.DataFrame({"frame": ["f10.dng", "f1"]})) == [slip]


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(1 / 250, "1/250 s"), (1 / 3, "1/3 s"), (0.3, "1/3 s"), (0.4, "0.4 s"), (1 / 1.3, "0.8 s"), (30.0, "30 s")],
)
def test_a_shutter_time_is_written_in_one_way(seconds: float, said: str) -> None:
    assert words.shutter(seconds) == said


def test_a_light_without_a_head_is_called_by_its_frame() -> None:
    assert sentence(FarFromDaylight("Nine 7", "", "", "job/f1.raw", 3204.6)).startswith(
        "job/f1.raw is 3205 K, far from"
    )
    assert sentence(FarFromDaylight("", "A", "1/4", "f1.raw", 3204.6)).startswith("A at 1/4 is 3205 K")


def test_powers_that_were_put_back_are_told_by_their_rows() -> None:
    note = PutBack((3, 6, 7), ("16-Jan", "Jan-32", "16-Jan"), ("1/16", "1/32", "1/16"))
    assert (
        line(note)
        == sentence(note)
        == (
            "shots.csv: a spreadsheet made dates of powers, read as the only power each can be: rows 3 and 7 1/16 for "
            "16-Jan; row 6 1/32 for Jan-32; the file is as it was"
        )
    )
