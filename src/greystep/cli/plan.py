"""``greystep plan``: a test planned before it is shot, with a shot sheet to print."""

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from greystep.cli.options import LARGEST_SEED, JsonOption, conclude, number, open_with_progress, say
from greystep.doors import DIAL, ENERGY_J, LIMITS, MOST_LOOKS, RECYCLE_S, name_of
from greystep.terms import Order


def plan(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to make.", show_default=False)],
    heads: Annotated[str, typer.Option(metavar="A,B", help="Heads to test; beside --more those that it is for.")] = "",
    powers: Annotated[str, typer.Option(metavar="P,P", help="Powers to test.")] = "full,1/4,1/16",
    repeats: Annotated[
        int | None, typer.Option(min=1, help="Rounds: frames of each light, 2 if absent; --more adds to them.")
    ] = None,
    order: Annotated[
        Order, typer.Option(help="by-head, or, where all heads stand rigged, shuffled or mixed (power by power).")
    ] = Order.BY_HEAD,
    seed: Annotated[int, typer.Option(min=0, max=LARGEST_SEED, help="Another number draws another order.")] = 1,
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
        typer.Option(
            "--max-energy", metavar="J", parser=number(*ENERGY_J, "J"), help="Energy at full, for powers in joules."
        ),
    ] = None,
    dial: Annotated[
        float | None,
        typer.Option(metavar="10", parser=number(*DIAL), help="Full on the packs' dial, for powers such as 9.9."),
    ] = None,
    recycle: Annotated[
        float | None,
        typer.Option(
            metavar="S", parser=number(*RECYCLE_S, "s"), help="Least time from flash to flash; frames sooner are told."
        ),
    ] = None,
    looks: Annotated[
        int,
        typer.Option(
            min=1, max=MOST_LOOKS, metavar="N", help="Rounds at most, where watch asks for those that are still open."
        ),
    ] = 1,
    together: Annotated[
        str, typer.Option("--with", metavar="A:B", help="Shoot A once more while B fires from the same pack.")
    ] = "",
    stack: Annotated[
        str, typer.Option(metavar="A,B@1/4", help="Heads that will stack: each begins with a run from rest.")
    ] = "",
    run: Annotated[int, typer.Option(min=3, max=1000, metavar="N", help="Frames of such a run.")] = 20,
    iso: Annotated[
        int, typer.Option(min=1, max=10_000_000, help="For the highest power and the five stops below it.")
    ] = 100,
    sync: Annotated[str, typer.Option(help="Shortest shutter time that keeps in step.")] = "1/125",
    u: Annotated[
        float | None,
        typer.Option(
            "--u",
            metavar="MIRED",
            parser=number(*LIMITS["mired"], "mired"),
            help="How well two lights are to be told apart.",
        ),
    ] = None,
    scatter: Annotated[
        float,
        typer.Option(metavar="MIRED", parser=number(*LIMITS["mired"], "mired"), help="Scatter assumed, shot to shot."),
    ] = 0.5,
    target_width: Annotated[
        float, typer.Option(metavar="M", parser=number(0.01, 100.0, "m"), help="Width of the grey target.")
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

    A head that will shoot a stack: --stack B@1/4 begins B with a run from rest, so that the report says how many blanks
    to fire first. Heads that fire from one pack: --with A:B. With --recycle 3 a frame shot sooner is flagged.

    Example: greystep plan hire_test --heads A,B,C,D --powers full,1/4,1/16
    """
    if (bool(swap), bool(heads) or more is not None) not in ((False, True), (True, False)):
        raise typer.BadParameter(
            "name the heads to test, such as A,B,C, or give --swap alone, or --more", param_hint="--heads"
        )
    for option, given in (("--with", together), ("--stack", stack), ("--dial", dial)):
        if given and more is not None:
            raise typer.BadParameter("a test that goes on is shot as it was planned", param_hint=option)
    if swap and order is not Order.BY_HEAD:
        raise typer.BadParameter("a swap moves heads from pack to pack; it is shot by-head", param_hint="--order")
    reference = (reference or "").strip()
    if reference and reference in _labels(swap):
        raise typer.BadParameter(f"head {reference} is moved in the swap; name another", param_hint="--reference")
    from greystep import api
    from greystep.files import refuse_to_overwrite
    from greystep.planning.wishes import Wishes

    refuse_to_overwrite(folder)  # before a test is read, which may take a while
    title, levels, numbers = name_of(folder), tuple(_labels(powers)), _labels(serials)
    wishes = Wishes(
        powers=levels,
        rounds=repeats,
        order=order,
        seed=seed,
        t01=tuple(t01 or []),
        max_energy_j=max_energy,
        iso=iso,
        sync=sync,
        u_mired=u,
        scatter_mired=scatter,
        target_width_m=target_width,
        dial=dial,
        recycle_s=recycle,
        looks=looks,
        together=tuple(_labels(together)),
        stack=tuple(_labels(stack)),
        run_frames=run,
    )
    if more is not None:
        made = open_with_progress(more, None, None).plan_more(
            folder,
            order=order,
            seed=seed,
            most_rounds=repeats,
            target_width_m=target_width,
            heads=_labels(heads),
            recycle_s=recycle,
        )
    elif swap:
        named = _labels(swap)
        serial = _of_heads("--serials", numbers, named)
        made = api.plan_swap(title, named, _labels(packs), wishes, serials=serial, reference=reference)
    else:
        named = _labels(heads)
        stands = reference or ("" if no_reference else named[0])
        pack, serial = _of_heads("--packs", _labels(packs), named), _of_heads("--serials", numbers, named)
        made = api.plan(title, named, wishes, packs=pack, serials=serial, reference=stands)
    say(*made.messages)
    conclude(made, made.write(folder), as_json)


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
