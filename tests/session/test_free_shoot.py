"""Shooting without a plan: head and power are told once, and frames get them until the next change."""

from pathlib import Path

import pytest

from greystep.errors import GreystepError
from greystep.session.free_shoot import FreeShoot, Setting, parse_setting
from greystep.session.settings import load_settings
from greystep.session.shots import read_shots
from greystep.terms import Kind


@pytest.mark.parametrize(
    ("told", "setting"),
    [
        ("A 1/4", Setting(Kind.FLASH, "A", "1/4")),
        ("Head 2 full", Setting(Kind.FLASH, "Head 2", "full")),
        ("A -4 stops", Setting(Kind.FLASH, "A", "-4 stops")),
        ("card A 1/4", Setting(Kind.CARD, "A", "1/4")),
        ("card", Setting(Kind.CARD)),
        ("ambient", Setting(Kind.AMBIENT)),
        ("Plate key", Setting(Kind.JOB, note="plate key")),
        ("stack", Setting(Kind.JOB, note="stack")),
    ],
)
def test_what_is_told(told: str, setting: Setting, tmp_path: Path) -> None:
    assert parse_setting(told, load_settings(tmp_path)) == setting


@pytest.mark.parametrize("told", ["", "A", "1/4", "A twice", "A 5"])
def test_what_is_neither_head_nor_power_is_refused(told: str, tmp_path: Path) -> None:
    with pytest.raises(GreystepError):
        parse_setting(told, load_settings(tmp_path))


def test_frames_get_what_was_told_last(tmp_path: Path) -> None:
    settings = load_settings(tmp_path)
    free = FreeShoot(settings)
    free.note("there is no frame yet")
    assert not free.log.exists()
    assert free.take(["f1.dng"]) == []
    assert free.waiting == ["f1.dng"]
    free.tell("A 1/4")
    assert free.take(["f1.dng", "f2.dng"]) == ["f1.dng", "f2.dng"]
    assert free.waiting == []
    assert free.take(["f1.dng", "f2.dng"]) == []
    free.tell("card")
    free.take(["f1.dng", "f2.dng", "f3.dng"])
    free.note("dust on it")
    free.note("wiped")
    again = FreeShoot(settings)
    again.tell("B full")
    again.take(["f1.dng", "f2.dng", "f3.dng", "f4.dng"])
    log = read_shots(settings)
    assert log[["frame", "head", "power", "kind", "note"]].to_numpy().tolist() == [
        ["f1.dng", "A", "1/4", "flash", ""], ["f2.dng", "A", "1/4", "flash", ""],
        ["f3.dng", "", "", "card", "dust on it; wiped"], ["f4.dng", "B", "full", "flash", ""],
    ]  # fmt: skip


def test_what_a_person_writes_into_the_log_meanwhile_stays(tmp_path: Path) -> None:
    free = FreeShoot(load_settings(tmp_path))
    free.tell("A 1/4")
    free.take(["f1.dng", "f2.dng"])
    text = free.log.read_text(encoding="utf-8")
    free.log.write_text(text.replace("f1.dng,A,1/4", "f1.dng,B,full"), encoding="utf-8")
    free.take(["f1.dng", "f2.dng", "f3.dng"])
    free.note("dust")
    log = read_shots(free.settings)
    assert log[["frame", "head", "power", "note"]].to_numpy().tolist() == [
        ["f1.dng", "B", "full", ""], ["f2.dng", "A", "1/4", ""], ["f3.dng", "A", "1/4", "dust"],
    ]  # fmt: skip
    lines = free.log.read_text(encoding="utf-8").splitlines(keepends=True)
    free.log.write_text("".join(lines[:-1]), encoding="utf-8")
    free.take(["f1.dng", "f2.dng", "f3.dng", "f4.dng"])
    assert read_shots(free.settings)["frame"].tolist() == ["f1.dng", "f2.dng", "f4.dng"], "a row that was taken out"
    free.log.write_text("frame,head,power\nf1.dng,A,twice\n", encoding="utf-8")
    with pytest.raises(GreystepError, match="twice"):
        free.take(["f1.dng", "f5.dng"])
    assert "twice" in free.log.read_text(encoding="utf-8")


def test_what_was_told_last_is_taken_back_from_the_frames_that_got_it(tmp_path: Path) -> None:
    free = FreeShoot(load_settings(tmp_path))
    free.tell("A 1/4")
    free.take(["f1.dng"])
    free.tell("B full")
    free.take(["f1.dng", "f2.dng"])
    free.note("dust")
    free.undo()
    assert read_shots(free.settings)["note"].tolist() == ["", ""]
    free.undo()
    free.take(["f1.dng", "f2.dng"])
    assert read_shots(free.settings)["head"].tolist() == ["A", "A"]
    free.undo()
    free.take(["f1.dng", "f2.dng"])
    assert free.waiting == ["f1.dng", "f2.dng"]
    assert not free.log.exists()
    with pytest.raises(GreystepError, match="nothing was told"):
        free.undo()


def test_a_plan_is_not_shot_freely(tmp_path: Path) -> None:
    (tmp_path / "shots.csv").write_text("frame,head,power\n,A,full\n", encoding="utf-8")
    with pytest.raises(GreystepError, match="without --free"):
        FreeShoot(load_settings(tmp_path))


@pytest.mark.parametrize(
    ("setting", "said"),
    [
        (Setting(Kind.FLASH, "A", "1/4"), "A at 1/4"), (Setting(Kind.CARD, "A", "1/4"), "card A at 1/4"),
        (Setting(Kind.CARD), "card"), (Setting(Kind.JOB, note="plate key"), "plate key"),
        (Setting(Kind.AMBIENT), "ambient"), (Setting(Kind.CHECK, "A", "full"), "check A at full"),
    ],
)  # fmt: skip
def test_a_setting_is_said_as_it_was_told(setting: Setting, said: str) -> None:
    assert setting.said == said


def test_what_is_wrong_is_said_with_what_to_write(tmp_path: Path) -> None:
    settings = load_settings(tmp_path)
    for told, says in (("", "nothing told; tell head and power"), ("check", '"check": tell head and power'),
                       ("A 5", "power"), ("flash", '"flash": tell')):  # fmt: skip
        with pytest.raises(GreystepError, match=says):
            parse_setting(told, settings)
    assert parse_setting("check A 1/4", settings) == Setting(Kind.CHECK, "A", "1/4")
    assert parse_setting("dark", settings) == Setting(Kind.DARK)
    assert parse_setting("JOB of the day", settings) == Setting(Kind.JOB, note="job of the day")


def test_a_log_of_a_free_shoot_goes_on_with_all_that_it_says(tmp_path: Path) -> None:
    (tmp_path / "shots.csv").write_text("frame,head,power,mine\nf1.dng,A,full,x\n", encoding="utf-8")
    free = FreeShoot(load_settings(tmp_path))
    free.tell("B 1/4")
    assert free.take(["f1.dng", "f2.dng"]) == ["f2.dng"]
    rows = [line.split(",") for line in (tmp_path / "shots.csv").read_text().splitlines()]
    told = [dict(zip(rows[0], row, strict=True)) for row in rows[1:]]
    assert [(row["frame"], row["head"], row["power"], row["mine"]) for row in told] == [
        ("f1.dng", "A", "full", "x"), ("f2.dng", "B", "1/4", ""),
    ]  # fmt: skip
    assert not {"stops", "row"} & set(rows[0])


def test_what_was_told_before_the_first_frame_is_taken_back_without_a_log(tmp_path: Path) -> None:
    shoot = FreeShoot(load_settings(tmp_path))
    shoot.tell("A full")
    shoot.undo()
    assert shoot.setting is None
    assert not shoot.log.exists()
    with pytest.raises(GreystepError, match="nothing was told"):
        shoot.undo()


def test_what_was_told_is_not_taken_back_once_a_person_has_written_the_log(tmp_path: Path) -> None:
    """What there was to go back to holds rows as they were."""
    shoot = FreeShoot(load_settings(tmp_path))
    shoot.tell("A full")
    shoot.take(["f1.dng"])
    shoot.note("dust")
    shoot.log.write_text(shoot.log.read_text().replace("dust", "dust on it"))
    with pytest.raises(GreystepError, match="nothing was told"):
        shoot.undo()
    assert "dust on it" in shoot.log.read_text()
