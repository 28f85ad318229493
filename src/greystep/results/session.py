"""A session whose frames have been read, and what it can be asked."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from greystep.documents import Document, document_of, records
from greystep.doors import check_limit
from greystep.flags import Status
from greystep.pages.frames_read import ingest_text
from greystep.sentences.frames import lines
from greystep.sentences.session_notes import of_matrix
from greystep.session.ingest import Ingested, as_written, ingest, write_readings
from greystep.session.readings import status_counts
from greystep.session.reference import other_session
from greystep.session.settings import load_settings
from greystep.session.workers import Progress
from greystep.terms import Order, Verdict

if TYPE_CHECKING:
    from greystep.columns import PairRow
    from greystep.compare.drift import Drift
    from greystep.results.correction import Correction
    from greystep.results.plan import PlanResult
    from greystep.results.report import Report
    from greystep.results.setups import AuditResult, ChoiceResult, WhatIfResult

# Each answer brings its own rooms in: who reads frames alone waits for none of them, nor for scipy, half of the start.


@dataclass(frozen=True, eq=False)
class Session:
    """A session whose frames have been read, see `greystep.api.open_session`.

    Attributes:
        ingested: The settings, the readings, and what there is to say of the frames.
        store: Where readings and cache go if the session's own folder cannot be written.
    """

    ingested: Ingested
    store: Path | None = None

    @property
    def path(self) -> Path:
        """The session's folder."""
        return self.ingested.settings.path

    @property
    def title(self) -> str:
        """The title of session.toml, else the name of the folder."""
        return self.ingested.settings.title

    @property
    def messages(self) -> list[str]:
        """What is to be said of single frames, a line each."""
        return lines(self.ingested.messages)

    @property
    def all_usable(self) -> bool:
        """No frame was rejected."""
        return not (self.ingested.readings["status"] == Status.REJECTED).any()

    @property
    def readings(self) -> pd.DataFrame:
        """One row a frame in log order: the table of readings.csv; `greystep.columns.FrameRow` has the units."""
        return as_written(self.ingested.readings)

    @property
    def document(self) -> Document:
        """The object that ``greystep ingest --json`` prints."""
        counts = asdict(status_counts(self.ingested.readings))
        return document_of({"frames": counts, "readings": records(self.readings)})

    def text(self, wrote: Sequence[str] = ()) -> str:
        """Return what the screen shows of the frames.

        Examples:
            >>> print(open_session("sample_data/hire_kit").text())
            66 frames: 66 good.
        """
        return ingest_text(status_counts(self.ingested.readings), wrote, of_matrix(self.ingested.notes))

    def write_readings(self) -> Path:
        """Write readings.csv into the session's folder, or into `store` where that cannot be written.

        Examples:
            >>> open_session("sample_data/hire_kit").write_readings().name
            'readings.csv'
        """
        return write_readings(self.ingested, store=self.store)

    @cached_property
    def drift(self) -> "Drift":
        """The facts of the joint fit, before any limit is asked; an error where the log has no flash frame."""
        from greystep.compare.drift import analyse

        return analyse(self.ingested.readings, self.ingested.settings)

    @cached_property
    def _report(self) -> "Report":
        return self.report()

    @property
    def powers(self) -> pd.DataFrame:
        """One row a head and power: the table of powers.csv; `greystep.columns.PowerRow` has the units."""
        from greystep.compare.budget import with_absolute

        return with_absolute(self.drift.powers, self.ingested)

    @property
    def heads(self) -> pd.DataFrame:
        """One row a head with its verdict: the table of heads.csv; `greystep.columns.HeadRow` has the units."""
        return self._report.heads

    @property
    def pairs(self) -> pd.DataFrame:
        """Every two lights of different heads: the table of pairs.csv; `greystep.columns.PairRow` has the units."""
        return self._report.pairs

    @property
    def worst_pair(self) -> "PairRow | None":
        """The two lights with the largest difference over its limit; None with one head."""
        return self._report.worst_pair

    @property
    def verdict(self) -> Verdict:
        """The verdict on the kit by the session's own limits."""
        return self._report.verdict

    def _repr_html_(self) -> str:
        return self._report._repr_html_()

    def report(
        self,
        *,
        claim: str | None = None,
        mired: float | None = None,
        duv: float | None = None,
        kelvin: float | None = None,
        steps: float | None = None,
        output_stops: float | None = None,
    ) -> "Report":
        """Judge the heads and every two lights.

        Args:
            claim: A maker's plus or minus such as ``150K`` or ``5 mired``, to be tested as well.
            mired, duv, kelvin, steps, output_stops: Limits in place of the session's; one limit of colour replaces all
                its limits of colour. A step is 0.0011 in u'v'.

        Raises:
            GreystepError: If there is nothing to compare, or the claim cannot be read.

        Examples:
            >>> report = open_session("sample_data/hire_kit").report(mired=5, duv=0.005)
            >>> report.verdict.value, report.summary.headline[0]
            ('outside', 'Send back heads B and C')
        """
        from greystep.compare.verdict import report_facts
        from greystep.results.report import Report

        tolerance = self.ingested.settings.tolerance
        given = {"mired": mired, "duv": duv, "kelvin": kelvin, "steps": steps, "output_stops": output_stops}
        for name, limit in given.items():
            check_limit(limit, name)
        if output_stops is not None:
            tolerance = replace(tolerance, output_stops=output_stops)
        if any(limit is not None for limit in (mired, duv, kelvin, steps)):
            tolerance = replace(tolerance, mired=mired, duv=duv, kelvin=kelvin, steps=steps, is_default=False)
        facts = report_facts(self.ingested.readings, self.drift, tolerance, claim)
        return Report(self.ingested, self.drift, tolerance, facts, self.store)

    def correct(
        self,
        to: str | None = None,
        *,
        profile: "Session | None" = None,
        smooth_over: int | None = None,
        match_brightness: bool = False,
        space: str = "lin_rec709",
        progress: Progress | None = None,
    ) -> "Correction":
        """Find the values that bring each flash and job frame to one reference.

        Args:
            to: ``HEAD@POWER``, ``kit``, ``median``, ``frame:NAME``, ``5500K``, ``5500K+0.003`` or ``session:PATH``; by
                default the reference of the profile, else the session's own.
            profile: A test of the heads, for frames that hold no grey target.
            smooth_over: The reference of each frame is the trend of its series through so many frames; then no `to`.
            match_brightness: Bring the brightness to the reference too.
            space: Linear working space of the matrices: ``lin_rec709``, ``lin_rec2020``, ``lin_ap0`` or ``lin_ap1``.
            progress: Called with (done, total) frames that are compared whole.

        Raises:
            GreystepError: If the reference is unknown, cannot be measured, or no frame shares its camera.

        Examples:
            >>> correction = open_session("sample_data/hire_kit").correct(to="A@full")
            >>> len(correction.table), correction.complete
            (60, True)
        """
        from greystep.correct.gains import correct_frames
        from greystep.correct.profile import make_profile
        from greystep.results.correction import Correction

        other = other_session(to)
        found = correct_frames(
            self.ingested,
            to=to if other is None else None,
            match_brightness=match_brightness,
            space=space,
            profile=None if profile is None else make_profile(profile.ingested, profile._with_colour()),
            elsewhere=None if other is None else ingest(load_settings(Path(other)), store=self.store),
            smooth_over=smooth_over,
            progress=progress,
        )
        return Correction(self.ingested, found)

    def audit(
        self,
        setup: Path | str | None = None,
        *,
        shutter: str | None = None,
        gels: Path | None = None,
        profile: "Session | None" = None,
    ) -> "AuditResult":
        r"""Judge a set-up of several lights by this test of its heads.

        Args:
            setup: SETUP.csv; without one the session's own frames are the set-up, each light alone and all together.
            shutter: The planned shutter time, such as ``1/125``; that of the test where it is not given.
            gels: The user's gels.csv; by default that beside SETUP.csv or in the session.
            profile: A test of the heads that lends its scatter where the session's own frames are the set-up.

        Raises:
            GreystepError: If the set-up cannot be read or is not in the test, or no colour matrix is known.

        Examples:
            >>> _ = Path("SETUP.csv").write_text("role,head,power\nkey,A,1/4\nfill,B,1/16\n")
            >>> open_session("sample_data/hire_kit").audit("SETUP.csv").verdict.value
            'outside'
        """
        from greystep.mix.audit import audit_path, gels_at_hand
        from greystep.planning.rig import seconds
        from greystep.results.setups import AuditResult

        path = self.path if setup is None else Path(setup)
        at_hand = gels_at_hand(path, self.path, gels)
        tested = None if profile is None else profile.ingested
        shutter_s = None if shutter is None else seconds(shutter)
        return AuditResult(audit_path(path, self.ingested, at_hand, shutter_s, tested))

    def what_if(self, setup: Path | str, powers: Mapping[str, str], *, gels: Path | None = None) -> "WhatIfResult":
        r"""Judge a set-up with other powers, by role, beside the set-up as it is; nothing is written.

        Raises:
            GreystepError: If the set-up cannot be read, or a role or power is not in it or in the test.

        Examples:
            >>> _ = Path("SETUP.csv").write_text("role,head,power\nkey,A,1/4\nfill,B,1/16\n")
            >>> open_session("sample_data/hire_kit").what_if("SETUP.csv", {"fill": "1/4"}).found.before.now.verdict
            <Verdict.OUTSIDE: 'outside'>
        """
        from greystep.mix.audit import gels_at_hand
        from greystep.mix.what_if import what_if
        from greystep.results.setups import WhatIfResult

        return WhatIfResult(what_if(Path(setup), self.ingested, gels_at_hand(Path(setup), self.path, gels), powers))

    def choose(
        self, need: int | None = None, *, powers: Sequence[str] = (), ganged: bool = False, output: str = "0"
    ) -> "ChoiceResult":
        """Find the heads and powers that go together best.

        Args:
            need: How many heads; with `ganged` at most so many.
            powers: Powers that may be used; all tested ones where none is given.
            ganged: Heads as one light: the shortest flash that gives `output`.
            output: Stops to the brightest head at full, or ``HEAD@POWER``.

        Raises:
            GreystepError: If so many heads cannot be had, or no colour matrix is known.

        Examples:
            >>> best = open_session("sample_data/hire_kit").choose(2).choice.best
            >>> [light.head for light in best.lights]
            ['A', 'C']
        """
        from greystep.mix.choose import choose_from
        from greystep.results.setups import ChoiceResult

        return ChoiceResult(choose_from(self.ingested, need, list(powers), ganged, output))

    def plan_more(
        self,
        folder: Path,
        *,
        order: Order = Order.BY_HEAD,
        seed: int = 1,
        most_rounds: int | None = None,
        target_width_m: float = 0.3,
        heads: Sequence[str] = (),
        recycle_s: float | None = None,
    ) -> "PlanResult":
        """Plan the frames that decide what this test leaves undecided; `folder` is where they are to be planned.

        Args:
            target_width_m: Width of the grey target [m].
            most_rounds: What needs more rounds than this is left open.
            heads: Those of which, and between which, more is asked; all but those that go back by default.
            recycle_s: From flash to flash at least [s]; by default what session.toml says.

        Raises:
            GreystepError: If nothing is open, or what is open needs more rounds.

        Examples:
            >>> open_session("sample_data/hire_kit").plan_more(Path("more"))  # its three odd heads go back
            Traceback (most recent call last):
            ...
            greystep.errors.GreystepError: sample_data/hire_kit: nothing is open; no more to shoot
        """
        from greystep.planning import plans
        from greystep.results.plan import PlanResult

        return PlanResult(
            plans.plan_more(self.ingested, folder, order, seed, most_rounds, target_width_m, heads, recycle_s)
        )

    def _with_colour(self) -> "Drift":
        from greystep.compare.drift import check_colour

        check_colour(self.drift, self.ingested.settings)
        return self.drift
