"""What a history of sessions says on screen: a sentence a head, then what speaks against the heads as the reason."""

from collections.abc import Sequence

from greystep import words as say
from greystep.compare.history import History
from greystep.pages.formats import wrapped
from greystep.sentences import history as moves


def history_text(history: History, wrote: Sequence[str] = ()) -> str:
    """Return the sentences of a history for the screen, newest last; `wrote` are the files to name at the end."""
    lines = [say.folded(line) for line in moves.moves(history)]
    notes = [wrapped(moves.note(note), "- ") for note in history.notes]
    return "\n".join(
        [
            *lines,
            *(["", "Good to know", *notes] if notes else []),
            *(["", *(f"wrote {path}" for path in wrote)] if wrote else []),
        ]
    )
