"""Where numbers and files that a person gives are too large, too small or too late: each limit is written here."""

import threading
from pathlib import Path

import pytest

from greystep import doors
from greystep.errors import GreystepError
from greystep.session.settings import load_settings


@pytest.mark.parametrize(
    ("line", "least", "most", "beyond"),
    [
        ("dial = {}", 1.0, 14.0, 1.05),
        ("recycle_s = {}", 0.01, 120.0, 1.05),
        ("[test]\nlooks = {:.0f}", 1.0, 20.0, 2.0),
        ("[heads.A]\nmax_energy_j = {}", 1.0, 100000.0, 1.05),
        ("[tolerance]\nmired = {}", 0.01, 500.0, 1.05),
        ("[tolerance]\nduv = {}", 1e-5, 0.05, 1.05),
        ("[tolerance]\nsteps = {}", 0.01, 500.0, 1.05),
        ("[tolerance]\nkelvin = {}", 1.0, 10000.0, 1.05),
        ("[tolerance]\noutput_stops = {}", 0.001, 5.0, 1.05),
    ],
)
def test_a_number_of_session_toml_is_taken_within_its_limits_alone(
    tmp_path: Path, line: str, least: float, most: float, beyond: float
) -> None:
    def read(value: float) -> None:
        (tmp_path / "session.toml").write_text(line.format(value) + "\n")
        load_settings(tmp_path)

    for value in (least, most):
        read(value)
    for value in (least / beyond, most * beyond):
        with pytest.raises(GreystepError, match=r"session\.toml"):
            read(value)


def test_a_file_of_16_mib_is_read_and_a_larger_one_is_not(tmp_path: Path) -> None:
    path = tmp_path / "shots.csv"
    for size in (16 * 1024 * 1024, 16 * 1024 * 1024 + 1):
        with path.open("wb") as file:
            file.truncate(size)
        if size % 2:
            with pytest.raises(GreystepError, match=r"MB or more"):
                doors.read_file(path)
        else:
            assert len(doors.read_file(path)) == size


def test_a_file_is_waited_for_20_seconds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    waited = []
    join = threading.Thread.join
    monkeypatch.setattr(
        threading.Thread, "join", lambda thread, timeout=None: waited.append(timeout) or join(thread, timeout)
    )
    (tmp_path / "shots.csv").write_text("head\n")
    doors.read_file(tmp_path / "shots.csv")
    assert waited == [20.0]


def test_a_whole_number_of_more_than_18_digits_is_read_as_a_float(tmp_path: Path) -> None:
    path = tmp_path / "camera.json"
    for digits, kind in ((18, int), (19, float)):
        path.write_text(f'{{"a": {"7" * digits}}}')
        assert type(doors.read_json(path)["a"]) is kind
