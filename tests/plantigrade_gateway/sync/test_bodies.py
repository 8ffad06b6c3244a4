"""What travels between bay and hub: bodies of pieces and of changes, at each of their limits."""

import hashlib
from dataclasses import asdict, replace
from typing import Any

import pytest

from plantigrade_gateway.people.change import Change
from plantigrade_gateway.sync.bodies import (
    LARGEST_BODY,
    Piece,
    apart,
    changes_of,
    fitting,
    groups,
    together,
)
from plantigrade_gateway.sync.messages import (
    LARGEST_PIECE,
    LARGEST_TOGETHER,
    MOST_CHANGES,
    MOST_TOGETHER,
    Changes,
    Received,
)

HEAD_BYTES = 40  # number and length in 4 bytes each, and a SHA-256 of 32
ID = "0123456789abcdef" * 2
ONE = Change(ID, "player", "p1", "name", "Ann Invented", "eve", 0, 0, "bay one", 1)


def pieces(*sizes: int, first: int = 0) -> list[Piece]:
    return [Piece.of(first + k, bytes([k % 256]) * size) for k, size in enumerate(sizes)]


def body(*changes: Change, **given: Any) -> Changes:
    return Changes(
        **{"changes": [asdict(one) for one in changes], "restamps": [], "has": {}, **given}
    )


def test_the_sizes_that_both_sides_keep_to():
    """As `hardware_notes/hub.md` states them."""
    assert (MOST_CHANGES, MOST_TOGETHER) == (500, 64)
    assert (LARGEST_PIECE, LARGEST_TOGETHER, LARGEST_BODY) == (16_777_216, 4_194_304, 4_194_304)
    assert Received(3) == Received(3, is_whole=False, is_deleted=False, together=1)


def test_pieces_travel_as_their_numbers_lengths_sums_and_bytes():
    made = together([Piece.of(7, b"abc"), Piece.of(8, b"")])
    expected = b"\x07\0\0\0\x03\0\0\0" + hashlib.sha256(b"abc").digest() + b"abc"
    assert made == expected + b"\x08\0\0\0\0\0\0\0" + hashlib.sha256(b"").digest()
    assert apart(made) == [Piece.of(7, b"abc"), Piece.of(8, b"")]
    assert len(apart(together(pieces(*[1] * MOST_TOGETHER)))) == MOST_TOGETHER


@pytest.mark.parametrize(
    ("made", "said"),
    [
        (b"", "expected some, each with the number after the one before"),
        (together(pieces(3, 5))[:-1], "the body is cut off"),
        (together(pieces(3))[:42], "the body is cut off"),
        (together(pieces(3)) + b"\x01", "the body is cut off"),
        (together(pieces(3)) + together(pieces(3))[:39], "the body is cut off"),
        (together(pieces(*[1] * 65)), "expected at most 64 in one body"),
        (together([*pieces(3), *pieces(3)]), "each with the number after the one before"),
        (together([*pieces(3), *pieces(3, first=2)]), "each with the number after"),
    ],
)
def test_what_is_no_body_of_pieces_is_said_in_one_sentence(made, said):
    with pytest.raises(ValueError, match=said):
        apart(made)


@pytest.mark.parametrize(
    ("sizes", "most", "expected"),
    [
        ((), 3, []),
        ((1,) * 7, 3, [3, 3, 1]),
        ((1,) * 3, 3, [3]),
        ((LARGEST_TOGETHER - HEAD_BYTES, 1), 3, [1, 1]),  # fills a request
        ((LARGEST_TOGETHER - 2 * HEAD_BYTES - 1, 1, 1), 3, [2, 1]),  # and with it one more
        ((LARGEST_TOGETHER - 2 * HEAD_BYTES, 1, 1), 3, [1, 2]),
        ((1, LARGEST_TOGETHER, 1, 1), 3, [1, 1, 2]),  # too large: alone
    ],
)
def test_pieces_go_together_as_they_fit_into_a_request(sizes, most, expected):
    made = pieces(*sizes)
    found = list(groups(made, most))
    assert [len(group) for group in found] == expected
    assert [one for group in found for one in group] == made


def test_changes_go_into_a_body_up_to_its_size():
    half = replace(ONE, value="x" * (LARGEST_BODY // 2))
    assert fitting([half, half]) == [half, half]
    assert fitting([half, half, replace(ONE, value="x")]) == [half, half]
    large = replace(ONE, value="x" * (LARGEST_BODY + 1))
    assert fitting([large, ONE]) == [large]  # a larger one goes alone
    assert fitting([]) == []


GOOD: list[dict[str, Any]] = [
    {"seq": 2**31 - 1},
    {"hlc": 2**63 - 1},
    {"wall_utc_ms": -(2**63)},
    {"wall_utc_ms": 2**63 - 1},
    *({name: "x" * 128} for name in ("entity", "entity_id", "field", "author", "site")),
]
BAD: list[tuple[dict[str, Any], str]] = [
    *(({"seq": seq}, "a number of it cannot be") for seq in (0, 2**31)),
    *(({"wall_utc_ms": ms}, "a number of it cannot be") for ms in (-(2**63) - 1, 2**63)),
    *(({"hlc": stamp}, "has no stamp") for stamp in (-1, 2**63)),
    *(({"change_id": made}, "expected 32 hex") for made in (ID[1:], ID + "0", "g" + ID[1:])),
    *(
        ({name: text}, "a word of it cannot be one")
        for name in ("entity", "entity_id", "field", "author", "site")
        for text in ("", "x" * 129, "a\nb")
    ),
]


@pytest.mark.parametrize("changed", GOOD)
def test_a_change_is_taken_at_its_limits(changed):
    made = replace(ONE, **changed)
    assert list(changes_of(body(ONE, made))) == [ONE, made]


@pytest.mark.parametrize(("changed", "said"), BAD)
def test_a_change_that_cannot_be_is_said_in_one_sentence(changed, said):
    with pytest.raises(ValueError, match=said):
        list(changes_of(body(replace(ONE, **changed))))


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"restamps": [(ID, 2**63 - 1)]}, ""),
        ({"restamps": [(ID, -1)]}, "has no stamp"),
        ({"restamps": [("x", 1)]}, "expected 32 hexadecimal digits"),
        ({"has": {"a" * 128: 2**31 - 1, "b": 0}}, ""),
        *(({"has": {"a": seq}}, "has: no such number of a place") for seq in (-1, 2**31)),
        *(({"has": {name: 1}}, "has: no such number of a place") for name in ("", "a" * 129)),
        ({"place": "a" * 128, "places": ["b"]}, ""),
        *(({"place": name}, "place: cannot be one") for name in ("", "a" * 129, "a\tb")),
        *(({"places": ["a", name]}, "place: cannot be one") for name in ("", "a" * 129, "a\tb")),
        ({"changes": [asdict(ONE)] * 500}, ""),
        ({"changes": [asdict(ONE)] * 501}, "501 changes in one body, expected at most 500"),
    ],
)
def test_a_body_of_changes_is_taken_or_is_said_in_one_sentence(given, said):
    if not said:
        assert len(list(changes_of(body(**given)))) == len(given.get("changes", ()))
        return
    with pytest.raises(ValueError, match=said):
        list(changes_of(body(**given)))
