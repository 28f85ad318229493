"""``[test] looks``: how often a test may be judged while it is shot is said in session.toml, before the first look."""

from pathlib import Path

import pytest

from greystep.errors import FaultsError
from greystep.session.settings import load_settings

TOML = 'title = "Prep day"  # mine\n\n[heads.A]\npack = "P1"\n'


def folder(tmp_path: Path, text: str | None = None) -> Path:
    (tmp_path / "frames").mkdir()
    if text is not None:
        (tmp_path / "session.toml").write_bytes(text.encode())
    return tmp_path


@pytest.mark.parametrize(
    ("text", "looks"), [("", 1), ("[test]\n", 1), ("[test]\nlooks = 4\n", 4), ("test.looks = 20", 20)]
)
def test_what_is_said_is_read(tmp_path: Path, text: str, looks: int) -> None:
    assert load_settings(folder(tmp_path, text)).looks == looks


@pytest.mark.parametrize("value", ["0", "21", "-3", "2.5", "true", '"3"', "inf", "nan", "[3]"])
def test_no_other_number_of_looks(tmp_path: Path, value: str) -> None:
    with pytest.raises(FaultsError) as caught:
        load_settings(folder(tmp_path, f"[test]\nlooks = {value}\n"))
    assert caught.value.faults[0].startswith("line 2: [test] looks: ")


def test_a_key_that_is_not_known(tmp_path: Path) -> None:
    with pytest.raises(FaultsError, match="did you mean looks"):
        load_settings(folder(tmp_path, "[test]\nlook = 3\n"))
