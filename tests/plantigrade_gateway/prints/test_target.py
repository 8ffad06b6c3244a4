"""The target page in typst's language, held against the page that `footprint.md` describes.

How it looks as PDF, and that a photo of it is found, `test_photos.py` and `test_finding.py` hold.
"""

import re

import cv2
import numpy as np
import pytest

from plantigrade_gateway.prints.finding import DICTIONARY
from plantigrade_gateway.prints.sheet import PAPERS
from plantigrade_gateway.prints.target import _page

SIZES = {"a4": (210.0, 297.0, 0, "a4"), "letter": (215.9, 279.4, 8, "us-letter")}
"""Width, height, first mark, typst's name of the paper: ISO 216; ANSI/ASME Y14.1, size A."""
CELL = re.compile(r"^#cell\(([\d.]+)mm, ([\d.]+)mm, ([\d.]+)mm, ([\d.]+)mm\)$", re.MULTILINE)
WORDS = re.compile(r"^#words\(([\d.]+)mm, ([\d.]+)mm\)\[(.*)\]$", re.MULTILINE)


def rows(name: str) -> list[float]:
    """Return the heights of the four rows of marks: 20 mm from the edges, evenly apart."""
    return [20.0 + k * (SIZES[name][1] - 40.0) / 3 for k in range(4)]


@pytest.mark.parametrize("name", list(SIZES))
def test_the_cells_drawn_are_the_eight_marks(name):
    """Painted at 3 cells a mm: each mark of 20 mm has 6 × 6 cells, 60 pixels across."""
    width, height, first, size = SIZES[name]
    page = _page(PAPERS[name], size)
    assert f'#set page(paper: "{size}", margin: 0mm)' in page
    *cells, bar = [tuple(map(float, found)) for found in CELL.findall(page)]
    picture = np.full((round(3 * height), round(3 * width)), 255, np.uint8)
    for left, top, wide, high in cells:
        assert (wide, high) == pytest.approx((20 / 6, 20 / 6), abs=1e-3)
        down, right = round(3 * top), round(3 * left)
        picture[down : down + 10, right : right + 10] = 0
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    places = [(x, y) for x in (20.0, width - 20.0) for y in rows(name)]
    for place, (x, y) in enumerate(places):
        column, row = round(3 * (x - 10.0)), round(3 * (y - 10.0))
        mark = cv2.aruco.generateImageMarker(dictionary, first + place, 60)
        assert np.array_equal(picture[row : row + 60, column : column + 60], mark)
        picture[row : row + 60, column : column + 60] = 255
    assert (picture == 255).all()  # and nothing beside them
    # the bar that shows the scale: 1 by 50 mm, in the right column's lowest gap
    *_, third, last = rows(name)
    middle = (third + last) / 2
    assert bar == pytest.approx((width - 20.5, middle - 25.0, 1.0, 50.0))


@pytest.mark.parametrize("name", list(SIZES))
def test_five_sentences_stand_in_the_gaps_between_the_marks(name):
    """Left column downwards, then the right one; the bar has the last gap."""
    width, _, _, size = SIZES[name]
    page = _page(PAPERS[name], size)
    ys = rows(name)
    gaps = [(ys[k] + ys[k + 1]) / 2 for k in range(3)]
    expected = [(20.0, y) for y in gaps] + [(width - 20.0, y) for y in gaps[:2]]
    found = WORDS.findall(page)
    assert np.array([(float(x), float(y)) for x, y, _ in found]) == pytest.approx(
        np.array(expected)
    )
    said = [says for _, _, says in found]
    assert said[0].startswith("Toes at this end.")
    assert said[2] == "Print at 100 %, not fitted to the page: the bar is 50 mm long."
    assert said[4] == "Then photograph the whole page from above, lying flat."
    # 2 mm are left free on either side of the marks
    room = ys[1] - ys[0] - 20.0 - 4.0
    assert "height: 16mm" in page and f"width: {room}mm" in page
    assert f"dy: y - {room}mm / 2" in page and "ROOM" not in page


def test_the_page_names_its_paper_and_its_design_not_the_day():
    page = _page(PAPERS["letter"], "us-letter")
    assert 'title: "Target page for a footprint (Letter)"' in page
    assert "date: datetime(year: 2026, month: 11, day: 28)" in page
