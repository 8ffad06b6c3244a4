"""The rule file's page: what is kept, refused, and led back to."""

import pytest
from tests.support.pagetext import text_of

from plantigrade_gateway.people.rulebook import RuleBook
from plantigrade_gateway.rules.files import built_in_text

TEXT = built_in_text()


def own(name: str) -> str:
    """Rules of another name."""
    first, rest = TEXT.split("name =", 1)
    return f'{first}name = "{name}"{rest[rest.index(chr(10)) :]}'


def test_the_programs_own_rules_are_shown_until_others_are_kept(pages, hand):
    page = pages.get("/rules")
    assert page.status_code == 200 and "</textarea>" in page.text
    told = pages.post("/rules", data={"text": own("Ours").replace("\n", "\r\n"), "seen": ""})
    assert (told.status_code, told.headers["location"]) == (303, "/rules")
    now = RuleBook(hand.register).current()
    assert (now.rules.name, now.text) == ("Ours", own("Ours"))
    shown = text_of(pages.get("/rules"))
    assert f"Ours, version {now.rules.version}" in shown
    pages.post("/rules", data={"do": "built-in", "text": "whatever stands there"})
    assert RuleBook(hand.register).current().text == TEXT
    before = pages.get(f"/rules?version={now.version_id}")
    assert 'name = "Ours"' in text_of(before) and 'name = "Ours"' not in text_of(
        pages.get("/rules")
    )
    assert pages.get("/rules?version=00").status_code == 404


def test_rules_that_cannot_be_read_come_back_as_they_were_typed(pages, hand):
    answer = pages.post("/rules", data={"text": "name = <soon>"})
    assert answer.status_code == 422 and "name = &lt;soon&gt;" in answer.text
    assert RuleBook(hand.register).current().is_built_in


def test_others_that_were_kept_meanwhile_are_not_replaced_unseen(pages, hand):
    assert pages.post("/rules", data={"text": own("One"), "seen": ""}).status_code == 303
    one = RuleBook(hand.register).current().version_id
    refused = pages.post("/rules", data={"text": own("Two"), "seen": ""})
    assert "rules: others were kept since this page was shown" in text_of(refused, 422)
    assert pages.post("/rules", data={"text": own("One"), "seen": ""}).status_code == 303
    assert pages.post("/rules", data={"text": own("Two"), "seen": one}).status_code == 303
    refused = pages.post("/rules", data={"text": own("Three"), "seen": one})
    assert refused.status_code == 422
    assert RuleBook(hand.register).current().rules.name == "Two"
    assert pages.post("/rules", data={"text": own("Three")}).status_code == 303  # of a program
    assert RuleBook(hand.register).current().rules.name == "Three"


@pytest.mark.parametrize(("n", "status"), [(399_995, 422), (399_996, 409)])
def test_a_form_of_400_000_bytes_is_read(pages, n, status):
    """``text=`` is five of them."""
    answer = pages.post("/rules", data={"text": "x" * n})
    assert answer.status_code == status


def test_of_a_form_four_fields_are_read(pages):
    for many, status in ((3, 422), (4, 409)):
        fields = {"text": "x", **{f"f{k}": "" for k in range(many)}}
        assert pages.post("/rules", data=fields).status_code == status
