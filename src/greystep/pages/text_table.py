"""A table on the screen: columns in line, long names clipped and columns left out so that no line is too wide."""

from collections.abc import Collection, Sequence
from typing import Final

_GAP: Final = "  "
#: A cell that may be clipped keeps so many letters at least.
_LEAST: Final = 10


def text_table(columns: Sequence[str], rows: Sequence[Sequence[str]], width: int, clip: Collection[int] = (0,)) -> str:
    """Return a table with a line under its heads.

    Args:
        columns: The heads, the most important ones first: where not all fit, the last are left out.
        rows: A cell a column.
        width: No line is wider than so many letters.
        clip: Places of the columns whose cells may lose their middle.
    """
    table = [columns, *rows]
    widths = [max(map(len, cells)) for cells in zip(*table, strict=True)]
    least = [min(wide, _LEAST) if place in clip else wide for place, wide in enumerate(widths)]
    while len(least) > 1 and _total(least) > width:
        least.pop()
    widths = widths[: len(least)]
    for at in sorted(range(len(widths)), key=lambda at: -widths[at]):
        widths[at] -= min(max(_total(widths) - width, 0), widths[at] - least[at])
    lines = [_GAP.join(clipped(text, at).ljust(at) for text, at in zip(row, widths, strict=False)) for row in table]
    return "\n".join([lines[0].rstrip(), "-" * _total(widths), *map(str.rstrip, lines[1:])])


def clipped(text: str, width: int) -> str:
    """Return a text that is too wide without its middle: what tells names apart stands at either end."""
    if len(text) <= width:
        return text
    front = (width - 1) // 2
    return f"{text[:front]}..{text[len(text) - (width - front - 2) :]}"


def _total(widths: Sequence[int]) -> int:
    return sum(widths) + len(_GAP) * (len(widths) - 1)
