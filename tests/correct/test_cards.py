"""What a card is: raw frames of an own scene, in which products stand where the grey card stood before them."""

import re
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from greystep.api import open_session
from greystep.compare.drift import analyse
from greystep.correct.gains import correct_frames
from greystep.correct.profile import make_profile
from greystep.demo.dngfile import Picture, dng_bytes
from greystep.sentences.corrections import lines
from greystep.session.ingest import Ingested, ingest
from greystep.session.settings import load_settings

HEIGHT, WIDTH = 200, 280
CARD = (90, 70, 190, 130)  # x0, y0, x1, y1 [pixels]
PATCH = (110, 82, 170, 118)
MATRIX = np.array([[0.82, -0.21, -0.07], [-0.47, 1.25, 0.20], [-0.10, 0.19, 0.66]])
BLACK, WHITE, FULL, READ = 512, 16383, 11000.0, 3.0
#: Camera RGB of the grey card under each head at full, green 1; warmer by so much of blue over red a stop.
LIGHTS = {"A": (0.55, 0.70), "B": (0.56, 0.69), "C": (0.545, 0.705)}
PER_STOP = 0.01

RED, GREEN, BLUE = (1.6, 0.3, 0.25), (0.4, 0.9, 0.3), (0.25, 0.5, 1.5)
SKIN, WOOD, CREAM = (1.5, 1.0, 0.75), (1.2, 0.8, 0.5), (1.10, 1.0, 0.85)
WARM_GREY, COOL_GREY, PINK_GREY, PALE = (1.03, 1.0, 0.97), (0.97, 1.0, 1.03), (1.05, 1.0, 1.05), (1.04, 1.06, 1.0)
#: Outline, colour against the card (camera RGB), texture: 20 products about as large as the card.
PRODUCTS = [
    ("card", WARM_GREY, 0.0), ("card", COOL_GREY, 0.0), ("card", PINK_GREY, 0.0), ("card", PALE, 0.0),
    ("card", (0.6, 0.6, 0.6), 0.0), ("card", (1.4, 1.4, 1.4), 0.0), ("card", RED, 0.0), ("card", BLUE, 0.0),
    ("card", CREAM, 0.0), ("card", (1.0, 1.0, 1.0), 0.15), ("card", WOOD, 0.2), ("round", WARM_GREY, 0.0),
    ("round", SKIN, 0.0), ("cross", COOL_GREY, 0.0), ("small", (1.0, 1.0, 1.0), 0.0), ("large", COOL_GREY, 0.0),
    ("large", GREEN, 0.1), ("triangle", PALE, 0.0), ("bottle", BLUE, 0.05), ("aside", WARM_GREY, 0.0),
]  # fmt: skip


@dataclass
class Frame:
    head: str = "A"
    power: str = "1/4"
    kind: str = "job"
    thing: tuple[str, tuple[float, float, float], float] | None = None  # None: the card
    lights: str = ""
    warmer: float = 0.0  # of blue over red
    stops: float = 0.0
    ground: int = 7  # another number is another scene


def outline(name: str) -> np.ndarray:
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH] + 0.5
    x0, y0, x1, y1 = CARD
    across, along = (x - (x0 + x1) / 2) / (x1 - x0) * 2, (y - (y0 + y1) / 2) / (y1 - y0) * 2
    square = np.maximum(abs(across), abs(along))
    masks = {
        "card": square < 1,
        "small": square < 0.75,
        "large": square < 1.35,
        "aside": np.maximum(abs(across - 0.4), abs(along)) < 1,
        "round": np.hypot(across, along) < 1.1,
        "cross": (square < 1.2) & (np.minimum(abs(across), abs(along)) < 0.7),
        "triangle": (abs(along) < 1.2) & (abs(across) < 0.5 * (along + 1.3)),
        "bottle": (abs(along) < 1.5) & (abs(across) < np.where(along < -0.6, 0.5, 0.9)),
    }
    return np.asarray(masks[name])


def scene(frame: Frame, rng: np.random.Generator) -> np.ndarray:
    """What each pixel sends back against the card."""
    coarse = np.random.default_rng(frame.ground).uniform(0.15, 0.6, (HEIGHT // 10, WIDTH // 10))
    ground = np.kron(coarse, np.ones((10, 10)))[..., None] * np.array([1.1, 1.0, 0.85])
    name, colour, texture = frame.thing or ("card", (1.0, 1.0, 1.0), 0.0)
    grain = np.exp(texture * rng.standard_normal((HEIGHT, WIDTH)))
    ground = np.where(outline(name)[..., None], grain[..., None] * np.array(colour), ground)
    return np.asarray(ground * (1.0 + 0.03 * (np.arange(WIDTH) / WIDTH - 0.5))[:, None])


def write(
    folder: Path, frames: list[Frame], seed: int = 1, patch: bool = False, lens: tuple[float, ...] = (1.0, 1.0, 1.0)
) -> Path:
    (folder / "frames").mkdir(parents=True)
    rows = ["frame,head,power,kind,lights"]
    room = Frame(head="", power="", kind="ambient")
    for place, frame in enumerate([room, *frames, room]):
        rng = np.random.default_rng([seed, place])
        light = np.zeros(3)
        parts = [part.strip().split("@") for part in frame.lights.split("&")] if frame.lights else []
        for head, power in parts or [[frame.head, frame.power]] * (frame.kind != "ambient"):
            stops = -float(np.log2(float(Fraction(power.replace("full", "1")))))
            red, blue = LIGHTS[head]
            half = np.exp((PER_STOP * stops + frame.warmer) / 2)
            light += FULL * 2.0 ** (frame.stops - stops) * np.array([red * half, 1.0, blue / half]) * lens
        image = scene(frame, rng) * (light + 1.5)
        mosaic = np.empty((HEIGHT, WIDTH))
        for y, x, channel in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
            mosaic[y::2, x::2] = image[y::2, x::2, channel]
        counts = 0.5 * rng.poisson(mosaic / 0.5) + READ * rng.standard_normal(mosaic.shape) + BLACK
        picture = Picture(
            captured=datetime(2025, 9, 1, 9, 0) + timedelta(seconds=9 * place), exposure_s=Fraction(1, 125),
            f_number=11.0, iso=100, focal_mm=100.0, fired=frame.kind != "ambient", matrix_a=MATRIX, matrix_d65=MATRIX,
            neutral=(0.55, 1.0, 0.70), black=(float(BLACK),) * 4, white=WHITE,
        )  # fmt: skip
        data = dng_bytes(np.clip(np.rint(counts), 0, WHITE).astype(np.uint16), picture, compressed=False)
        (folder / "frames" / f"f{place:02d}.dng").write_bytes(data)
        rows.append(f"f{place:02d}.dng,{frame.head},{frame.power},{frame.kind},{frame.lights}")
    (folder / "shots.csv").write_text("\n".join(rows) + "\n")
    x0, y0, x1, y1 = PATCH
    box = [x0 / WIDTH, y0 / HEIGHT, x1 / WIDTH, y1 / HEIGHT]
    (folder / "session.toml").write_text(f"[target]\npatch = {box}\n" if patch else 'title = "own scene"\n')
    return folder


def read(folder: Path) -> Ingested:
    return ingest(load_settings(folder))


BOX = (PATCH[0] / WIDTH, PATCH[1] / HEIGHT, PATCH[2] / WIDTH, PATCH[3] / HEIGHT)


def cards(count: int = 3, kind: str = "flash", **more: object) -> list[Frame]:
    return [Frame(kind=kind, warmer=0.003 * (place - 1), **more) for place in range(count)]  # type: ignore[arg-type]


@pytest.mark.parametrize("given", ["found", "session.toml", "--patch"])
def test_no_product_is_taken_for_the_card(tmp_path: Path, given: str) -> None:
    """20 products after three card frames: none is corrected as a card, and the cards' corrections stay."""
    products = [Frame(thing=thing) for thing in PRODUCTS]
    folder = write(tmp_path / "s", [*cards(), *products], patch=given == "session.toml")
    session = open_session(folder, patch=BOX if given == "--patch" else None)
    table = session.correct("A@1/4").table
    assert list(table["source"][:3]) == ["patch"] * 3
    alone = open_session(write(tmp_path / "alone", cards(), patch=given == "session.toml"))
    assert table["gain_b"][:3].to_numpy() == pytest.approx(alone.correct("A@1/4").table["gain_b"].to_numpy(), abs=3e-4)
    wrong = [(thing, row.mired_shift) for thing, row in zip(PRODUCTS, table[3:].itertuples(), strict=True)
             if row.source == "patch"]  # fmt: skip
    assert wrong == []
    # One light lit them all: whatever the source, the gains are those of the cards.
    done = table[table["gain_b"].notna()]
    assert len(done) > 15
    assert done["gain_b"].to_numpy() == pytest.approx(1.0, abs=0.012)


@pytest.mark.parametrize("patch", [False, True])
def test_dark_pictures_enter_no_tie(tmp_path: Path, patch: bool) -> None:
    """Card and plates of one light, a test as profile: two dark pictures at another power leave the gains alone."""
    powers = ["full", "1/4", "1/16"]
    test = read(write(tmp_path / "test", [Frame(power=power, kind="flash") for power in [*powers, *powers]], seed=2))
    black = ("card", (0.021, 0.018, 0.016), 0.0)
    dark = [Frame(power="1/16", thing=black), Frame(power="1/16", thing=black)]
    plates = [Frame(thing=("card", RED, 0.0)), Frame(thing=("bottle", BLUE, 0.0))]
    now = [*cards(2), *dark, *plates]
    data = read(write(tmp_path / "now", now, seed=3, patch=patch, lens=(1.02, 1.0, 0.97)))
    profile = make_profile(test, analyse(test.readings, test.settings))
    table = correct_frames(data, to="A@full", profile=profile).table
    assert list(table["source"]) == ["patch"] * 2 + ["profile"] * 4
    plate, card = table[table["source"] == "profile"].iloc[-1], table[table["source"] == "patch"]
    for gain in ("gain_r", "gain_b"):
        assert card[gain].mean() == pytest.approx(plate[gain], rel=0.003)


def test_a_job_frame_that_shows_the_card_proves_it(tmp_path: Path) -> None:
    """The card as it stood before, 2 mired warmer: its own frame is measured. 9 mired warmer is beyond that head."""
    jobs = [Frame(), Frame(warmer=0.013), Frame(power="1/8"), Frame(thing=("card", RED, 0.0)), Frame(warmer=0.06)]
    found = read(write(tmp_path / "s", [*cards(), *jobs]))
    assert found.readings["shows_card"].tolist() == [False] + [True] * 6 + [False] * 3
    done = correct_frames(found, to="A@1/4")
    assert list(done.table["source"][3:6]) == ["patch"] * 3
    assert done.table["gain_b"][4] == pytest.approx(np.exp(0.013 / 2), abs=1e-3)
    assert any(line.startswith("2 of 5 job frames do not show") for line in lines(done.messages))
    by_hand = read(write(tmp_path / "hand", [*cards(), *jobs], patch=True))
    assert by_hand.readings["shows_card"].tolist() == [False] + [True] * 3 + [False] * 6


def test_a_card_under_several_lights_serves_what_they_light(tmp_path: Path) -> None:
    """Pictures of another scene under A and B: the light is that of the card before them, however the row spells it."""
    both = [Frame(head="", power="", kind="card", lights="A@1/4 & B@1/8"), *cards(2, head="B", power="1/4")]
    jobs = [
        Frame(head="", power="", lights=lights, thing=("large", RED, 0.3), ground=9)
        for lights in ("B@1/8 & A@1/4", "A@1/4")
    ]
    found = read(write(tmp_path / "s", [*both, *jobs], patch=True))
    card = found.readings.iloc[1]
    assert card["status"] == "ok"
    assert card["mired"] > 0
    assert analyse(found.readings, found.settings).powers["head"].tolist() == ["B"]
    body = next(iter(found.bodies.values()))
    flash = found.readings[found.readings["kind"] == "flash"]
    assert body.reference_neutral is not None
    assert body.reference_neutral[2] == pytest.approx(flash["b_g"].mean(), abs=1e-12)  # the card pins nothing
    table = correct_frames(found, to="B@1/4").table.set_index("frame")
    assert table.loc["f04.dng", ["source", "via"]].tolist() == ["nearby", "f01.dng"]
    assert table.loc["f05.dng", "source"] == ""


def test_a_head_that_moved_shifts_no_other_through_the_tie(tmp_path: Path) -> None:
    """Of three heads one is 9 mired warmer than last time: the tie is that of the two others, and names the third."""
    lights = [Frame(head=head, power="1/4", kind="flash") for head in "ABC" for _ in range(3)]
    last = read(write(tmp_path / "last", lights, seed=5))
    now = [replace(one, warmer=0.06 * (one.head == "B")) for one in lights]
    data = read(write(tmp_path / "now", now, seed=6, lens=(1.02, 1.0, 0.97)))
    found = correct_frames(data, elsewhere=last)
    table = found.table.set_index("head")
    true = {"A": 1.0, "C": LIGHTS["A"][1] / LIGHTS["C"][1], "B": LIGHTS["A"][1] / LIGHTS["B"][1] * np.exp(0.03)}
    for head, gain in true.items():
        assert table.loc[head, "gain_b"].mean() == pytest.approx(gain, abs=0.0015), head
    means = [one.readings.groupby("head")["mired"].mean() for one in (last, data)]
    moved = (means[1]["B"] - means[0]["B"]) - (means[1][["A", "C"]].mean() - means[0][["A", "C"]].mean())
    (line,) = [line for line in lines(found.messages) if "the tie between the sessions leaves it out" in line]
    said = re.match(r"head B has moved by (\d+\.\d) mired against the others since", line)
    assert said is not None, line
    assert float(said[1]) == pytest.approx(moved, abs=0.3)
    alone = correct_frames(data, elsewhere=read(write(tmp_path / "two", lights[:6], seed=5)))
    assert any(line.startswith("heads A and B have moved apart by") for line in lines(alone.messages))
    assert alone.table["u_mired_shift"].min() > 4.0  # which of two has moved is not known


def test_a_check_row_is_a_flash_with_a_check_note(tmp_path: Path) -> None:
    """Both spellings give the same cells and the same check frames."""
    lights = [Frame(head=head, power="1/4", kind="flash") for head in "ABA" for _ in range(2)]
    noted = write(tmp_path / "s", lights)
    log = (noted / "shots.csv").read_text().splitlines()
    lines = [row + (",check frame" if at in (6, 7) else ",") for at, row in enumerate(log)]
    lines[0] = log[0] + ",note"
    (noted / "shots.csv").write_text("\n".join(lines) + "\n")
    said = analyse(read(noted).readings, read(noted).settings)
    (noted / "shots.csv").write_text(
        "\n".join(row.replace(",flash,", ",check,") if at in (6, 7) else row for at, row in enumerate(log)) + "\n"
    )
    own = read(noted)
    assert own.readings["kind"].tolist()[5:7] == ["check", "check"]
    drift = analyse(own.readings, own.settings)
    assert drift.powers["n"].tolist() == [2, 2]
    pd.testing.assert_frame_equal(drift.powers, said.powers)
    pd.testing.assert_frame_equal(drift.frames.checks, said.frames.checks)
