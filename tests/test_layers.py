"""Every import keeps the order of the flow; names and order are held here, apart from the package's own map."""

import ast
import re
from pathlib import Path

import pytest

import greystep

ROOT = Path(greystep.__file__).parent
#: Names and order of the flow. Held here too, so that a change of order is made twice, or seen.
FLOW = """
    ground:  errors terms flags columns published arrays words files
    measure: uncertainty exposure levels dng frame target surround patch chromaticity camera chart calibration
             reading
    log:     power sheet settings session sequence shots rig plan draft ambient reference bodies faults table placing
             colour remarks cache ingest arrivals
    compare: fit clock warmup cells contrasts reference drift bracket sensitivity attribution limits blame
             findings advice verdict rounds planning anchors history
    mix:     gels setup choice mixing casts changes remedies planned additive audit ganging
    correct: blocks framing overlap developed reference profile unmix series lit smooth sources gains exchange
             dngcopy images demosaic render plates check
    sentences: frames session_notes kit kit_notes summary setups moves
    show:    words strips series canvas figures page sheetpage moves washes auditpage terminal
    demo:    spectra sensor dngfile kit scenario
    cli:     options demo plan ingest watch report correct render audit choose camera history app
"""
DOORS = {
    "rawpy": {"measure/frame"},
    "tifffile": {"measure/dng", "demo/dngfile", "correct/images"},
    "exifread": {"measure/exposure"},
    "colour": {"measure/chromaticity", "demo/spectra"},
    "matplotlib": {"show/canvas", "show/figures", "show/washes"},
    "typer": {"cli"},
    "jinja2": {"show/page", "show/sheetpage"},
    "OpenEXR": {"correct/images"},
}


def mapped(text: str) -> dict[str, list[str]]:
    """Read a map: a line a folder, indented by four blanks, going on in lines that are indented deeper."""
    rows = re.findall(r"^ {4}(\w+): +(.+(?:\n {5,}.+)*)$", text, flags=re.MULTILINE)
    return {folder: names.split() for folder, names in rows}


MAP = mapped(greystep.__doc__ or "")


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found |= {f"{node.module}.{alias.name}" for alias in node.names} | {node.module or ""}
    return found


def place(module: str) -> tuple[str, str] | None:
    """Return (folder, file) of a module of the package, None for the package itself and for names inside a file."""
    parts = module.split(".")
    if parts[0] != "greystep" or len(parts) == 1:
        return None
    if len(parts) > 2 and (ROOT / parts[1] / f"{parts[2]}.py").exists():
        return parts[1], parts[2]
    if (ROOT / f"{parts[1]}.py").exists():
        return "ground", parts[1]
    return None


FILES = sorted(
    ("ground" if path.parent == ROOT else path.parent.name, path.stem)
    for path in ROOT.rglob("*.py")
    if path.name != "__init__.py"
)


def source(folder: str, name: str) -> Path:
    return ROOT / f"{name}.py" if folder == "ground" else ROOT / folder / f"{name}.py"


def test_the_map_of_the_package_names_every_file_in_this_order() -> None:
    assert mapped(FLOW) == MAP
    for folder, names in MAP.items():
        assert sorted(names) == sorted(name for where, name in FILES if where == folder)


@pytest.mark.parametrize(("folder", "name"), FILES)
def test_imports_run_down_the_flow(folder: str, name: str) -> None:
    order = list(MAP)
    for module in imports(source(folder, name)):
        if (target := place(module)) is None:
            continue
        to_folder, to_name = target
        if to_folder == folder:
            names = MAP[folder]
            assert folder == "cli" or names.index(to_name) < names.index(name), f"{folder}/{name} imports {module}"
        elif folder == "demo":
            assert to_folder in {"ground", "log"}, f"demo/{name} imports {module}"
        else:
            assert order.index(to_folder) < order.index(folder), f"{folder}/{name} imports {module}"
            assert to_folder != "demo" or folder == "cli", f"{folder}/{name} imports {module}"


@pytest.mark.parametrize(("folder", "name"), FILES)
def test_each_library_has_one_door(folder: str, name: str) -> None:
    for module in imports(source(folder, name)):
        allowed = DOORS.get(module.split(".")[0])
        assert allowed is None or folder in allowed or f"{folder}/{name}" in allowed, f"{folder}/{name}: {module}"


#: Files that turn the bytes of a raw file into its mosaic and will be a room of their own below `measure`.
RAW = [("measure", "exposure"), ("measure", "levels"), ("measure", "dng"), ("measure", "frame"), ("correct", "blocks")]


@pytest.mark.parametrize(("folder", "name"), RAW)
def test_what_reads_raw_files_needs_nothing_of_the_rooms_above_it(folder: str, name: str) -> None:
    for module in imports(source(folder, name)):
        target = place(module)
        assert target is None or target[0] == "ground" or target in RAW, f"{folder}/{name} imports {module}"
