import re
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from greystep.compare.called import Called
from greystep.pages import formats as words
from greystep.pages import report as page
from greystep.pages import tables as series
from greystep.sentences.kit import Odd
from greystep.sentences.summary import ReferenceLight
from greystep.terms import Verdict


def build(kit: Any, **changed: Any) -> str:
    tables = series.figure_tables(kit.powers, kit.readings, kit.summary.reference, kit.summary.calipers)
    given = {
        "summary": kit.summary, "readings": kit.readings, "powers": kit.powers, "tables": tables,
        "pictures": kit.pictures,
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
                value = attributes[name] or ""
                assert value.startswith("data:image/jpeg;base64,") if tag == "img" else value.startswith("#")
    for style in re.findall(r"<style>(.*?)</style>", html, re.DOTALL):
        assert "url(" not in style
        assert "@import" not in style
    assert len(html) < 1_500_000


def test_every_link_leads_to_a_place_of_the_page(read: Page) -> None:
    ids = [attributes["id"] for _, attributes in read.tags if "id" in attributes]
    wanted = [attributes["href"] for _, attributes in read.tags if "href" in attributes]
    assert len(ids) == len(set(ids))
    assert len(wanted) >= 4 + 12  # heads, and two cells of each pair
    assert {(href or "")[1:] for href in wanted} <= set(ids)


def test_the_page_can_be_read_without_seeing_it(read: Page) -> None:
    tags = read.tags
    assert next(attributes for tag, attributes in tags if tag == "html")["lang"] == "en"
    assert [tag for tag, _ in tags].count("h1") == 1
    assert all(attributes.get("alt") for tag, attributes in tags if tag == "img")
    for tag, attributes in tags:
        if tag == "svg":
            assert attributes.get("aria-hidden") == "true" or len(attributes.get("aria-label") or "") > 20
    assert all("scope" in attributes for tag, attributes in tags if tag == "th")


def test_the_first_words_say_which_head_goes_back_and_why(read: Page) -> None:
    start = read.words[read.words.index("Kit Hire kit, prep day") :]
    for earlier, later in pairwise(
        ("Usable frames 65 of 66", "Send back heads B and D", "is out of its limit", "What to do", "high voltage",
         "Limits", "Not known here", "Tested by, date", "For the hire desk, date", "Every head against every other")
    ):  # fmt: skip
        assert start.index(earlier) < start.index(later), (earlier, later)
    assert start.count("high voltage") == 1


def test_the_table_of_heads_has_the_worst_first_with_serial_and_state(kit: Any, html: str) -> None:
    rows = Page(html[html.index('<table class="heads"') : html.index("</table>")] + "</table>").tables[""]
    assert [row[0].split()[0] for row in rows[1:3]] == ["B", "D"]
    assert [row[1].strip() for row in rows[1:]] == ["send back", "send back", "cannot call it", "keep"]
    assert {row[0].split()[2].rstrip(",") for row in rows[1:]} == {"1070", "1071", "1072", "1073"}


def test_page_one_speaks_the_trades_words(kit: Any, read: Page) -> None:
    first = read.words[: read.words.index("Every head against every other")]
    for word in ("steps", "u'v'", "locus", "chromaticity", "Duv", "+"):
        assert word not in first, word
    for word in ("expanded", "anchored", "patch", "as warm", "no greener or pinker"):
        assert word not in read.words.replace(kit.summary.notes[0], ""), word
    for sentence in kit.summary.sentences.values():
        assert sentence in read.words


def test_kelvin_has_no_plus_sign_under_plus_is_warmer(read: Page) -> None:
    assert not re.search(r"\+\d+ K", read.words)
    rows = read.tables["Every head at every power"][1:]
    assert {row[6].split()[-1] for row in rows} <= {"warmer", "cooler", "0"}


def test_the_table_of_cells_holds_the_numbers_of_powers(kit: Any, read: Page) -> None:
    rows = read.tables["Every head at every power"][1:]
    assert len(rows) == len(kit.powers)
    for row, cell in zip(rows, kit.powers.to_dict("records"), strict=True):
        value = [float(text.split()[0].replace("\N{MINUS SIGN}", "-")) for text in row[2:]]
        value[4] *= -1 if "warmer" in row[6] else 1
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


def test_every_frame_is_shown_with_its_place_and_what_is_wrong_with_it(kit: Any, html: str, read: Page) -> None:
    sheet = html[html.index('<ul class="problems">') :]
    assert sheet.count("data:image/jpeg;base64,") == len(kit.readings)
    assert sheet.count('<i style="left:39.0%;top:36.0%;width:22.0%;height:28.0%">') == len(kit.readings)
    large = sheet[: sheet.index("</ul>")]
    assert large.index("rejected: the pack fired short") < large.index("doubtful: more than 0.5 % of the light")
    flagged = read.tables["Frames with something to say"][1:]
    assert [row[0] for row in flagged] == ["B_1-8_2.dng", "C_full_1.dng"]
    assert "66 frames: 64 good, 1 doubtful, 1 rejected." in read.words


def test_a_frame_with_a_fault_stands_with_its_cure(kit: Any) -> None:
    html = build(kit, cures={"B_1-8_2.dng": ["wait for full charge and shoot it again"], "A_full_1.dng": ["none"]})
    large = html[html.index('<ul class="problems">') : html.index("Frames with something to say")]
    assert large.index("B_1-8_2.dng") < large.index("wait for full charge") < large.index("C_full_1.dng")


def test_a_frame_without_picture_or_file_keeps_its_place(kit: Any) -> None:
    readings = kit.readings.copy()
    readings.loc[0, ["patch_x0", "patch_y0", "patch_x1", "patch_y1"]] = float("nan")
    text = Page(build(kit, readings=readings, pictures={})).words
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
        ),
        readings=kit.readings.assign(colour_from="none", **dict.fromkeys(colour, blank)),
        powers=kit.powers.assign(**dict.fromkeys(colour + deltas, blank)),
        tables={},
    )
    read = Page(html)
    assert "No colour matrix is known for this camera" in read.words
    assert "It moves every head alike" not in read.words
    assert "Every head at every power" not in read.tables
    assert "Every head against every other" not in read.words
    shown = re.sub(r'"data:[^"]*"', "", html[html.index("<main>") : html.index('<ul class="sheet">')]).lower()
    assert re.findall(r".{20}nan.{20}", shown) == []


def test_the_kit_is_packed_only_where_it_is_within(kit: Any) -> None:
    for verdict, packed in ((Verdict.WITHIN, True), (Verdict.UNDECIDED, False)):
        summary = replace(kit.summary, todo=(), called=Called(verdict, verdict))
        html = page.report_page(replace(summary, steps=(), odd=Odd()), kit.readings, kit.powers, {}, {})
        assert ("pack the kit" in html) == packed
