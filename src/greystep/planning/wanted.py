"""What a test takes up beside every head at every power: runs of heads that will stack, heads fired together."""

from collections.abc import Sequence
from dataclasses import replace

from greystep.errors import GreystepError
from greystep.planning.cells import Cell
from greystep.planning.order import Run
from greystep.planning.rig import planned_stops
from greystep.session.power import same_power


def stack_runs(
    texts: Sequence[str],
    cells: Sequence[Cell],
    frames: int,
    seconds: float,
    max_energy_j: float | None = None,
    dial: float | None = None,
) -> dict[str, Run]:
    """Return the run of each head that will stack: so many frames in a row from rest, as fast as the stack is shot.

    Args:
        texts: Heads with their powers, ``A@1/4``; a head alone runs at its highest power.
        cells: Lights of the test; a run is of one of them.
        seconds: From frame to frame.

    Raises:
        GreystepError: If a head or power is not in the test.
    """
    runs = {}
    for text in texts:
        head, at, power = text.rpartition("@")
        head, power = (head.strip(), power.strip()) if at else (text.strip(), "")
        own = [cell for cell in _of_head(head, cells) if not cell.parts]
        if power:
            stops = planned_stops(power, max_energy_j, dial)
            known = ", ".join(dict.fromkeys(cell.power for cell in own))
            own = [cell for cell in own if same_power(cell.stops, stops)]
            if not own:
                raise GreystepError(f"{text}: {power} is not among the powers of {head} in this test, {known}")
        runs[head] = Run(min(own, key=lambda cell: (cell.stops, cell.iso)), frames, seconds)
    return runs


def together_cells(texts: Sequence[str], cells: Sequence[Cell]) -> tuple[Cell, ...]:
    """Return the lights of a test and, behind those of a head, the same while another fires from its pack.

    Args:
        texts: ``A:B`` where A is measured while B fires too.

    Raises:
        GreystepError: If a head is not in the test, or the two hang on different packs.
    """
    found = list(cells)
    for text in texts:
        head, colon, other = (part.strip() for part in text.partition(":"))
        if not (head and colon and other):
            raise GreystepError(f"heads fired together {text}: write A:B to shoot A while B fires from the same pack")
        if head == other:
            raise GreystepError(f"heads fired together {text}: a head does not fire beside itself; name two")
        own, theirs = _of_head(head, cells), _of_head(other, cells)
        packs = own[0].pack, theirs[0].pack
        if packs[0] != packs[1]:
            raise GreystepError(
                f"heads fired together {text}: head {head} is on pack {packs[0] or 'unknown'} and {other} on "
                f"{packs[1] or 'unknown'}; name two heads of one pack"
            )
        last = max(place for place, cell in enumerate(found) if cell.head == head)
        found[last + 1 : last + 1] = [replace(cell, parts=(*cell.parts, ("with", other))) for cell in own]
    return tuple(found)


def _of_head(head: str, cells: Sequence[Cell]) -> list[Cell]:
    own = [cell for cell in cells if cell.head == head]
    if not own:
        raise GreystepError(f"no head {head} in this test, which has {', '.join(dict.fromkeys(c.head for c in cells))}")
    return own
