"""Numbers as they are said: warmer and cooler, greener and pinker, stops and tenths, Kelvin (mired)."""

import math
import re
import shutil
import textwrap
from collections.abc import Sequence
from typing import Final

from greystep.constants import STEP_UPRIME_VPRIME
from greystep.terms import Kind, Quantity, Verdict

#: With advice that has someone handle packs and heads; common practice, no source.
CAUTION: Final = (
    "First switch the pack off and discharge it the way its maker says, and let the tube cool: packs hold high voltage "
    "after they are off, and a hot tube can burst. The maker's instructions and the local electrical code come first."
)

#: What gives colours to the frames of a camera without a colour matrix.
GIVE_MATRIX: Final = (
    "shoot a 24-patch colour chart by flash, run greystep camera on that frame, and name its camera.json in "
    'session.toml, [camera] matrix = "camera.json"'
)

#: What people read for a verdict.
VERDICTS: Final[dict[str, str]] = {
    Verdict.WITHIN: "in tolerance",
    Verdict.OUTSIDE: "out of tolerance",
    Verdict.UNDECIDED: "cannot call it",
}

#: Frames without flash, as they are asked for and as they are called.
UNLIT_SAID: Final[dict[str, str]] = {Kind.AMBIENT: "flash off", Kind.DARK: "lens cap on"}

#: Columns of the screen: where nothing says, and the fewest and the most that are used.
WIDTH: Final = 80
_NARROWEST: Final = 40
_WIDEST: Final = 120

#: Control characters but for line end and tab, those that turn the direction of writing, and what is no character.
_UNSEEN: Final = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]")

#: What nobody reads to its end; a path of a deep folder is shorter.
_LONG: Final = re.compile(r"\S{400,}")

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


def camera_name(make: str, model: str) -> str:
    """Return make and model as one name; most makers begin the model with theirs, which then stands once."""
    named = bool(make) and model.casefold().startswith(f"{make.split()[0]} ".casefold())
    return " ".join(part for part in ("" if named else make, model) if part)


def visible(text: str) -> str:
    r"""Return text in which what a terminal would obey, and XML forbids, stands as an escape such as ``\x1b``."""
    return _UNSEEN.sub(lambda found: found[0].encode("unicode_escape").decode("ascii"), text)


def short(text: str) -> str:
    """Return a message in which a name or number of hundreds of characters stands with its start and end alone."""
    return _LONG.sub(lambda found: f"{found[0][:80]}...{found[0][-40:]}", text)


def screen_width() -> int:
    """Return the columns that a line on screen may take: those of the terminal or of COLUMNS, within limits."""
    return min(max(shutil.get_terminal_size((WIDTH, 24)).columns, _NARROWEST), _WIDEST)


def folded(text: str) -> str:
    """Return messages in lines that fit the screen; what goes on is set in by four, a path or name never broken."""
    return "\n".join(
        textwrap.fill(line, screen_width(), subsequent_indent="    ", break_long_words=False, break_on_hyphens=False)
        for line in text.split("\n")
    )


def wrapped(text: str, lead: str = "") -> str:
    """Return `text` in lines that fit the screen, the first after `lead`; a path or label is never broken inside."""
    return textwrap.fill(
        text, screen_width(), initial_indent=lead, subsequent_indent=" " * len(lead), break_long_words=False,
        break_on_hyphens=False,
    )  # fmt: skip


def to_ascii(text: str) -> str:
    """Return `text` in ASCII: signs by their nearest spelling, any other character as ``?``."""
    return text.translate(_ASCII).encode("ascii", "replace").decode("ascii")


def printable(text: str, encoding: str | None) -> str:
    """Return `text` as it is where `encoding` can carry it, else in ASCII."""
    try:
        text.encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return to_ascii(text)
    return text


def listed(names: Sequence[str]) -> str:
    """Return names as a spoken list: ``A, B and C``."""
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else "".join(names)


def heads(names: Sequence[str]) -> str:
    """Return ``head A`` or ``heads A and B``."""
    return f"head{'s' if len(names) > 1 else ''} {listed(names)}"


def cell(head: str, power: str) -> str:
    """Return a head at a power as it is said on set."""
    return f"{head} at {power}"


def shown(head: str, power: str, kind: str = Kind.JOB) -> str:
    """Return what a frame shows: its head and power, or its kind."""
    kinds: dict[str, str] = {**UNLIT_SAID, Kind.JOB: "job frame", Kind.CARD: "card"}
    return cell(head, power) if head else kinds.get(kind, "not in the log")


def capital(text: str) -> str:
    """Return a text with its first letter as a capital."""
    return f"{text[:1].upper()}{text[1:]}"


def kelvin(size: float) -> str:
    """Return a size [K] as it is said: to the nearest 10 from 100 up."""
    return f"{round(abs(size), -1) if abs(size) >= 99.5 else abs(size):.0f} K"


def way(delta_mired: float, delta_duv: float) -> str:
    """Return the directions of a difference that count, such as ``warmer and pinker``: a third of a step at least."""
    words = ["warmer" if delta_mired > 0 else "cooler"] if abs(delta_mired) >= 1.0 else []
    words += ["greener" if delta_duv > 0 else "pinker"] if abs(delta_duv) >= 0.0003 else []
    return listed(words) or ("warmer" if delta_mired > 0 else "cooler")


def output(error_stops: float, u: float = math.nan) -> str:
    """Return an output error: ``0.2 stop darker than set``; in hundredths where its half-width is known."""
    if math.isfinite(u):
        size = give_or_take(Quantity.OUTPUT_STOPS, abs(error_stops), u)
        return f"{size} {'brighter' if error_stops > 0 else 'darker'} than set"
    if abs(error_stops) < 0.05:
        return "as bright as set"
    return f"{abs(error_stops):.1f} stop {'brighter' if error_stops > 0 else 'darker'} than set"


def shutter(seconds: float) -> str:
    """Return a shutter time [s] as cameras mark it: ``1/250 s``, from 0.4 s on ``0.5 s``."""
    return f"1/{1.0 / seconds:.0f} s" if 0.0 < seconds < 0.4 else f"{seconds:.1f}".removesuffix(".0") + " s"


def limit(quantity: Quantity, value: float) -> str:
    """Return a limit as it is said."""
    match quantity:
        case Quantity.MIRED:
            return f"{value:g} mired"
        case Quantity.KELVIN:
            return f"{value:g} K"
        case Quantity.DUV:
            return f"{value:.4f} green to pink"
        case Quantity.OUTPUT_STOPS:
            return f"{value:g} stop"
        case Quantity.STEPS:
            return f"{value * STEP_UPRIME_VPRIME:.4f} of colour difference"


def give_or_take(quantity: Quantity, size: float, u: float) -> str:
    """Return a size with its doubt: size, plus-minus sign, half-width, unit; Duv has no unit.

    Where the doubt is not known the size stands alone.
    """
    digits, unit = {Quantity.DUV: (4, ""), Quantity.OUTPUT_STOPS: (2, " stop")}.get(quantity, (1, " mired"))
    doubt = f" \N{PLUS-MINUS SIGN} {u:.{digits}f}" if math.isfinite(u) else ""
    return f"{size:.{digits}f}{doubt}{unit}"


def counted(n: int, one: str, many: str = "") -> str:
    """Return ``1 frame``, ``3 frames``."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def stretch(powers: Sequence[str]) -> str:
    """Return a range of powers: ``1/1 to 1/8``, or the one power."""
    return powers[0] if len(powers) == 1 else f"{powers[0]} to {powers[-1]}"
