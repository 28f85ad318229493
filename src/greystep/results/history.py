"""Heads over several sessions."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from greystep.compare.history import History, Move
from greystep.documents import Document, document_of, records, table_bytes, text_bytes
from greystep.generation import write_run
from greystep.pages.history import history_page, history_text
from greystep.results.notebook import html
from greystep.sentences import history as moves


@dataclass(frozen=True, eq=False)
class HistoryResult:
    """Heads over several sessions; `newest` is the folder of the newest session."""

    history: History
    newest: Path

    @property
    def table(self) -> pd.DataFrame:
        """The table of history.csv; `greystep.columns.HistoryRow` has the units."""
        return self.history.table

    @property
    def still(self) -> bool:
        """No head has moved, as far as it was there before."""
        return bool(self.table["verdict"].isin([Move.NOT_MOVED, Move.NEW]).all())

    @property
    def document(self) -> Document:
        """The object that ``greystep history --json`` prints."""
        notes = [moves.note(note) for note in self.history.notes]
        return document_of({"history": records(self.table), "notes": notes})

    def text(self, wrote: Sequence[str] = ()) -> str:
        """Return what the screen shows; `wrote` are the files to name at the end."""
        return history_text(self.history, wrote)

    def _repr_html_(self) -> str:
        shown = ["head", "session", "power", "mired", "change_mired", "u_change_mired", "verdict"]
        return html("History", moves.moves(self.history), self.table[shown])

    def write(self, folder: Path) -> list[Path]:
        """Write history.csv and history.html."""
        page = history_page(self.history)
        files = {"history.csv": table_bytes(self.table), "history.html": text_bytes(".html", page)}
        return write_run(folder, "history", files)
