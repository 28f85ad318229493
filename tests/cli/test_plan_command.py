"""``greystep plan`` and ``greystep history`` from end to end: planned, shot by the invented camera, read back."""

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import typer
from typer.testing import CliRunner, Result

from greystep.cli.history import history
from greystep.cli.plan import plan
from greystep.compare.drift import HeatNotSeparable, analyse
from greystep.demo.dngfile import dng_bytes
from greystep.demo.kit import CameraSettings, HeadCharacter, Kit, Shot, light
from greystep.demo.scenario import frames
from greystep.demo.sensor import Sensor
from greystep.errors import GreystepError
from greystep.pages.shot_sheet import shot_sheet
from greystep.planning.cells import Cell, all_cells, swap_cells
from greystep.planning.folder import Draft
from greystep.planning.order import FRAMES, Step, arrange
from greystep.planning.rig import Rig
from greystep.sentences.frames import lines
from greystep.session.ingest import ingest
from greystep.session.power import parse_power
from greystep.session.settings import load_settings
from greystep.session.shots import read_shots

app = typer.Typer(pretty_exceptions_enable=False)
app.command()(plan)
app.command()(history)

HEADS = {
    "A": HeadCharacter("A", mired=178.6, scatter_mired=0.2),
    "B": HeadCharacter("B", mired=177.6, mired_per_stop=1.2, warmup_mired=1.5, scatter_mired=0.2, output_stops=-0.1),
    "C": HeadCharacter("C", mired=179.4, scatter_mired=0.2, output_stops=0.05),
}
SENSOR = Sensor(width=240, height=160)


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments], catch_exceptions=False)


def shoot(
    folder: Path, steps: tuple[Step, ...], seed: int = 1, heads: Mapping[str, HeadCharacter] = HEADS, start: int = 0
) -> None:
    """Shoot a plan: raw files whose names run against the clock, so that only the clock can put them in order."""
    rng = np.random.default_rng([seed, 5])
    shots, time_s, warm = [], 4000.0 * start, dict.fromkeys(heads, 0.0)
    for step in steps:
        time_s += step.seconds
        warm[step.head] = warm.get(step.head, 0.0) + 1.0
        if step.what in FRAMES:
            settings = CameraSettings(iso=step.iso)
            if step.what in ("ambient", "dark"):
                shots.append(Shot("", "", np.nan, step.what, time_s, settings=settings))
            else:
                heat = 1.0 - 0.8 ** warm[step.head]
                stops = parse_power(step.power).stops
                shot = Shot(step.head, step.power, stops, "flash", time_s, heat=heat, settings=settings)
                shots.append(light(heads[step.head], shot, rng))
    kit = Kit(tuple(heads.values()), camera="exact", sensor=SENSOR, compressed=False, ambient_share=0.00005)
    (folder / "frames").mkdir(exist_ok=True)
    for place, (mosaic, picture) in enumerate(frames(kit, shots, seed)):
        name = f"x{9999 - place - 1000 * start}.dng"
        (folder / "frames" / name).write_bytes(dng_bytes(mosaic, picture, compressed=False))


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plan") / "prep day"
    result = run(
        "plan", folder, "--heads", "A,B,C", "--powers", "full,1/4,1/64", "--packs", "P1,P1,P2", "--serials", "1,2,3",
        "--t01", "1/400", "--repeats", "2",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    cells = all_cells(["A", "B", "C"], ["full", "1/4", "1/64"], 2)
    shoot(folder, arrange(cells, check=Cell("A", "full", 0.0)))
    return folder


def test_a_planned_session_shot_in_its_order_reads_back_matched(planned: Path) -> None:
    session = load_settings(planned)
    log = read_shots(session)
    assert (log["frame"] == "").all()
    found = ingest(session)
    readings = found.readings
    assert found.messages == ()
    assert (readings["status"] == "ok").all()
    assert readings["shot"].tolist() == list(range(len(log)))
    for name in ("head", "power", "kind", "note", "pack"):
        assert readings[name].tolist() == log[name].tolist()
    # The light itself says that every frame is on its row: stops and the heads' own levels.
    lit = readings["kind"] == "flash"
    level = readings.loc[lit, "head"].map({"A": 0.0, "B": -0.1, "C": 0.05}).to_numpy()
    away = readings.loc[lit, "output_stops"].to_numpy() + readings.loc[lit, "stops"].to_numpy() - level
    assert np.ptp(away) < 0.15
    drift = analyse(readings, session)
    assert drift.reference["head"] == "A"
    assert not any(isinstance(note, HeatNotSeparable) for note in drift.notes)
    # Check frames enter no mean.
    assert drift.cells.table.groupby("head")["n"].sum().to_dict() == {"A": 8, "B": 6, "C": 6}


def half_shot(planned: Path, folder: Path, names: list[str]) -> Path:
    """Take of a planned and shot session the log and some of its frames."""
    (folder / "frames").mkdir(parents=True)
    for name in ("session.toml", "shots.csv"):
        (folder / name).write_bytes((planned / name).read_bytes())
    for name in names:
        (folder / "frames" / name).write_bytes((planned / "frames" / name).read_bytes())
    return folder


def with_tolerance(planned: Path, folder: Path, mired: float) -> Path:
    """Take a planned and shot session whole, with a limit of its own [mired]."""
    half_shot(planned, folder, in_order(planned))
    with (folder / "session.toml").open("a") as file:
        file.write(f"\n[tolerance]\nmired = {mired}\n")
    return folder


def in_order(planned: Path) -> list[str]:
    return sorted((path.name for path in (planned / "frames").iterdir()), reverse=True)


@pytest.mark.parametrize("shot", [5, 12, 20])
def test_a_plan_shot_in_part_is_read_as_far_as_it_goes(planned: Path, tmp_path: Path, shot: int) -> None:
    whole = ingest(load_settings(planned), store=tmp_path / "whole").readings
    found = ingest(load_settings(half_shot(planned, tmp_path / "part", in_order(planned)[:shot])))
    log = found.readings
    assert log["frame"].tolist()[:shot] == whole["frame"].tolist()[:shot]
    assert (log["flags"][shot:] == "missing").all()
    assert not log["flags"][:shot].str.contains("missing").any()
    told = " ".join(lines(found.messages))
    assert f"the {shot} frames fits the first rows; the other {len(whole) - shot} are not shot yet" in told


def test_a_plan_shot_in_part_that_slipped_is_an_error(planned: Path, tmp_path: Path) -> None:
    names = in_order(planned)[:20]
    del names[7]
    with pytest.raises(GreystepError, match="rows"):
        ingest(load_settings(half_shot(planned, tmp_path / "part", names)))


def test_a_lost_frame_is_told(planned: Path, tmp_path: Path) -> None:
    session = tmp_path / "lost"
    (session / "frames").mkdir(parents=True)
    for name in ("session.toml", "shots.csv"):
        (session / name).write_bytes((planned / name).read_bytes())
    names = sorted((path for path in (planned / "frames").iterdir()), reverse=True)
    for place, path in enumerate(names):
        if place != 12:
            (session / "frames" / path.name).symlink_to(path)
    found = ingest(load_settings(session))
    assert list(found.readings["flags"]).count("missing") == 1
    assert any(f"{len(names)} rows, {len(names) - 1} frames" in line for line in lines(found.messages)), found.messages


def test_more_asks_for_nothing_of_a_head_that_goes_back(planned: Path, tmp_path: Path) -> None:
    """B drifts by 7 mired and goes back; A and C hold and match within 4.5 mired."""
    planned = with_tolerance(planned, tmp_path / "wide", 4.5)
    with pytest.raises(GreystepError, match="nothing is open; no more to shoot"):
        run("plan", tmp_path / "more", "--more", planned)


def test_more_asks_for_what_is_open_and_goes_on_behind_it(planned: Path, tmp_path: Path) -> None:
    folder, planned = tmp_path / "more", with_tolerance(planned, tmp_path / "near", 6.5)
    result = run("plan", folder, "--more", planned, "--json")
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    asked = [(row["head"], row["power"]) for row in document["shots"] if row["kind"] == "flash"]
    checks = [row for row in document["shots"] if row["note"].startswith("check frame")]
    assert asked
    assert len(set(asked)) < 9  # not all over again
    assert {(row["head"], row["power"]) for row in checks} <= {("A", "full")}
    log = read_shots(load_settings(folder))
    before = read_shots(load_settings(planned))
    assert log["power"].tolist()[: len(before)] == before["power"].tolist()
    assert log["note"].tolist()[: len(before)] == before["note"].tolist()
    assert len(log) == len(before) + len(document["shots"])
    assert load_settings(folder).heads == load_settings(planned).heads
    assert "as in the earlier frames" in (folder / "shotsheet.html").read_text(encoding="utf-8")


def test_more_of_a_test_that_was_looked_at_allows_the_looks_that_it_adds(planned: Path, tmp_path: Path) -> None:
    """No light is shot in more rounds than there are looks, and a verdict is as sure as so many looks ask for."""
    planned = with_tolerance(planned, tmp_path / "near", 6.5)
    with (planned / "session.toml").open("a") as file:
        file.write("\n[test]\nlooks = 2\n")
    assert run("plan", tmp_path / "more", "--more", planned).exit_code == 0
    settings = load_settings(tmp_path / "more")
    log = read_shots(settings)
    shot = log[(log["kind"] == "flash") & ~log["note"].str.startswith("check frame")]
    assert settings.looks == shot.groupby(["head", "stops"]).size().max() > 2


def test_more_is_for_the_heads_that_are_named_and_keeps_the_recycle_time(planned: Path, tmp_path: Path) -> None:
    """What is asked first of all three is of B alone."""
    planned = with_tolerance(planned, tmp_path / "near", 6.5)
    made = run("plan", tmp_path / "one", "--more", planned, "--heads", "B,C", "--recycle", 20, "--json")
    flashes = [row for row in json.loads(made.stdout)["shots"] if row["kind"] == "flash"]
    assert {row["head"] for row in flashes if not row["note"].startswith("check frame")} == {"B"}
    assert load_settings(tmp_path / "one").recycle_s == 20.0
    with pytest.raises(GreystepError, match="nothing is open; no more to shoot"):  # A and C hold and match
        run("plan", tmp_path / "none", "--more", planned, "--heads", "A,C")
    with pytest.raises(GreystepError, match=r"no head X in .*near, which has A, B, C"):
        run("plan", tmp_path / "x", "--more", planned, "--heads", "A,X")
    assert run("plan", tmp_path / "x", "--more", planned, "--stack", "A").exit_code == 2


def test_history_of_two_planned_days(planned: Path, tmp_path: Path) -> None:
    later = tmp_path / "June"
    assert run("plan", later, "--heads", "A,B,C", "--powers", "full,1/4", "--serials", "1,2,3").exit_code == 0
    moved = dict(HEADS) | {
        "B": HeadCharacter("B", mired=185.6, mired_per_stop=1.2, warmup_mired=1.5, scatter_mired=0.2)
    }
    steps = arrange(all_cells(["A", "B", "C"], ["full", "1/4"], 2), check=Cell("A", "full", 0.0))
    shoot(later, steps, seed=1, heads=moved, start=1)
    result = run("history", planned, later, "--json", "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    rows = json.loads(result.stdout)["history"]
    new = {(row["head"], row["power"]): row for row in rows if row["session"] == "June"}
    assert {row["verdict"] for (head, _), row in new.items() if head == "B"} == {"moved"}
    assert all(abs(new["B", power]["change_mired"] - 8.0) < 2.0 for power in ("full", "1/4"))
    assert {row["verdict"] for (head, _), row in new.items() if head == "C"} <= {"not moved", "cannot tell"}
    assert (tmp_path / "out" / "history.csv").is_file()
    text = run("history", planned, later, "--out", tmp_path / "out").stdout
    assert "head B (2) has moved since prep day" in " ".join(text.split())
    assert run("history", planned, later, "--out", tmp_path / "out", "--strict").exit_code == 3


def test_what_plan_refuses(planned: Path, tmp_path: Path) -> None:
    with pytest.raises(GreystepError, match="is there already and not empty"):
        run("plan", planned, "--heads", "A")
    assert run("plan", tmp_path / "x").exit_code == 2
    assert run("plan", tmp_path / "x", "--swap", "A,B", "--more", planned).exit_code == 2
    assert run("plan", tmp_path / "x", "--heads", "A,B", "--serials", "1").exit_code == 2
    assert run("plan", tmp_path / "x", "--heads", "A,B", "--order", "random").exit_code == 2
    with pytest.raises(GreystepError, match="powers span 10 stops"):
        run("plan", tmp_path / "x", "--heads", "A", "--powers", "full,1/1024")
    assert not (tmp_path / "x").exists()
    assert run("history", planned).exit_code == 2
    assert run("history", planned, planned).exit_code == 2


@pytest.mark.parametrize(
    ("option", "value"),
    [
        *[("--u", value) for value in ("0", "-1", "nan", "inf")],
        *[("--target-width", value) for value in ("0", "nan", "inf")],
        *[("--max-energy", value) for value in ("0", "-5", "nan", "inf")],
        *[("--scatter", value) for value in ("-1", "nan", "inf")],
        ("--seed", "-1"),
        ("--seed", str(2**63)),
    ],
)
def test_what_is_no_amount_is_wrong_usage(tmp_path: Path, option: str, value: str) -> None:
    result = run("plan", tmp_path / "x", "--heads", "A,B", option, value)
    assert result.exit_code == 2
    assert option in result.output
    assert not (tmp_path / "x").exists()


def test_the_largest_seed_is_what_63_bits_hold(tmp_path: Path) -> None:
    assert run("plan", tmp_path / "x", "--heads", "A,B", "--seed", str(2**63 - 1)).exit_code == 0


@pytest.mark.parametrize("order", ["shuffled", "mixed"])
def test_a_swap_is_shot_head_by_head_alone(tmp_path: Path, order: str) -> None:
    result = run("plan", tmp_path / "x", "--swap", "C,D", "--packs", "P1,P2", "--order", order)
    assert (result.exit_code, "--order" in result.output, "by-head" in result.output) == (2, True, True)
    assert not (tmp_path / "x").exists()


def test_what_a_swap_leaves_open_is_shot_head_by_head_alone(tmp_path: Path) -> None:
    first = tmp_path / "swap"
    assert run("plan", first, "--swap", "B,C", "--packs", "P1,P2", "--powers", "full,1/16").exit_code == 0
    open_yet = {name: replace(HEADS[name], mired_per_stop=0.5, scatter_mired=0.7) for name in "BC"}
    shoot(first, arrange(swap_cells(["B", "C"], ["P1", "P2"], ["full", "1/16"], 2)), heads=open_yet)
    with pytest.raises(GreystepError, match=r"order shuffled: .* stands in more than one way"):
        run("plan", tmp_path / "x", "--more", first, "--order", "shuffled")
    assert not (tmp_path / "x").exists()
    assert run("plan", tmp_path / "x", "--more", first).exit_code == 0


def test_a_swapped_head_is_no_reference(tmp_path: Path) -> None:
    result = run("plan", tmp_path / "x", "--swap", "C,D", "--packs", "P1,P2", "--reference", "C")
    assert (result.exit_code, "--reference" in result.output) == (2, True)
    assert run("plan", tmp_path / "x", "--swap", "C,D", "--packs", "P1,P2", "--reference", "R").exit_code == 0


def test_two_heads_have_two_serials(tmp_path: Path) -> None:
    result = run("plan", tmp_path / "x", "--heads", "A,B,C", "--serials", "7,8,7")
    assert result.exit_code == 2
    assert "7 is there twice" in result.output
    assert run("plan", tmp_path / "x", "--heads", "A,B,C", "--serials", "7,,").exit_code == 0


def test_joules_ask_for_the_energy_at_full(tmp_path: Path) -> None:
    joules = ("--powers", "2400 J,150 J", "--t01", "2400 J=1/150")
    for heads in (("--heads", "A,B"), ("--swap", "C,D", "--packs", "P1,P2")):
        with pytest.raises(GreystepError, match="give --max-energy"):
            run("plan", tmp_path / heads[0], *heads, *joules)
        assert run("plan", tmp_path / heads[0], *heads, *joules, "--max-energy", "2400").exit_code == 0
        assert load_settings(tmp_path / heads[0]).heads[heads[1][0]].t01_s == {0.0: pytest.approx(1 / 150)}


@pytest.mark.parametrize(
    ("options", "said", "groups"),
    [
        ("--heads A,B,C", "head A on its own stand, 2 check frames before each other head and at the end", 3),
        (
            "--heads A,B --reference R",
            "head R on its own stand, 2 check frames before each other head and at the end",
            3,
        ),
        ("--heads A", "head A on its own stand, 2 check frames at the end", 1),
        ("--heads A,B --order shuffled", "head A, without check frames of its own", 0),
        ("--heads A,B --order mixed", "head A, without check frames of its own", 0),
        ("--heads A,B --order shuffled --reference R", "head R, 2 check frames before each round and at the end", 3),
        ("--heads A,B --order mixed --reference R", "head R, 2 check frames before each round and at the end", 3),
    ],
)
def test_the_sheet_says_the_check_frames_that_it_lists(tmp_path: Path, options: str, said: str, groups: int) -> None:
    result = run("plan", tmp_path / "x", *options.split())
    sheet = (tmp_path / "x" / "shotsheet.html").read_text(encoding="utf-8")
    assert f"Reference: {said} " in " ".join(result.stdout.split()) + " "
    assert f"<dd>{said}</dd>" in sheet
    assert sheet.count(">Check: head") == groups
    assert ("own stand: this one alone" in sheet) == (groups > 0 and "--order" not in options and "R" not in options)
    note = read_shots(load_settings(tmp_path / "x"))["note"].str.cat(sep=" ")
    assert note.count("check frame") == 2 * groups


def sheet_of(steps: tuple[Step, ...], order: str = "by-head", reference: str = "", more: bool = False) -> str:
    earlier = pd.DataFrame({"frame": [""] * 9}) if more else None
    draft = Draft("x", order, 1, steps, {"title": "x"}, reference, earlier)
    return shot_sheet(draft, Rig("1/125", True, 2, 3, 0.5, 0.3), Path("prep"))


def test_a_reference_that_changes_packs_is_unplugged_like_any_other_head() -> None:
    cells = [Cell("C", "full", 0.0, "P1"), Cell("C", "full", 0.0, "P2")]
    sheet = sheet_of(arrange(cells, check=cells[0]), reference="C", more=True)
    assert "own stand" not in sheet
    assert "a stand of its own" not in sheet
    assert sheet.count("Pack off and discharged") == 2


@pytest.mark.parametrize(
    ("isos", "said"),
    [
        ((0, 0), "as in the earlier frames"),
        ((100, 100), "100, as in the earlier frames"),
        ((0, 400), "as in the earlier frames"),
        ((100, 400), "100 and 400, as in the earlier frames"),
    ],
)
def test_further_frames_have_the_iso_of_the_earlier(isos: tuple[int, int], said: str) -> None:
    cells = [Cell("A", "full", 0.0, iso=isos[0]), Cell("A", "1/64", 6.0, iso=isos[1])]
    assert f"<dt>ISO</dt><dd>{said}</dd>" in sheet_of(arrange(cells), more=True)


def test_the_aperture_is_set_at_the_iso_of_the_highest_power() -> None:
    sheet = sheet_of(arrange(all_cells(["A"], ["full", "1/4", "1/64"], 2)))
    assert sheet.index("Camera to ISO 400") > 0  # the first step
    assert "at ISO 100 the brightest head at its highest power puts the target at 70 to 80 % of the raw range" in sheet


def test_options_reach_the_plan(tmp_path: Path) -> None:
    result = run(
        "plan", tmp_path / "x", "--heads", "A,B", "--powers", "full,1/2,1/4,1/8,1/16", "--u", "0.6", "--reference", "R",
        "--t01", "A:full=1/60", "--order", "shuffled", "--target-width", "1.5",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    text = " ".join(result.stdout.split())
    assert "6 rounds of each light" in text  # t(50) 2.009 x 0.5 x sqrt(2/6) = 0.580; 5 rounds: 0.639
    assert "1/30; longer if any t0.1" in text  # 1/60 for A; B is not known
    assert "light 7.5 m off or more" in text
    log = read_shots(load_settings(tmp_path / "x"))
    assert (log["head"] == "R").sum() == 2 * 7
    assert run("plan", tmp_path / "y", "--heads", "A,B", "--no-reference").exit_code == 0
    session = load_settings(tmp_path / "y")
    assert session.reference_head is None
    assert "check frame" not in read_shots(session)["note"].str.cat()
    swapped = run("plan", tmp_path / "z", "--swap", "C,D", "--packs", "P1,P2", "--json")
    assert len([row for row in json.loads(swapped.stdout)["shots"] if row["kind"] == "flash"]) == 16
