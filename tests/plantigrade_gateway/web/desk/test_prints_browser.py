"""A footprint read, dragged and kept in a real browser, on phone and tablet. All is invented."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, expect
from tests.support.browser import Complaints, barriers
from tests.support.camera import WHERE, Camera, drawn, page_picture, photograph, with_exif
from tests.support.deskserver import served

from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.prints import Prints
from plantigrade_gateway.prints.apart import Flat, flat_of
from plantigrade_gateway.prints.target import target_page
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk import prints

pytestmark = pytest.mark.dear

A4 = (210.0, 297.0)
SIZES = {"phone": (390, 844), "tablet": (820, 1180)}


@pytest.fixture(scope="module")
def photo() -> bytes:
    print_ = drawn((60, 30, 90), A4)
    return with_exif(
        photograph(page_picture(target_page("a4")), print_, Camera(20, 40, 10, 800), A4)
    )


@pytest.fixture
def path(tmp_path: Path) -> Path:
    with Store.open(tmp_path / "s.sqlite3") as store, Register(store) as register:
        player_id = register.add(name="Invented Player", handedness="right")
        register.grant(player_id, "record", "player")
    return tmp_path / "s.sqlite3"


@pytest.fixture(params=SIZES)
def seen(request, browser: Browser, path) -> Iterator[tuple[Page, Complaints]]:
    width, height = SIZES[request.param]
    with (
        served(path) as address,
        browser.new_context(viewport={"width": width, "height": height}) as context,
    ):
        page = context.new_page()
        complaints = Complaints(page)
        page.goto(f"{address}/players")
        page.get_by_role("link", name="Invented Player").click()
        page.get_by_role("link", name="Footprints").click()
        yield page, complaints
        assert complaints == []


@pytest.fixture
def page(seen) -> Page:
    found: Page = seen[0]
    return found


@pytest.mark.slow
def test_corners_that_are_not_found_are_dragged_on_the_photo(page, seen):
    """A floor lighter than the sheet hides it; choosing a photo again starts afresh."""
    print_, camera = drawn((60, 30, 90), A4), Camera(20, 40, 10, 800)
    hidden = photograph(np.ones((50, 50)), print_, camera, A4, floor=1.0)
    page.locator("[name=foot]").select_option("left")
    page.locator("[name=how]").select_option("walking")
    page.locator("[name=mirrored]").select_option("false")
    page.locator("[name=sheet]").select_option("a4")
    file = {"name": "p.jpg", "mimeType": "image/jpeg", "buffer": hidden}
    for _ in range(2):  # a photo chosen again asks again
        page.locator("[name=photo]").set_input_files(files=[file])
        with page.expect_response(re.compile(r"read\.json")):
            page.get_by_role("button", name="Read it").click()
        expect(page.locator("#print-said")).to_contain_text("Drag the four corners")
        expect(page.locator("#print-problem")).to_contain_text("photo's own edge")
        expect(page.locator("#print-result")).to_be_visible()
    expect(page.locator("#print-keep")).to_be_hidden()
    # A browser complains of each refusal; of nothing else here.
    assert len(seen[1]) == 2 and all("409 (Conflict)" in text for text in seen[1])
    seen[1].clear()
    canvas = page.locator("#print-canvas")
    canvas.scroll_into_view_if_needed()
    box = canvas.bounding_box()
    assert box is not None
    begin = ((0.2, 0.15), (0.8, 0.15), (0.8, 0.85), (0.2, 0.85))
    there = np.array([(0, 0, 1), (210, 0, 1), (210, 297, 1), (0, 297, 1)])
    for (x, y), (u, v, w) in zip(begin, there @ camera.to_photo(A4).T, strict=True):
        page.mouse.move(box["x"] + x * box["width"], box["y"] + y * box["height"])
        page.mouse.down()
        page.mouse.move(
            box["x"] + u / w / camera.width * box["width"],
            box["y"] + v / w / camera.height * box["height"],
            steps=3,
        )
        page.mouse.up()
    page.get_by_role("button", name="Read again").click()
    expect(page.locator("#print-said")).to_contain_text("arch index")
    assert index_said(page) == pytest.approx(1 / 6, abs=0.02)
    expect(page.locator("#print-keep")).to_be_visible()


def index_said(page: Page) -> float:
    found = re.search(r"arch index (\d\.\d+)", page.locator("#print-said").inner_text())
    assert found is not None
    return float(found[1])


@pytest.mark.slow
def test_a_print_is_read_dragged_and_kept_without_where_it_was_taken(
    page, path, photo, monkeypatch
):
    sent: list[bytes] = []

    def noted(photo: bytes, **how: Any) -> Flat:
        sent.append(photo)
        return flat_of(photo, **how)

    monkeypatch.setattr(prints, "flat_of", noted)  # what has come to the gateway
    page.locator("[name=foot]").select_option("left")
    page.locator("[name=how]").select_option("walking")
    page.locator("[name=mirrored]").select_option("false")
    file = {"name": "p.jpg", "mimeType": "image/jpeg", "buffer": photo}
    page.locator("[name=photo]").set_input_files(files=[file])
    page.get_by_role("button", name="Read it").click()
    expect(page.locator("#print-said")).to_contain_text("arch index")
    first = index_said(page)
    assert first == pytest.approx(1 / 6, abs=0.02)
    assert barriers(page) == []
    size = page.viewport_size
    assert size is not None
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]

    # Both ends of the toe line go 20 mm towards the heel: from just before the toes, 213 mm from
    # the heel's back, into the ball. Thirds of 193 mm are 4200, 2100 and 4770 mm² by geometry.
    canvas = page.locator("#print-canvas")
    canvas.scroll_into_view_if_needed()
    for place in ("2", "3"):
        page.locator("#print-point").select_option(place)
        canvas.focus()
        for _ in range(20):
            page.keyboard.press("ArrowDown")
    page.get_by_role("button", name="Read again").click()
    expect(page.locator("#print-said")).not_to_contain_text(f"{first:.3f} ")
    assert index_said(page) == pytest.approx(2100 / 11_070, abs=0.01)
    box = canvas.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 2)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] / 2 + 5, box["y"] + 10)
    page.mouse.up()

    page.get_by_label("keep the picture").check()
    page.get_by_role("button", name="Keep this print").click()
    expect(page.get_by_role("button", name="Take away")).to_have_count(1)
    assert len(sent) == 3 and all(body.startswith(b"\xff\xd8\xff") for body in sent)
    assert WHERE in photo and not any(WHERE in body or b"Exif" in body for body in sent)
    with Store.open(path) as store, Register(store) as register:
        (player_id,) = register.profiles()
        (one,) = Prints(register).of(player_id)
    assert one.has_picture and one.footprint.foot == "left"
