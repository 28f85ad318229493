"""``greystep correct``: the values that bring each frame to one reference."""

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from greystep.cli import options

if TYPE_CHECKING:
    from greystep.results.correction import Correction
    from greystep.results.session import Session


class Space(StrEnum):
    """Linear working spaces of the matrices."""

    REC709 = "lin_rec709"
    REC2020 = "lin_rec2020"
    AP0 = "lin_ap0"
    AP1 = "lin_ap1"


ToOption = Annotated[
    str | None,
    typer.Option(
        "--to",
        metavar="REFERENCE",
        help="HEAD@POWER, kit, median, frame:NAME, 5500K, 5500K+0.003, or session:PATH to match another session.",
    ),
]
ProfileOption = Annotated[
    Path | None,
    typer.Option(
        metavar="TEST_SESSION",
        help="Test of the heads, for frames that hold no grey target; the log names their head and power.",
    ),
]
SmoothOption = Annotated[
    bool, typer.Option("--smooth", help="Keep the trend of each series and take out the jumps; instead of --to.")
]
SmoothOverOption = Annotated[
    int, typer.Option(min=3, max=100_000, metavar="N", help="Frames that --smooth draws its trend through.")
]
StackOption = Annotated[bool, typer.Option("--stack", help="Match brightness too, not colour alone.")]
SpaceOption = Annotated[Space, typer.Option(help="Linear working space of the matrices.")]


def correct(
    session: options.SessionArgument,
    to: ToOption = None,
    profile: ProfileOption = None,
    smooth: SmoothOption = False,
    smooth_over: SmoothOverOption = 9,
    stack: StackOption = False,
    space: SpaceOption = Space.REC709,
    check: Annotated[
        bool, typer.Option("--check", help="Measure again what greystep render has written with these options.")
    ] = False,
    out: options.OutOption = None,
    patch: options.PatchOption = None,
    first: options.FirstOption = "",
    last: options.LastOption = "",
    jobs: options.JobsOption = None,
    as_json: options.JsonOption = False,
    strict: options.StrictOption = False,
) -> None:
    """Give each frame of SESSION the values that bring its light to one reference.

    A frame's light is taken from its own grey target; else, with --profile, from the test of the head that lit it; else
    from what the frame shares with a frame whose light is known; else from the last target under the same lights.

    Gains multiply linear camera values above black; brightness changes only with --stack, because how bright a plate
    is to be is your decision.

    Beside the values for each frame stand an ASC CDL collection (corrections.ccc) and a Common LUT file a frame (clf/)
    for developed images that are linear in --space. --check measures again what greystep render wrote.

    Example: greystep correct hire_kit --to A@full
    """
    opened, found = find_corrections(
        session, to, profile, smooth, smooth_over, stack, space, out, patch, jobs, first, last
    )
    folder = out or session / "report"
    opened.write_readings()
    wrote = found.write(folder)
    options.say(*opened.messages, *found.messages)
    document, text = found.document, found.text([str(path) for path in wrote])
    if check:
        checked = found.check(folder)
        options.say(*checked.checked.messages)
        files = checked.write(folder)
        document["check"], text = checked.rows, f"{text}\n\n{checked.text([str(path) for path in files])}"
        wrote += files
    if as_json:
        options.show_json(document | {"wrote": [str(path) for path in wrote]})
    else:
        options.show(text)
    options.finish(strict, found.complete)


def find_corrections(
    session: Path,
    to: str | None,
    profile: Path | None,
    smooth: bool,
    smooth_over: int,
    stack: bool,
    space: Space,
    out: Path | None,
    patch: str | None,
    jobs: int | None = None,
    first: str = "",
    last: str = "",
) -> "tuple[Session, Correction]":
    """Open SESSION and what the options name, and find the corrections; the options are those of `correct`."""
    if smooth and to is not None:
        raise typer.BadParameter("the trend is the reference; leave --to out, or --smooth", param_hint="--smooth")
    opened = options.open_with_progress(session, patch, out, out or session / "report", jobs, first, last, stack)
    tested = None if profile is None else options.open_with_progress(profile, None, out, jobs=jobs)
    over = smooth_over if smooth else None
    with options.progress_bar("comparing frames") as progress:
        found = opened.correct(
            to, profile=tested, smooth_over=over, match_brightness=stack, space=space.value, progress=progress
        )
    return opened, found
