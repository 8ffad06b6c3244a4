"""The page of footprints: what is asked of a photo and kept; the photo's reading is left out."""

import base64
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from tests.support.pagetext import text_of

from plantigrade.footprint import Marks
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.prints.ink import LEVEL
from plantigrade_gateway.web.desk import prints as module
from plantigrade_gateway.web.desk.prints import _marks, _points

NO_ONE = "0" * 32
KIND = {"content-type": "image/jpeg"}


@pytest.fixture
def read(monkeypatch) -> SimpleNamespace:
    """What the photo and its print were read with, and what was kept."""
    made = SimpleNamespace(flat=[], print_=[], footprint=[], kept=[], gone=[])

    def flat_of(photo: bytes, **how: Any) -> Any:
        made.flat.append((photo, how))
        return SimpleNamespace(jpeg=b"JPEG", pitch_mm=0.5, mirrored=how["mirrored"], sheet="a4")

    def read_print(flat: Any, level: float, marks: Any) -> Any:
        made.print_.append((level, marks))
        return SimpleNamespace(print_=np.ones((3, 8), bool), index="index", marks="marks")

    class Footprint:
        said = "left foot, walking"

        @staticmethod
        def of(*what: Any, **how: Any) -> Any:
            made.footprint.append((what, how))
            return Footprint

    class Prints:
        def __init__(self, register: Any) -> None:
            """Keeps what the test looks at."""

        def keep(self, player_id: str, one: Any, picture: bytes | None) -> None:
            made.kept.append((player_id, picture))

        def of(self, player_id: str) -> list[Any]:
            return []

        def picture(self, player_id: str, print_id: str) -> bytes:
            return f"{player_id}/{print_id}".encode()

        def take_away(self, player_id: str, print_id: str) -> None:
            made.gone.append((player_id, print_id))

    monkeypatch.setattr(module, "flat_of", flat_of)
    monkeypatch.setattr(module, "read_print", read_print)
    monkeypatch.setattr(module, "Footprint", Footprint)
    monkeypatch.setattr(module, "Prints", Prints)
    monkeypatch.setattr(module, "plain", lambda one: {"of": "it"})
    return made


def asked(pages: Any, player: str, **how: Any) -> Any:
    how = {"foot": "left", "how": "walking"} | how
    return pages.post(
        f"/players/{player}/prints/read.json", params=how, content=b"photo", headers=KIND
    )


def test_a_photo_is_read_as_it_is_asked_and_not_kept_unless_that_is(pages, hand, read):
    told = asked(pages, hand.ada).json()
    assert told == {
        "footprint": {"of": "it"},
        "said": "left foot, walking",
        "picture": base64.b64encode(b"JPEG").decode(),
        "pitch_mm": 0.5,
        "rows": 3,
        "columns": 8,
        "print": base64.b64encode(b"\xff\xff\xff").decode(),
        "kept": False,
    }
    how = {"paper": None, "corners": None, "mirrored": False}
    assert read.flat == [(b"photo", how)] and read.kept == []
    assert read.print_ == [(LEVEL, None)]
    corner, mark = list(range(8)), [50, 10, 50, 200, 20, 100, 80, 100]
    more = {"sheet": "letter", "mirrored": "yes", "level": 0.25, "corner": corner, "mark": mark}
    told = asked(pages, hand.ada, **more, keep="yes")
    assert told.status_code == 200 and told.json()["kept"] is True, told.text
    corners = [(0.0, 1.0), (2.0, 3.0), (4.0, 5.0), (6.0, 7.0)]
    assert read.flat[1][1] == {"paper": "letter", "corners": corners, "mirrored": True}
    marks = Marks((50.0, 10.0), (50.0, 200.0), ((20.0, 100.0), (80.0, 100.0)))
    assert read.print_[1] == (0.25, marks)
    what, of = read.footprint[1]
    assert what == ("index", "marks")
    assert of == {
        **{"foot": "left", "how": "walking", "is_mirrored": True},
        **{"level": 0.25, "sheet": "a4"},
    }
    assert read.kept == [(hand.ada, None)]
    asked(pages, hand.ada, keep="yes", keep_picture="yes")
    assert read.kept[1] == (hand.ada, b"JPEG")


@pytest.mark.parametrize(
    ("more", "status"),
    [
        ({"foot": "third"}, 422),
        ({"how": "running"}, 422),
        ({"sheet": "a3"}, 422),
        ({"corner": [1, 2, 3]}, 409),
        ({"mark": list(range(9))}, 409),
    ],
)
def test_what_cannot_be_read_so_is_refused(pages, hand, read, more, status):
    assert asked(pages, hand.ada, **more).status_code == status and read.kept == []


def test_a_player_who_is_not_there_is_a_404(pages, read):
    assert asked(pages, NO_ONE).status_code == 404 and read.flat == []
    for rest in ("prints", "target.pdf"):
        assert pages.get(f"/players/{NO_ONE}/{rest}").status_code == 404


def test_the_page_the_sheet_and_a_picture_are_given_and_a_print_taken_away(
    pages, hand, read, monkeypatch
):
    assert "Ada Invented" in text_of(pages.get(f"/players/{hand.ada}/prints"))
    picture = pages.get(f"/players/{hand.ada}/prints/77.jpg")
    assert picture.headers["content-type"] == "image/jpeg"
    assert picture.text == f"{hand.ada}/77"
    gone = pages.post(f"/players/{hand.ada}/prints/77/remove")
    assert (gone.status_code, gone.headers["location"]) == (303, f"/players/{hand.ada}/prints#kept")
    assert read.gone == [(hand.ada, "77")]
    monkeypatch.setattr(module, "target_page", lambda paper: f"%PDF {paper}".encode())
    for asked_for, paper in (("", "a4"), ("?paper=letter", "letter")):
        sheet = pages.get(f"/players/{hand.ada}/target.pdf{asked_for}")
        assert (sheet.text, sheet.headers["content-type"]) == (f"%PDF {paper}", "application/pdf")
        assert f'filename="footprint-{paper}.pdf"' in sheet.headers["content-disposition"]


def test_a_photo_of_more_than_8_000_000_bytes_is_refused(pages, hand, read, monkeypatch):
    assert module._MOST_BYTES == 8_000_000
    monkeypatch.setattr(module, "_MOST_BYTES", 5)
    assert asked(pages, hand.ada).status_code == 200
    monkeypatch.setattr(module, "_MOST_BYTES", 4)
    assert asked(pages, hand.ada).status_code == 409


@pytest.mark.parametrize("n", [0, 7, 9])
def test_four_points_are_eight_numbers(n):
    with pytest.raises(InputError, match=f"corners: {n} numbers, expected four points"):
        _points([0.0] * n, "corners")
    with pytest.raises(InputError):
        _marks([5.0, 1.0, 5.0, 1.0, 5.0, 1.0, 5.0, 1.0])  # no line from heel to toe
