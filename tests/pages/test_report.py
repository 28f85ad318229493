import re
from dataclasses import replace
from html.parser import HTMLParser
from importlib.resources import files
from typing import Any

import numpy as np
import pytest

from greystep import words as say
from greystep.compare.called import Called
from greystep.pages import figures
from greystep.pages import formats as words
from greystep.pages import report as page
from greystep.pages import svg as canvas
from greystep.pages import tables as series
from greystep.sentences.summary import ReferenceLight
from greystep.session.settings import Tolerance
from greystep.terms import Verdict


def build(kit: Any, **changed: Any) -> str:
    tables = series.figure_tables(kit.powers, kit.readings, kit.summary.reference)
    drawings = figures.drawings(tables, kit.summary.reference, kit.summary.tolerance)
    given = {
        "summary": kit.summary, "readings": kit.readings, "powers": kit.powers, "drawings": drawings,
        "thumbnails": kit.thumbnails,
    }  # fmt: skip
    return page.report_page(**(given | changed))


class Page(HTMLParser):
    """The page as a reader's program sees it: tags with attributes, the words, and the tables by caption."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.tables: dict[str, list[list[str]]] = {}
        self.rows: list[list[str]] = []
        self.inside: list[str] = []
        self.caption = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "img", "br", "path", "circle", "rect"):
            self.inside.append(tag)
        if tag == "table":
            self.rows, self.caption = [], ""
        if tag == "tr":
            self.rows.append([])
        if tag in ("th", "td"):
            self.rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        if tag in self.inside:
            while self.inside.pop() != tag:
                pass
        if tag == "table":
            self.tables[self.caption] = self.rows

    def handle_data(self, data: str) -> None:
        if "style" in self.inside:
            return
        self.text.append(data)
        if "caption" in self.inside:
            self.caption += data
        elif {"th", "td"} & set(self.inside):
            self.rows[-1][-1] += data

    @property
    def words(self) -> str:
        return " ".join(" ".join(self.text).split())


@pytest.fixture(scope="module")
def html(kit: Any) -> str:
    return build(kit)


@pytest.fixture(scope="module")
def read(html: str) -> Page:
    return Page(html)


def test_the_page_asks_for_nothing_outside_itself(html: str, read: Page) -> None:
    assert not {"script", "link", "iframe", "object"} & {tag for tag, _ in read.tags}
    for tag, attributes in read.tags:
        for name in ("src", "href", "srcset", "data", "poster"):
            if name in attributes:
                assert tag == "img"
                assert (attributes[name] or "").startswith(("data:image/svg+xml;base64,", "data:image/jpeg;base64,"))
    style = html[html.index("<style>") : html.index("</style>")]
    assert "url(" not in style
    assert "@import" not in style
    assert len(html) < 3_000_000


def test_the_page_can_be_read_without_seeing_it(read: Page) -> None:
    tags = read.tags
    assert next(attributes for tag, attributes in tags if tag == "html")["lang"] == "en"
    assert [tag for tag, _ in tags].count("h1") == 1
    assert all(attributes.get("alt") for tag, attributes in tags if tag == "img")
    assert all(attributes.get("aria-hidden") == "true" for tag, attributes in tags if tag == "svg")
    names = [tag for tag, _ in tags]
    assert names.count("figure") == names.count("figcaption") == 7
    assert names.count("table") == names.count("caption") == 4
    assert all("scope" in attributes for tag, attributes in tags if tag == "th")


def test_the_first_words_say_which_head_goes_back_and_why(read: Page) -> None:
    start = read.words[read.words.index("Hire kit, prep day 2026") :]
    assert start.index("Send back heads B and D") < start.index("B does not hold: 1/16 is") < 200
    worst = start.index("The worst two in one picture: C at 1/16 is")
    assert worst < start.index("What to do next") < start.index("high voltage") < start.index("Head by head")
    assert start.count("high voltage") == 1


def test_page_one_speaks_the_trades_words(kit: Any, read: Page) -> None:
    first = read.words[: read.words.index("Figures and numbers")]
    for word in ("steps", "u'v'", "expanded", "locus", "chromaticity", "Duv"):
        assert word not in first
    for sentence in kit.summary.sentences.values():
        assert sentence in first
    for word in say.VERDICTS.values():
        assert word in first


def test_the_table_of_cells_holds_the_numbers_of_powers(kit: Any, read: Page) -> None:
    rows = read.tables["Every head at every power"][1:]
    assert len(rows) == len(kit.powers)
    for row, cell in zip(rows, kit.powers.to_dict("records"), strict=True):
        value = [float(text.split()[0].replace("\N{MINUS SIGN}", "-")) for text in row[2:]]
        assert row[:2] == [cell["head"], cell["power"]]
        assert value[0] == cell["n"]
        assert value[1] == pytest.approx(cell["cct_k"], abs=0.5)
        assert value[2] == pytest.approx(cell["mired"], abs=0.05001)
        assert value[3] == pytest.approx(cell["duv"], abs=0.0000501)
        assert value[4] == pytest.approx(cell["ref_delta_k"], abs=0.5)
        assert value[5] == pytest.approx(cell["ref_delta_mired"], abs=0.05001)
        assert value[6] == pytest.approx(cell["ref_delta_duv"], abs=0.0000501)
        assert value[7] == pytest.approx(cell["ref_delta_steps"], abs=0.0501)
        assert value[8] == pytest.approx(cell["output_error_stops"], abs=0.00501)


def test_what_the_order_left_is_printed_head_by_head(kit: Any) -> None:
    heads = kit.summary.heads_table.assign(lag1=[0.31, -0.12, np.nan, 0.0])
    powers = kit.powers.assign(up_less_down_mired=np.where(kit.powers["head"] == "A", -0.26, np.nan))
    rows = Page(build(kit, summary=replace(kit.summary, heads_table=heads), powers=powers)).tables[
        "What the order of shooting left"
    ]
    minus = "\N{MINUS SIGN}"
    assert rows[1][:2] == ["A", "+0.31"]
    assert rows[1][2].startswith(f"full: {minus}0.3, 1/2: {minus}0.3")
    assert rows[2] == ["B", f"{minus}0.12", words.EMPTY]
    assert rows[3] == ["C", words.EMPTY, words.EMPTY]


@pytest.mark.parametrize(
    ("limits", "first"),
    [
        ({"mired": 4.0}, "delta_mired"),
        ({"mired": 4.0, "duv": 0.0001}, "delta_duv"),
        ({"kelvin": 100.0, "mired": 400.0}, "delta_k"),
        ({"steps": 4.0}, "delta_steps"),
        ({}, "delta_steps"),
    ],
)
def test_the_pairs_that_take_most_of_a_limit_come_first(kit: Any, limits: dict[str, float], first: str) -> None:
    pairs = kit.summary.pairs
    row = pairs.loc[pairs[first].abs().idxmax()]
    given = dict.fromkeys(("mired", "duv", "steps", "kelvin", "output_stops")) | limits
    rows = page._widest_pairs(pairs, Tolerance(**given, is_default=False))
    assert len(rows) == page.PAIRS_SHOWN
    assert all(getattr(rows[0], name) == row[name] for name in ("head_a", "power_a", "head_b", "power_b"))


def test_the_longest_table_of_pairs_says_what_it_leaves_out(read: Page) -> None:
    caption = "The 12 of 150 pairs of different heads that take most of the limits (all in pairs.csv)"
    assert len(read.tables[caption]) == 13


def test_every_frame_is_shown_with_its_patch_and_what_is_wrong_with_it(kit: Any, html: str, read: Page) -> None:
    sheet = html[html.index('<ul class="sheet">') :]
    assert sheet.count("data:image/jpeg;base64,") == len(kit.readings)
    assert sheet.count('<i style="left:39.0%;top:36.0%;width:22.0%;height:28.0%">') == len(kit.readings)
    assert "rejected: the pack fired short of its setting" in sheet
    assert "doubtful: more than 0.5 % of the light is room light" in sheet
    flagged = read.tables["Frames with something to say"][1:]
    assert [row[0] for row in flagged] == ["B_1-8_2.dng", "C_full_1.dng"]
    assert "66 frames: 64 good, 1 doubtful, 1 rejected." in read.words


def test_a_frame_without_picture_or_file_keeps_its_place(kit: Any) -> None:
    readings = kit.readings.copy()
    readings.loc[0, ["patch_x0", "patch_y0", "patch_x1", "patch_y1"]] = float("nan")
    text = Page(build(kit, readings=readings, thumbnails={})).words
    assert text.count("no picture") == len(readings)


def test_labels_stay_as_typed_and_cannot_write_html(kit_of: Any) -> None:
    labels = ["None", "007", '<b>&"x"</b>']
    made = kit_of({label: (180.0 + n, 0.1, 0.0, 0.0) for n, label in enumerate(labels)})
    html = build(made)
    assert '<b>&"' not in html
    assert {row[0] for row in Page(html).tables["Every head at every power"][1:]} == set(labels)


def test_the_same_input_gives_the_same_bytes(kit: Any, html: str) -> None:
    assert build(kit) == html


def test_one_head_without_pairs(kit_of: Any) -> None:
    text = Page(build(kit_of({"A": (180.0, 0.1, 0.0, 0.0)}))).words
    assert "worst two" not in text


def test_a_camera_without_a_matrix_still_gets_a_page(kit: Any) -> None:
    colour = ["mired", "cct_k", "duv", "u_prime", "v_prime", "u_mired"]
    deltas = [f"ref_delta_{name}" for name in ("mired", "k", "duv", "steps")]
    blank = float("nan")
    spans = ["span_k", "span_mired", "span_duv", "span_steps", "u_span_mired", "repeatability_mired"]
    html = build(
        kit,
        summary=replace(
            kit.summary,
            reference=ReferenceLight(*[blank] * 6, head=None, power=None, kit=False),
            worst_pair=None,
            heads_table=kit.summary.heads_table.assign(**dict.fromkeys(spans, blank)),
            pairs=kit.summary.pairs.head(0),
        ),
        readings=kit.readings.assign(colour_from="none", **dict.fromkeys(colour, blank)),
        powers=kit.powers.assign(**dict.fromkeys(colour + deltas, blank)),
        drawings={},
    )
    read = Page(html)
    assert "No colour matrix is known for this camera" in read.words
    assert "It moves every head alike" not in read.words
    assert list(read.tables) == ["Frames with something to say"]
    assert "Figures and numbers" not in read.words
    assert "nan" not in html[html.index("<main>") : html.index('<ul class="sheet">')].lower()


def contrast(colour: str, ground: str) -> float:
    """Return the contrast ratio of WCAG 2.1 (relative luminance of sRGB)."""

    def luminance(code: str) -> float:
        values = [int(code[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in values]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(colour), luminance(ground)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_every_text_colour_reads_on_its_ground() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    template = files("greystep.pages").joinpath("style.html").read_text(encoding="utf-8")
    colours = dict(re.findall(r"--(ink|grey|accent|soft): (#[0-9a-f]{6})", template))
    assert len(colours) == 4
    for name in ("ink", "grey", "accent"):
        for ground in ("#ffffff", colours["soft"]):
            assert contrast(colours[name], ground) >= 4.5, name
    for colour in canvas.colours()[:8]:
        letters = "#" + "".join(f"{round(255 * shade):02x}" for shade in canvas.letters(colour))
        assert contrast(letters, "#ffffff") >= 4.5
        assert contrast(letters, canvas.BAND) >= 4.5
    for ground in (*figures.WARMTH, *figures.TINT):
        assert contrast(canvas.INK, ground) >= 4.5, ground


def test_the_kit_is_packed_only_where_it_is_within(kit: Any) -> None:
    for verdict, packed in ((Verdict.WITHIN, True), (Verdict.UNDECIDED, False)):
        summary = replace(kit.summary, todo=(), called=Called(verdict, verdict))
        html = page.report_page(summary, kit.readings, kit.powers, {}, {})
        assert ("pack the kit" in html) == packed
