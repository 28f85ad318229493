"""What a session answers: typed results that know their numbers, their words and their files."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cached_property
from html import escape
from pathlib import Path
from typing import Final

import pandas as pd

from greystep import __version__
from greystep.columns import PairRow, rows_of
from greystep.compare.budget import Component, absolute_at, find_budget, with_absolute
from greystep.compare.drift import Drift
from greystep.compare.history import History, Move
from greystep.compare.verdict import ReportFacts
from greystep.correct.check import Checked, check
from greystep.correct.exchange import corrections_document, write_corrections
from greystep.correct.gains import Corrections
from greystep.correct.plates import add_plates, read_plates
from greystep.correct.render import State, render_frames
from greystep.files import (
    json_bytes,
    records,
    refuse_to_overwrite,
    table_bytes,
    text_bytes,
    write_json,
)
from greystep.flags import Status
from greystep.generation import run_of, sha256, write_set
from greystep.measure.calibration import Calibration, camera_document
from greystep.mix.audit import Audit
from greystep.mix.choose import Choice, GangChoice, choice_document
from greystep.mix.what_if import WhatIf
from greystep.pages.audit import audit_document, audit_drawings, audit_page
from greystep.pages.choose import choose_page
from greystep.pages.correct import corrections_page
from greystep.pages.figures import drawings
from greystep.pages.history import history_page, history_text
from greystep.pages.report import report_page, unfinished_page
from greystep.pages.screen import audit_text, choose_text, correct_text, report_text
from greystep.pages.shot_sheet import asked_text, plan_text, shot_sheet
from greystep.pages.strips import check_text, strips_of
from greystep.pages.svg import standalone
from greystep.pages.tables import figure_tables
from greystep.planning.folder import shots_table, write_draft
from greystep.planning.plans import Plan
from greystep.sentences import calibration, corrections
from greystep.sentences import history as moves
from greystep.sentences.frames import cures
from greystep.sentences.session_notes import of_matrix
from greystep.sentences.setups import headline as audit_headline
from greystep.sentences.setups import what_if as what_if_line
from greystep.sentences.summary import Summary, summary, summary_json
from greystep.session.ingest import Ingested, overviews
from greystep.session.raw_files import starts_of
from greystep.session.settings import Tolerance
from greystep.terms import Verdict
from greystep.words import counted

Progress = Callable[[int, int], None]
Document = dict[str, object]

_RENDERED: Final = {
    State.WRITTEN: "written",
    State.KEPT: "kept from before",
    State.FAILED: "failed",
    State.NOT_OURS: "not ours",
}


@dataclass(frozen=True, eq=False)
class Report:
    """A session judged by limits.

    Attributes:
        ingested, drift: The frames, and the facts of the joint fit.
        tolerance: The limits.
        facts: The verdicts, and what else the session shows, as codes and numbers.
        store: Where thumbnails are kept if the session's own folder cannot be written.
    """

    ingested: Ingested
    drift: Drift
    tolerance: Tolerance
    facts: ReportFacts
    store: Path | None = None

    @cached_property
    def summary(self) -> Summary:
        """What the report says, in words too."""
        found = self.ingested
        judged_by = replace(found.settings, tolerance=self.tolerance)
        reach = absolute_at(self.powers, self.drift.reference["mired"])
        bodies = found.bodies.values()
        return summary(self.facts, self.drift, judged_by, found.readings, bodies, found.notes, self.budget, reach)

    @cached_property
    def budget(self) -> tuple[Component, ...]:
        """What the half-widths of this report hold and what they leave out, each with its size and its method."""
        return find_budget(self.ingested, self.drift, self.facts.iso_steps)

    @cached_property
    def powers(self) -> pd.DataFrame:
        """The table of powers.csv; `greystep.columns.PowerRow` has the units."""
        return with_absolute(self.drift.powers, self.ingested)

    @property
    def heads(self) -> pd.DataFrame:
        """The table of heads.csv; `greystep.columns.HeadRow` has the units."""
        return self.summary.heads_table

    @property
    def pairs(self) -> pd.DataFrame:
        """The table of pairs.csv; `greystep.columns.PairRow` has the units."""
        return self.summary.pairs

    @property
    def worst_pair(self) -> PairRow | None:
        """The two lights with the largest difference over its limit; None with one head."""
        worst = self.summary.worst_pair
        return None if worst is None else rows_of(self.pairs.iloc[[worst.row]], PairRow)[0]

    @property
    def verdict(self) -> Verdict:
        """The verdict on the kit."""
        return self.summary.kit_verdict

    @property
    def document(self) -> Document:
        """The object of summary.json."""
        return self._content | {"run": self.run}

    @cached_property
    def run(self) -> str:
        """The name of this run: it stands in summary.json, report.html and report.run.json, and follows from all."""
        return run_of(self._tables | {"summary.json": json_bytes(self._content)})

    def text(self, wrote: Sequence[str] = ()) -> str:
        """Return what the screen shows; `wrote` are the files to name at the end."""
        return report_text(self.summary, wrote)

    def _repr_html_(self) -> str:
        title, why = self.summary.headline
        shown = ["head", "verdict", "span_mired", "u_span_mired", "span_duv", "u_span_duv", "why"]
        return _html(f"{self.summary.session}: {title}", why, self.heads[shown])

    def write(self, folder: Path) -> list[Path]:
        """Write tables, figures with their numbers, summary.json and the page; return summary.json and the page."""
        found, said = self.ingested, self.summary
        figures = drawings(self._drawn, said.reference)
        pictures, cured = overviews(found, self.store), cures(found.messages)
        digests = [(name, sha256(data)) for name, data in self._tables.items()]
        digests += starts_of(found.settings, found.readings["frame"])
        page = report_page(said, found.readings, self.powers, self._drawn, pictures, self.run, cured, digests)
        files = self._tables | {
            f"figures/{name}.svg": text_bytes(".svg", standalone(one)) for name, one in figures.items()
        }
        files |= {"summary.json": json_bytes(self.document), "report.html": text_bytes(".html", page)}
        changing = {"report.html": text_bytes(".html", unfinished_page(said.session))}
        gone = () if "attribution.csv" in files else ("attribution.csv",)  # of a run before the log lost its packs
        write_set(folder, "report", self.run, files, changing, gone)
        return [folder / "summary.json", folder / "report.html"]

    @cached_property
    def _content(self) -> Document:
        """The object of summary.json without the run, which follows from it."""
        return summary_json(self.summary)

    @cached_property
    def _drawn(self) -> dict[str, pd.DataFrame]:
        calipers = self.facts.judged.calipers
        return figure_tables(self.powers, self.ingested.readings, self.summary.reference, calipers)

    @cached_property
    def _tables(self) -> dict[str, bytes]:
        """The CSV files, by name."""
        tables = {"powers.csv": self.powers, "heads.csv": self.heads, "pairs.csv": self.pairs}
        tables |= {f"figures/{name}.csv": table for name, table in self._drawn.items()}
        if self.facts.attribution is not None and len(self.facts.attribution.table):
            tables["attribution.csv"] = self.facts.attribution.table
        return {name: table_bytes(table) for name, table in tables.items()}


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
        return _html(self.ingested.settings.title, self.text().splitlines()[:2], self.table[shown])

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
        return {"schema": 1, "greystep": __version__, "frames": list(self.frames)}

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
        files = {"check.csv": table, "check.svg": strips}
        write_set(folder, "check", run_of(files), files)
        return [folder / name for name in files]


@dataclass(frozen=True, eq=False)
class AuditResult:
    """A set-up of several lights, judged; `audit` has its lights, pairs, remedies and the rest."""

    audit: Audit

    @property
    def verdict(self) -> Verdict:
        """Whether all its lights go together."""
        return self.audit.now.verdict

    @property
    def document(self) -> Document:
        """The object of audit.json."""
        return audit_document(self.audit)

    def text(self, wrote: Sequence[str] = ()) -> str:
        """Return what the screen shows; `wrote` are the files to name at the end."""
        return audit_text(self.audit, wrote)

    def _repr_html_(self) -> str:
        lights = pd.DataFrame([asdict(light) for light in self.audit.now.lights])[
            ["role", "head", "power", "mired", "duv"]
        ]
        return _html(f"{self.audit.name}: {audit_headline(self.audit)}", [], lights)

    def write(self, folder: Path) -> list[Path]:
        """Write audit.json and audit.html."""
        page = audit_page(self.audit, audit_drawings(self.audit))
        files = {"audit.json": json_bytes(self.document), "audit.html": text_bytes(".html", page)}
        write_set(folder, "audit", run_of(files), files)
        return [folder / name for name in files]


@dataclass(frozen=True, eq=False)
class WhatIfResult:
    """A set-up before and after some of its lights have another power; it has no files."""

    found: WhatIf

    @property
    def document(self) -> Document:
        """The object of ``greystep audit --set --json``."""
        kept = ("verdict", "lights", "worst_pair")
        before, after = (audit_document(audit) for audit in (self.found.before, self.found.after))
        return {
            "schema": 1,
            "greystep": __version__,
            "set": [asdict(light) for light in self.found.lights],
            "before": {key: before[key] for key in kept},
            "after": {key: after[key] for key in kept},
        }

    def text(self, wrote: Sequence[str] = ()) -> str:
        """Return the one line of the screen."""
        return what_if_line(self.found)


@dataclass(frozen=True, eq=False)
class ChoiceResult:
    """The heads and powers that go together best, and the next best."""

    choice: Choice | GangChoice

    @property
    def verdict(self) -> Verdict:
        """Whether the best choice is within every limit of colour."""
        return self.choice.best.verdict

    @property
    def document(self) -> Document:
        """The object of choose.json."""
        return choice_document(self.choice)

    def text(self, wrote: Sequence[str] = ()) -> str:
        """Return what the screen shows; `wrote` are the files to name at the end."""
        return choose_text(self.choice, wrote)

    def _repr_html_(self) -> str:
        return _html(
            self.text().splitlines()[0],
            [],
            pd.DataFrame([(light.head, light.power) for light in self.choice.best.lights], columns=["head", "power"]),
        )

    def write(self, folder: Path) -> list[Path]:
        """Write choose.json and choose.html."""
        files = {
            "choose.json": json_bytes(self.document), "choose.html": text_bytes(".html", choose_page(self.choice))
        }  # fmt: skip
        write_set(folder, "choose", run_of(files), files)
        return [folder / name for name in files]


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
        return {"schema": 1, "greystep": __version__, "history": records(self.table), "notes": notes}

    def text(self, wrote: Sequence[str] = ()) -> str:
        """Return what the screen shows; `wrote` are the files to name at the end."""
        return history_text(self.history, wrote)

    def _repr_html_(self) -> str:
        shown = ["head", "session", "power", "mired", "change_mired", "u_change_mired", "verdict"]
        return _html("History", moves.moves(self.history), self.table[shown])

    def write(self, folder: Path) -> list[Path]:
        """Write history.csv and history.html."""
        files = {
            "history.csv": table_bytes(self.table), "history.html": text_bytes(".html", history_page(self.history))
        }  # fmt: skip
        write_set(folder, "history", run_of(files), files)
        return [folder / name for name in files]


@dataclass(frozen=True, eq=False)
class PlanResult:
    """A planned test, its rig and what it decides."""

    plan: Plan

    @property
    def shots(self) -> pd.DataFrame:
        """The log of the frames to come: the table of shots.csv."""
        return shots_table(self.plan.draft.steps)

    @property
    def document(self) -> Document:
        """The object that ``greystep plan --json`` prints."""
        minutes = sum(step.seconds for step in self.plan.draft.steps) / 60.0
        return {"schema": 1, "greystep": __version__, "minutes": minutes, "shots": records(self.shots)}

    @property
    def messages(self) -> list[str]:
        """What the plan decides, where it goes on from a test."""
        return [] if self.plan.asked is None else [asked_text(self.plan)]

    def text(self, wrote: Sequence[str] = ()) -> str:
        """Return what the screen shows; `wrote` are the files to name at the end."""
        return plan_text(self.plan.draft, self.plan.rig, wrote)

    def _repr_html_(self) -> str:
        return _html(self.plan.draft.title, self.text().splitlines(), self.shots)

    def write(self, folder: Path) -> list[Path]:
        """Write session.toml, shots.csv and the shot sheet into a folder that is new or empty.

        Raises:
            GreystepError: If the folder holds anything.
        """
        refuse_to_overwrite(folder)
        return write_draft(folder, self.plan.draft, shot_sheet(self.plan.draft, self.plan.rig, folder))


@dataclass(frozen=True, eq=False)
class CameraResult:
    """A camera's own colour matrix, and what the chart leaves unexplained."""

    calibration: Calibration

    @property
    def messages(self) -> tuple[str, ...]:
        """What limits the fit."""
        return self.calibration.notes

    @property
    def document(self) -> Document:
        """The object of camera.json."""
        return camera_document(self.calibration)

    def text(self, wrote: Sequence[str] = ()) -> str:
        """Return what the screen shows; `wrote` are the files to name at the end."""
        return "\n".join([*calibration.findings(self.calibration), *map(calibration.use_it, wrote)])

    def _repr_html_(self) -> str:
        patches = pd.DataFrame({"patch": self.calibration.names, "delta_e_2000": self.calibration.delta_e})
        return _html(self.calibration.frame, calibration.findings(self.calibration), patches)

    def write(self, path: Path) -> list[Path]:
        """Write camera.json."""
        write_json(path, self.document)
        return [path]


def _html(title: str, said: Sequence[str], table: pd.DataFrame) -> str:
    """Return a heading, sentences and a table for a notebook; every label is shown as it was typed."""
    body = "".join(f"<p>{escape(line)}</p>" for line in said)
    return f"<h4>{escape(title)}</h4>{body}{table.to_html(index=False, na_rep='', float_format='{:.6g}'.format)}"
