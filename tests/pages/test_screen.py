import shlex
from dataclasses import replace
from typing import Any

import pandas as pd
import pytest

from greystep import columns
from greystep.columns import CorrectionRow
from greystep.pages import screen as terminal
from greystep.pages.frames_read import ingest_text
from greystep.sentences.actions import Step
from greystep.session.readings import status_counts
from greystep.words import printable


def text_of(kit: Any, **changed: Any) -> str:
    steps = (
        Step("Shoot head B again:", "greystep plan again --heads B"),
        Step("Send back heads B and D.", handles=True),
    )
    summary = replace(kit.summary, steps=steps, **changed)
    return terminal.report_text(summary, ["hire_kit/report/report.html"])


def test_the_first_ten_lines_say_which_head_goes_back_and_why(kit: Any) -> None:
    top = "\n".join(text_of(kit).splitlines()[:10])
    assert top.startswith("Hire kit, prep day: Send back heads B and D.")
    assert "B does not hold: 1/16 is" in top
    assert "D is steady on its own, but" in " ".join(top.split())


def test_every_head_has_its_line(kit: Any) -> None:
    lines = text_of(kit).splitlines()
    for head, said in {"A": "keep", "B": "send back", "C": "cannot call it", "D": "send back"}.items():
        assert sum(line.startswith(f"{head} ") and said in line for line in lines) == 1


def test_it_fits_80_columns_and_speaks_the_trades_words(kit: Any) -> None:
    text = text_of(kit)
    assert max(map(len, text.splitlines())) <= 80
    for word in ("steps", "u'v'", "expanded", "locus", "Duv"):
        assert word not in text
    assert "\x1b" not in text
    assert "\n     greystep plan again --heads B\n" in text  # to be pasted
    for said in (
        "high voltage",
        "1. Shoot head B again: greystep plan again --heads B 2. Send back heads B and D. !",
        "Usable frames: 65 of 66 (1 doubtful, 1 rejected).",
        "1 note on what limits this answer stands on the page.",
        "report.html",
    ):
        assert said in " ".join(text.split())


def test_a_plain_terminal_gets_plain_letters(kit: Any) -> None:
    text = text_of(kit)
    assert printable(text, "utf-8") is text
    assert printable(text, "ascii").isascii()
    assert printable(text, None).isascii()


@pytest.mark.parametrize("columns", [40, 60, 80, 100, 120, 200])
def test_the_heads_are_a_table_at_every_width(kit_of: Any, monkeypatch: pytest.MonkeyPatch, columns: int) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    label = "the old head with the dented dome from the top shelf"
    text = text_of(kit_of({label: (180.0, 0.1, 0.0, 0.0), "B": (181.0, 0.1, 0.0, 0.0)}))
    lines = text.splitlines()
    assert max(map(len, lines)) <= min(columns, 120)
    table = lines[next(place for place, line in enumerate(lines) if line.startswith("head ")) :]
    assert set(table[1]) == {"-"}
    assert table[2].startswith("the ")
    assert "keep" in table[2]
    assert "keep" in table[3]
    assert max(map(len, lines)) > min(columns, 120) - 16  # the width is used


def test_a_fault_of_a_frame_is_said_once_with_its_cure_and_not_in_the_results_too(kit: Any) -> None:
    assert "B_1-8_2.dng" not in text_of(kit)  # told beside it on stderr: `greystep.sentences.frames`
    lines = ingest_text(status_counts(kit.readings), ["hire_kit/readings.csv"]).splitlines()
    assert lines == ["66 frames: 64 good, 1 doubtful, 1 rejected.", "wrote hire_kit/readings.csv"]


def test_a_makers_claim_is_told_head_by_head(kit: Any) -> None:
    assert "claim" not in text_of(kit)
    columns = {"claim": "150K", "claim_one_power": "within", "claim_over_range": ["within", "outside"] * 2}
    heads = kit.summary.heads_table.assign(
        **columns, shots_within_k=18.0, range_within_k=[4, 135, 9, 3], u_range_within_k=12.0
    )
    text = " ".join(text_of(kit, heads_table=heads).split())
    assert "The maker's claim, plus or minus 150K" in text
    assert "B: 95 of 100 shots at one power within 18 K: holds; its powers within 135 " in text
    assert "\N{PLUS-MINUS SIGN} 12 K: does not hold" in text


@pytest.fixture
def corrections() -> pd.DataFrame:
    rows = [
        ("f1.dng", "A", "full", "patch", 0.4, 0.0001, 0.0, "ok", ""),
        ("f2.dng", "B", "1/16", "patch", -8.2, -0.0004, 0.0, "ok", ""),
        ("f3.dng", "C", "1/2", "", float("nan"), float("nan"), float("nan"), "rejected", "clipped"),
    ]
    names = ["frame", "head", "power", "source", "mired_shift", "duv_shift", "exposure_stops", "status", "flags"]
    return pd.DataFrame(rows, columns=names).reindex(columns=list(columns.names(CorrectionRow)))


def test_correct_names_the_largest_shift_and_the_frames_without_one(corrections: pd.DataFrame) -> None:
    assert terminal.correct_text(corrections, ["c.csv", "c.json"]).splitlines() == [
        "3 frames, 2 with a correction; without: f3.dng.",
        "The light is read from the frame's own grey target (2 frames).",
        "Largest: f2.dng (B at 1/16) is made 8.2 mired cooler and pinker by a trace",
        "(0.0004).",
        "wrote c.csv",
        "wrote c.json",
    ]
    said = ["multiplier_r", "multiplier_b", "white240_r", "white240_g", "white240_b"]
    corrections.loc[1, said] = [2.04131, 1.5, 251.0, 240.0, 228.0]
    text = " ".join(terminal.correct_text(corrections, []).split())
    assert "By hand: multipliers R 2.0413, B 1.5000; uncorrected, its white of 240 is R 251, G 240, B 228." in text
    corrections.loc[0, "exposure_stops"] = -0.25
    assert "Largest in brightness: f1.dng by \N{MINUS SIGN}0.25 stop." in terminal.correct_text(corrections, [])


def test_nothing_to_correct(corrections: pd.DataFrame) -> None:
    assert (
        terminal.correct_text(corrections.iloc[2:], []).splitlines()[0]
        == "1 frame, 0 with a correction; without: f3.dng."
    )


@pytest.mark.parametrize(("frames", "one_by_one"), [(12, True), (13, False)])
def test_up_to_a_dozen_frames_that_arrive_at_once_are_told_one_by_one(kit: Any, frames: int, one_by_one: bool) -> None:
    rows = kit.readings[kit.readings["status"] == "ok"].head(frames)
    lines = terminal.arrived_text(rows, rows[:0]).splitlines()
    assert (sum(name in line for name, line in zip(rows["frame"], lines, strict=False)) == frames) == one_by_one


def test_a_watch_speaks_of_the_boxes_of_the_shot_sheet(kit: Any) -> None:
    rows = kit.readings.assign(box=[f"{n + 1}" for n in range(len(kit.readings))]).iloc[6:8]
    lines = terminal.arrived_text(rows[:1], rows[1:]).splitlines()
    assert ": box 7, A at full, " in lines[0]
    assert lines[1] == "  next: box 8, B at full"
    assert "box" not in terminal.arrived_text(rows.drop(columns="box"), rows[:0])


def test_a_command_that_is_too_wide_goes_on_as_a_shell_reads_it(kit: Any) -> None:
    command = "greystep plan hire_kit_again --heads 'a long name of a head,B' --powers full,1/2,1/4,1/8,1/16"
    summary = replace(kit.summary, steps=(Step("Test again:", command),))
    text = terminal.report_text(summary)
    assert max(map(len, text.splitlines())) <= 80
    shown = text[text.index("greystep plan") : text.index("\n\n", text.index("greystep plan"))]
    assert shlex.split(shown.replace("\\\n", "")) == shlex.split(command)
