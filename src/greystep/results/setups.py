"""Lights that go together: a set-up judged, a set-up with other powers, the best choice of heads."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import pandas as pd

from greystep.documents import Document, document_of, json_bytes, text_bytes
from greystep.generation import write_run
from greystep.mix.audit import Audit
from greystep.mix.choice_document import choice_document
from greystep.mix.choose import Choice, GangChoice
from greystep.mix.what_if import WhatIf
from greystep.pages.audit import audit_document, audit_drawings, audit_page, casts_document
from greystep.pages.choose import choose_page
from greystep.pages.setup_text import audit_text, choose_text
from greystep.results.notebook import html
from greystep.sentences.setups import headline as audit_headline
from greystep.sentences.setups import what_if as what_if_line
from greystep.terms import Verdict


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
        return html(f"{self.audit.name}: {audit_headline(self.audit)}", [], lights)

    def write(self, folder: Path) -> list[Path]:
        """Write audit.json and audit.html."""
        page = audit_page(self.audit, audit_drawings(self.audit))
        files = {"audit.json": json_bytes(self.document), "audit.html": text_bytes(".html", page)}
        return write_run(folder, "audit", files)


@dataclass(frozen=True, eq=False)
class WhatIfResult:
    """A set-up before and after some of its lights have another power; it has no files."""

    found: WhatIf

    @property
    def document(self) -> Document:
        """The object of ``greystep audit --set --json``."""
        kept = ("verdict", "lights", "worst_pair")
        content: Document = {"set": [asdict(one) for one in self.found.lights]}
        for when, judged in (("before", self.found.before), ("after", self.found.after)):
            said = casts_document(judged.now)
            content[when] = {key: said[key] for key in kept}
        return document_of(content)

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
        return html(
            self.text().splitlines()[0],
            [],
            pd.DataFrame([(light.head, light.power) for light in self.choice.best.lights], columns=["head", "power"]),
        )

    def write(self, folder: Path) -> list[Path]:
        """Write choose.json and choose.html."""
        page = choose_page(self.choice)
        files = {"choose.json": json_bytes(self.document), "choose.html": text_bytes(".html", page)}
        return write_run(folder, "choose", files)
