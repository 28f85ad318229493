"""``greystep correct``: the values that bring each frame to one reference."""

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from greystep.cli.options import (
    JsonOption,
    OutOption,
    PatchOption,
    SessionArgument,
    StrictOption,
    finish,
    parse_patch,
    progress_bar,
    say,
    show,
)

if TYPE_CHECKING:
    from greystep.correct.gains import Corrections
    from greystep.correct.profile import Profile
    from greystep.session.ingest import Ingested


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
    int, typer.Option(min=3, metavar="N", help="Frames that --smooth draws its trend through.")
]
StackOption = Annotated[bool, typer.Option("--stack", help="Match brightness too, not colour alone.")]
SpaceOption = Annotated[Space, typer.Option(help="Linear working space of the matrices.")]


def correct(
    session: SessionArgument,
    to: ToOption = None,
    profile: ProfileOption = None,
    smooth: SmoothOption = False,
    smooth_over: SmoothOverOption = 9,
    stack: StackOption = False,
    space: SpaceOption = Space.REC709,
    check: Annotated[
        bool, typer.Option("--check", help="Measure again what greystep render has written with these options.")
    ] = False,
    out: OutOption = None,
    patch: PatchOption = None,
    as_json: JsonOption = False,
    strict: StrictOption = False,
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
    from greystep.correct.exchange import corrections_document, write_corrections
    from greystep.files import to_json
    from greystep.pages.screen import correct_text
    from greystep.sentences.frames import lines
    from greystep.session.ingest import write_readings

    found, corrections = find_corrections(session, to, profile, smooth, smooth_over, stack, space, out, patch)
    title, folder = found.settings.title, out or session / "report"
    write_readings(found, store=out)
    wrote = write_corrections(corrections, title, folder)
    say(*lines(found.messages), *corrections.messages)
    document = corrections_document(corrections, title)
    text = correct_text(corrections.table, [str(path) for path in wrote])
    if check:
        checked, files, said = _checked(found, corrections, folder)
        document["check"], text = checked, f"{text}\n\n{said}"
        wrote += files
    if as_json:
        typer.echo(to_json(document | {"wrote": [str(path) for path in wrote]}))
    else:
        show(text)
    finish(strict, not (corrections.table["status"] == "rejected").any())


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
) -> "tuple[Ingested, Corrections]":
    """Read SESSION and what the options name, and find the corrections; the options are those of `correct`."""
    box = parse_patch(patch)
    if smooth and to is not None:
        raise typer.BadParameter("the trend is the reference; leave --to out, or --smooth", param_hint="--smooth")
    from greystep.correct.gains import correct_frames
    from greystep.session.ingest import ingest
    from greystep.session.reference import other_session
    from greystep.session.settings import load_settings

    with progress_bar("reading frames") as progress:
        found = ingest(load_settings(session), patch=box, progress=progress, store=out)
    other = other_session(to)
    tested = _profile(profile, out) if profile is not None else None
    elsewhere = _session(other, out) if other is not None else None
    with progress_bar("comparing frames") as progress:
        corrections = correct_frames(
            found,
            to=to if other is None else None,
            match_brightness=stack,
            space=space.value,
            profile=tested,
            elsewhere=elsewhere,
            smooth_over=smooth_over if smooth else None,
            progress=progress,
        )
    return found, corrections


def _checked(
    found: "Ingested", corrections: "Corrections", folder: Path
) -> "tuple[list[dict[str, Any]], list[Path], str]":
    """Measure the rendered files again and write check.csv and check.svg; return rows, files and the text of it."""
    from greystep.correct.check import check
    from greystep.files import records, write_table, write_text
    from greystep.pages.strips import check_text, strips_of

    checked = check(found, corrections, folder)
    say(*checked.messages)
    files = [folder / "check.csv", folder / "check.svg"]
    write_table(files[0], checked.table)
    write_text(files[1], strips_of(checked.table))
    text = check_text(checked.table, checked.brightness_matched, [str(path) for path in files])
    return records(checked.table), files, text


def _session(path: Path, store: Path | None) -> "Ingested":
    """Read another session, for what it knows of its lights."""
    from greystep.session.ingest import ingest
    from greystep.session.settings import load_settings

    loaded = load_settings(path)
    with progress_bar(f"reading {path.name}") as progress:
        return ingest(loaded, progress=progress, store=store)


def _profile(path: Path, store: Path | None) -> "Profile":
    """Read a test session into the profile of its heads."""
    from greystep.compare.drift import analyse, check_colour
    from greystep.correct.profile import make_profile

    tested = _session(path, store)
    drift = analyse(tested.readings, tested.settings)
    check_colour(drift, tested.settings)
    return make_profile(tested, drift)
