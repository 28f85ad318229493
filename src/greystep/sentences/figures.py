"""What figures show, said for those who do not see them: the finding, with its numbers."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import pandas as pd

from greystep import words as say
from greystep.sentences.green_pink import green_pink
from greystep.terms import Quantity, Withheld

#: How a size of each quantity is said: its unit and digits.
UNITS: Final = {
    Quantity.MIRED: ("mired", 1),
    Quantity.KELVIN: ("K", 0),
    Quantity.DUV: ("Duv", 4),
    Quantity.STEPS: ("steps", 1),
    Quantity.OUTPUT_STOPS: ("stop", 2),
}
#: Why a difference is called neither.
WITHHELD: Final = {
    Withheld.HEAT: "heat and power cannot be separated",
    Withheld.UNWATCHED: "nothing watched camera and mains between them",
    Withheld.ROOM: "the room light is not known",
    Withheld.WARMS_UP: "the head warms up",
    Withheld.NOT_COMPARED: "nothing was compared with it",
}


@dataclass(frozen=True)
class GapRow:
    """A light less another by one quantity, as tables of figures carry it.

    Attributes:
        difference, u, limit: [unit of the quantity]. Signed; the half-width that the verdict counts; NaN without one.
        low, high: The bar that is drawn.
        decides: It is what the head is called by.
    """

    head: str
    power: str
    against_head: str
    against_power: str
    quantity: str
    difference: float
    u: float
    limit: float
    verdict: str
    withheld: str
    low: float
    high: float
    decides: bool = True


def size(quantity: Quantity, value: float, u: float) -> str:
    """Return a difference of one quantity: ``9.8 mired warmer``, with its half-width where it is known."""
    unit, digits = UNITS[quantity]
    doubt = f" \N{PLUS-MINUS SIGN} {u:.{digits}f}" if u == u else ""
    said = f"{abs(value):.{digits}f}{doubt} {unit}"
    match quantity:
        case Quantity.DUV:
            return green_pink(value, u)
        case Quantity.OUTPUT_STOPS:
            return f"{said} {'brighter' if value > 0 else 'darker'} than set"
        case Quantity.STEPS:
            return f"{said} away"
        case Quantity.MIRED | Quantity.KELVIN:
            return f"{said} {'warmer' if value > 0 else 'cooler'}"


def way(quantity: Quantity, value: float) -> str:
    """Return which way a difference of colour goes, in a word."""
    match quantity:
        case Quantity.DUV:
            return "greener" if value > 0 else "pinker"
        case Quantity.STEPS:
            return "steps"
        case _:
            return "warmer" if value > 0 else "cooler"


def gap(row: GapRow) -> str:
    """Return a difference with its verdict in one sentence."""
    quantity = Quantity(row.quantity)
    light, other = say.cell(row.head, row.power), say.cell(row.against_head, row.against_power)
    said = f"{light} is {size(quantity, row.difference, row.u)}"
    if quantity != Quantity.OUTPUT_STOPS:
        said += f" {'from' if quantity == Quantity.STEPS else 'than'} {other}"
    if not row.verdict:
        return f"{said}; not judged"
    why = f", {WITHHELD[Withheld(row.withheld)]}" if row.withheld else ""
    return f"{said}: {say.VERDICTS[row.verdict]}{why}"


def heads(cells: pd.DataFrame, column: str, title: str) -> str:
    """Return how far each head moves over its powers."""
    return f"{title} of each head over its powers. {say.capital(_moves(cells, column))}."


def panel(cells: pd.DataFrame, column: str, title: str, head: str, rows: Sequence[GapRow]) -> str:
    """Return how far a head moves over its powers, how far the others, and what is called of it."""
    mine = cells["label"] == head
    said = f"{title} of {head} over its powers: {_moves(cells[mine], column)}"
    if len(cells[~mine]):
        said += f"; behind it {_moves(cells[~mine], column)}"
    worst = max(rows, key=lambda row: abs(row.difference), default=None)
    return f"{said}. {gap(worst)}." if worst is not None else f"{said}."


def _moves(cells: pd.DataFrame, column: str) -> str:
    unit, digits = {"mired": ("mired", 1), "duv": ("Duv", 4)}.get(column, ("stop", 2))
    spans = cells.groupby("label", sort=False)[column].agg(lambda values: values.max() - values.min())
    return say.listed([f"{head} moves {span:.{digits}f} {unit}" for head, span in spans.items() if span == span])


def matrix(data: pd.DataFrame, among: str = "head") -> str:
    """Return how many pairs of heads, or lights are in tolerance, out of it, or not called, and the worst of them."""
    pairs = data[data["head"] != data["against_head"]]
    counts = [(say.VERDICTS[name], int((pairs["verdict"] == name).sum())) for name in say.VERDICTS]
    said = say.listed([f"{n} {name}" for name, n in counts if n]) or "none judged"
    return f"Every {among} against every other: of {say.counted(len(pairs), 'pair')} {said}."


def chromaticity(data: pd.DataFrame) -> str:
    """Return how far each head lies from the reference at its farthest."""
    worst = data.groupby("series", sort=False)["steps"].max()
    said = [f"{name} {steps:.1f}" for name, steps in worst.items() if steps == steps]
    return f"Chromaticity about the reference in CIE 1976 u'v'. Steps at the farthest power: {say.listed(said)}."


def order(data: pd.DataFrame) -> str:
    """Return how far frames scatter about the means of their head and power."""
    worst = data.groupby("head", sort=False)["residual_mired"].agg(lambda values: values.abs().max())
    said = [f"{head} {value:.1f}" for head, value in worst.items() if value == value]
    return f"Frames in the order of shooting. Farthest from its mean, in mired: {say.listed(said)}."
