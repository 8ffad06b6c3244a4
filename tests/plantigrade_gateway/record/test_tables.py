"""What begins a set, as bytes and back; and what is refused."""

import json

import pytest

from plantigrade_gateway.errors import RecordError
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.packing import pack, unpack
from plantigrade_gateway.record.tables import CLUBS, Intent, SetStart

GOOD = {"schema": 1, "set_id": "5f" * 16, "intent": "full", "club": "7 iron"}


def test_the_kinds_are_those_of_the_replay_file():
    """By the table of hardware_notes/replay_file.md; a number once given is never another's."""
    assert [kind.name for kind in Kind] == [
        *("NOTIFICATION", "CONNECTED", "DISCONNECTED", "EXCHANGE", "SETTINGS", "CALIBRATION"),
        *("MARK", "END", "SET", "SET_END", "CUES", "DRILL", "CHECK", "CHECK_END"),
        *("LOG", "HEARD", "LISTEN", "STRIKE", "LATE"),
    ]
    assert [int(kind) for kind in Kind] == [*range(18), 255]


def test_a_set_is_read_as_its_document_has_it():
    begun = SetStart.from_json(json.dumps({**GOOD, "later": "key"}).encode())
    assert begun == SetStart("5f" * 16, Intent.FULL, "7 iron")
    assert begun.name == "full, 7 iron"
    assert json.loads(begun.to_json()) == GOOD
    assert SetStart.from_json(json.dumps({**GOOD, "club": None}).encode()).name == "full"


def test_a_club_s_letters_stand_in_the_record_as_they_are_written():
    """UTF-8, by hardware_notes/replay_file.md; whoever looks into a record can read them."""
    assert "Füße 7".encode() in SetStart("5f" * 16, Intent.FULL, "Füße 7").to_json()


@pytest.mark.parametrize("club", [None, *CLUBS, "Füße 7"])
@pytest.mark.parametrize("intent", Intent)
def test_a_set_survives_the_record(intent, club):
    begun = SetStart("0a" * 16, intent, club)
    entries = [Entry(5, SESSION, Kind.SET, begun.to_json()), Entry(9, SESSION, Kind.SET_END, b"")]
    first, last = unpack([pack(Batch.of(entries))])
    assert (first.kind, last.kind, last.data) == (Kind.SET, Kind.SET_END, b"")
    assert SetStart.from_json(first.data) == begun


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\xff",
        b"[]",
        b"set: full",
        json.dumps({**GOOD, "schema": 2}).encode(),
        json.dumps({**GOOD, "intent": "hard"}).encode(),
        json.dumps({k: v for k, v in GOOD.items() if k != "set_id"}).encode(),
        json.dumps({**GOOD, "club": ""}).encode(),
        json.dumps({**GOOD, "club": "x" * 41}).encode(),
        json.dumps({**GOOD, "club": "a\nb"}).encode(),
    ],
)
def test_what_is_no_set_is_refused(data):
    with pytest.raises(RecordError):
        SetStart.from_json(data)
