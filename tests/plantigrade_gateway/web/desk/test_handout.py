"""The page for the player, fetched from the desk, is the command's. The player is invented."""

from pathlib import Path

import pypdfium2
import pytest
from tests.support.practice import store_practice

from plantigrade_gateway.people.players import Register
from plantigrade_gateway.report.page import page_of
from plantigrade_gateway.report.typeset import pdf
from plantigrade_gateway.rules.files import built_in
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("handout") / "store.sqlite3"
    with Store.open(path) as store:
        store_practice(store, 250_000_000_000)
    return path


@pytest.mark.slow
def test_the_page_is_the_commands_and_its_address_holds_no_name(client, path):
    with Store.open(path) as store, Register(store) as register:
        (player_id,) = register.names()
        expected = pdf(page_of(register, player_id, built_in()))
    found = client.get(f"/players/{player_id}/page.pdf")
    assert found.status_code == 200
    assert found.headers["content-type"] == "application/pdf"
    assert found.content == expected
    assert found.headers["cache-control"] == "no-store"
    assert player_id[:8] in found.headers["content-disposition"]
    assert "Iris" not in str(found.headers)


def test_paper_may_be_letter_and_nothing_else(client, path):
    with Store.open(path) as store, Register(store) as register:
        (player_id,) = register.names()
    found = client.get(f"/players/{player_id}/page.pdf?paper=letter")
    with pypdfium2.PdfDocument(found.content) as document:
        width, height = document[0].get_size()
    assert (round(width), round(height)) == (612, 792)  # points: 8.5 × 11 in
    assert client.get(f"/players/{player_id}/page.pdf?paper=a5").status_code == 422


def test_nobody_has_no_page(client):
    assert client.get(f"/players/{'0' * 32}/page.pdf").status_code == 404


def test_the_players_page_leads_to_it(client, path):
    with Store.open(path) as store, Register(store) as register:
        (player_id,) = register.names()
    assert f'href="/players/{player_id}/page.pdf"' in client.get(f"/players/{player_id}").text
