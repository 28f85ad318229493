"""``greystep plan``: a test planned before it is shot, with a shot sheet to print."""

import math
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from greystep.cli.options import JsonOption, progress_bar, say

if TYPE_CHECKING:
    from greystep.log.draft import Draft
    from greystep.log.rig import Rig


class Order(StrEnum):
    """In what order lights are shot."""

    BY_HEAD = "by-head"
    SHUFFLED = "shuffled"
    MIXED = "mixed"


def _amount(value: float | None) -> float | None:
    """Refuse an option's number that measures nothing: 0, below it, boundless or none at all."""
    if value is not None and not 0.0 < value < math.inf:
        raise typer.BadParameter(f"{value:g} is no amount; write a number above 0")
    return value


def plan(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to make.", show_default=False)],
    heads: Annotated[str, typer.Option(metavar="A,B", help="Heads to test.")] = "",
    powers: Annotated[str, typer.Option(metavar="P,P", help="Powers to test.")] = "full,1/4,1/16",
    repeats: Annotated[
        int | None, typer.Option(min=1, help="Rounds: frames of each light, 2 if absent; --more adds to them.")
    ] = None,
    order: Annotated[
        Order, typer.Option(help="by-head, or, where all heads stand rigged, shuffled or mixed (power by power).")
    ] = Order.BY_HEAD,
    seed: Annotated[int, typer.Option(min=0, help="Another number draws another order.")] = 1,
    reference: Annotated[
        str | None, typer.Option(metavar="HEAD", help="Head on its own stand; the first of --heads if absent.")
    ] = None,
    no_reference: Annotated[
        bool, typer.Option("--no-reference", help="No head stands apart; no check frames.")
    ] = False,
    packs: Annotated[str, typer.Option(metavar="P1,P2", help="Pack of each head, or one for all.")] = "",
    serials: Annotated[str, typer.Option(metavar="N,N", help="Serial number of each head.")] = "",
    t01: Annotated[
        list[str] | None,
        typer.Option(
            "--t01", metavar="[HEAD:]P=T,..", help="Flash durations t0.1, such as A:full=1/150,1/16=1/1200, or 1/400."
        ),
    ] = None,
    max_energy: Annotated[
        float | None,
        typer.Option("--max-energy", metavar="J", callback=_amount, help="Energy at full, for powers in joules."),
    ] = None,
    iso: Annotated[int, typer.Option(min=1, help="For the highest power and the five stops below it.")] = 100,
    sync: Annotated[str, typer.Option(help="Shortest shutter time that keeps in step.")] = "1/125",
    u: Annotated[
        float | None,
        typer.Option("--u", metavar="MIRED", callback=_amount, help="How well two lights are to be told apart."),
    ] = None,
    scatter: Annotated[
        float, typer.Option(metavar="MIRED", callback=_amount, help="Scatter assumed, shot to shot.")
    ] = 0.5,
    target_width: Annotated[
        float, typer.Option(min=0.01, metavar="M", callback=_amount, help="Width of the grey target.")
    ] = 0.3,
    more: Annotated[
        Path | None, typer.Option(metavar="SESSION", help="Only what decides the undecided lights of a test.")
    ] = None,
    swap: Annotated[
        str, typer.Option(metavar="C,D", help="Two heads on both --packs at full and low: head or pack?")
    ] = "",
    as_json: JsonOption = False,
) -> None:
    """Plan a test: write session.toml, shots.csv and a shot sheet to print into DIR.

    Head after head, up and down through the powers, with warm-up and check frames. Print the sheet, shoot in its order
    into DIR/frames, then: greystep report DIR

    Example: greystep plan hire_test --heads A,B,C,D --powers full,1/4,1/16
    """
    if bool(heads) + bool(swap) + (more is not None) != 1:
        raise typer.BadParameter(
            "name the heads to test, such as A,B,C, or give --more or --swap alone", param_hint="--heads"
        )
    if swap and order is not Order.BY_HEAD:
        raise typer.BadParameter("a swap moves heads from pack to pack; it is shot by-head", param_hint="--order")
    reference = (reference or "").strip()
    if reference and reference in _labels(swap):
        raise typer.BadParameter(f"head {reference} is moved in the swap; name another", param_hint="--reference")
    from greystep import __version__
    from greystep.files import records, to_json
    from greystep.log import draft as drafts
    from greystep.log import plan as plans
    from greystep.log import rig as rigs
    from greystep.show.sheetpage import plan_text, shot_sheet

    drafts.refuse_to_overwrite(folder)
    title = folder.resolve().name
    if more is not None:
        draft, rig = _go_on(more, folder, title, order.value, seed, repeats, target_width)
    else:
        levels = _labels(powers)
        rounds = repeats or (rigs.rounds_for(u, 2 if swap else len(levels), scatter) if u else rigs.ROUNDS[0])
        if swap:
            named, hung = _labels(swap), {}
            cells = plans.swap_cells(named, _labels(packs), levels, rounds, iso, max_energy)
        else:
            named = _labels(heads)
            hung = _of_heads("--packs", _labels(packs), named)
            cells = plans.all_cells(named, levels, rounds, hung, iso, max_energy)
            reference = reference or ("" if no_reference else named[0])
        top = min(cells, key=lambda cell: cell.stops)
        pack = hung.get(reference, "")
        check = plans.Cell(reference, top.power, top.stops, pack, top.iso) if reference else None
        everyone = list(dict.fromkeys([*named, *([reference] if reference else [])]))
        durations = rigs.flash_durations(t01 or [], everyone, max_energy)
        longest = [rigs.seconds(time) for times in durations.values() for time in times.values()]
        document = drafts.session_document(
            title,
            everyone,
            hung,
            _of_heads("--serials", _labels(serials), named),
            durations,
            max_energy,
            (reference, top.power) if reference else None,
        )
        steps = plans.arrange(cells, order.value, seed, check)
        draft = drafts.Draft(title, order.value, seed, steps, document, reference)
        shutter = rigs.shutter_for(longest, sync)
        known = set(durations) == set(everyone)
        rig = rigs.Rig(shutter, known, rounds, len({cell.stops for cell in cells}), scatter, target_width)
    wrote = [str(path) for path in drafts.write_draft(folder, draft, shot_sheet(draft, rig))]
    if as_json:
        rows = records(drafts.shots_table(draft.steps))
        minutes = sum(step.seconds for step in draft.steps) / 60.0
        document = {"schema": 1, "greystep": __version__, "wrote": wrote, "minutes": minutes, "shots": rows}
        typer.echo(to_json(document))
    else:
        typer.echo(plan_text(draft, rig, wrote))


def _labels(text: str) -> list[str]:
    return [label.strip() for label in text.split(",")] if text.strip() else []


def _of_heads(option: str, labels: Sequence[str], heads: Sequence[str]) -> dict[str, str]:
    """Give each head its label: one each, or for packs one for all."""
    if len(labels) == 1 and option == "--packs":
        labels = [labels[0]] * len(heads)
    if labels and len(labels) != len(heads):
        raise typer.BadParameter(f"{len(labels)} for {len(heads)} heads; give one each", param_hint=option)
    if option == "--serials" and (twice := [label for label in labels if label and labels.count(label) > 1]):
        raise typer.BadParameter(f"{twice[0]} is there twice; each head has a number of its own", param_hint=option)
    return dict(zip(heads, labels, strict=True)) if labels else {}


def _go_on(
    path: Path, folder: Path, title: str, order: str, seed: int, most_rounds: int | None, target_width: float
) -> tuple["Draft", "Rig"]:
    """Plan the frames that decide what a test leaves undecided, behind the frames that it has."""
    import numpy as np

    from greystep.compare.drift import analyse
    from greystep.compare.rounds import deciding_rounds
    from greystep.compare.verdict import judge
    from greystep.errors import GreystepError
    from greystep.log import draft as drafts
    from greystep.log import plan as plans
    from greystep.log.ingest import ingest
    from greystep.log.rig import Rig
    from greystep.log.session import load_session
    from greystep.log.shots import read_shots
    from greystep.sentences.kit import on_the_limit

    session = load_session(path)
    with progress_bar("reading frames") as progress:
        found = ingest(session, progress=progress)
    drift = analyse(found.readings, session)
    judged = judge(drift, session.tolerance)
    open_heads = np.flatnonzero((judged.heads["verdict"] == "undecided").to_numpy())
    asked = deciding_rounds(drift, session.tolerance, open_heads, most_rounds)
    if not asked.rounds.any():
        what = f"{asked.open} differences are open, but need more rounds than that" if asked.open else "nothing is open"
        raise GreystepError(f"{path}: {what}; no more to shoot")
    cells = drafts.further_cells(drift.cells.table, found.readings, asked.rounds)
    table = drift.cells.table
    reference = session.reference_head or ""
    light = (table["head"] == reference) & (table["power"] == drift.reference["power"])
    check = drafts.further_cells(table[light].head(1), found.readings, np.ones(int(light.any()), dtype=np.intp))
    steps = plans.arrange(cells, order, seed, check[0] if check else None)
    document = drafts.continued_document(path, folder, title)
    earlier = drafts.continued_shots(read_shots(session), found.readings)
    draft = drafts.Draft(title, order, seed, steps, document, reference, earlier)
    rounds = int(np.median(table["n"]) + max(cell.rounds for cell in cells))
    powers = round(len(table) / len(drift.cells.heads))
    scatter = float(drift.heads["repeatability_mired"].median())
    said = [f"{asked.open} differences cannot be called yet; these frames are to settle {asked.settled} of them"]
    if asked.on_the_limit:
        said.append(f"{asked.on_the_limit} others stay open: {on_the_limit(many=True)}")
    say("; ".join(said) + ".")
    return draft, Rig(drafts.camera_settings(found.readings), True, rounds, powers, scatter, target_width)
