"""A set-up that was shot light by light: lights of known sizes, written down here, and a frame of all."""

from dataclasses import replace
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.compare.drift import Drift, NothingRepeated, analyse
from greystep.errors import GreystepError
from greystep.measure import chromaticity
from greystep.mix import audit
from greystep.mix.lights import upvp_of
from greystep.mix.measured import lend_scatter, measured_setup
from greystep.session.settings import DEFAULT_TOLERANCE

MATRIX = np.array([[1.05, -0.35, -0.10], [-0.50, 1.30, 0.20], [-0.10, 0.25, 0.80]])
#: Luminance on the subject of each light, in any unit, its role, and its frames' f-number.
LIGHTS = {("A", 0.0): (6.0, "key", 8.0), ("B", 1.0): (3.0, "", 11.3137), ("A", 2.0): (1.0, "key", 8.0)}


def white(mired: float) -> np.ndarray:
    return np.asarray(chromaticity.xy_to_xyz(chromaticity.upvp_to_xy(upvp_of(mired, 0.0005))))


def shot(synthetic: ModuleType, *further: dict[str, Any]) -> tuple[Any, Drift]:
    """Three frames of each light alone, each of its own colour, and `further` frames: those of all lights together."""
    head, stops = (list(column) for column in zip(*[light for light in LIGHTS for _ in range(3)], strict=True))
    mired = np.repeat([178.6, 182.0, 190.0], 3)
    table: pd.DataFrame = synthetic.table(head, np.array(stops), mired)
    table[["u_prime", "v_prime"]] = upvp_of(table["mired"], table["duv"])
    signals, numbers, roles = [], [], []
    for light, warm in zip(zip(head, stops, strict=True), mired.tolist(), strict=True):
        size, role, f_number = LIGHTS[light]
        signals.append(1000.0 * size * MATRIX @ white(warm) * (8.0 / f_number) ** 2)
        numbers.append(f_number)
        roles.append(role)
    table[["signal_r", "signal_g", "signal_b"]] = signals
    table = table.assign(f_number=numbers, iso=100.0, exposure_s=0.005, ambient_pct=0.1, role=roles, lights="")
    whole = np.array(signals)[[0, 6]].sum(axis=0) + np.array(signals)[3] * 2.0
    rows = [table]
    for one in further:
        usual = {"head": "", "kind": "card", "role": "", "frame": "all"}
        row = table.iloc[[0]].assign(**usual | {key: value for key, value in one.items() if key != "of"})
        row[["signal_r", "signal_g", "signal_b"]] = one.get("of", whole)
        rows.append(row)
    readings = pd.concat(rows, ignore_index=True)
    settings = synthetic.make_session()
    body = SimpleNamespace(sees=MATRIX, matrix=MATRIX)
    found = SimpleNamespace(readings=readings, settings=settings, bodies={"Invented 1": body}, notes=())
    return found, analyse(readings, settings)


def test_lights_have_the_shares_and_names_they_were_shot_with(synthetic: ModuleType) -> None:
    found, drift = shot(synthetic, {})
    made = measured_setup(found, drift)
    assert made.setup.amounts == "measured"
    assert [row.role for row in made.setup.rows] == ["key", "key, A at 1/4", "B"]
    assert [(row.head, row.power, row.stops) for row in made.setup.rows] == [
        ("A", "1/1", 0),
        ("A", "1/4", 2),
        ("B", "1/2", 1),
    ]
    assert [row.share for row in made.setup.rows] == pytest.approx([0.6, 0.1, 0.3], rel=1e-3)
    assert [row.row for row in made.setup.rows] == [1, 2, 3]
    assert [row.cells for row in made.setup.rows] == [((0, 1.0),), ((1, 1.0),), ((2, 1.0),)]
    (one,) = made.wholes
    assert (one.frame, one.lights, one.not_additive) == ("all", "A@1/1 & A@1/4 & B@1/2", False)
    assert one.stops_off == pytest.approx(0.0, abs=1e-3)
    assert one.steps_off == pytest.approx(0.0, abs=0.02)


def test_what_another_camera_saw_is_no_light_of_the_set_up(synthetic: ModuleType) -> None:
    found, _ = shot(synthetic, {}, *[{"kind": "flash", "head": head, "body": "Second 2"} for head in "AAB"])
    drift = analyse(found.readings, found.settings)
    assert set(drift.cells.table["body"]) == {"Invented 1", "Second 2"}
    assert [row.role for row in measured_setup(found, drift).setup.rows] == ["key", "key, A at 1/4", "B"]


def test_a_frame_of_some_lights_is_held_against_their_sum(synthetic: ModuleType) -> None:
    first = 1000.0 * 6.0 * MATRIX @ white(178.6)
    found, drift = shot(
        synthetic,
        {"lights": "A@1/1", "of": first},
        {"lights": "A@1/1", "of": 2.0 * first, "kind": "job"},
        {"lights": "A@1/1 & B@1/2", "of": first},
    )
    wholes = measured_setup(found, drift).wholes
    assert [one.lights for one in wholes] == ["A@1/1", "A@1/1", "A@1/1 & B@1/2"]
    assert [one.stops_off for one in wholes] == pytest.approx([0.0, 1.0, np.log2(6.0 / 9.0)], abs=0.02)
    assert [one.not_additive for one in wholes] == [False, True, True]
    found, drift = shot(synthetic, {"lights": "A@1/1 & C@1/2"})
    with pytest.raises(GreystepError, match=r"C@1/2 was not shot alone; there are A@1/1, A@1/4, B@1/2"):
        measured_setup(found, drift)


@pytest.mark.parametrize(
    ("spoilt", "says"),
    [
        ({"status": "rejected"}, "no frame of all lights together"),
        ({"f_number": np.nan}, "no frame of all lights together"),
        ({"body": "Another"}, "no frame of all lights together"),
        ({"head": "A"}, "no frame of all lights together"),
        ({"kind": "ambient"}, "no frame of all lights together"),
    ],
)
def test_a_frame_that_cannot_be_used_is_none_of_all_lights(
    spoilt: dict[str, Any], says: str, synthetic: ModuleType
) -> None:
    found, drift = shot(synthetic, {})
    for name, value in spoilt.items():
        found.readings.loc[found.readings.index[-1], name] = value
    with pytest.raises(GreystepError, match=says):
        measured_setup(found, drift)


def test_a_light_whose_frames_cannot_be_used_is_no_light(synthetic: ModuleType) -> None:
    found, drift = shot(synthetic, {})
    found.readings.loc[[3, 4], "status"] = "rejected"
    found.readings.loc[5, "flags"] = "outlier"
    assert [row.head for row in measured_setup(found, drift).setup.rows] == ["A", "A"]
    found.readings.loc[found.readings["stops"] == 2.0, "signal_r"] = np.nan
    with pytest.raises(GreystepError, match="1 light was shot alone"):
        measured_setup(found, drift)
    with pytest.raises(GreystepError, match="no camera with a colour matrix"):
        measured_setup(SimpleNamespace(**{**vars(found), "bodies": {}}), drift)  # type: ignore[arg-type]


def test_scatter_is_lent_by_head_and_divided_by_the_frames(synthetic: ModuleType) -> None:
    rng = np.random.default_rng(2)
    tested = analyse(
        synthetic.simulate(rng, np.zeros((2, 3)), repeats=4, scatter=0.4, checks=0), synthetic.make_session()
    )
    once = synthetic.table(["A", "A", "C"], np.array([0.0, 1.0, 0.0]), np.array([180.0, 181.0, 182.0]))
    drift = analyse(once, synthetic.make_session())
    lent, own = lend_scatter(drift, tested), tested.fitted["mired"]
    mired = lent.fitted["mired"].cells
    per_head = own.sums / own.dof
    assert np.diagonal(mired.parts[0]) == pytest.approx([per_head[0], per_head[0], 0.0])
    assert np.diagonal(mired.parts[1]) == pytest.approx([0.0, 0.0, own.sums.sum() / own.dof.sum()])
    assert mired.dof == pytest.approx([own.dof[0], own.dof.sum()])
    assert not any(isinstance(note, NothingRepeated) for note in lent.notes)
    assert lend_scatter(tested, drift) is tested
    assert lend_scatter(drift, drift) is drift


def test_an_audit_of_a_shot_set_up(synthetic: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its lights as they were measured; one head on two lights is told, and nothing between its heads is unwatched."""
    found, _ = shot(synthetic, {})
    made = audit.audit_path(tmp_path, found, ())
    assert made.name == found.settings.title
    assert [light.role for light in made.now.lights] == ["key", "key, A at 1/4", "B"]
    assert [one.frame for one in made.wholes] == ["all"]
    assert audit.HeadTwice(("A",)) in made.doubts
    assert audit.Doubt.UNWATCHED not in made.doubts
    assert audit.Doubt.LISTED_GELS not in made.doubts
    assert made.doubts[-1] is audit.Doubt.SPECTRA
    assert not made.holds
    assert not replace(
        made, now=replace(made.now, verdict="within"), wholes=(replace(made.wholes[0], not_additive=True),)
    ).holds
    assert replace(made, now=replace(made.now, verdict="within")).holds


def test_an_audit_chooses_the_least_work_that_is_sure(synthetic: ModuleType, tmp_path: Path) -> None:
    readings = synthetic.simulate(np.random.default_rng(4), np.array([[0.0, 0.0, 0.0], [0.0, 5.0, 9.0]]), scatter=0.1)
    readings[["u_prime", "v_prime"]] = upvp_of(readings["mired"], readings["duv"])
    readings = readings.assign(iso=100.0, f_number=8.0, exposure_s=0.005, ambient_pct=0.1)
    found: Any = SimpleNamespace(
        readings=readings, settings=synthetic.make_session(tolerance=DEFAULT_TOLERANCE), notes=(),
        bodies={"Invented 1": SimpleNamespace(sees=MATRIX, matrix=MATRIX)},
    )  # fmt: skip
    (tmp_path / "set.csv").write_text("role,head,power\nkey,A,1/1\nfill,B,1/4\n")
    made = audit.audit_path(tmp_path / "set.csv", found, ())
    assert (made.name, made.now.verdict, made.holds) == ("set", "outside", False)
    assert made.cheapest is not None
    assert (made.cheapest.kind, made.cheapest.verdict) == ("power", "within")
    assert made.maybe is None
    assert made.after is not None
    assert made.after.verdict == "within"
    (tmp_path / "set.csv").write_text("role,head,power\nkey,A,1/1\nfill,B,1/1\n")
    alike = audit.audit_path(tmp_path / "set.csv", found, ())
    assert (alike.holds, alike.cheapest, alike.maybe, alike.after) == (True, None, None, None)
    (tmp_path / "set.csv").write_text("role,head,power\nkey,A,1/1\nfill,B,-0.5\n")
    between = audit.audit_path(tmp_path / "set.csv", found, ())
    assert audit.BetweenPowers((("B", "-0.5"),)) in between.doubts


def test_own_gels_are_those_given_then_beside_the_set_up_then_in_the_session(tmp_path: Path) -> None:
    for name in ("given", "setup", "session"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "gels.csv").write_text(f"name,mired_shift,duv_shift,stops\n{name},10,0,0.3\n")
    setup, session, given = tmp_path / "setup" / "SETUP.csv", tmp_path / "session", tmp_path / "given" / "gels.csv"
    assert [gel.name for gel in audit.gels_at_hand(setup, session, given)] == ["given"]
    assert [gel.name for gel in audit.gels_at_hand(setup, session)] == ["setup"]
    (tmp_path / "setup" / "gels.csv").unlink()
    assert [gel.name for gel in audit.gels_at_hand(setup, session)] == ["session"]
    (session / "gels.csv").unlink()
    assert len(audit.gels_at_hand(setup, session)) > 10
