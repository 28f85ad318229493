"""The report as one HTML file: every text and number made ready here, laid out by ``report.html``."""

from collections.abc import Mapping, Sequence
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
from greystep.pages.svg import data_uri, thumbnail_uri
from greystep.pages.tables import with_series
from greystep.sentences import kit
from greystep.sentences.summary import Summary
from greystep.session.settings import Tolerance
from greystep.terms import COLUMN, Kind, Quantity

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
) -> str:
    """Return the report as HTML text that asks for nothing outside itself; the same input gives the same bytes.

    Args:
        drawings: Mapping of name to SVG text. From `greystep.pages.figures.drawings`; empty where nothing could be
            drawn.
        thumbnails: Mapping of frame to uint8 (h, w, 3). A small picture of each frame that has one.
    """
    title, why = summary.headline
    tolerance, heads = summary.tolerance, summary.heads
    frames, cells = rows_of(readings, FrameRow), rows_of(with_series(powers), PowerRow)
    claim, claim_rows = words.claim(heads)
    context = {
        "version": __version__,
        "title": summary.session,
        "headline": title,
        "why": why,
        "worst": kit.worst_pair(summary.worst_pair),
        "kit_verdict": str(summary.kit_verdict),
        "facts": _facts(frames, heads, cells),
        "todo": [line.replace(say.CAUTION, "").strip() for line in summary.todo],
        "caution": say.CAUTION if any(say.CAUTION in line for line in summary.todo) else "",
        "notes": summary.notes,
        "verdicts": words.VERDICTS,
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
        "claim_columns": _CLAIM_COLUMNS,
        "claim_rows": [
            (row.head, row.shots, words.CLAIMS[row.at_one], row.reach, words.CLAIMS.get(row.over, words.EMPTY))
            for row in claim_rows
        ],
        "drawings": {name: data_uri(svg) for name, svg in drawings.items()},
        "cell_columns": _CELL_COLUMNS,
        "cell_rows": _cell_rows(cells),
        "pair_caption": _pair_caption(summary.pairs),
        "pair_columns": _PAIR_COLUMNS,
        "pair_rows": _pair_rows(summary.pairs, tolerance),
        "uncertainty_columns": _UNCERTAINTY_COLUMNS,
        "uncertainty_rows": _telling(_uncertainty_rows(frames, heads, cells)),
        "order_columns": _ORDER_COLUMNS,
        "order_rows": _telling(_order_rows(heads, cells)),
        "scale": _scale(frames, summary),
        "frame_counts": words.frame_counts(summary.frames),
        "flag_columns": [("Frame", "text"), ("What", "text"), ("Status", "text"), ("Why", "text")],
        "flag_rows": [
            (fault.names, ", ".join(dict.fromkeys(fault.labels)), fault.status, fault.said)
            for fault in words.frames_by_fault(readings)
        ],
        "sheet": _sheet(frames, thumbnails),
    }
    return render("report.html", context)


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
        words.counted(len(heads), "head"),
        words.counted(len(set(settings(np.array([cell.stops for cell in cells])))), "power"),
        words.counted(len(frames), "frame"),
    ]


def _card(row: HeadRow, summary: Summary, frames: Sequence[FrameRow], cells: Sequence[PowerRow]) -> dict[str, object]:
    """Return what the card of a head shows."""
    packs = dict.fromkeys(one.pack for one in frames if one.kind == Kind.FLASH and one.head == row.head and one.pack)
    ranged = not kit.one_power(row)
    return {
        "head": row.label,
        "pack": f"pack {', '.join(packs)}" if packs else "",
        "verdict": row.verdict if ranged else "",
        "back": row.label in summary.back,
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
        warmup = words.give_or_take(abs(row.warmup_mired), row.u_warmup_mired, 1)
        facts.append(("First shots", f"{warmup} mired {'cooler' if row.warmup_mired > 0 else 'warmer'}"))
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


_CLAIM_COLUMNS: Final = [
    ("Head", "text"), ("95 of 100 shots at one power, within", "num"), ("At one power the claim", "text"),
    ("Its powers, within", "num"), ("Over its powers the claim", "text"),
]  # fmt: skip

_CELL_COLUMNS: Final = [
    ("Head", "text"), ("Power", "text"), ("Frames", "num"), ("Kelvin", "num"), ("Mired", "num"), ("Duv", "num"),
    ("To reference, K", "num"), ("mired", "num"), ("Duv", "num"), ("Steps", "num"), ("Output, stops", "num"),
]  # fmt: skip


def _cell_rows(cells: Sequence[PowerRow]) -> list[tuple[str, ...]]:
    return [
        (
            cell.series, cell.power, str(cell.n), words.give_or_take(cell.cct_k, cell.u_cct_k, 0),
            words.give_or_take(cell.mired, cell.u_mired, 1), words.give_or_take(cell.duv, cell.u_duv, 4),
            words.number(cell.ref_delta_k, 0, True), words.number(cell.ref_delta_mired, 1, True),
            words.number(cell.ref_delta_duv, 4, True), words.number(cell.ref_delta_steps, 1),
            words.give_or_take(cell.output_error_stops, cell.u_output_error_stops, 2),
        )
        for cell in cells
    ]  # fmt: skip


_PAIR_COLUMNS: Final = [
    ("This light", "text"), ("against", "text"), ("Kelvin", "num"), ("Mired", "num"), ("Duv", "num"),
    ("Steps", "num"), ("Verdict", "verdict"),
]  # fmt: skip


def _pair_caption(pairs: pd.DataFrame) -> str:
    if len(pairs) <= PAIRS_SHOWN:
        return "Every two lights of different heads"
    return f"The {PAIRS_SHOWN} of {len(pairs)} pairs of different heads that take most of the limits (all in pairs.csv)"


def _pair_rows(pairs: pd.DataFrame, tolerance: Tolerance) -> list[tuple[str, ...]]:
    """Return the pairs that take most of a limit, first the worst pair of the summary; without limits the widest."""
    limits = {f"delta_{COLUMN[name]}": limit for name, limit in colour_limits(tolerance).items()}
    limits = limits or {"delta_steps": 1.0}
    worst = (pairs[list(limits)].abs() / pd.Series(limits)).max(axis=1)
    farthest = pairs.loc[worst.sort_values(ascending=False, kind="stable").index[:PAIRS_SHOWN]]
    return [
        (
            words.cell(row.head_b, row.power_b), words.cell(row.head_a, row.power_a),
            words.number(row.delta_k, 0, True), words.give_or_take(row.delta_mired, row.u_delta_mired, 1, True),
            words.give_or_take(row.delta_duv, row.u_delta_duv, 4, True), words.number(row.delta_steps, 1), row.verdict,
        )
        for row in rows_of(farthest, PairRow)
    ]  # fmt: skip


_UNCERTAINTY_COLUMNS: Final = [
    ("Head", "text"), ("One frame's noise, \N{PLUS-MINUS SIGN}", "num"),
    ("Shot to shot, sd", "num"), ("Mean at one power, \N{PLUS-MINUS SIGN}", "num"),
]  # fmt: skip


def _uncertainty_rows(
    frames: Sequence[FrameRow], heads: Sequence[HeadRow], cells: Sequence[PowerRow]
) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for row in heads:
        noise = _median([one.u_mired for one in frames if one.kind == Kind.FLASH and one.head == row.head])
        mean = _median([cell.u_mired for cell in cells if cell.head == row.head])
        numbers = (noise, row.repeatability_mired, mean)
        rows.append((row.label, *(words.number(value, 2) for value in numbers)))
    return rows


def _median(values: Sequence[float]) -> float:
    known = [value for value in values if words.known(value)]
    return float(np.median(known)) if known else float("nan")


_ORDER_COLUMNS: Final = [
    ("Head", "text"), ("Each frame with the next", "num"), ("Way up less way down at each power, mired", "text"),
]  # fmt: skip


def _order_rows(heads: Sequence[HeadRow], cells: Sequence[PowerRow]) -> list[tuple[str, ...]]:
    """Return what the order of shooting left: the correlation of neighbours, and the two ways through the powers."""
    rows: list[tuple[str, ...]] = []
    for row in heads:
        legs = [(cell.power, cell.up_less_down_mired) for cell in _cells_of(row, cells)]
        said = [f"{power}: {words.number(value, 1, True)}" for power, value in legs if words.known(value)]
        rows.append((row.label, words.number(row.lag1, 2, True), ", ".join(said) or words.EMPTY))
    return rows


def _telling(rows: list[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """Return the rows of a table, none where nothing stands behind any name."""
    return rows if any(value != words.EMPTY for row in rows for value in row[1:]) else []


def _scale(frames: Sequence[FrameRow], summary: Summary) -> str:
    sources = [name for name in dict.fromkeys(row.colour_from for row in frames) if name in _SCALE]
    if not sources:
        return "No colour matrix is known for this camera, so no colour temperature is given."
    text = f"Kelvin comes from {say.listed([_SCALE[name] for name in sources])}"
    if any(body.anchored for body in summary.bodies):
        return f"{text}, corrected by the meter reading in session.toml."
    return f"{text}; no meter reading corrects it, so it may be wrong by tens to hundreds of kelvin."


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
