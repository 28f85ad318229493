"""A session judged by limits."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import pandas as pd

from greystep.columns import PairRow, rows_of
from greystep.compare.budget import Component, absolute_at, find_budget, with_absolute
from greystep.compare.drift import Drift
from greystep.compare.verdict import ReportFacts
from greystep.documents import Document, json_bytes, table_bytes, text_bytes
from greystep.generation import run_of, sha256, write_set
from greystep.pages.figures import drawings
from greystep.pages.report import report_page, unfinished_page
from greystep.pages.screen import report_text
from greystep.pages.svg import standalone
from greystep.pages.tables import figure_tables
from greystep.results.notebook import html
from greystep.sentences.frames import cures
from greystep.sentences.summary import Summary, summary, summary_json
from greystep.session.ingest import Ingested, overviews
from greystep.session.settings import Tolerance
from greystep.terms import Verdict


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
        return html(f"{self.summary.session}: {title}", why, self.heads[shown])

    def write(self, folder: Path) -> list[Path]:
        """Write tables, figures with their numbers, summary.json and the page; return summary.json and the page."""
        found, said = self.ingested, self.summary
        figures = drawings(self._drawn, said.reference)
        pictures, cured = overviews(found, self.store), cures(found.messages)
        digests = [(name, sha256(data)) for name, data in self._tables.items()]
        known = {name: found.starts.get(name) for name in found.readings["frame"].tolist()}
        digests += [(name, f"{start.sha256} {start.size} bytes") for name, start in known.items() if start]
        page = report_page(said, found.readings, self.powers, self._drawn, pictures, self.run, cured, digests, figures)
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
