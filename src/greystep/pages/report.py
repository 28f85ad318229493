"""The report as one HTML file: every text and number made ready here, laid out by ``report.html``."""

from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from greystep import __version__
from greystep import words as say
from greystep.columns import FrameRow, HeadRow, PowerRow, rows_of
from greystep.pages import figures, frame_sheet, head_sections
from greystep.pages import first_page as first
from greystep.pages import formats as words
from greystep.pages.formats import Column, Table, table
from greystep.pages.frames_read import frame_counts
from greystep.pages.tables import with_series
from greystep.sentences import budget, page_one
from greystep.sentences import kit as kit_said
from greystep.sentences.summary import Summary
from greystep.session.pictures import Picture
from greystep.terms import TESTED

if TYPE_CHECKING:
    from jinja2 import Environment

_SCALE: Final = {
    "dng": "the one colour matrix that the raw files carry",
    "dng-2": "the two colour matrices that the raw files carry, interpolated",
    "library": "the raw library's matrix for this camera model",
    "camera.json": "camera.json, made from a chart frame",
}


def report_page(
    summary: Summary,
    readings: pd.DataFrame,
    powers: pd.DataFrame,
    tables: Mapping[str, pd.DataFrame],
    pictures: Mapping[str, Picture],
    run: str = "",
    cures: Mapping[str, Sequence[str]] | None = None,
    digests: Sequence[tuple[str, str]] = (),
    drawn: Mapping[str, str] | None = None,
) -> str:
    """Return the report as HTML text that asks for nothing outside itself; the same input gives the same bytes.

    Args:
        tables: From `greystep.pages.tables.figure_tables`; empty where nothing could be drawn.
        pictures: By frame: of each frame that has one.
        run: Name of the run, which summary.json beside the page carries too.
        cures: By frame: what to do about it.
        digests: Names of files and the SHA-256 that stands for each.
        drawn: The figures of `greystep.pages.figures.drawn_once` by name, where they are drawn already.
    """
    calipers = summary.calipers
    assert calipers is not None, "a page is made of a summary with its calipers"
    frames, cells = rows_of(readings, FrameRow), rows_of(with_series(powers), PowerRow)
    ids = first.anchors(calipers.labels)
    heads, times = first.rows_of_heads(summary, tables, cells, {label: f"#{name}" for label, name in ids.items()})
    opened = head_sections.opened(summary)
    links = {one["heads"]: f"#{one['id']}" for one in opened}
    said, swatch = first.proof(summary, cells)
    title, why = summary.headline
    claim, claim_rows = words.claim(summary.heads)
    context = {
        "run": run,
        "title": summary.session,
        "running": f"{summary.session}: {title}",
        "strip": first.strip_of(summary, frames),
        "state": first.state_of(summary),
        "headline": title,
        "why": why,
        "proof": said,
        "swatch": swatch,
        "columns": first.columns_of(tables),
        "heads": heads,
        "size": "many" if len(heads) > first.CLOSE_FROM else "few" if len(heads) <= first.OPEN_TO else "",
        "times": times,
        "steps": first.steps_of(summary),
        "all_steps": summary.steps if len(summary.steps) > first.MOST_STEPS else (),
        "caution": say.CAUTION if any(one.handles for one in summary.steps) else "",
        "limits": summary.limits,
        "method": page_one.METHOD,
        "plus_minus": page_one.PLUS_MINUS,
        "not_known": page_one.NOT_KNOWN,
        "matrix": figures.draw_matrix(tables["matrix"], links) if tables else "",
        "worst": kit_said.worst_pair(summary.worst_pair),
        "opened": opened,
        "notes": summary.notes,
        "sections": head_sections.sections(summary, tables, frames, cells, ids, times),
        "reference": words.reference(summary.reference),
        "claim": claim,
        "claims": table(_CLAIM, claim_rows),
        "drawn": figures.drawn_once(tables, summary.reference) if drawn is None else drawn,
        "cells": table(_CELLS, cells),
        "uncertainties": _uncertainties(frames, summary.heads, cells),
        "order": _order(summary.heads, cells),
        "scale": _scale(frames, summary),
        "absolute": summary.absolute,
        "budget": table(_BUDGET, budget.lines(summary.budget)),
        "frame_counts": frame_counts(summary.frames),
        "flags": table(_FLAGS, words.frames_by_fault(readings)),
        **frame_sheet.frames_of(frames, pictures, cures or {}),
        "digests": digests,
    }
    return render("report.html", context)


def unfinished_page(title: str) -> str:
    """Return what stands in the place of the report while the files beside it are replaced, and after a kill."""
    return render("unfinished.html", {"title": title})


def render(template: str, context: Mapping[str, object]) -> str:
    """Return a page of this folder's templates as HTML text; a value that it asks for and does not get is an error.

    Every page knows the version and the words of verdicts; `size` is blank where the page gives none.
    """
    return _templates().get_template(template).render(context)


@cache
def _templates() -> "Environment":
    """Return this folder's templates, each compiled once a process."""
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    loader = PackageLoader("greystep", "pages")
    environment = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    environment.globals |= {"version": __version__, "verdicts": say.VERDICTS, "size": ""}
    environment.filters["css_string"] = lambda text: Markup(css_string(str(text)))
    return environment


def css_string(text: str) -> str:
    """Return text as a string of a style sheet, in which nothing ends the string or the sheet."""
    return '"' + "".join(c if c.isalnum() or c in " .,:-" else f"\\{ord(c):x} " for c in say.visible(text)) + '"'


def _cells_of(row: HeadRow, cells: Sequence[PowerRow]) -> list[PowerRow]:
    """Return the cells of one row of the heads; two camera bodies may have seen heads of the same name."""
    return [cell for cell in cells if (cell.body, cell.head) == (row.body, row.head)]


_CLAIM: Final = (
    Column("Head", "head"), Column("95 of 100 shots at one power, within", "shots", kind="num"),
    Column("At one power the claim", lambda row: words.CLAIMS[row.at_one]),
    Column("Its powers, within", "reach", kind="num"),
    Column("Over its powers the claim", lambda row: words.CLAIMS.get(row.over, "")),
)  # fmt: skip
_CELLS: Final = (
    Column("Head", "series"), Column("Power", "power"), Column("Frames", "n", 0),
    Column("Kelvin", "cct_k", 0, u="u_cct_k"), Column("Mired", "mired", 1, u="u_mired"),
    Column("Duv", "duv", 4, u="u_duv"),
    Column("To reference, K", lambda row: words.kelvin_way(row.ref_delta_k, row.ref_delta_mired), kind="num"),
    Column("mired", "ref_delta_mired", 1, True), Column("Duv", "ref_delta_duv", 4, True),
    Column("Steps", "ref_delta_steps", 1),
    Column("Output, stops", "output_error_stops", 2, u="u_output_error_stops"),
)  # fmt: skip
_BUDGET: Final = (
    Column("What", "what"), Column("Bears on", "bears"), Column("Mired", "mired"), Column("Duv", "duv"),
    Column("How it was found", "source"),
)  # fmt: skip
_FLAGS: Final = (
    Column("Frame", "names"), Column("What", lambda fault: ", ".join(dict.fromkeys(fault.labels))),
    Column("Status", "status"), Column("Why", "said"),
)  # fmt: skip


def _uncertainties(frames: Sequence[FrameRow], heads: Sequence[HeadRow], cells: Sequence[PowerRow]) -> Table:
    flashes = [one for one in frames if one.kind in TESTED]

    def noise(row: HeadRow) -> float:
        return _median(one.u_mired for one in flashes if one.head == row.head)

    def mean(row: HeadRow) -> float:
        return _median(cell.u_mired for cell in cells if cell.head == row.head)

    columns = (
        Column("Head", "label"),
        Column("One frame's noise, \N{PLUS-MINUS SIGN}", noise, 2),
        Column("Shot to shot, sd", "repeatability_mired", 2),
        Column("Mean at one power, \N{PLUS-MINUS SIGN}", mean, 2),
    )
    return _telling(table(columns, heads))


def _median(values: Iterable[float]) -> float:
    known = [value for value in values if words.known(value)]
    return float(np.median(known)) if known else float("nan")


def _order(heads: Sequence[HeadRow], cells: Sequence[PowerRow]) -> Table:
    """Return what the order of shooting left: the correlation of neighbours, and the two ways through the powers."""

    def ways(row: HeadRow) -> str:
        legs = [(cell.power, cell.up_less_down_mired) for cell in _cells_of(row, cells)]
        return ", ".join(f"{power}: {words.number(value, 1, True)}" for power, value in legs if words.known(value))

    columns = (
        Column("Head", "label"),
        Column("Each frame with the next", "lag1", 2, True),
        Column("Way up less way down at each power, mired", ways),
    )
    return _telling(table(columns, heads))


def _telling(made: Table) -> Table:
    """Return a table, without rows where nothing stands behind any name."""
    return made if any(value != words.EMPTY for row in made.rows for value in row[1:]) else Table(made.columns, [])


def _scale(frames: Sequence[FrameRow], summary: Summary) -> str:
    sources = [name for name in dict.fromkeys(row.colour_from for row in frames) if name in _SCALE]
    if not sources:
        return "No colour matrix is known for this camera, so no colour temperature is given."
    text = f"Kelvin comes from {say.listed([_SCALE[name] for name in sources])}"
    if any(body.anchored for body in summary.bodies):
        text += ", corrected by the meter reading in session.toml"
    return f"{text}. {summary.absolute}".strip()
