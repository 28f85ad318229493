"""The corrections of a session, its rendered frames and their check."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Final

import pandas as pd

from greystep.correct.check import Checked, check
from greystep.correct.exchange import corrections_document, write_corrections
from greystep.correct.gains import Corrections
from greystep.correct.plates import add_plates, read_plates
from greystep.correct.render import State, render_frames
from greystep.documents import Document, document_of, records, table_bytes, text_bytes
from greystep.flags import Status
from greystep.generation import write_run
from greystep.pages.correct import corrections_page
from greystep.pages.screen import correct_text
from greystep.pages.strips import check_text, strips_of
from greystep.results.notebook import html
from greystep.sentences import corrections
from greystep.sentences.session_notes import of_matrix
from greystep.session.ingest import Ingested
from greystep.session.workers import Progress
from greystep.words import counted

_RENDERED: Final = {
    State.WRITTEN: "written",
    State.KEPT: "kept from before",
    State.FAILED: "failed",
    State.NOT_OURS: "not ours",
}


@dataclass(frozen=True, eq=False)
class Correction:
    """The corrections of a session.

    Attributes:
        ingested: The session's frames.
        corrections: A row a frame, and the matrices beside them.
    """

    ingested: Ingested
    corrections: Corrections

    @property
    def table(self) -> pd.DataFrame:
        """The table of corrections.csv; `greystep.columns.CorrectionRow` has the units."""
        return self.corrections.table

    @property
    def complete(self) -> bool:
        """Every frame has a correction."""
        return not (self.table["status"] == Status.REJECTED).any()

    @property
    def messages(self) -> list[str]:
        """What there is to say of single frames and of the reference, a line each."""
        return corrections.lines(self.corrections.messages)

    @property
    def document(self) -> Document:
        """The object of corrections.json."""
        return corrections_document(self.corrections, self.ingested.settings.title)

    def text(self, wrote: Sequence[str] = ()) -> str:
        """Return what the screen shows; `wrote` are the files to name at the end."""
        return correct_text(self.table, wrote, of_matrix(self.ingested.notes))

    def _repr_html_(self) -> str:
        shown = ["frame", "head", "power", "source", "gain_r", "gain_b", "mired_shift", "duv_shift", "status"]
        return html(self.ingested.settings.title, self.text().splitlines()[:2], self.table[shown])

    def write(self, folder: Path) -> list[Path]:
        """Write the table, JSON, an ASC CDL collection and a Common LUT file a frame; return what was written."""
        title = self.ingested.settings.title
        return write_corrections(
            self.corrections, title, folder, lambda run: corrections_page(title, self.corrections, self.messages, run)
        )

    def render(
        self, folder: Path, form: str = "tiff", progress: Progress | None = None, force: bool = False
    ) -> "RenderResult":
        """Write every frame that has a correction as ``tiff``, ``exr`` or ``dng``; raw files are only read.

        A file that is not as an earlier run left it is kept, and replaced with `force`.
        """
        done = render_frames(self.ingested, self.corrections, folder, form, progress, force)
        wrote = [folder / file.file for file in done.files if file.state == State.WRITTEN]
        counts = Counter(file.state for file in done.files)
        said = ", ".join(f"{counts[state]} {words}" for state, words in _RENDERED.items() if counts[state])
        shown = f"{counted(len(done.files), 'frame')}: {said}\nfolder {folder / form}"
        rows = tuple(asdict(file) for file in done.files)
        foreign = tuple(folder / file.file for file in done.files if file.state == State.NOT_OURS)
        return RenderResult(rows, wrote, tuple(done.messages), shown, not counts[State.FAILED], foreign)

    def add_plates(self, listed: Path, folder: Path, form: str = "tiff", force: bool = False) -> "RenderResult":
        """Add the plates that a PLATES.csv names, as light adds, into one image."""
        chosen = read_plates(listed, list(self.corrections.matrices))
        path, messages = add_plates(self.ingested, self.corrections, chosen, folder, form, force)
        rows: tuple[Document, ...] = tuple({"frame": plate.frame, "factor": plate.factor} for plate in chosen)
        return RenderResult(rows, [path], tuple(messages), f"{len(chosen)} plates added\nwrote {path}", True)

    def check(self, folder: Path) -> "CheckResult":
        """Measure again what `render` wrote into `folder`."""
        return CheckResult(check(self.ingested, self.corrections, folder))


@dataclass(frozen=True, eq=False)
class RenderResult:
    """Rendered files.

    Attributes:
        frames: What became of each frame.
        wrote: The files that were written.
        messages: A line for each frame that failed or lost something.
        shown: What the screen shows.
        complete: No frame failed.
        kept_foreign: Files that were not as an earlier run left them, and were kept.
    """

    frames: tuple[Document, ...]
    wrote: Sequence[Path]
    messages: tuple[str, ...]
    shown: str
    complete: bool
    kept_foreign: tuple[Path, ...] = ()

    @property
    def document(self) -> Document:
        """The object that ``greystep render --json`` prints."""
        return document_of({"frames": list(self.frames)})

    def text(self, wrote: Sequence[str] = ()) -> str:
        """Return what the screen shows: counts and the folder, not every file."""
        return self.shown


@dataclass(frozen=True, eq=False)
class CheckResult:
    """Rendered frames, measured again."""

    checked: Checked

    @property
    def rows(self) -> list[Document]:
        """The rows of check.csv."""
        return records(self.checked.table)

    def text(self, wrote: Sequence[str] = ()) -> str:
        """Return what the screen shows; `wrote` are the files to name at the end."""
        return check_text(self.checked.table, self.checked.brightness_matched, wrote)

    def write(self, folder: Path) -> list[Path]:
        """Write check.csv and check.svg."""
        table, strips = table_bytes(self.checked.table), text_bytes(".svg", strips_of(self.checked.table))
        return write_run(folder, "check", {"check.csv": table, "check.svg": strips})
