"""How many frames of a session could be used, in words."""

from collections.abc import Sequence

from greystep.session.readings import FrameCounts
from greystep.words import counted, wrapped


def ingest_text(counts: FrameCounts, wrote: Sequence[str] = (), notes: Sequence[str] = ()) -> str:
    """Return what was read: the counts, notes on colour, the file written; faults of frames are told beside it."""
    return "\n".join([frame_counts(counts), *map(wrapped, notes), *(f"wrote {path}" for path in wrote)])


def frame_counts(counts: FrameCounts) -> str:
    """Return how many frames could be used, in one sentence."""
    parts = [("good", counts.ok), ("doubtful", counts.doubtful), ("rejected", counts.rejected)]
    said = [f"{n} {name}" for name, n in parts if n or name == "good"]
    return f"{counted(counts.total, 'frame')}: {', '.join(said)}."
