"""Report pages of simulated sessions with known offenders, as the commands make them but without raw files."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, get_type_hints

import numpy as np
import pandas as pd

from greystep.columns import FrameRow
from greystep.columns import names as columns_of
from greystep.compare.drift import Drift, analyse
from greystep.compare.verdict import ReportFacts, report_facts
from greystep.pages import tables as series
from greystep.pages.report import report_page
from greystep.sentences.summary import Summary, summary
from greystep.session.bodies import Body
from greystep.session.pictures import Picture, as_jpegs
from greystep.session.settings import HeadInfo, Settings
from helpers import synthetic

CAMERA = "Invented Bench 14 000417"


@dataclass(frozen=True)
class Told:
    """A simulated session with all that its page is made of."""

    readings: pd.DataFrame
    drift: Drift
    facts: ReportFacts
    summary: Summary
    tables: dict[str, pd.DataFrame]
    pictures: dict[str, Picture]

    def page(self, **more: Any) -> str:
        given = (self.summary, self.readings, self.drift.powers, self.tables, self.pictures)
        return report_page(*given, run="0123456789abcdef", **more)


def tell(readings: pd.DataFrame, settings: Settings, pictures: bool = False) -> Told:
    """Judge a session of simulated readings; every number that the simulation has not is unknown."""
    hints = get_type_hints(FrameRow)
    missing = [name for name in columns_of(FrameRow) if name not in readings]
    whole = readings.assign(**{name: "" if hints[name] is str else np.nan for name in missing})
    whole = whole.assign(body=CAMERA, lens="Invented 100 mm", room=-1, room_proven=True, shows_card=False)
    whole = whole.assign(patch_x0=0.4, patch_y0=0.4, patch_x1=0.6, patch_y1=0.6, colour_from="dng")
    drift = analyse(whole, settings)
    facts = report_facts(whole, drift, settings.tolerance)
    body = Body(CAMERA, None, np.ones(3), None, "dng", None, None, False)
    said = summary(facts, drift, settings, whole, [body])
    drawn = series.figure_tables(drift.powers, whole, said.reference, facts.judged.calipers)
    ramp = np.broadcast_to(np.linspace(40, 200, 240)[None, :, None], (160, 240, 3))
    noisy = np.random.default_rng(2).normal(0, 9, ramp.shape) + ramp
    picture = as_jpegs(noisy.clip(0, 255).astype(np.uint8))
    return Told(whole, drift, facts, said, drawn, dict.fromkeys(whole["frame"], picture) if pictures else {})


def kit_of(count: int, powers: int = 7, repeats: int = 5, seed: int = 3, pictures: bool = False) -> Told:
    """Make a kit of which the second head drifts by 9 mired, the third is greener, and one reads on the limit."""
    rng = np.random.default_rng(seed)
    offsets = np.zeros((count, powers))
    offsets[1] = np.linspace(0, 9, powers)
    if count > 4:
        offsets[4] += 4.0
    readings = synthetic.simulate(rng, offsets, repeats=repeats)
    if count > 2:
        readings.loc[readings["head"] == "C", "duv"] += 0.004
    readings.loc[5, ["status", "flags"]] = ["rejected", "partial_flash"]
    readings.loc[9, ["status", "flags"]] = ["doubtful", "ambient_high"]
    heads = {
        name: HeadInfo(pack=f"P{n // 2 + 1}", serial=f"{1071 + n}") for n, name in enumerate("ABCDEFGHIJKL"[:count])
    }
    settings = replace(synthetic.make_session(heads=heads), tested_by="A. Nonymous", place="Stage 3, prep room")
    return tell(readings, settings, pictures)


Maker = Callable[..., Told]
