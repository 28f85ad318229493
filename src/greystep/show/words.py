"""The trade's own words for the numbers of the tables: warmer and cooler, greener and pinker, stops, Kelvin (mired)."""

import math
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any, Final, TypeGuard

import pandas as pd

from greystep import words as say
from greystep.flags import MEANING, split

#: What the page and the screen say for a verdict of the tables.
VERDICTS: Final[dict[str, str]] = {
    "within": "in tolerance",
    "outside": "out of tolerance",
    "undecided": "cannot call it",
}

#: The same as a drawn mark for a screen without colours: the value (o) against its limits (the brackets).
MARKS: Final[dict[str, str]] = {"within": "[o]", "outside": "[ ]o", "undecided": "[ o"}

#: Columns of the screen.
WIDTH: Final = 80
#: So many heads have their say in the headline's reasons; the lists below speak of all.
HEADS_SAID: Final = 4
#: So many frames of one fault are named; the flags column of the tables names all.
FRAMES_NAMED: Final = 3

#: A cell that holds nothing.
EMPTY: Final = "\N{EN DASH}"

_ASCII: Final = str.maketrans(
    {
        "\N{EN DASH}": "-",
        "\N{EM DASH}": "-",
        "\N{MINUS SIGN}": "-",
        "\N{PLUS-MINUS SIGN}": "+/-",
        "\N{MULTIPLICATION SIGN}": "x",
        "\N{HORIZONTAL ELLIPSIS}": "...",
        "\N{LEFT SINGLE QUOTATION MARK}": "'",
        "\N{RIGHT SINGLE QUOTATION MARK}": "'",
        "\N{LEFT DOUBLE QUOTATION MARK}": '"',
        "\N{RIGHT DOUBLE QUOTATION MARK}": '"',
        "\N{NO-BREAK SPACE}": " ",
        "\N{MIDDLE DOT}": "-",
        "\N{GREEK SMALL LETTER DELTA}": "D",
    }
)


def to_ascii(text: str) -> str:
    """Return `text` in ASCII: signs by their nearest spelling, any other character as ``?``."""
    return text.translate(_ASCII).encode("ascii", "replace").decode("ascii")


def known(value: Any) -> TypeGuard[float]:
    """Return whether a table's or a summary's cell holds a finite number."""
    return isinstance(value, (int, float)) and math.isfinite(value)


def wrapped(text: str, lead: str = "") -> str:
    """Return `text` in lines of `WIDTH`, the first after `lead`; a path or label is never broken inside."""
    return textwrap.fill(
        text, WIDTH, initial_indent=lead, subsequent_indent=" " * len(lead), break_long_words=False,
        break_on_hyphens=False,
    )  # fmt: skip


def number(value: Any, digits: int = 0, signed: bool = False) -> str:
    """Return a number with `digits` decimals and a real minus sign; `EMPTY` for what is unknown."""
    if not known(value):
        return EMPTY
    text = f"{abs(value):.{digits}f}"
    if float(text) == 0.0:
        return text
    if value < 0:
        return f"\N{MINUS SIGN}{text}"
    return f"+{text}" if signed else text


def give_or_take(value: Any, u: Any, digits: int, signed: bool = False) -> str:
    """Return ``value +- u``, or the value alone where its uncertainty is unknown."""
    text = number(value, digits, signed)
    return f"{text} \N{PLUS-MINUS SIGN} {number(u, digits)}" if known(value) and known(u) else text


def kelvin_mired(delta_k: Any, delta_mired: Any, u_mired: Any = None) -> str:
    """Return the size of a difference as ``290 K (9.6 mired)``, with its uncertainty where one is given."""
    if not (known(delta_k) and known(delta_mired)):
        return EMPTY
    return f"{say.kelvin(delta_k)} ({give_or_take(abs(delta_mired), u_mired, 1)} mired)"


def kelvin_of_mired(width_mired: float, at_mired: float) -> float:
    """Return the width in kelvin [K] of a small width in mired about a colour temperature given in mired."""
    return width_mired * 1e6 / at_mired**2


def shift(mired: float, duv: float) -> str:
    """Return what a correction does to a frame: ``8.2 mired cooler and 0.0004 pinker``."""
    warmth = f"{abs(mired):.1f} mired {'warmer' if mired > 0 else 'cooler'}"
    return f"{warmth} and {abs(duv):.4f} {'greener' if duv > 0 else 'pinker'}"


def output_at(error_stops: Any, power: str) -> str:
    """Return the largest output error of a head in stops and tenths, and the power where it stands."""
    if not known(error_stops):
        return EMPTY
    if abs(error_stops) < 0.05:
        return "under 0.1 stop"
    return f"{abs(error_stops):.1f} stop {'brighter' if error_stops > 0 else 'darker'} at {power}"


def cell(head: str, power: str) -> str:
    """Return a head at a power as it is said on set."""
    return f"{head} at {power}"


def counted(n: int, one: str, many: str = "") -> str:
    """Return ``1 frame``, ``3 frames``."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def limits(tolerance: Mapping[str, Any], at_mired: float | None) -> str:
    """Return the tolerance in words, with its width in kelvin at the reference's colour temperature [mired]."""
    said = []
    if known(tolerance.get("mired")):
        width = f" (about {say.kelvin(kelvin_of_mired(tolerance['mired'], at_mired))} here)" if known(at_mired) else ""
        said.append(f"{tolerance['mired']:g} mired{width}")
    if known(tolerance.get("kelvin")):
        said.append(f"{tolerance['kelvin']:g} K")
    if known(tolerance.get("duv")):
        said.append(f"{tolerance['duv']:.4f} green to pink")
    if known(tolerance.get("steps")):
        said.append(say.limit("steps", tolerance["steps"]))
    if known(tolerance.get("output_stops")):
        said.append(f"{tolerance['output_stops']:g} stop of output")
    blind = "".join(f"; {what} is not judged" for what in not_judged(tolerance))
    return f"{', '.join(said)} ({tolerance['source']}){blind}" if said else "none given"


def not_judged(tolerance: Mapping[str, Any]) -> list[str]:
    """Return what of the colour no limit is given for, where there is one for the rest of it."""
    warmth, tint = (any(known(tolerance.get(name)) for name in names) for names in (("mired", "kelvin"), ("duv",)))
    if known(tolerance.get("steps")) or warmth == tint:
        return []
    return ["green to pink"] if warmth else ["warmth"]


def reference(light: Mapping[str, Any]) -> str:
    """Return the name of the light that the others are compared with."""
    if light["power"] is None:
        return "none: no frame gave a colour"
    if light["kit"]:
        return f"the mean of all heads at {light['power']}"
    return cell(light["head"], light["power"])


def frame_counts(counts: Mapping[str, int]) -> str:
    """Return how many frames could be used, in one sentence."""
    parts = [f"{counts['ok']} good"] + [f"{counts[name]} {name}" for name in ("doubtful", "rejected") if counts[name]]
    return f"{counted(counts['total'], 'frame')}: {', '.join(parts)}."


def worst_pair(pair: Mapping[str, Any] | None) -> str:
    """Return the sentence on the two lights that differ most; nothing where there is only one head."""
    if not pair:
        return ""
    first, second = (
        cell(pair[f"head_{side}"], pair.get(f"light_{side}") or pair[f"power_{side}"]) for side in ("a", "b")
    )
    gap = say.gap(pair["delta_k"], pair["delta_mired"], pair["delta_duv"])
    chance = pair.get("by_chance_mired")
    alike = f" Heads truly alike would show up to {chance:.1f} mired by chance." if known(chance) else ""
    return f"The worst two in one picture: {second} is {gap} than {first}.{alike}"


def flags_said(flags: str) -> list[str]:
    """Return a row's flags as sentences."""
    return [MEANING.get(flag, flag) for flag in split(flags)]


def frame_label(row: Mapping[Any, Any]) -> str:
    """Return what a frame shows: its head and power, or its kind."""
    if row["head"]:
        return cell(row["head"], row["power"])
    kinds = {"ambient": "room light", "dark": "dark frame", "job": "job frame"}
    return kinds.get(row.get("kind", "job"), "not in the log")


def headline(summary: Mapping[str, Any]) -> tuple[str, list[str]]:
    """Return what the person reads first, which head to send back, and why: a sentence a head."""
    verdicts = {head_label(row): row["verdict"] for row in summary["heads"]}
    names = list(verdicts)
    if len(names) == 1 and one_power(summary["heads"][0]):
        return f"Nothing to compare: head {names[0]} at one power", [
            "Test it at two powers at least, or a second head."
        ]
    if back := summary["back"]:
        return f"Send back {say.heads(back)}", _reasons(summary, back)
    if clash := summary["clash"]:
        why = "They do not match, and nothing in this test tells which is the odd one."
        return f"Do not mix {say.listed(clash)} in one picture", [why]
    if packs := summary.get("packs"):
        parted = [head for head, verdict in verdicts.items() if verdict == "outside"]
        return f"Packs {say.listed(packs)} do not match", _reasons(summary, parted)
    if summary["kit_verdict"] != "within":  # or outside by lights that were shot in another way
        doubtful = [name for name, verdict in verdicts.items() if verdict != "within"]
        if not doubtful:
            return "Cannot call it yet", ["Every head holds; some pairs are too close to call."]
        many = len(doubtful) == len(verdicts) > HEADS_SAID
        named = f"all {len(doubtful)} heads" if many else say.heads(doubtful)
        return f"Cannot call it yet: {named}", _reasons(summary, doubtful)
    blind = [f"{what.capitalize()} is not judged." for what in not_judged(summary["tolerance"])]
    return f"Keep the kit: {say.heads(names)} {'match' if len(names) > 1 else 'holds'}", blind


def _reasons(summary: Mapping[str, Any], heads: Sequence[str]) -> list[str]:
    """Return the sentences of the first heads, and how many more there are."""
    said = [summary["sentences"][name] for name in heads[:HEADS_SAID]]
    left = len(heads) - len(said)
    return [*said, f"For the other {counted(left, 'head')} see the list below."] if left else said


def one_power(row: Mapping[Any, Any]) -> bool:
    """Return whether a head was tested at one power only, so that it has no range to judge."""
    return row["span_mired"] == 0.0 and row.get("u_span_mired") == 0.0


def frames_by_fault(table: pd.DataFrame) -> list[tuple[list[dict[Any, Any]], str, str]]:
    """Return the frames that have a flag, those of the same flags together, with their status and what is wrong.

    The rejected ones come first, else in the order of the table.
    """
    flagged = table[table["flags"] != ""].sort_values("status", key=lambda s: s != "rejected", kind="stable")
    return [
        (rows.to_dict("records"), str(status), "; ".join(flags_said(str(flags))))
        for (status, flags), rows in flagged.groupby(["status", "flags"], sort=False)
    ]


def frames_named(rows: Sequence[Mapping[Any, Any]]) -> str:
    """Return the names of some frames, the first few and how many more."""
    names = [row["frame"] or frame_label(row) for row in rows]
    more = len(names) - FRAMES_NAMED
    return f"{', '.join(names[:FRAMES_NAMED])} and {more} more" if more > 0 else ", ".join(names)


#: What is said of a maker's claim by its verdict.
CLAIMS: Final[dict[str, str]] = {"within": "holds", "outside": "does not hold", "undecided": "cannot call it"}


def claim(heads: pd.DataFrame) -> tuple[str, list[tuple[str, str, str, str, str]]]:
    """Return a maker's claim as it was tested, and for each head what it reads; nothing where none was tested.

    Returns
    -------
    title : str
    rows : list of (head, scatter at one power, its verdict, half of the range over the powers, its verdict)
    """
    if "claim" not in heads or heads.empty:
        return "", []
    unit, digits = ("K", 0) if "shots_within_k" in heads else ("mired", 1)
    column = unit.lower()
    rows = []
    for row in heads.to_dict("records"):
        ranged = not one_power(row)
        reach = give_or_take(row[f"range_within_{column}"], row[f"u_range_within_{column}"], digits)
        rows.append(
            (
                head_label(row), f"{number(row[f'shots_within_{column}'], digits)} {unit}", row["claim_one_power"],
                f"{reach} {unit}" if ranged else "one power tested", row["claim_over_range"] if ranged else "",
            )
        )  # fmt: skip
    return f"The maker's claim, plus or minus {heads['claim'].iloc[0]}", rows


def head_label(row: Mapping[Any, Any]) -> str:
    """Return what a row of the heads is called: its head, and its body where two have seen a head of that name."""
    return str(row.get("label") or row["head"])


def mismatches(row: Mapping[Any, Any], pairs: pd.DataFrame) -> list[str]:
    """Return the heads that this one does not match at some power, in the order of the table."""
    head = row["head"]
    if "body" in pairs:
        pairs = pairs[pairs["body"] == row["body"]]
    apart = pairs[(pairs["verdict"] == "outside") & ((pairs["head_a"] == head) | (pairs["head_b"] == head))]
    others = apart["head_a"].where(apart["head_a"] != head, apart["head_b"])
    return sorted(set(others), key=list(dict.fromkeys([*pairs["head_a"], *pairs["head_b"]])).index)
