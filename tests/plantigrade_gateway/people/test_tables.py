"""The tables of people and of a hub: what of each must be said, and what names a row."""

import pytest
import sqlalchemy as sa

from plantigrade_gateway.people import tables

ID, SHA256 = 32, 64
"""Digits of an id of 128 bits, and of a SHA-256 (FIPS 180-4), in hexadecimal."""
# Per table: the columns that name a row, and those that may stay empty, with what that means.
ROWS = {
    "people_change": (["change_id"], ["value"]),  # none: it was taken back, or wiped
    "people_restamp": (["change_id", "hlc"], []),
    "people_site": (["one"], []),
    "people_seen": (["site"], []),
    "people_version": (["version"], []),
    # not withdrawn, never seen, not forgotten
    "hub_bay": (["name"], ["withdrawn_ms", "seen_ms", "forgotten_ms"]),
    # nobody's, and not yet whole: only a whole session has a check sum
    "hub_session": (["session_id"], ["player_id", "sha256"]),
    "hub_piece": (["session_id", "number"], []),
    "hub_hub": (["name"], []),
    "hub_confirmation": (["player_id", "place"], ["confirmed_ms", "receipt"]),  # not confirmed
    # the hub's own; nobody else gave entries; not lent
    "hub_place": (["site"], ["bay", "refused_bay", "refused_ms", "lent_until_ms"]),
    "hub_database": (["hub"], []),
}
NAMES = {("hub_bay", "name"), ("hub_session", "bay"), ("hub_hub", "name")}
NAMES |= {("hub_place", "bay"), ("hub_place", "refused_bay"), ("hub_database", "hub")}


@pytest.fixture
def found(engine: sa.Engine) -> sa.Inspector:
    tables.migrate(engine)
    return sa.inspect(engine)


def test_there_is_no_table_but_these(found):
    own = {name for name in found.get_table_names() if name.startswith(("people_", "hub_"))}
    assert own == set(ROWS)


@pytest.mark.parametrize("table", ROWS)
def test_a_row_is_named_by_its_key_and_says_all_that_must_be_said(found, table):
    named, may_be_empty = ROWS[table]
    assert found.get_pk_constraint(table)["constrained_columns"] == named
    columns = found.get_columns(table)
    assert [one["name"] for one in columns if one["nullable"]] == may_be_empty


def test_ids_and_check_sums_have_room_for_their_digits_and_names_for_forty_signs(found):
    """As a server counts them, where one sign more would be an error of its own."""
    ids = {"change_id", "session_id", "player_id"}
    for table in ROWS:
        for one in found.get_columns(table):
            length = getattr(one["type"], "length", None)
            if one["name"] in ids:
                assert length == ID
            elif one["name"].endswith("sha256"):
                assert length == SHA256
            elif (table, one["name"]) in NAMES:
                assert length == 40


def test_a_place_s_name_has_room_for_its_kind_and_a_bay_s_name(found):
    (place,) = [c for c in found.get_columns("hub_confirmation") if c["name"] == "place"]
    assert place["type"].length >= len("bay ") + 40


def test_what_is_looked_for_is_indexed(found):
    indexed = {
        (table, tuple(index["column_names"]))
        for table in ROWS
        for index in found.get_indexes(table)
    }
    assert indexed >= {
        ("people_change", ("entity", "entity_id", "field", "hlc", "site", "seq")),
        ("people_change", ("site", "seq")),
        ("people_change", ("hlc",)),
        ("hub_session", ("player_id",)),
    }
