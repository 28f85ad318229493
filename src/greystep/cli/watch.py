"""``greystep watch``: the test conducted frame by frame, or each frame as it arrives, and what is next."""

import sys
from collections.abc import Callable
from contextlib import ExitStack, closing
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from greystep.cli.options import (
    FirstOption,
    JsonOption,
    LastOption,
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

if TYPE_CHECKING:
    from greystep.live.actions import Desk
    from greystep.live.server import LivePage

#: The address of this machine for itself alone.
_HERE: Final = "127.0.0.1"


def watch(
    session: SessionArgument,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Where to write if SESSION cannot be written.")
    ] = None,
    patch: PatchOption = None,
    first: FirstOption = "",
    last: LastOption = "",
    every: Annotated[
        float, typer.Option(metavar="S", parser=number(0.01, 3600.0, "s"), help="Time from look to look, seconds.")
    ] = 0.2,
    idle: Annotated[
        float | None,
        typer.Option(metavar="S", parser=number(0.0, 1e6, "s"), help="End when nothing has come for so long."),
    ] = None,
    free: Annotated[
        bool, typer.Option("--free", help="No plan: type head and power when they change, such as A 1/4.")
    ] = False,
    page: Annotated[bool, typer.Option("--page", help="Serve a live page on this machine, for the set.")] = False,
    host: Annotated[
        str, typer.Option(metavar="ADDRESS", help="Address that the live page is served on; others then reach it.")
    ] = _HERE,
    as_json: JsonOption = False,
    strict: StrictOption = False,
) -> None:
    """Conduct the test of SESSION: read each frame as it arrives, and say what to shoot next.

    Frames of a plan are placed by their light: a slip is told at once, and stops nothing. shots.csv is written with
    what was shot; the plan stays as shots_planned.csv. It ends when every row has its frame, or with Ctrl-C.

    Example: greystep watch hire_kit --page
    """
    box = parse_patch(patch)
    if host != _HERE and not page:
        raise GreystepError(f"--host {host}: it is the address of the live page; add --page")
    from greystep.live.actions import Desk
    from greystep.live.conducting import Watch
    from greystep.pages.screen import looking_text, watched_text
    from greystep.results.session import Session
    from greystep.session.free_shoot import FreeShoot
    from greystep.session.part import Part
    from greystep.session.settings import load_settings
    from greystep.session.watch import arrivals

    loaded = load_settings(session)
    tell = say if as_json else show
    part = Part(first, last, coming=True)
    watched = Watch(loaded, tell, say, box, part, out, FreeShoot(loaded) if free else None)
    watched.begin()
    tell(looking_text(loaded.title, str(loaded.frames_dir)))
    desk = Desk()
    if free or sys.stdin.isatty():
        desk.read(sys.stdin)
    with ExitStack() as stack:
        if page:
            watched.publish = stack.enter_context(_live(desk, host, tell)).publish
        if watched.waits():
            watched.show_first()
        try:
            with closing(arrivals(loaded, every, idle, desk.bell)) as looks:
                for _ in looks:
                    if watched.step(desk.taken()):
                        break
        except KeyboardInterrupt:
            say("")
    if watched.failed is not None:
        raise watched.failed
    if watched.found is None and watched.began:
        raise GreystepError(f"{loaded.frames_dir}: stopped in the first reading; run it again, what was read is kept")
    if watched.found is None:
        raise GreystepError(f"{loaded.frames_dir}: no raw frame came; copy the camera's raw files there as you shoot")
    found = Session(watched.found, out)
    if as_json:
        show_json(found.document)
    else:
        show(watched_text(found.ingested.readings, str(watched.written)))
    finish(strict, found.all_usable)


def _live(desk: "Desk", host: str, tell: Callable[[str], None]) -> "LivePage":
    """Return the live page, and show its link."""
    try:
        from greystep.live.server import LivePage, qr_lines
    except ImportError as error:
        raise GreystepError(
            f"--page: {error.name} is not installed; the live page needs the extra: pip install 'greystep[live]'"
        ) from error
    live = LivePage(desk, host)
    tell("\n".join([*qr_lines(live.link), "", f"live page: {live.link}"]))
    return live
