"""The shot sheet: read back as a page by the standard library's parser, frame by frame against the log."""

import re
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
import pytest

from greystep.pages.shot_sheet import plan_text, shot_sheet
from greystep.planning.cells import Cell, all_cells, swap_cells
from greystep.planning.folder import Draft, session_document, shots_table
from greystep.planning.order import arrange
from greystep.planning.rig import Rig

RIG = Rig("1/125", False, 2, 3, 0.5, 1.5)
FOLDER = Path("prep day")


class Rows(HTMLParser):
    """The table rows of a page as lists of cell texts, and every address that it asks for."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self.boxes = 0
        self.addresses: list[str] = []
        self.inside = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.addresses += [value or "" for name, value in attrs if name in ("src", "href", "srcset", "action")]
        self.boxes += tag == "i"
        if tag == "tr":
            self.rows.append([])
        elif tag == "td":
            self.inside = True
            self.rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        self.inside = self.inside and tag != "td"

    def handle_data(self, data: str) -> None:
        if self.inside:
            self.rows[-1][-1] += data


def parsed(page: str) -> Rows:
    rows = Rows()
    rows.feed(page)
    return rows


def draft_of(order: str = "by-head", heads: tuple[str, ...] = ("A", "B"), earlier: pd.DataFrame | None = None) -> Draft:
    cells = all_cells(heads, ["full", "1/4", "1/64"], 2, dict.fromkeys(heads, "P1"))
    steps = arrange(cells, order, 1, Cell(heads[0], "full", 0.0, "P1"))
    return Draft("Prep day", order, 1, steps, session_document("Prep day", heads), heads[0], earlier)


@pytest.mark.parametrize("order", ["by-head", "shuffled", "mixed"])
def test_the_page_has_a_box_for_every_frame_in_the_order_of_the_log(order: str) -> None:
    draft = draft_of(order)
    page = parsed(shot_sheet(draft, RIG, FOLDER))
    frames = [row for row in page.rows if len(row) > 2 and row[1].isdigit()]
    log = shots_table(draft.steps)
    assert [row[1] for row in frames] == log["box"].tolist()
    said = {"ambient": "flash off", "dark": "lens cap on"}
    for row, shot in zip(frames, log.to_dict(orient="records"), strict=True):
        assert "".join(row[2:]) == said.get(shot["kind"], shot["power"])
    assert page.boxes == len(draft.steps) + page_setup(draft)
    assert not page.addresses
    assert len([row for row in page.rows if len(row) == 2]) == len(draft.steps) - len(log)


def test_each_head_has_a_column_and_its_frames_stand_in_it() -> None:
    draft = draft_of("shuffled", ("B", "A"))
    rows = [row for row in parsed(shot_sheet(draft, RIG, FOLDER)).rows if len(row) > 2 and row[1].isdigit()]
    lit = [row for row in rows if len(row) == 2 + 2 + 1]
    shots = [shot for shot in shots_table(draft.steps).to_dict("records") if shot["head"]]
    assert [("A" if row[2] else "B", row[2] or row[3]) for row in lit] == [(s["head"], s["power"]) for s in shots]
    page = shot_sheet(draft_of(heads=("A", "B", "C")), RIG, FOLDER)
    lanes = re.split(r'<div class="lane"><h2>Head ([ABC])', page)[1:]
    assert lanes[::2] == ["A", "B", "C"]
    assert all("1/64" in lane for lane in lanes[1::2])


def test_page_one_has_the_cautions_blanks_folder_and_next_command_and_each_sheet_its_plan_and_number() -> None:
    page = shot_sheet(draft_of(), RIG, FOLDER)
    first = page[page.index('class="first"') : page.index('class="boxes"')]
    for said in ("discharge", "Once, before", "prep day/frames", "greystep watch &#39;prep day&#39;"):
        assert said in first, said
    blanks = re.findall(r'<dt>([^<]+)</dt><dd class="blank"></dd>', first)
    assert {"Date", "Aperture", "Camera, serial"} <= set(blanks)
    assert '@top-left { content: "Prep day: shot sheet"; }' in page
    assert "counter(page)" in page
    assert "counter(pages)" in page


def page_setup(draft: Draft) -> int:
    return len(re.findall(r"<li><i></i>", shot_sheet(draft, RIG, FOLDER)))


def test_the_cautions_stand_on_the_page_and_at_every_change_of_head() -> None:
    page = shot_sheet(draft_of(heads=("A", "B", "C")), RIG, FOLDER)
    assert "high" in page
    assert "voltage" in page
    assert "let the tube cool" in page
    assert "licensed" in page
    changes = [row[1] for row in parsed(page).rows if len(row) == 2 and row[1].startswith("Put head")]
    assert len(changes) == 2
    assert all("Pack off and discharged as its maker says" in text and "tube cool" in text for text in changes)


def test_what_the_page_says_of_the_rig() -> None:
    page = shot_sheet(draft_of(), RIG, FOLDER)
    assert "light 7.5 m off or more: a target 1.5 m wide" in page
    assert "70 to 80 % of the raw range" in page
    assert "100 down to 5 stops below the highest power, 400 below that" in page
    assert "Camera to ISO 400. Nothing else." in page
    assert "two powers of a head can be told apart from 1.2 mired on" in page  # t(6) 2.447 x 0.5 x sqrt(2/2)
    assert "two heads, each put on the stand anew, from 1.9 mired on" in page  # with 0.5 mired of place for each
    assert "longer if any t0.1" in page
    known = shot_sheet(draft_of(), Rig("1/60", True, 2, 3, 0.5, 0.3), FOLDER)
    assert "1/60: at least 2 times the longest t0.1" in known
    assert "No shorter than camera and trigger keep in step" in known


def test_labels_cannot_break_the_page() -> None:
    page = shot_sheet(draft_of(heads=('<b>"A"&', "B")), RIG, FOLDER)
    assert '<b>"A' not in page
    assert "Head &lt;b&gt;&#34;A&#34;&amp;" in page


def test_a_swap_names_the_pack_at_every_change() -> None:
    cells = swap_cells(["C", "D"], ["P1", "P2"], ["full", "1/16"], 2)
    draft = Draft("Swap", "by-head", 1, arrange(cells), session_document("Swap", ["C", "D"]), "")
    texts = [row[1] for row in parsed(shot_sheet(draft, RIG, FOLDER)).rows if len(row) == 2]
    named = [text.split(".")[0] for text in texts if text.startswith("Put head")]
    assert named == [
        "Put head C on the stand, on pack P1",
        "Put head C on the stand, on pack P2",
        "Put head D on the stand, on pack P2",
        "Put head D on the stand, on pack P1",
    ]


def test_a_sheet_that_goes_on_counts_on() -> None:
    draft = draft_of(earlier=pd.DataFrame({"frame": [""] * 66}))
    page = parsed(shot_sheet(draft, RIG, FOLDER))
    assert next(row[1] for row in page.rows if len(row) > 2) == "67"
    text = plan_text(draft, RIG, ["plan/shots.csv"])
    assert "66 frames already shot" in text
    assert "more round" in text
    assert text.endswith("wrote plan/shots.csv")


def test_the_same_plan_gives_the_same_bytes() -> None:
    assert shot_sheet(draft_of(), RIG, FOLDER) == shot_sheet(draft_of(), RIG, FOLDER)
