"""A section a head, and what a cell of the matrix of heads opens, made ready for ``report.html``."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from greystep import words as say
from greystep.columns import FrameRow, HeadRow, PairRow, PowerRow, rows_of
from greystep.flags import Status
from greystep.pages import formats as words
from greystep.pages import panels, strips
from greystep.pages.first_page import head_names, powers_said
from greystep.pages.formats import Column, table
from greystep.pages.tables import gap_rows
from greystep.sentences import page_one
from greystep.sentences.summary import Summary
from greystep.terms import TESTED

_POWERS: Final = (
    Column("Power", "power"), Column("Frames", "n", 0), Column("Kelvin", "cct_k", 0, u="u_cct_k"),
    Column("Mired", "mired", 1, u="u_mired"), Column("Duv", "duv", 4, u="u_duv"),
    Column("Output, stops off", "output_error_stops", 2, u="u_output_error_stops"),
)  # fmt: skip


def sections(
    summary: Summary,
    tables: Mapping[str, pd.DataFrame],
    frames: Sequence[FrameRow],
    cells: Sequence[PowerRow],
    ids: Mapping[str, str],
    times: int,
) -> list[dict[str, object]]:
    """Return the sections of the heads, in the order of the log.

    Args:
        ids: By head, of its section.
        times: By how much the colours of frames are magnified, all alike.
    """
    calipers = summary.calipers
    assert calipers is not None, "a page is made of a summary with its calipers"
    made = []
    for stand, finding in zip(calipers.heads, summary.findings, strict=True):
        label = calipers.labels[stand.head]
        mine = [cell for cell, head in zip(cells, calipers.head_of, strict=True) if head == stand.head]
        row = finding.row
        names = head_names(summary, stand)
        facts = [
            ("Fails on", page_one.fails_on(stand)),
            ("What would cure it", page_one.cure(stand, finding, summary.tolerance)),
            ("Alone", powers_said(summary, stand)["alone"]),
            ("With the kit", powers_said(summary, stand)["together"]),
            ("Serial", str(names["serial"])),
            ("Pack", ", ".join(dict.fromkeys(one.pack for one in frames if one.head == row.head and one.pack))),
            *_moves(row),
        ]
        shown = [name for name in panels.QUANTITIES if tables]
        made.append(
            {
                **names,
                "id": ids[label],
                "sentence": summary.sentences[label],
                "facts": [(name, value) for name, value in facts if value and value != words.EMPTY],
                "panels": [panels.draw_panel(tables, name, label) for name in shown],
                "caliper": _caliper(tables, label),
                "powers": table(_POWERS, mine),
                "run": _run(summary, frames, row, times),
            }
        )
    return made


def _caliper(tables: Mapping[str, pd.DataFrame], label: str) -> str:
    """Return about which lights the limits of a head's panels are drawn: ``warmth about B at 1/1, ...``."""
    if not tables:
        return ""
    titles = {"mired": "warmth", "duv": "green and pink"}
    mine = [row for row in gap_rows(tables["calipers"]) if row.head == label and row.decides and words.known(row.limit)]
    told = [
        f"{titles[one.quantity]} about {say.cell(one.against_head, one.against_power)}"
        for one in mine
        if one.quantity in titles
    ]
    return ", of ".join(told)


def _moves(row: HeadRow) -> list[tuple[str, str]]:
    """Return how a head scatters and warms up."""
    facts = []
    if words.known(row.repeatability_mired):
        facts.append(("Shot to shot", words.kelvin_mired(row.repeatability_k, row.repeatability_mired)))
    if words.known(row.warmup_mired) and row.warmup_kept:
        size, u = abs(row.warmup_mired), row.u_warmup_mired
        said = f"{words.give_or_take(size, u, 1)} mired {'cooler' if row.warmup_mired > 0 else 'warmer'}"
        facts.append(("First shots", f"no change beyond chance (under {size + u:.1f} mired)" if size <= u else said))
    return facts


def _run(summary: Summary, frames: Sequence[FrameRow], row: HeadRow, times: int) -> list[dict[str, str]]:
    """Return the frames of a head in the order of shooting: colour, magnified, and what is said of each."""
    mine = [one for one in frames if one.kind in TESTED and one.head == row.head and one.body in ("", row.body)]
    mine = sorted(mine, key=lambda one: one.shot)
    light = summary.reference
    upvp = np.array([(one.u_prime, one.v_prime) for one in mine], dtype=np.float64).reshape(-1, 2)
    first = summary.bodies[0].label if summary.bodies else row.body
    if row.body != first or not words.known(light.u_prime):
        upvp[:] = np.nan  # another camera body: its whites are compared with none of the reference's
    neutrals = strips.balanced(upvp, np.array([light.u_prime, light.v_prime]))
    codes = strips.hex_codes(neutrals, times)
    return [
        {"colour": code, "status": one.status, "label": _label(one), "said": _said(one)}
        for one, code in zip(mine, codes, strict=True)
    ]


def _label(one: FrameRow) -> str:
    return f"{one.frame or 'no file'}, {one.power}"


def _said(one: FrameRow) -> str:
    said = []
    if words.known(one.cct_k):
        said.append(f"{one.cct_k:.0f} K, {one.mired:.1f} mired, Duv {words.number(one.duv, 4)}")
    if words.known(one.output_stops):
        said.append(f"output {words.number(one.output_stops, 2)} stops")
    flags = "" if one.status == Status.OK else f"{one.status}: {'; '.join(words.flags_said(one.flags))}"
    return "; ".join([*said, *filter(None, [flags])])


def opened(summary: Summary) -> list[dict[str, Any]]:
    """Return for every two heads what their cell of the matrix opens: the differences power by power."""
    calipers = summary.calipers
    assert calipers is not None, "a page is made of a summary with its calipers"
    by: dict[tuple[str, str], dict[tuple[str, str], tuple[str, str, str]]] = {}
    for (first, second), row in zip(calipers.across, rows_of(summary.pairs, PairRow), strict=True):
        (head, light), (other, other_light) = calipers.light(first), calipers.light(second)
        by.setdefault((head, other), {})[light, other_light] = _difference(row)
    made: list[dict[str, Any]] = []
    for number, (heads, cells) in enumerate(by.items()):
        down, across = (list(dict.fromkeys(lights)) for lights in zip(*cells, strict=True))
        made.append(
            {
                "id": f"pair-{number + 1}",
                "heads": heads,
                "across": across,
                "rows": [(light, [cells.get((light, other)) for other in across]) for light in down],
                "matches": summary.safe_ranges_of(*heads),
            }
        )
    return made


def _difference(row: PairRow) -> tuple[str, str, str]:
    """Return a difference as it stands in a cell: mired with its way, Duv with its way, verdict."""
    if not words.known(row.delta_mired):
        return words.EMPTY, "", ""
    warmth = f"{abs(row.delta_mired):.1f} {'warmer' if row.delta_mired > 0 else 'cooler'}"
    tint = f"{abs(row.delta_duv):.4f} {'greener' if row.delta_duv > 0 else 'pinker'}"
    return warmth, tint, row.verdict
