"""A planned test."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from greystep.documents import Document, document_of, records
from greystep.pages.shot_sheet import asked_text, plan_text, shot_sheet
from greystep.planning.folder import shots_table, write_draft
from greystep.planning.plans import Plan
from greystep.results.notebook import html


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
        return document_of({"minutes": minutes, "shots": records(self.shots)})

    @property
    def messages(self) -> list[str]:
        """What the plan decides, where it goes on from a test."""
        return [] if self.plan.asked is None else [asked_text(self.plan)]

    def text(self, wrote: Sequence[str] = ()) -> str:
        """Return what the screen shows; `wrote` are the files to name at the end."""
        return plan_text(self.plan.draft, self.plan.rig, wrote)

    def _repr_html_(self) -> str:
        return html(self.plan.draft.title, self.text().splitlines(), self.shots)

    def write(self, folder: Path) -> list[Path]:
        """Write session.toml, shots.csv and the shot sheet into a folder that is new or empty.

        Raises:
            GreystepError: If the folder holds anything.
        """
        return write_draft(folder, self.plan.draft, shot_sheet(self.plan.draft, self.plan.rig, folder))
