"""session.toml: every key of the contract, and every way in which a person can get one wrong."""

import contextlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from greystep.errors import FaultsError, GreystepError
from greystep.session.settings import HeadInfo, Meter, Tolerance, check_place, load_settings

FLAT = "nm,factor\n380,0.18\n400,0.18\n550,0.181\n700,0.179\n780,0.18\n"


def folder(tmp_path: Path, text: str | None = None) -> Path:
    path = tmp_path / "hire_kit"
    (path / "frames").mkdir(parents=True)
    if text is not None:
        (path / "session.toml").write_text(text, encoding="utf-8")
    return path


def faults(tmp_path: Path, text: str) -> tuple[str, ...]:
    with pytest.raises(FaultsError) as caught:
        load_settings(folder(tmp_path, text))
    assert str(caught.value).startswith(f"{tmp_path / 'hire_kit' / 'session.toml'}: {len(caught.value.faults)} fault")
    assert all("\n" not in line and len(line) < 200 for line in caught.value.faults)
    return caught.value.faults


@pytest.mark.parametrize("text", [None, "", "# nothing said\n"])
def test_without_session_toml_everything_has_its_default(tmp_path: Path, text: str | None) -> None:
    session = load_settings(folder(tmp_path, text))
    assert session.title == "hire_kit"
    assert session.frames_dir == tmp_path / "hire_kit" / "frames"
    assert (session.patch, session.reflectance, session.meter, session.matrix) == (None, None, None, "embedded")
    assert (session.reference_head, session.reference_power, session.reference_kit) == (None, None, False)
    assert session.tolerance == Tolerance(4.0, 0.001, None, None, 0.1, True)
    assert session.heads == {}


def test_the_title_of_the_folder_one_stands_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder(tmp_path))
    assert load_settings(Path(".")).title == "hire_kit"


def test_every_key_of_the_contract(tmp_path: Path) -> None:
    path = folder(
        tmp_path,
        """
title = "Hire kit, prep day"
frames = "card/100"
[target]
patch = [0.4, 0.35, 0.6, 1]
reflectance = "grey.csv"
[camera]
matrix = "camera.json"
meter = {frame = "f0003.dng", cct_k = 5560, duv = 0.001}
[reference]
head = "A"
power = "600 J"
[tolerance]
mired = 5
steps = 2.5
output_stops = 0.2
[heads.A]
pack = "P1"
serial = "007"
type = "small dome"
max_energy_j = 2400
t01_s = {full = "1/150", "1/16" = "1/1200", "200 J" = 0.0005, "-8" = "0,0001 s"}
[heads."None"]
pack = "P2"
[heads.007]
""",
    )
    (path / "card" / "100").mkdir(parents=True)
    (path / "grey.csv").write_text(FLAT, encoding="utf-8")
    (path / "camera.json").write_text("{}", encoding="utf-8")
    session = load_settings(path)
    assert session.title == "Hire kit, prep day"
    assert session.frames_dir == path / "card/100"
    assert session.patch == (0.4, 0.35, 0.6, 1.0)
    assert session.reflectance is not None
    assert np.array_equal(session.reflectance[0], [380, 400, 550, 700, 780])
    assert np.array_equal(session.reflectance[1], [0.18, 0.18, 0.181, 0.179, 0.18])
    assert session.matrix == str(path / "camera.json")
    assert session.meter == Meter("f0003.dng", 5560.0, 0.001)
    assert (session.reference_head, session.reference_power, session.reference_kit) == ("A", "600 J", False)
    assert session.tolerance == Tolerance(5.0, None, 2.5, None, 0.2, False)
    head = session.heads["A"]
    assert (head.pack, head.serial, head.type, head.max_energy_j) == ("P1", "007", "small dome", 2400.0)
    assert head.t01_s == pytest.approx({0.0: 1 / 150, 4.0: 1 / 1200, np.log2(12): 0.0005, 8.0: 0.0001})
    assert session.heads["None"] == HeadInfo("P2", "", None, {}, "")
    assert list(session.heads) == ["A", "None", "007"]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("mired = 2", Tolerance(2.0, None, None, None, 0.1, False)),
        ("kelvin = 150", Tolerance(None, None, None, 150.0, 0.1, False)),
        ("steps = 3\nduv = 0.002", Tolerance(None, 0.002, 3.0, None, 0.1, False)),
        ("output_stops = 0.3", Tolerance(4.0, 0.001, None, None, 0.3, True)),
        ("", Tolerance(4.0, 0.001, None, None, 0.1, True)),
    ],
)
def test_a_colour_limit_replaces_all_colour_limits(tmp_path: Path, text: str, expected: Tolerance) -> None:
    assert load_settings(folder(tmp_path, f"[tolerance]\n{text}\n")).tolerance == expected


def test_the_kit_as_reference_with_or_without_a_power(tmp_path: Path) -> None:
    session = load_settings(folder(tmp_path, '[reference]\nkit = true\npower = "1/4"\n'))
    assert (session.reference_head, session.reference_power, session.reference_kit) == (None, "1/4", True)


def test_nothing_is_written_where_raw_frames_lie(tmp_path: Path) -> None:
    session = load_settings(folder(tmp_path))
    check_place(session, session.path / "report")
    for inside in (session.frames_dir, session.frames_dir / "report"):
        with pytest.raises(GreystepError):
            check_place(session, inside)
    elsewhere = replace(session, frames_dir=tmp_path / "card")
    with pytest.raises(GreystepError):
        check_place(elsewhere, tmp_path / "card" / "report")


def test_a_meter_without_duv_lies_on_the_locus(tmp_path: Path) -> None:
    session = load_settings(folder(tmp_path, '[camera.meter]\nframe = "f.dng"\ncct_k = 5600\n'))
    assert session.meter == Meter("f.dng", 5600.0, 0.0)


def test_windows_line_ends_and_a_byte_order_mark(tmp_path: Path) -> None:
    path = folder(tmp_path)
    (path / "session.toml").write_bytes(b'\xef\xbb\xbftitle = "Prep"\r\n[target]\r\npatch = "auto"\r\n')
    assert load_settings(path).title == "Prep"


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ('titel = "x"', "line 1: titel: no such key; did you mean title?"),
        ("\n[tolerence]\nmired = 4", "line 2: tolerence: no such key; did you mean tolerance?"),
        ('[head.A]\npack = "P1"', "head: no such key; did you mean heads?"),
        ("[tolerance]\nmiredd = 4", "line 2: [tolerance] miredd: no such key; did you mean mired?"),
        ('[heads.A]\nmax_energy = 4', "line 2: [heads.A] max_energy: no such key; did you mean max_energy_j?"),
        ('[heads."Head 1"]\nsn = "4"', 'line 2: [heads."Head 1"] sn: no such key; known are pack, serial'),
        ("mired = 4", "line 1: mired: no such key; it belongs under [tolerance]"),
        ('[camera]\nmeter = {frame = "f", cct = 5600}', "line 2: [camera.meter] cct: no such key; did you mean cct_k?"),
        ("title = 5", 'line 1: title: found 5; write text in quotes, title = "5"'),
        ("[heads.A]\nserial = 7", 'line 2: [heads.A] serial: found 7; write text in quotes, serial = "7"'),
        ('[tolerance]\nmired = "4"', '[tolerance] mired: found the text "4"; write a number without quotes'),
        ("[tolerance]\nmired = true", "[tolerance] mired: found true; write a number without quotes"),
        ("[tolerance]\nmired = [4]", "[tolerance] mired: found a list; write a number"),
        ("[tolerance]\nmired = 2026-01-16", "[tolerance] mired: found a date; write a number"),
        ("[tolerance]\nmired = 0", "[tolerance] mired: 0 is out of range; from 0.01 to 500"),
        ("[tolerance]\nmired = -4", "[tolerance] mired: -4 is out of range"),
        ("[tolerance]\nmired = nan", "[tolerance] mired: nan is out of range"),
        ("[tolerance]\nduv = 4", "[tolerance] duv: 4 is out of range; from 1e-05 to 0.05"),
        ("[tolerance]\nkelvin = 1" + "0" * 400, "[tolerance] kelvin: a huge number is out of range"),
        ("tolerance = 4", "line 1: tolerance: found 4; a table is needed, such as [tolerance]"),
        ("[heads]\nA = 4", "line 2: [heads] A: found 4; a table is needed, such as [heads.A]"),
        ('heads = "A"', 'line 1: heads: found the text "A"; a table is needed, such as [heads.A]'),
        ('[target]\npatch = "middle"', 'found the text "middle"; write "auto" or [x0, y0, x1, y1] as fractions'),
        ("[target]\npatch = [0.1, 0.2, 0.3]", "[target] patch: found a list; write"),
        ("[target]\npatch = [0.1, 0.2, 0.3, true]", "[target] patch: found a list; write"),
        ("[target]\npatch = [100, 200, 300, 400]", "leaves the frame; write"),
        ("[target]\npatch = [0.6, 0.2, 0.4, 0.3]", "[0.6, 0.2, 0.4, 0.3] has no area; write"),
        ('[target]\nreflectance = "gray.csv"', 'no file "gray.csv"; paths start at the session\'s folder'),
        ('[camera]\nmatrix = "camera.jsn"', 'line 2: [camera] matrix: no file "camera.jsn"; paths start'),
        ('frames = "frame"', 'line 1: frames: no folder "frame"; did you mean frames?'),
        ('[camera]\nmeter = "f0003.dng"', '[camera] meter: found the text "f0003.dng"; a table is needed'),
        ('[camera]\nmeter = {frame = "f0003.dng"}', "line 2: [camera] meter: frame or cct_k is missing; write {frame"),
        ('[camera]\nmeter = {frame = "f", cct_k = 180}', "[camera.meter] cct_k: 180 is out of range; from 1000"),
        ('[reference]\nkit = true\nhead = "A"', 'the kit and head "A" cannot both be the reference; keep one'),
        ("[reference]\nkit = 1", "[reference] kit: found 1; write kit = true or leave it out"),
        ('[reference]\npower = "4 stops"', 'line 2: [reference] power: power "4 stops": above or below full?'),
        ('[reference]\nhead = "A"\npower = "600 J"', "add max_energy_j under [heads.A] in session.toml"),
        ('[reference]\nkit = true\npower = "600 J"', '"600 J" is another power on each head; write a fraction'),
        ("[heads.A]\nmax_energy_j = 0", "[heads.A] max_energy_j: 0 is out of range; from 1 to 100000"),
        ("[heads.A]\nt01_s = 0.005", 'line 2: [heads.A] t01_s: found 0.005; write {full = "1/150"'),
        ("[heads.A]\nt01_s = {full = 150}", 'full is 150; write seconds up to 1, such as "1/150"'),
        ('[heads.A]\nt01_s = {full = "1/0"}', 'full is the text "1/0"; write seconds'),
        ("[heads.A]\nt01_s = {full = true}", "full is true; write seconds"),
        ('[heads.A]\nt01_s = {bright = "1/150"}', 'power "bright": not understood'),
        ('[heads.A]\nt01_s = {full = "1/150", "1/1" = "1/150"}', "1/1 is there twice under two names; keep one"),
    ],
)  # fmt: skip
def test_each_wrong_key_or_value_is_told_with_its_remedy(tmp_path: Path, text: str, fault: str) -> None:
    found = faults(tmp_path, text + "\n")
    assert len(found) == 1
    assert fault in found[0]


KEYS = [
    ("", "title frames target camera reference tolerance heads"),
    ("[target]", "patch reflectance"),
    ("[camera]", "matrix meter meter.frame meter.cct_k meter.duv"),
    ("[reference]", "head power kit"),
    ("[tolerance]", "mired duv steps kelvin output_stops"),
    ("[heads]", "A"),
    ("[heads.A]", "pack serial type max_energy_j t01_s t01_s.full"),
]


VALUES = ["true", "-1", "1e400", "inf", "nan", '"\\u0000"', '"~nobody/x"', "[[]]", "{}", "{x = 1}", "07:32:00", '""']


@pytest.mark.parametrize(("table", "key"), [(table, key) for table, keys in KEYS for key in keys.split()])
def test_no_value_of_any_key_ends_in_anything_but_a_session_or_faults(tmp_path: Path, table: str, key: str) -> None:
    path = folder(tmp_path)
    for value in VALUES:
        (path / "session.toml").write_text(f"{table}\n{key} = {value}\n", encoding="utf-8")
        with contextlib.suppress(FaultsError):
            load_settings(path)


def test_all_faults_come_at_once(tmp_path: Path) -> None:
    text = (
        'titel = "x"\n[target]\npatch = 3\n[heads.A]\nmax_energy_j = "2400"\nt01_s = {full = 9}\n[tolerance]\nduv = 9\n'
    )
    assert len(faults(tmp_path, text)) == 5


def test_one_fault_of_a_table_hides_no_other(tmp_path: Path) -> None:
    text = (
        '[target]\npatch = 3\nreflectance = "gray.csv"\n[camera]\nmeter = 4\nmatrix = "none.json"\n'
        '[heads.A]\nserial = 7\npck = "P1"\nmax_energy_j = 2400\nt01_s = {"600 J" = 9, "x" = "1/150"}\n'
        '[reference]\nkit = 1\npower = "4 stops"\n'
    )
    found = faults(tmp_path, text)
    assert len(found) == 10
    for key in ("patch", "reflectance", "meter", "matrix", "serial", "pck", "600 J", "x", "kit", "power"):
        assert any(key in line for line in found), key


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('title = "a"\npower = 1/16\n', "line 2, column 10: .*; correct that line; text stands in"),
        ("title = \u201cHire kit\u201d\n", "line 1, column 9: .*; type straight quotes"),
        ('frames = "C:\\photos"\n', r"line 1, column \d+: .*; write / instead of"),
        ('title = "a"\ntitle = "b"\n', "line 2, column"),
        ("[heads.A]\npack = \n", "line 2, column"),
        ('title = "a', "end of document: .*"),
    ],
)
def test_what_is_no_toml_is_told_with_line_and_column(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(GreystepError, match=rf"session\.toml: {says}") as caught:
        load_settings(folder(tmp_path, text))
    assert "\n" not in str(caught.value)


def test_what_is_no_utf8_is_told(tmp_path: Path) -> None:
    path = folder(tmp_path)
    (path / "session.toml").write_bytes('title = "Tête"\n'.encode("cp1252"))
    with pytest.raises(GreystepError, match=r"is not UTF-8 text .* save it again"):
        load_settings(path)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("400,0.18\n410,x\n700,0.18\n", "grey.csv row 2: not two numbers"),
        ("400,0.18\n390,0.18\n700,0.18\n", "grey.csv row 2: 390 nm after 400 nm; sort"),
        ("400,0.18\n400,0.18\n700,0.18\n", "grey.csv row 2: 400 nm after 400 nm"),
        ("nm,factor\n400,18\n700,0.18\n", "grey.csv row 2: factor 18; write a share of 1, such as 0.18"),
        ("400,0.18\n500,0\n700,0.18\n", "grey.csv row 2: factor 0;"),
        ("400,0.18\n500,nan\n700,0.18\n", "grey.csv row 2: not two numbers;"),
        ("nm,factor\n420,0.18\n700,0.18\n", "grey.csv: covers 420 to 700 nm; 400 to 700 nm are needed"),
        ("nm,factor\n400,0.18\n690,0.18\n", "grey.csv: covers 400 to 690 nm"),
        ("nm,factor\n", "grey.csv: covers nothing"),
        ("", "grey.csv: covers nothing"),
        ("400\n700\n", "grey.csv row 2: not two numbers"),
    ],
)
def test_a_reflectance_must_be_a_curve_over_the_visible(tmp_path: Path, text: str, says: str) -> None:
    path = folder(tmp_path, '[target]\nreflectance = "grey.csv"\n')
    (path / "grey.csv").write_text(text, encoding="utf-8")
    with pytest.raises(FaultsError) as caught:
        load_settings(path)
    assert any(line.startswith(says) for line in caught.value.faults)


def test_a_reflectance_without_header_and_with_decimal_commas(tmp_path: Path) -> None:
    path = folder(tmp_path, '[target]\nreflectance = "grey.csv"\n')
    (path / "grey.csv").write_text("400;0,18\n700;0,2;comment\n", encoding="utf-8")
    session = load_settings(path)
    assert session.reflectance is not None
    assert session.reflectance[1].tolist() == [0.18, 0.2]


def test_a_folder_that_is_not_there_names_the_nearest(tmp_path: Path) -> None:
    path = folder(tmp_path)
    with pytest.raises(GreystepError, match=r"hire_kt: no such folder; did you mean .*hire_kit\?"):
        load_settings(tmp_path / "hire_kt")
    with pytest.raises(GreystepError, match=r"no such folder; check the name"):
        load_settings(tmp_path / "zzz" / "zzz")
    (path / "shots.csv").write_text("", encoding="utf-8")
    with pytest.raises(GreystepError, match=r"shots.csv: is a file; a session is a folder, perhaps .*hire_kit$"):
        load_settings(path / "shots.csv")
