"""The page for the player: one page, whole, as typed; read back and rendered by another library."""

import time
import xml.etree.ElementTree as Tree
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pypdfium2
import pytest

from plantigrade.block import Foot
from plantigrade.zones import eighteen
from plantigrade_gateway.report import typeset
from plantigrade_gateway.report.soles import pair, sole
from plantigrade_gateway.report.typeset import (
    FootPicture,
    Moment,
    NotPrinted,
    PlayerPage,
    Practice,
    pdf,
)

LAYOUT = eighteen()
FLAT = [30.0] * LAYOUT.n_zones
TYPED = 'Keep it: #panic() $x$ \\ *not bold* <b> "quoted" [x]'
MM = 72 / 25.4


def full_page() -> PlayerPage:
    """Return a page of an invented player with something in every place."""
    feet = tuple(
        FootPicture(
            str(foot), sole(LAYOUT, foot, FLAT, 30.0), f"{foot} sole", f"Your {foot} foot rests."
        )
        for foot in Foot
    )
    both = pair(LAYOUT, FLAT, FLAT, 30.0)
    says = ("most weight on the trail foot", "weight moves across", "most weight on the lead foot")
    return PlayerPage(
        name="Ida Quist (invented)",
        under="5 January 2026, low shoe",
        feet=feet,
        moments=tuple(Moment(both, text, text) for text in says),
        swing="Your seventh swing: the trail foot rolled.",
        decided=("Lead heel: go.", "Push: not yet.", TYPED),
        drills=(
            Practice("One long push", ("Eight swings.", "Feel the heel first.")),
            Practice("Heel heavy", ("Ten swings.",)),
        ),
        speed="not yet, because the push is not there",
        pushes="5 of 8, last time 4 of 8",
        next_visit="2 February 2026",
        day=date(2026, 1, 5),
    )


def read(data: bytes) -> tuple[str, tuple[float, float], int]:
    """Return a PDF's text in one line, its first page's size in mm, and its number of pages."""
    with pypdfium2.PdfDocument(data) as document:
        first = document[0]
        width, height = first.get_size()
        text = " ".join(first.get_textpage().get_text_bounded().split())
        return text, (round(width / MM), round(height / MM)), len(document)


@pytest.mark.parametrize(("paper", "size"), [("a4", (210, 297)), ("letter", (216, 279))])
@pytest.mark.dear
def test_a_page_is_one_page_of_its_paper_and_holds_every_text(paper, size):
    # ISO 216: A4 is 210 × 297 mm; ANSI/ASME Y14.1: Letter is 8.5 × 11 in
    page = full_page()
    text, found, pages = read(pdf(page, paper))
    assert (found, pages) == (size, 1)
    for line in (page.name, page.under, *page.texts):
        assert line in text
    assert "Stop if it hurts" in text
    assert "no diagnosis" in text


@pytest.mark.dear
def test_each_pair_of_soles_says_which_is_which():
    """Two soles as they stand, and three pairs of a swing; nothing is said of what is not there."""
    text, _, _ = read(pdf(full_page()))
    assert text.split().count("left") == text.split().count("right") == 1 + 1 + 3
    text, _, _ = read(pdf(replace(full_page(), moments=(), swing="")))
    assert text.split().count("left") == 1 + 1
    assert "Darker" in text
    text, _, _ = read(pdf(replace(full_page(), moments=(), feet=(), swing="")))
    assert "Darker" not in text


def test_what_has_no_data_is_left_out_with_its_heading():
    text, _, _ = read(pdf(PlayerPage("Code 7", "5 January 2026")))
    for heading in ("standing", "swings", "decided", "Do this", "Speed", "Since", "Next"):
        assert heading not in text
    assert "Code 7" in text


def test_the_longest_texts_still_make_one_page_inside_its_margins():
    word = "Abrollbewegung "
    long = replace(
        full_page(),
        name=("N" * 20 + " ") * 4,
        decided=(word * 8,) * 3,
        drills=(Practice(word * 4, (word * 8, word * 8)),) * 2,
        speed=f"not yet, because {word * 8}",
        pushes=word * 8,
    )
    data = pdf(long)
    text, _, pages = read(data)
    assert pages == 1
    assert text.count("Abrollbewegung") == 3 * 8 + 2 * 20 + 16
    with pypdfium2.PdfDocument(data) as document:
        picture = np.asarray(document[0].render(scale=2).to_pil().convert("L"))
    edge = int(10 * MM * 2)
    for border in (
        picture[:edge],
        picture[-edge:],
        picture[:, :edge],
        picture[:, -edge:],
    ):
        assert border.min() == 255
    assert picture.min() < 60


def test_a_word_longer_than_the_page_is_wide_breaks_and_loses_no_letter():
    word = "Rolle" + 20 * "weiter" + "!"
    page = replace(
        full_page(), name=40 * "N", decided=(f"Push: {word}",), speed=f"go. {word}", drills=()
    )
    data = pdf(page)
    with pypdfium2.PdfDocument(data) as document:
        picture = np.asarray(document[0].render(scale=2).to_pil().convert("L"))
        text = document[0].get_textpage().get_text_bounded()
    edge = int(10 * MM * 2)
    assert picture[:, :edge].min() == 255 and picture[:, -edge:].min() == 255
    letters = "".join(sign for sign in text if sign.isalnum() or sign == "!")
    assert letters.count(word) == 2 and 40 * "N" in letters


def test_what_cannot_be_set_on_one_page_is_refused_by_name():
    with pytest.raises(NotPrinted, match="the text of decided is too long"):
        pdf(replace(full_page(), decided=("much too much " * 400,)))


@pytest.mark.parametrize("name", ["\U000f0000", "Zo\ue000", "\U00013000"])
def test_a_sign_that_no_font_has_is_refused_by_name_not_left_out(name):
    """Of private use, and a hieroglyph."""
    with pytest.raises(NotPrinted, match="expected letters of an installed font") as refused:
        pdf(replace(full_page(), name=name))
    said = str(refused.value)
    assert "PDF/" not in said and "`" not in said
    code = f"{ord(name[-1]):x}"
    assert name[-1] in said or f"\\u{{{code}}}" in said


def test_letters_of_other_languages_are_printed_or_refused():
    text, _, _ = read(pdf(replace(full_page(), name="Žofie Ångström-Łuć")))
    assert "Žofie Ångström-Łuć" in text


def test_for_a_sign_that_the_programs_own_fonts_lack_the_machines_others_are_tried(monkeypatch):
    """The own ones stand first in the page: only those beyond them are named again."""

    class Fonts:
        def __init__(self, include_system_fonts: bool) -> None:
            self._families = ["Own Serif", "Of The Machine"][: 1 + include_system_fonts]

        def families(self) -> list[str]:
            return self._families

    tried: list[tuple[list[str], bool]] = []

    def set_(data: dict[str, Any], *, system: bool) -> bytes:
        tried.append((data["fonts"], system))
        if not system:
            raise typeset._MissingSign("'Ա'")
        return b"set"

    monkeypatch.setattr("typst.Fonts", Fonts)
    monkeypatch.setattr(typeset, "_set", set_)
    assert pdf(full_page()) == b"set"
    assert tried == [([], False), (["Of The Machine"], True)]


@pytest.mark.dear
def test_a_page_is_made_the_same_whenever_it_is_made():
    first = pdf(full_page())
    with pypdfium2.PdfDocument(first) as document:
        assert document.get_metadata_value("CreationDate").startswith("D:20260105")
    time.sleep(1.1)  # a PDF knows whole seconds
    assert pdf(full_page()) == first


def darkness(picture: str, x: float, y: float) -> float:
    """Return how dark the circle at a place of a sole's picture is, 0 to 1."""
    root = Tree.fromstring(picture)
    space = "{http://www.w3.org/2000/svg}"
    for circle in root.iter(f"{space}circle"):
        if (
            abs(float(circle.get("cx", "0")) - x) < 0.1
            and abs(float(circle.get("cy", "0")) - y) < 0.1
        ):
            return float(circle.get("fill-opacity", "0"))
    raise AssertionError("no zone there")


def test_zones_lie_mirrored_on_the_left_and_toes_are_up():
    # zone 1: heel, x .36 from the medial edge, y .06; insole 270 × 95 mm; 4 mm edge (design, zones)
    readings = [60.0, *[0.0] * (LAYOUT.n_zones - 1)]
    y = 4 + (1 - 0.06) * 270
    right = sole(LAYOUT, Foot.RIGHT, readings, 60.0)
    left = sole(LAYOUT, Foot.LEFT, readings, 60.0)
    assert darkness(right, 4 + 0.36 * 95, y) == 1.0
    assert darkness(left, 4 + 0.64 * 95, y) == 1.0
    assert darkness(left, 4 + 0.36 * 95, y) == 0.0


def test_a_missing_zone_is_hatched_and_darkness_is_the_part_of_the_highest():
    readings = [30.0, float("nan"), *[0.0] * (LAYOUT.n_zones - 2)]
    picture = sole(LAYOUT, Foot.RIGHT, readings, 60.0)
    assert darkness(picture, 4 + 0.36 * 95, 4 + 0.94 * 270) == 0.5
    assert picture.count('fill="url(#none)"') == 1
