"""The report as one HTML file: every text and number made ready here, laid out by ``report.html``."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

import numpy as np
import pandas as pd

from greystep import __version__
from greystep import words as say
from greystep.columns import FrameRow, HeadRow, PairRow, PowerRow, rows_of
from greystep.compare.cells import settings
from greystep.compare.limits import colour_limits
from greystep.flags import Status
from greystep.pages import formats as words
from greystep.pages.formats import Column, Table, table
from greystep.pages.svg import data_uri, thumbnail_uri
from greystep.pages.tables import with_series
from greystep.sentences import budget, kit
from greystep.sentences.summary import Summary
from greystep.session.settings import Tolerance
from greystep.terms import COLUMN, TESTED, Quantity

#: The longest table of pairs that the page carries; pairs.csv holds all.
PAIRS_SHOWN: Final = 12
#: All thumbnails of a page together, in pixels; more frames make them smaller, down to `SMALLEST`.
THUMBNAIL_PIXELS: Final = 3.2e6
LARGEST: Final = 256
SMALLEST: Final = 96

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
    drawings: Mapping[str, str],
    thumbnails: Mapping[str, np.ndarray],
    run: str = "",
) -> str:
    """Return the report as HTML text that asks for nothing outside itself; the same input gives the same bytes.

    Args:
        drawings: Mapping of name to SVG text. From `greystep.pages.figures.drawings`; empty where nothing could be
            drawn.
        thumbnails: Mapping of frame to uint8 (h, w, 3). A small picture of each frame that has one.
        run: Name of the run, which summary.json beside the page carries too.
    """
    title, why = summary.headline
    tolerance, heads = summary.tolerance, summary.heads
    frames, cells = rows_of(readings, FrameRow), rows_of(with_series(powers), PowerRow)
    claim, claim_rows = words.claim(heads)
    context = {
        "version": __version__,
        "run": run,
        "title": summary.session,
        "headline": title,
        "why": why,
        "worst": kit.worst_pair(summary.worst_pair),
        "kit_verdict": str(summary.kit_verdict),
        "facts": _facts(frames, heads, cells),
        "todo": [line.replace(say.CAUTION, "").strip() for line in summary.todo],
        "caution": say.CAUTION if any(say.CAUTION in line for line in summary.todo) else "",
        "notes": summary.notes,
        "verdicts": say.VERDICTS,
        "limits": summary.limits,
        "band": {
            "mired": "" if tolerance.mired is None else say.limit(Quantity.MIRED, tolerance.mired),
            "duv": "" if tolerance.duv is None else f"{tolerance.duv:.4f}",
            "output": ""
            if tolerance.output_stops is None
            else say.limit(Quantity.OUTPUT_STOPS, tolerance.output_stops),
        },
        "reference": words.reference(summary.reference),
        "cards": [_card(row, summary, frames, cells) for row in heads],
        "claim": claim,
        "claims": table(_CLAIM, claim_rows),
        "drawings": {name: data_uri(svg) for name, svg in drawings.items()},
        "cells": table(_CELLS, cells),
        "pair_caption": _pair_caption(summary.pairs),
        "pairs": table(_PAIRS, _widest_pairs(summary.pairs, tolerance)),
        "uncertainties": _uncertainties(frames, heads, cells),
        "order": _order(heads, cells),
        "scale": _scale(frames, summary),
        "absolute": summary.absolute,
        "budget": table(_BUDGET, budget.lines(summary.budget)),
        "frame_counts": words.frame_counts(summary.frames),
        "flags": table(_FLAGS, words.frames_by_fault(readings)),
        "sheet": _sheet(frames, thumbnails),
    }
    return render("report.html", context)


def unfinished_page(title: str) -> str:
    """Return what stands in the place of the report while the files beside it are replaced, and after a kill."""
    return render("unfinished.html", {"title": title})


def render(template: str, context: Mapping[str, object]) -> str:
    """Return a page of this folder's templates as HTML text; a value that it asks for and does not get is an error."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    loader = PackageLoader("greystep", "pages")
    environment = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    return environment.get_template(template).render(context)


def _facts(frames: Sequence[FrameRow], heads: Sequence[HeadRow], cells: Sequence[PowerRow]) -> list[str]:
    days = sorted({row.captured[:10] for row in frames if row.captured})
    return [
        *(days if len(days) < 2 else [f"{days[0]} to {days[-1]}"]),
        say.counted(len(heads), "head"),
        say.counted(len(set(settings(np.array([cell.stops for cell in cells])))), "power"),
        say.counted(len(frames), "frame"),
    ]


def _card(row: HeadRow, summary: Summary, frames: Sequence[FrameRow], cells: Sequence[PowerRow]) -> dict[str, object]:
    """Return what the card of a head shows."""
    packs = dict.fromkeys(one.pack for one in frames if one.kind in TESTED and one.head == row.head and one.pack)
    ranged, back = not kit.one_power(row), row.label in summary.odd.back
    return {
        "head": row.label,
        "pack": f"pack {', '.join(packs)}" if packs else "",
        "verdicts": words.parts(row, back) if ranged else [],
        "back": back,
        "sentence": summary.sentences[row.label],
        "facts": _head_facts(row, _cells_of(row, cells), kit.mismatches(row, summary.pairs)),
        "gauge": _gauge(row.span_mired, row.u_span_mired, summary.tolerance.mired) if ranged else None,
    }


def _cells_of(row: HeadRow, cells: Sequence[PowerRow]) -> list[PowerRow]:
    """Return the cells of one row of the heads; two camera bodies may have seen heads of the same name."""
    return [cell for cell in cells if (cell.body, cell.head) == (row.body, row.head)]


def _head_facts(row: HeadRow, cells: Sequence[PowerRow], mismatches: Sequence[str]) -> list[tuple[str, str]]:
    facts = []
    if words.known(row.span_mired) and not kit.one_power(row):
        facts.append(("Warmth", words.kelvin_mired(row.span_k, row.span_mired, row.u_span_mired)))
        facts.append(("Green to pink", words.give_or_take(row.span_duv, row.u_span_duv, 4)))
    if known := [cell for cell in cells if words.known(cell.output_error_stops)]:
        worst = max(reversed(known), key=lambda cell: abs(cell.output_error_stops))
        facts.append(("Output", words.output_at(worst.output_error_stops, worst.power)))
    if words.known(row.repeatability_mired):
        facts.append(("Shot to shot", words.kelvin_mired(row.repeatability_k, row.repeatability_mired)))
    if words.known(row.warmup_mired) and row.warmup_kept:
        size, u = abs(row.warmup_mired), row.u_warmup_mired
        said = f"{words.give_or_take(size, u, 1)} mired {'cooler' if row.warmup_mired > 0 else 'warmer'}"
        facts.append(("First shots", f"no change beyond chance (under {size + u:.1f} mired)" if size <= u else said))
    if mismatches:
        facts.append(("Does not match", say.listed(mismatches)))
    return facts


def _gauge(value: float, u: float, limit: float | None) -> dict[str, float] | None:
    """Return the places, in 200 units of width, of a value and its interval on a scale that holds the limit."""
    if limit is None or not words.known(value):
        return None
    half = u if words.known(u) else 0.0
    unit = 194 / max(2 * limit, value + half)
    places = {"low": 2 + max(value - half, 0) * unit, "high": 2 + (value + half) * unit, "value": 2 + value * unit}
    return {k: round(v, 2) for k, v in {**places, "limit": limit * unit, "limit_at": 2 + limit * unit}.items()}


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
    Column("To reference, K", "ref_delta_k", 0, True), Column("mired", "ref_delta_mired", 1, True),
    Column("Duv", "ref_delta_duv", 4, True), Column("Steps", "ref_delta_steps", 1),
    Column("Output, stops", "output_error_stops", 2, u="u_output_error_stops"),
)  # fmt: skip
_PAIRS: Final = (
    Column("This light", lambda row: say.cell(row.head_b, row.power_b)),
    Column("against", lambda row: say.cell(row.head_a, row.power_a)), Column("Kelvin", "delta_k", 0, True),
    Column("Mired", "delta_mired", 1, True, "u_delta_mired"), Column("Duv", "delta_duv", 4, True, "u_delta_duv"),
    Column("Steps", "delta_steps", 1), Column("Verdict", "verdict", kind="verdict"),
)  # fmt: skip
_BUDGET: Final = (
    Column("What", "what"), Column("Bears on", "bears"), Column("Mired", "mired"), Column("Duv", "duv"),
    Column("How it was found", "source"),
)  # fmt: skip
_FLAGS: Final = (
    Column("Frame", "names"), Column("What", lambda fault: ", ".join(dict.fromkeys(fault.labels))),
    Column("Status", "status"), Column("Why", "said"),
)  # fmt: skip


def _pair_caption(pairs: pd.DataFrame) -> str:
    if len(pairs) <= PAIRS_SHOWN:
        return "Every two lights of different heads"
    return f"The {PAIRS_SHOWN} of {len(pairs)} pairs of different heads that take most of the limits (all in pairs.csv)"


def _widest_pairs(pairs: pd.DataFrame, tolerance: Tolerance) -> list[PairRow]:
    """Return the pairs that take most of a limit, first the worst pair of the summary; without limits the widest."""
    limits = {f"delta_{COLUMN[name]}": limit for name, limit in colour_limits(tolerance).items()}
    limits = limits or {"delta_steps": 1.0}
    worst = (pairs[list(limits)].abs() / pd.Series(limits)).max(axis=1)
    farthest = pairs.loc[worst.sort_values(ascending=False, kind="stable").index[:PAIRS_SHOWN]]
    return rows_of(farthest, PairRow)


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


def _sheet(frames: Sequence[FrameRow], thumbnails: Mapping[str, np.ndarray]) -> list[dict[str, object]]:
    longest = int(np.clip(np.sqrt(THUMBNAIL_PIXELS / max(len(thumbnails), 1)), SMALLEST, LARGEST))
    shots: list[dict[str, object]] = []
    for row in frames:
        picture = thumbnails.get(row.frame)
        x0, y0, x1, y1 = (100 * edge for edge in (row.patch_x0, row.patch_y0, row.patch_x1, row.patch_y1))
        box = [round(v, 2) for v in (x0, y0, x1 - x0, y1 - y0)]
        said = "" if row.status == Status.OK else f"{row.status}: {'; '.join(words.flags_said(row.flags))}"
        shots.append(
            {
                "frame": row.frame,
                "label": words.frame_label(row.head, row.power, row.kind),
                "status": row.status,
                "said": said,
                "picture": thumbnail_uri(picture, longest) if picture is not None else "",
                "height": 0 if picture is None else picture.shape[0],
                "width": 0 if picture is None else picture.shape[1],
                "box": box if all(map(words.known, box)) else None,
            }
        )
    return shots
