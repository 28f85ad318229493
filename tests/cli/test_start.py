"""Ctrl-C while the command is still being loaded: no traceback, status 130."""

import os
import signal
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import greystep

ROOT = Path(__file__).parents[2]
SOURCE = Path(greystep.__file__).parents[1]
#: Stands in the place of a library, and presses Ctrl-C while it is imported.
PRESSED = "import os, signal, time\nos.kill(os.getpid(), signal.SIGINT)\ntime.sleep(5)\n"
#: As above, and an exception that is raised there is lost, as in a callback of the import itself.
LOST = f"try:\n    {PRESSED.strip().replace(chr(10), chr(10) + '    ')}\nexcept BaseException:\n    pass\n"


def entry_point() -> str:
    """The code of the installed command, as pyproject.toml names it."""
    if not (ROOT / "pyproject.toml").is_file():
        return "from greystep.__main__ import main; main()"
    scripts = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["scripts"]
    module, _, function = scripts["greystep"].partition(":")
    return f"import sys\nfrom {module} import {function}\nsys.exit({function}())"


def started(words: list[str], *places: Path, ignored: bool = False) -> subprocess.CompletedProcess[str]:
    paths = os.pathsep.join(map(str, [*places, SOURCE]))
    return subprocess.run(
        [sys.executable, "-c", entry_point(), *words],
        capture_output=True, text=True, timeout=60, check=False, env=os.environ | {"PYTHONPATH": paths},
        preexec_fn=(lambda: signal.signal(signal.SIGINT, signal.SIG_IGN)) if ignored else None,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("library", "words"),
    [("typer", ["--help"]), ("numpy", ["ingest", "nowhere"]), ("cattrs", ["ingest", "nowhere"])],
)
@pytest.mark.parametrize("text", [PRESSED, LOST], ids=["raised", "lost"])
def test_ctrl_c_while_modules_are_imported(text: str, library: str, words: list[str], tmp_path: Path) -> None:
    (tmp_path / f"{library}.py").write_text(text)
    done = started(words, tmp_path)
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "")


def test_ctrl_c_at_work(tmp_path: Path) -> None:
    code = "import greystep.api, os, signal\ndef stop(*_, **__):\n    os.kill(os.getpid(), signal.SIGINT)\n"
    (tmp_path / "sitecustomize.py").write_text(f"{code}greystep.api.load_settings = stop\n")
    done = started(["ingest", "nowhere"], tmp_path)
    assert "Traceback" not in done.stderr
    assert done.returncode == 130


def test_ctrl_c_that_the_caller_ignores_stays_ignored(tmp_path: Path) -> None:
    (tmp_path / "typer.py").write_text(PRESSED.replace("sleep(5)", "sleep(0)") + "raise SystemExit(7)\n")
    assert started(["--help"], tmp_path, ignored=True).returncode == 7
