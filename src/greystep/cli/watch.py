"""``greystep watch``: each frame as it arrives, and what the log wants next."""

from pathlib import Path
from typing import Annotated

import typer

from greystep.cli.options import (
    JsonOption,
    PatchOption,
    SessionArgument,
    StrictOption,
    finish,
    number,
    parse_patch,
    say,
    show,
    show_json,
)
from greystep.errors import GreystepError


def watch(
    session: SessionArgument,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Where to write if SESSION cannot be written.")
    ] = None,
    patch: PatchOption = None,
    every: Annotated[
        float, typer.Option(metavar="S", parser=number(0.01, 3600.0, "s"), help="Time from look to look, seconds.")
    ] = 1.0,
    idle: Annotated[
        float | None,
        typer.Option(metavar="S", parser=number(0.0, 1e6, "s"), help="End when nothing has come for so long."),
    ] = None,
    as_json: JsonOption = False,
    strict: StrictOption = False,
) -> None:
    """Read each frame of SESSION as it arrives in its frames folder, and say what the log wants next.

    It ends when every row of shots.csv has its frame, or with Ctrl-C; readings.csv then holds what came.

    Example: greystep watch hire_kit
    """
    box = parse_patch(patch)
    from greystep.api import Session
    from greystep.files import check_target
    from greystep.pages.screen import arrived_text, looking_text, watched_text
    from greystep.sentences.frames import lines
    from greystep.session.ingest import ingest
    from greystep.session.settings import load_settings
    from greystep.session.shots import read_shots
    from greystep.session.watch import arrivals, changed_frames, messages_of, next_to_shoot

    loaded = load_settings(session)
    if out is None:
        check_target(loaded.path / "readings.csv")
    logged = (loaded.path / "shots.csv").is_file()
    if logged:
        read_shots(loaded)  # what is wrong with the log itself stops it here
    tell = say if as_json else show
    found, written, said, came = None, session, "", False
    failed: GreystepError | None = None
    told: dict[str, str] = {}
    tell(looking_text(loaded.title, str(loaded.frames_dir)))
    try:
        for _ in arrivals(loaded, every, idle):
            came = True
            try:
                found, failed = Session(ingest(loaded, patch=box, store=out), out), None
            except GreystepError as error:  # perhaps the next frame or a mended log makes it good
                failed = error
                if str(error) != said:
                    say(f"greystep: {error}")
                said = str(error)
                continue
            written, readings = found.write_readings(), found.ingested.readings
            rows, due = changed_frames(readings, told), next_to_shoot(readings)
            complete = due.empty and logged
            if told or not complete:
                tell(arrived_text(rows, due))
                say(*lines(messages_of(found.ingested.messages, rows)))
            told |= dict(zip(rows["frame"], rows["flags"], strict=True))
            if complete:
                break
    except KeyboardInterrupt:
        say("")
    if failed is not None:
        raise failed
    if found is None and came:
        raise GreystepError(f"{loaded.frames_dir}: stopped in the first reading; run it again, what was read is kept")
    if found is None:
        raise GreystepError(f"{loaded.frames_dir}: no raw frame came; copy the camera's raw files there as you shoot")
    if as_json:
        show_json(found.document)
    else:
        show(watched_text(found.ingested.readings, str(written)))
    finish(strict, found.all_usable)
