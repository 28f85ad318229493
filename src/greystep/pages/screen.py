"""What the commands say on screen: plain text as wide as the screen, no colour needed."""

import re
from collections import Counter
from collections.abc import Sequence
from typing import Final

import pandas as pd

from greystep import words as say
from greystep.columns import CorrectionRow, FrameRow, HeadRow, rows_of
from greystep.compare.calipers import State
from greystep.pages import formats as words
from greystep.pages.first_page import STATES, powers_said
from greystep.pages.frames_read import frame_counts, ingest_text
from greystep.pages.text_table import text_table
from greystep.sentences import kit
from greystep.sentences.corrections import SOURCES
from greystep.sentences.summary import Summary
from greystep.session.readings import FrameCounts, status_counts
from greystep.terms import Verdict
from greystep.words import wrapped

#: So many frames without a correction are named; the table names all.
NAMED: Final = 4
#: More frames than this that arrive at once are counted, not told one by one.
ARRIVED_SAID: Final = 12


def report_text(summary: Summary, wrote: Sequence[str] = ()) -> str:
    """Return the report for the screen: the verdict and why, the frames, the heads as a table, what to do next.

    What is wrong with single frames, each with its cure, is told beside it; what limits the answer stands on the page.
    """
    title, why = summary.headline
    worst = kit.worst_pair(summary.worst_pair)
    blocks = [
        wrapped(f"{summary.session}: {title}."),
        _usable(summary.frames),
        *(wrapped(line, "  ") for line in why),
        "",
        _heads_table(summary),
        "",
        *([wrapped(worst)] if worst else []),
        wrapped(f"Limits: {summary.limits}."),
        *_to_do(summary),
        *listing(*_claimed(summary.heads)),
        "",
        *elsewhere(len(summary.notes), "note", "on what limits this answer"),
    ]
    return "\n".join([*blocks, *(f"wrote {path}" for path in wrote)]).rstrip("\n")


def _to_do(summary: Summary) -> list[str]:
    """Return the steps, each with its command on lines of its own, and the caution where one handles kit."""
    lines = []
    for number, one in enumerate(summary.steps, 1):
        lines.append(f"{number}. {one.said}" + (f"\n{one.command}" if one.command else ""))
    said = listing("What to do next", lines)
    return [*said, wrapped(say.CAUTION, "  ! ")] if any(one.handles for one in summary.steps) else said


def _usable(frames: FrameCounts) -> str:
    """Return how many frames the answer rests on."""
    parts = [("doubtful", frames.doubtful), ("rejected", frames.rejected)]
    but = ", ".join(f"{n} {name}" for name, n in parts if n)
    usable = f"Usable frames: {frames.total - frames.rejected} of {frames.total}"
    return wrapped(f"{usable}{f' ({but})' if but else ''}.")


def looking_text(title: str, folder: str) -> str:
    """Return what is said before the first frame comes: where it is looked for, and the cautions of a test."""
    lines = [
        f"{title}: looking for frames in {folder}; Ctrl-C ends.",
        f"Before a head is plugged in or out: {say.CAUTION}",
    ]
    return "\n".join(map(wrapped, lines))


def arrived_text(rows: pd.DataFrame, due: pd.DataFrame) -> str:
    """Return what has just been read, a line a frame, and what the log wants next, with boxes of the shot sheet.

    What is wrong with a frame, and its cure, is told beside it.
    """
    if len(rows) > ARRIVED_SAID:
        lines = [frame_counts(status_counts(rows))]
    else:
        lines = [wrapped(_arrived(row, box)) for row, box in zip(rows_of(rows, FrameRow), _boxes(rows), strict=True)]
    for row, box in zip(rows_of(due, FrameRow), _boxes(due), strict=True):
        note = f"; {row.note}" if row.note else ""
        lines.append(wrapped(f"  next: {box}{say.shown(row.head, row.power, row.kind)}{note}"))
    return "\n".join(lines)


def _boxes(rows: pd.DataFrame) -> list[str]:
    """Return the box of each row on the shot sheet, as the start of what is said of it; blank without one."""
    boxes = rows["box"].tolist() if "box" in rows else [""] * len(rows)
    return [f"box {box}, " if str(box).isdigit() else "" for box in boxes]


def _arrived(row: FrameRow, box: str) -> str:
    parts = [f"{row.frame}: {box}{say.shown(row.head, row.power, row.kind)}"]
    if words.known(row.cct_k):
        parts.append(words.kelvin_mired(row.cct_k, row.mired))
    if row.flags:
        parts.append(row.status)
    return ", ".join(parts)


def watched_text(readings: pd.DataFrame, written: str) -> str:
    """Return what has come when a watch ends, and how much of the log is still to be shot."""
    left = int((readings["shot"] < 0).sum())
    rest = [f"{say.counted(left, 'row')} of the log still to be shot."] if left else []
    return "\n".join([ingest_text(status_counts(readings[readings["shot"] >= 0]), [written]), *rest])


def correct_text(corrections: pd.DataFrame, wrote: Sequence[str], notes: Sequence[str] = ()) -> str:
    """Return what the corrections are: how many, from what, the largest shift, notes on colour, the files written."""
    done = [row for row in rows_of(corrections, CorrectionRow) if words.known(row.mired_shift)]
    without = [str(frame) for frame in corrections.loc[corrections["mired_shift"].isna(), "frame"]]
    named = [*without[:NAMED], *([f"{len(without) - NAMED} more"] if len(without) > NAMED else [])]
    rest = f"; without: {say.listed(named)}" if named else ""
    lines = [f"{say.counted(len(corrections), 'frame')}, {len(done)} with a correction{rest}."]
    if done:
        sources = Counter(row.source for row in done).most_common()
        told = [f"{SOURCES.get(source, source)} ({say.counted(n, 'frame')})" for source, n in sources]
        lines.append(f"The light is read from {'; '.join(told)}.")
        row = max(reversed(done), key=lambda row: abs(row.mired_shift))
        shift = words.shift(row.mired_shift, row.duv_shift)
        lines.append(f"Largest: {row.frame} ({say.shown(row.head, row.power)}) is made {shift}.")
        if words.known(row.multiplier_r):
            lines.append(
                f"By hand: multipliers R {row.multiplier_r:.4f}, B {row.multiplier_b:.4f}; uncorrected, its white of "
                f"240 is R {row.white240_r:.0f}, G {row.white240_g:.0f}, B {row.white240_b:.0f}."
            )
        row = max(reversed(done), key=lambda row: abs(row.exposure_stops))
        if row.exposure_stops != 0:
            lines.append(f"Largest in brightness: {row.frame} by {words.number(row.exposure_stops, 2, True)} stop.")
    lines += notes
    return "\n".join([*map(wrapped, lines), *(f"wrote {path}" for path in wrote)])


def elsewhere(count: int, name: str, about: str) -> list[str]:
    """Return a line on what only the page has room for; none where there is nothing."""
    stand = f"{say.counted(count, name)} {about} stand{'s' if count == 1 else ''} on the page."
    return [wrapped(stand)] if count else []


def _claimed(heads: Sequence[HeadRow]) -> tuple[str, list[str]]:
    """Return the title and a line a head of a maker's claim."""
    title, rows = words.claim(heads)
    lines = []
    for row in rows:
        over = f"its powers within {row.reach}: {words.CLAIMS[row.over]}" if row.over else row.reach
        one = f"95 of 100 shots at one power within {row.shots}: {words.CLAIMS[row.at_one]}"
        lines.append(f"- {row.head}: {one}; {over}")
    return title, lines


def _heads_table(summary: Summary) -> str:
    """Return the heads as a table: state, how far warmth, green to pink and output move, at which powers it serves."""
    columns = ("head", "state", "warmth moves by", "green-pink", "output", "alone", "with the kit", "no match")
    calipers = summary.calipers
    powers = {calipers.labels[one.head]: powers_said(summary, one) for one in calipers.heads} if calipers else {}
    rows = [
        (
            row.label,
            *_own_range(row, summary),
            *(powers[row.label].values() if row.label in powers else (words.EMPTY, words.EMPTY)),
            ", ".join(kit.mismatches(row, summary.pairs)) or words.EMPTY,
        )
        for row in summary.heads
    ]
    return text_table(columns, rows, say.screen_width(), clip=(0, 6, 7))


def _state(row: HeadRow, summary: Summary) -> tuple[Verdict, str]:
    """Return the one state of a head, as a verdict for its mark and in words, as page one has it."""
    calipers = summary.calipers
    assert calipers is not None, "the screen is made of a summary with its calipers"
    return STATES[next(one.state for one in calipers.heads if calipers.labels[one.head] == row.label)]


def _own_range(row: HeadRow, summary: Summary) -> tuple[str, str, str, str]:
    """Return what the table says of a head alone: its state, how far warmth, green to pink and output move."""
    verdict, said = _state(row, summary)
    if kit.one_power(row):
        said = "one power tested" if said == STATES[State.KEEP][1] else said
        return (f"{words.MARKS[verdict]:<4} {said}", words.EMPTY, words.EMPTY, words.EMPTY)
    called = words.parts(row, row.label in summary.odd.back)
    output = words.number(row.largest_output_error_stops, 1, True)
    return (
        f"{words.MARKS[verdict]:<4} {said}",
        words.moves_by(words.kelvin_mired(row.span_k, row.span_mired), row.span_mired, row.u_span_mired, 1, " mired"),
        words.moves_by(words.number(row.span_duv, 4), row.span_duv, row.u_span_duv, 4),
        f"{output} {words.MARKS[called[1][1]]}" if len(called) > 1 else output,
    )


def listing(title: str, lines: Sequence[str]) -> list[str]:
    """Return a titled block of lines, each behind its number or dash; nothing where there are none."""
    if not lines:
        return []
    said = ["", title]
    for line in lines:
        mark, _, text = line.partition(" ")
        first, *commands = text.split("\n")  # a command stays on a line of its own, so that it can be pasted
        said += [wrapped(first, f"  {mark} "), *(_pasted(command, " " * (len(mark) + 3)) for command in commands)]
    return said


def _pasted(command: str, lead: str) -> str:
    """Return a command to be pasted: where it is too wide it goes on, as a shell reads it, in front of an option."""
    lines = [lead]
    for part in re.split(r" (?=--)", command):
        wide = len(lines[-1]) + len(part) + 3 > say.screen_width()
        lines[-1:] = [f"{lines[-1]} \\", f"{lead}  {part}"] if wide and lines[-1] != lead else [
            f"{lines[-1]}{'' if lines[-1] == lead else ' '}{part}"
        ]  # fmt: skip
    return "\n".join(lines)
