"""What a hub's objects are called, and which of them nobody needs any more."""

from pathlib import Path

import pytest

from plantigrade_gateway.hub import names
from plantigrade_gateway.hub.names import Name, lies_about, listed
from plantigrade_gateway.hub.objects import Objects

ONE, TWO = "5e" * 16, "a1" * 16
SUM = "0f" * 32


def test_names_say_whose_and_which():
    assert names.replay_name(ONE, 40) == f"sessions/{ONE}/40.pgr"
    assert names.head_name(ONE) == f"sessions/{ONE}/head.json"
    assert names.piece_name(ONE, 7, SUM) == f"pieces/{ONE}/7.{SUM}"
    assert names.names_of(ONE, 7, ["aa", "bb"]) == [f"pieces/{ONE}/7.aa", f"pieces/{ONE}/8.bb"]
    assert names.names_of(ONE, 7, []) == []
    data = Path("/hub")
    assert names.store_path(data) == data / "hub.sqlite3"
    assert names.objects_place(data) == "/hub/objects"


def test_what_somebody_else_put_there_is_left_alone(tmp_path):
    objects = Objects.of(str(tmp_path / "objects"))
    for name in (
        f"pieces/{ONE}/7.{SUM}",
        f"pieces/{TWO}/0.{SUM}.part",
        f"pieces/{ONE[:-1]}/7.{SUM}",
        f"pieces/{ONE.upper()}/7.{SUM}",
        f"pieces/{ONE}/more/7.{SUM}",
        "pieces/notes",
    ):
        objects.put(name, b"")
    objects.put(f"sessions/{ONE}/head.json", b"")
    found = sorted(listed(objects, "pieces"), key=lambda one: one.name)
    assert found == [
        Name(f"pieces/{ONE}/7.{SUM}", "pieces", ONE, "7", SUM),
        Name(f"pieces/{TWO}/0.{SUM}.part", "pieces", TWO, "0", f"{SUM}.part"),
    ]
    (head,) = listed(objects, "sessions")
    assert (head.number, head.rest) == ("head", "json")


class Row:
    """What is known of a session of which 5 pieces are in its replay file."""

    in_replay = 5

    def __init__(self, is_deleted: bool = False) -> None:
        self.is_deleted = is_deleted


@pytest.mark.parametrize(
    ("kind", "number", "rest", "lies"),
    [
        ("pieces", "4", "aa", True),  # it is in the replay file
        ("pieces", "5", "aa", False),
        ("pieces", "6", "bb", False),
        ("pieces", "6", "aa", True),  # of this number another stands
        ("pieces", "7", "aa", False),  # it may be on its way
        ("sessions", "4", "pgr", True),  # a longer one took its place
        ("sessions", "5", "pgr", False),
        ("sessions", "6", "pgr", False),
        ("sessions", "head", "json", False),
        ("pieces", "\u0665", "aa", False),  # an Arabic five is no number of ours
    ],
)
def test_what_nobody_needs_any_more(kind, number, rest, lies):
    one = Name("", kind, ONE, number, rest)
    assert lies_about(one, Row(), ["aa", "bb"]) is lies  # type: ignore[arg-type]
    assert lies_about(one, Row(is_deleted=True), ["aa", "bb"])  # type: ignore[arg-type]
    assert lies_about(one, None, []) is (kind == "pieces")
