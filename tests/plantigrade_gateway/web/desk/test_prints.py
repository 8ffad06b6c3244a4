"""The page of footprints: a photo sent, marked, kept and taken away. All people are invented."""

import base64
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from tests.support.camera import WHERE, Camera, drawn, page_picture, photograph, with_exif

from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.prints import PHOTO, Prints
from plantigrade_gateway.prints.target import target_page
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.frame import Desk
from plantigrade_gateway.web.desk.preparing import Preparing
from plantigrade_gateway.web.desk.prints import prints_router
from plantigrade_gateway.web.desk.reads import DeskStore

pytestmark = pytest.mark.dear

A4 = (210.0, 297.0)
ASKED = {"foot": "left", "how": "walking"}


@pytest.fixture
def player(tmp_path: Path) -> str:
    player_id = add(tmp_path, "Invented Player")
    with Store.open(tmp_path / "s.sqlite3") as store, Register(store) as register:
        register.grant(player_id, "record", "player")
    return player_id


def add(folder: Path, name: str) -> str:
    with Store.open(folder / "s.sqlite3") as store, Register(store) as register:
        return register.add(name=name, handedness="right")


@pytest.fixture
def client(tmp_path: Path, player: str) -> Iterator[TestClient]:
    path = tmp_path / "s.sqlite3"
    app = FastAPI()
    app.include_router(prints_router(Desk(DeskStore(path), Preparing(path))))
    with TestClient(app) as found:
        yield found


@pytest.mark.slow
def test_a_photo_is_read_marked_kept_shown_and_taken_away(client, player, tmp_path):
    print_ = drawn((60, 30, 90), A4)
    photo = with_exif(
        photograph(page_picture(target_page("a4")), print_, Camera(20, 40, 10, 800), A4)
    )
    read = f"/players/{player}/prints/read.json"
    guessed = client.post(read, params=ASKED, content=photo).json()
    assert guessed["said"].startswith("left foot, walking: arch index 0.1")
    assert base64.b64decode(guessed["picture"]).startswith(b"\xff\xd8\xff")
    bits = np.unpackbits(np.frombuffer(base64.b64decode(guessed["print"]), np.uint8))
    # by construction: what the ink covers, cells of pitch_mm, toes among it
    assert bits.sum() * guessed["pitch_mm"] ** 2 == pytest.approx(print_.ink.sum() / 16, rel=0.01)

    places = [print_.place(*at) for at in ((0, 30), (0, 245), (-60, 213), (60, 213))]
    mark = [value for x, y in places for value in (x - 35.0, y - 5.0)]
    asked = {**ASKED, "mark": mark, "level": 0.4, "keep": True, "keep_picture": True}
    kept = client.post(read, params=asked, content=photo).json()
    assert kept["footprint"]["index"] == pytest.approx(1 / 6, abs=0.01)
    assert (kept["kept"], kept["footprint"]["level"]) == (True, 0.4)
    with Store.open(tmp_path / "s.sqlite3") as store, Register(store) as register:
        (one,) = Prints(register).of(player)
    page = client.get(f"/players/{player}/prints").text
    assert "arch index <strong>0.17</strong>" in page and "does not slip" in page
    assert "<title>Footprints of Invented Player – " in page
    picture = client.get(f"/players/{player}/prints/{one.print_id}.jpg")
    assert picture.headers["content-type"] == "image/jpeg"
    assert WHERE in photo and WHERE not in picture.content and b"Exif" not in picture.content
    again = client.post(read, params=asked, content=photo)  # a second press of the button
    assert again.status_code == 409 and "kept already" in again.json()["problem"]
    other = f"/players/{add(tmp_path, 'Invented Other')}/prints/{one.print_id}"
    assert client.get(f"{other}.jpg").status_code == 409
    assert client.post(f"{other}/remove", follow_redirects=False).status_code == 409
    gone = client.post(f"/players/{player}/prints/{one.print_id}/remove", follow_redirects=False)
    assert gone.status_code == 303
    assert "None yet" in client.get(f"/players/{player}/prints").text


@pytest.mark.parametrize(
    ("asked", "content", "says"),
    [
        ({}, b"no picture", "expected a JPEG or PNG"),
        ({"mark": [1.0, 2.0]}, b"", "marks: 2 numbers, expected four points"),
        ({"mark": [75.0, 30.0, 75.0, 1e300, 0.0, 225.0, 150.0, 225.0]}, b"", "finite"),
        ({"sheet": "a4", "corner": [1.0] * 6}, b"\xff\xd8\xff", "expected four points"),
        ({}, bytes(8_000_001), "longer than"),
    ],
)
def test_what_cannot_be_read_is_one_sentence(client, player, asked, content, says):
    answer = client.post(
        f"/players/{player}/prints/read.json", params={**ASKED, **asked}, content=content
    )
    assert answer.status_code == 409
    assert says in answer.json()["problem"]


@pytest.mark.parametrize("keep_picture", [False, True])
@pytest.mark.slow
def test_without_consent_the_numbers_alone_are_kept(client, tmp_path, keep_picture):
    other = add(tmp_path, "Invented Other")
    photo = photograph(
        page_picture(target_page("a4")), drawn((60, 30, 90), A4), Camera(20, 40, 10, 800), A4
    )
    asked = {**ASKED, "keep": True, "keep_picture": keep_picture}
    answer = client.post(f"/players/{other}/prints/read.json", params=asked, content=photo)
    with Store.open(tmp_path / "s.sqlite3") as store, Register(store) as register:
        kept = [one.has_picture for one in Prints(register).of(other)]
        changes = register.log.changes(PHOTO)
    assert (answer.status_code, kept) == ((409, []) if keep_picture else (200, [False]))
    assert changes == []


def test_nobody_keeps_anything_of_who_is_not_there(client):
    answer = client.post("/players/nobody/prints/read.json", params=ASKED, content=b"")
    assert answer.status_code == 404 and "nobody" in answer.json()["problem"]
    assert client.get("/players/nobody/prints").status_code == 404


def test_the_page_to_print_is_a_pdf(client, player):
    for paper in ("a4", "letter"):
        answer = client.get(f"/players/{player}/target.pdf", params={"paper": paper})
        assert answer.content.startswith(b"%PDF")
