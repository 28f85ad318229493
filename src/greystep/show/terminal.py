"""What the commands say on screen: plain text, 80 columns, no colour needed."""

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any, Final

import pandas as pd

from greystep.compare import sentences as say
from greystep.show import mixed, words

WIDTH: Final = 80
#: So many frames are named on screen; readings.csv and the page name all.
FRAMES_NAMED: Final = 8


def report_text(
    summary: Mapping[str, Any],
    readings: pd.DataFrame,
    heads: pd.DataFrame,
    pairs: pd.DataFrame,
    wrote: Sequence[str] = (),
) -> str:
    """Return the report for the screen; its first lines say which head to send back, and why.

    The arguments are those of `greystep.show.page.report_page`; `wrote` are the files to name at the end.
    """
    title, why = words.headline(summary)
    blocks = [
        _wrapped(f"{summary['session']}: {title}."),
        *([_wrapped(why, "  ")] if why else []),
        *([_wrapped(words.worst_pair(summary["worst_pair"]), "  ")] if summary["worst_pair"] else []),
        "",
        _heads_table(heads, pairs),
        _wrapped(f"Limits: {words.limits(summary['tolerance'], summary['reference']['mired'])}."),
        *_listing("What to do next", [f"{n}. {line}" for n, line in enumerate(summary["todo"], 1)]),
        *_listing("Good to know", [f"- {note}" for note in summary["notes"]]),
        "",
        words.frame_counts(summary["frames"]),
        *_frames_named(readings),
        *([""] if wrote else []),
        *(f"wrote {path}" for path in wrote),
    ]
    return "\n".join(blocks)


def ingest_text(readings: pd.DataFrame, written: str) -> str:
    """Return what was read: the counts, the frames with something to say, the file written."""
    counts = {name: int((readings["status"] == name).sum()) for name in ("ok", "doubtful", "rejected")}
    lines = [words.frame_counts({"total": len(readings), **counts}), *_frames_named(readings), f"wrote {written}"]
    return "\n".join(lines)


def correct_text(corrections: pd.DataFrame, wrote: Sequence[str]) -> str:
    """Return what the corrections are: how many, from what, the largest shift, the files written."""
    done = corrections[corrections["mired_shift"].notna()]
    lines = [f"{words.counted(len(corrections), 'frame')}, {len(done)} with a correction."]
    sources = done["source"].value_counts()
    if len(sources):
        lines.append("From: " + ", ".join(f"{name} {n}" for name, n in sources.items()))
        row = done.sort_values("mired_shift", key=abs, kind="stable").iloc[-1].to_dict()
        shift = words.shift(row["mired_shift"], row["duv_shift"])
        lines.append(f"Largest: {row['frame']} ({words.frame_label(row)}) is made {shift}.")
        if (done["exposure_stops"] != 0).any():
            row = done.sort_values("exposure_stops", key=abs, kind="stable").iloc[-1].to_dict()
            lines.append(
                f"Largest in brightness: {row['frame']} by {words.number(row['exposure_stops'], 2, True)} stop."
            )
    return "\n".join([*map(_wrapped, lines), *_frames_named(corrections), *(f"wrote {path}" for path in wrote)])


def audit_text(audit: Mapping[str, Any], wrote: Sequence[str]) -> str:
    """Return the audit of a set-up for the screen: whether its lights go together, what is seen, what mends it.

    Parameters
    ----------
    audit : mapping
        audit.json's object.
    wrote : sequence of str
        The files to name at the end.
    """
    pair = mixed.farthest(audit)
    balance = mixed.balance(audit)
    others = [one for one in audit["remedies"] if one not in (audit["cheapest"], audit["maybe"])]
    ways = [f"- {mixed.remedy(one)}" for one in others if one["kind"] != "plates"]
    blocks = [
        _wrapped(f"{audit['setup']}: {mixed.headline(audit)}."),
        _wrapped(f"{mixed.difference(pair)} {mixed.seen(pair)}", "  "),
        *([_wrapped(balance, "  ")] if balance else []),
        "",
        *(_wrapped(_light_line(light)) for light in audit["lights"]),
        "",
        _wrapped(f"Limits: {mixed.limits(audit)}."),
        *_listing("What to do next", [f"{n}. {line}" for n, line in enumerate(mixed.todo(audit), 1)]),
        *(_listing("Other ways, by what they leave", ways) if audit["verdict"] != "within" else []),
        *_listing("Before you touch a head", [f"- {say.CAUTION}"] if mixed.needs_care(audit) else []),
        *_listing("Good to know", [f"- {note}" for note in audit["notes"]]),
        "",
        *(f"wrote {path}" for path in wrote),
    ]
    return "\n".join(blocks)


def choose_text(choice: Mapping[str, Any], wrote: Sequence[str]) -> str:
    """Return which heads go together best, and the next best, for the screen; arguments as those of `audit_text`."""
    lines = [_wrapped(f"{choice['session']}: {mixed.chosen(choice)}")]
    if choice["next_best"]:
        lines += _listing("Next best", [f"- {mixed.chosen(other)}" for other in choice["next_best"]])
    if not choice.get("settled", True):
        lines.append(_wrapped("No choice has a smaller worst pair; of equal ones another may have its others closer."))
    return "\n".join([*lines, "", *(f"wrote {path}" for path in wrote)])


def _light_line(light: Mapping[str, Any]) -> str:
    gel = f" through {light['gel']}" if light["gel"] else ""
    away = say.gap(light["delta_k"], light["delta_mired"], light["delta_duv"])
    return (
        f"{light['role']}: {words.cell(light['head'], light['power'])}{gel}, {light['cct_k']:.0f} K, "
        f"{100.0 * light['share']:.0f} % of the light; {away} than the best common balance"
    )


def printable(text: str, encoding: str | None) -> str:
    """Return `text` as it is where `encoding` can carry it, else in ASCII."""
    try:
        text.encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return words.to_ascii(text)
    return text


def _heads_table(heads: pd.DataFrame, pairs: pd.DataFrame) -> str:
    """Return the heads as aligned columns; where they do not fit, one block a head, so that nothing is cut."""
    columns = ("head", "verdict", "warmth moves by", "green-pink", "output", "no match")
    rows = [
        (
            row["head"],
            f"{words.MARKS[row['verdict']]:<4} {words.VERDICTS[row['verdict']]}",
            words.kelvin_mired(row["span_k"], row["span_mired"]),
            words.number(row["span_duv"], 4),
            words.number(row["largest_output_error_stops"], 1, True),
            ", ".join(words.mismatches(row["head"], pairs)) or words.EMPTY,
        )
        for row in heads.to_dict("records")
    ]
    widths = [max(len(text) for text in column) for column in zip(columns, *rows, strict=True)]
    if sum(widths) + 2 * (len(widths) - 1) <= WIDTH:
        lines = [
            "  ".join(f"{text:<{w}}" for text, w in zip(row, widths, strict=True)).rstrip() for row in (columns, *rows)
        ]
        return "\n".join([lines[0], "-" * max(map(len, lines)), *lines[1:], ""])
    blocks = []
    for head, verdict, *values in rows:
        named = "; ".join(f"{name}: {value}" for name, value in zip(columns[2:], values, strict=True))
        blocks.append(f"{verdict}  {head}\n" + _wrapped(named, " " * 5))
    return "\n".join([*blocks, ""])


def _listing(title: str, lines: Sequence[str]) -> list[str]:
    """Return a titled block of lines, each behind its number or dash; nothing where there are none."""
    if not lines:
        return []
    return ["", title, *(_wrapped(line.partition(" ")[2], f"  {line.partition(' ')[0]} ") for line in lines)]


def _frames_named(table: pd.DataFrame) -> list[str]:
    """Return a line for each frame with a flag, the rejected ones first, and how many more there are."""
    flagged = table[table["flags"] != ""].sort_values("status", key=lambda s: s != "rejected", kind="stable")
    lines = [
        _wrapped(
            f"{row['frame'] or words.frame_label(row)}: {row['status']}: {'; '.join(words.flags_said(row['flags']))}",
            "  ",
        )
        for row in flagged.head(FRAMES_NAMED).to_dict("records")
    ]
    if len(flagged) > FRAMES_NAMED:
        lines.append(f"  and {len(flagged) - FRAMES_NAMED} more; the flags column of the table names them all")
    return lines


def _wrapped(text: str, lead: str = "") -> str:
    """Return `text` in lines of `WIDTH`, the first after `lead`; a path or label is never broken inside."""
    return textwrap.fill(
        text, WIDTH, initial_indent=lead, subsequent_indent=" " * len(lead), break_long_words=False,
        break_on_hyphens=False,
    )  # fmt: skip
