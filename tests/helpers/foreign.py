"""A whole test session by other hands: numpy and struct alone, nothing of the package, no writer that it uses.

A camera that is turned on its side, with masked borders and an odd ActiveArea, four black levels that change with ISO,
a filter pattern that does not begin with red, big-endian files with the raw image behind a preview, two colour
matrices in the unusual order with CameraCalibration and AnalogBalance, names that start anew at 9999, and a log saved
by a spreadsheet that names no frame. Colours of the lights are published or constructed ones, with their CCT and Duv
(sources: tests/measure/published_chromaticity.csv).
"""

import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np

# x, y, CCT [K], Duv
LIGHTS = {
    "reference": (0.330185, 0.341015, 5600.0, 0.001),
    "warmer": (0.337272, 0.347139, 5300.0, 0.001),
    "greener": (0.330154, 0.344924, 5600.0, 0.003),
    "pinker": (0.330215, 0.337161, 5600.0, -0.001),
    "cooler": (0.321961, 0.333569, 6000.0, 0.001),
    "D55": (0.33243, 0.34744, 5502.4, 0.00325),
}
TUNGSTEN = (0.44758, 0.40745)  # CIE standard illuminant A
#: XYZ to camera of this body in the light of the reference; away from it the two sets of the file differ.
MATRIX = np.array([[0.82, -0.21, -0.07], [-0.47, 1.25, 0.20], [-0.10, 0.19, 0.66]])
APART = np.array([[0.05, -0.02, 0.01], [-0.03, 0.04, -0.02], [0.01, -0.03, 0.06]])
BALANCE = (1.12, 1.0, 0.91)
OWN_BODY = (
    np.array([[1.02, 0.01, 0.0], [-0.01, 0.99, 0.01], [0.0, 0.02, 1.01]]),
    np.array([[0.97, 0.0, 0.02], [0.01, 1.01, -0.01], [0.01, 0.0, 1.03]]),
)
HEIGHT, WIDTH = 420, 610
TOP, LEFT, BOTTOM, RIGHT = 9, 15, 389, 575  # ActiveArea
CFA = np.array([[1, 2], [0, 1]])  # green blue over red green, from the corner of the ActiveArea
BLACK = {100: np.array([[498.25, 517.5], [530.75, 505.0]]), 400: np.array([[501.5, 523.25], [540.0, 509.75]])}
SATURATED = 15600
COUNTS_PER_ELECTRON = 0.5  # at ISO 100
TARGET = (0.60, 0.48, 0.86, 0.88)  # of the ActiveArea
FULL = 10_500.0  # green counts of the brighter head at full, ISO 100
ROOM = 3.2  # green counts at ISO 100
HEADS = {"007": 0.0, "None": -0.25}  # stops
POWERS = {"full": 0, "1/4": 2, "-4 stops": 4}
OF_CELL = {
    ("007", "full"): "reference", ("007", "1/4"): "greener", ("007", "-4 stops"): "cooler",
    ("None", "full"): "warmer", ("None", "1/4"): "D55", ("None", "-4 stops"): "pinker",
}  # fmt: skip


@dataclass(frozen=True)
class Answer:
    name: str
    head: str
    power: str
    kind: str
    iso: int
    cct_k: float
    duv: float
    output_stops: float
    green: float  # counts of the flash alone


def camera_rgb(xy: tuple[float, float]) -> np.ndarray:
    """Green is 1."""
    x, y = xy
    rgb = MATRIX @ np.array([x / y, 1.0, (1.0 - x - y) / y])
    return rgb / rgb[1]


def write_session(folder: Path, seed: int = 1, hot_borders: bool = False) -> list[Answer]:
    """Write frames and log; return the true answers in capture order. Hot pixels may lie in the masked borders too."""
    rng = np.random.default_rng(seed)
    rooms = [("", "", 100), ("", "", 400)]
    plan = [*rooms]
    for head in HEADS:
        for leg in (1, -1, 1):
            plan += [(head, power, 400 if POWERS[power] == 4 else 100) for power in list(POWERS)[::leg]]
    plan += rooms
    scene = reflectances(rng)
    (folder / "frames" / "card 1").mkdir(parents=True)
    lines, answers = ["Head;Power;Kind;Note"], []
    for place, (head, power, iso) in enumerate(plan):
        kind = "flash" if power else "ambient"
        name = f"card 1/_MG_{9985 + place if place < 15 else place - 14:04d}.DNG"
        green, cct_k, duv, output = 0.0, np.nan, np.nan, np.nan
        light = np.zeros(3)
        if kind == "flash":
            x, y, cct_k, duv = LIGHTS[OF_CELL[head, power]]
            output = HEADS[head] - POWERS[power] + 0.02 * rng.normal()
            green = FULL * 2.0**output * iso / 100
            light = green * camera_rgb((x, y))
        counts = expose(scene, light, ROOM * iso / 100 * camera_rgb(TUNGSTEN), iso, rng, hot_borders)
        clock = f"2024:02:29 23:{55 + place // 6}:{10 * (place % 6):02d}"
        (folder / "frames" / name).write_bytes(dng(counts, iso, clock, f"{37 * place % 100:02d}"))
        note = '"late; odd"' if place == 3 else ""
        lines.append(f"{head};{power};{kind};{note}")
        answers.append(Answer(name, head, power, kind, iso, cct_k, duv, output, green))
    (folder / "Shots.csv").write_bytes(("\ufeff" + "\r\n".join([*lines, ";;;", ";;;", ""])).encode("utf-8"))
    return answers


def reflectances(rng: np.random.Generator) -> np.ndarray:
    """What each pixel sends back of the light on the target: textured ground, a coloured card, the grey target."""
    height, width = BOTTOM - TOP, RIGHT - LEFT
    coarse = rng.uniform(0.10, 0.45, (height // 10 + 1, width // 10 + 1))
    ground = np.kron(coarse, np.ones((10, 10)))[:height, :width, None] * np.array([1.15, 1.0, 0.8])
    rows, columns = slice(40, 140), slice(60, 150)
    ground[rows, columns] = (0.7, 0.25, 0.2)
    x0, y0, x1, y1 = TARGET
    ground[round(y0 * height) : round(y1 * height), round(x0 * width) : round(x1 * width)] = 1.0
    slope = (np.arange(width) / width - (x0 + x1) / 2) * 0.04 / (x1 - x0)  # 4 % over the target
    return ground * (1.0 + slope)[None, :, None]


def expose(
    scene: np.ndarray, light: np.ndarray, room: np.ndarray, iso: int, rng: np.random.Generator, hot_borders: bool
) -> np.ndarray:
    """Photon and read noise, then counts; masked borders see no light."""
    gain = COUNTS_PER_ELECTRON * iso / 100
    rows, columns = np.indices((HEIGHT, WIDTH))
    sites = (rows - TOP) % 2, (columns - LEFT) % 2
    electrons = np.zeros((HEIGHT, WIDTH))
    seen = np.take_along_axis(scene * (light + room) / gain, CFA[sites][TOP:BOTTOM, LEFT:RIGHT, None], axis=2)[..., 0]
    electrons[TOP:BOTTOM, LEFT:RIGHT] = rng.poisson(seen)
    electrons += rng.normal(0.0, 4.0, electrons.shape)
    counts = BLACK[iso][sites] + gain * electrons
    fixed = np.random.default_rng(99)  # hot pixels, the same in every frame
    counts[fixed.integers(TOP, BOTTOM, 40), fixed.integers(LEFT, RIGHT, 40)] += 2500.0
    if hot_borders:
        counts[fixed.integers(0, TOP, 4), fixed.integers(0, WIDTH, 4)] += 2500.0
    return np.clip(np.rint(counts), 0, SATURATED).astype(">u2")


def dng(counts: np.ndarray, iso: int, clock: str, hundredths: str) -> bytes:
    """Write one file: preview in the first directory, raw image and EXIF behind it."""
    warm_share = (1e6 / 5600 - 1e6 / 6500) / (1e6 / 2850 - 1e6 / 6500)  # of light A, at the reference; linear in mired
    cool, warm = MATRIX - warm_share * APART, MATRIX + (1.0 - warm_share) * APART
    inverse = [np.linalg.inv(np.diag(BALANCE) @ own) for own in OWN_BODY]
    neutral = camera_rgb(LIGHTS["cooler"][:2]) * 0.7
    preview = bytes(16 * 16 * 3)
    strips = [counts[at : at + 64].tobytes() for at in range(0, HEIGHT, 64)]
    file = bytearray(b"MM\0*" + bytes(4)) + preview
    offsets = []
    for strip in strips:
        offsets.append(len(file))
        file += strip
    file += bytes(len(file) % 2)
    raw = directory(
        len(file),
        [
            (254, 4, [0]), (256, 4, [WIDTH]), (257, 4, [HEIGHT]), (258, 3, [16]), (259, 3, [1]), (262, 3, [32803]),
            (273, 4, offsets), (277, 3, [1]), (278, 4, [64]), (279, 4, [len(strip) for strip in strips]),
            (33421, 3, [2, 2]), (33422, 1, CFA.ravel().tolist()),
            (50713, 3, [2, 2]), (50714, 5, fractions(BLACK[iso].ravel(), 100)), (50717, 4, [SATURATED]),
            (50829, 4, [TOP, LEFT, BOTTOM, RIGHT]),
            (50830, 4, [0, 0, TOP, WIDTH, TOP, 0, BOTTOM, LEFT]),
        ],
    )  # fmt: skip
    raw_at, file = len(file), file + raw
    exif = directory(
        len(file),
        [
            (33434, 5, [1, 125]), (33437, 5, [11, 1]), (34855, 3, [iso]), (36867, 2, clock), (37386, 5, [90, 1]),
            (37521, 2, hundredths), (42033, 2, "0042"), (42036, 2, "90 mm"),
        ],
    )  # fmt: skip
    exif_at, file = len(file), file + exif
    first = directory(
        len(file),
        [
            (254, 4, [1]), (256, 4, [16]), (257, 4, [16]), (258, 3, [8, 8, 8]), (259, 3, [1]), (262, 3, [2]),
            (271, 2, "Nobody"), (272, 2, "Box"), (273, 4, [8]), (274, 3, [8]), (277, 3, [3]), (278, 4, [16]),
            (279, 4, [len(preview)]), (330, 4, [raw_at]), (34665, 4, [exif_at]),
            (50706, 1, [1, 4, 0, 0]), (50708, 2, "Nobody Box"),
            (50721, 10, fractions((inverse[0] @ cool).ravel())), (50722, 10, fractions((inverse[1] @ warm).ravel())),
            (50723, 10, fractions(OWN_BODY[0].ravel())), (50724, 10, fractions(OWN_BODY[1].ravel())),
            (50727, 5, fractions(np.array(BALANCE))), (50728, 5, fractions(neutral)),
            (50778, 3, [21]), (50779, 3, [17]),
        ],
    )  # fmt: skip
    struct.pack_into(">I", file, 4, len(file))
    return bytes(file + first)


def fractions(values: np.ndarray, below: int = 10_000_000) -> list[int]:
    return [part for value in values for part in (round(float(value) * below), below)]


def directory(at: int, entries: list[tuple[int, int, list[int] | str]]) -> bytearray:
    """Return a TIFF directory that begins `at` bytes into the file, long values behind it."""
    codes = {1: "B", 3: "H", 4: "I", 5: "I", 10: "i"}
    table, values = bytearray(struct.pack(">H", len(entries))), bytearray()
    behind = at + 2 + 12 * len(entries) + 4
    for tag, kind, value in sorted(entries, key=lambda entry: entry[0]):
        if isinstance(value, str):
            data, count = value.encode("ascii") + b"\0", len(value) + 1
        else:
            data = struct.pack(f">{len(value)}{codes[kind]}", *value)
            count = len(value) // 2 if kind in (5, 10) else len(value)
        if len(data) > 4:
            table += struct.pack(">HHII", tag, kind, count, behind + len(values))
            values += data + bytes(len(data) % 2)
        else:
            table += struct.pack(">HHI", tag, kind, count) + data.ljust(4, b"\0")
    return table + bytes(4) + values
