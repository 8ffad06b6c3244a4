"""What others wrote is refused within bounds, in one sentence, and read plain."""

import json

import pytest

from plantigrade.errors import ForeignError, SignalError, plain, shown
from plantigrade.foreign import read_json, read_toml


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"[" * 1000, "nested more than 32 deep"),
        (b'{"a":' * 100_000, "nested more than 32 deep"),
        (b"9" * 5000, "a number has too many digits"),
        (b"[36893488147419103232]", "a whole number of more than 64 bits"),
        (b'"\xff"', "not UTF-8 text at byte 1"),
        ('"a"'.encode("utf-16"), "not UTF-8 text at byte 0"),
        (b" " * 70, "longer than 64 bytes"),
        (b"", "is not JSON"),
        (b"\x00", "is not JSON"),
    ],
)
def test_json_beyond_the_bounds_is_refused(data, says):
    limit = 64 if says.startswith("longer") else 1 << 20
    with pytest.raises(ForeignError, match=says) as caught:
        read_json(data, "mark", limit)
    text = str(caught.value)
    assert text.startswith("mark: ") and "\n" not in text and len(text) < 200


@pytest.mark.parametrize(
    ("data", "says"),
    [
        ("a = " + "[" * 1000, "nested more than 32 deep"),
        ("a = " + "{a = " * 1000, "nested more than 32 deep"),
        ("[" + "a." * 5000 + "a]", "a key of too many parts"),
        ("a" + " . a" * 5000 + " = 1", "a key of too many parts"),
        ("a = " + "{" + "a." * 30 + "a = {" + "a." * 30 + "a = 1}}", "nested more than 32 deep"),
        ("a = " + "9" * 5000, "a number has too many digits"),
        ("a = 0x1" + "0" * 16, "a whole number of more than 64 bits"),
        ("a = 1\na = 2", "is not TOML"),
        (b"a = '\xff'", "not UTF-8 text at byte 5"),
    ],
)
def test_toml_beyond_the_bounds_is_refused(data, says):
    with pytest.raises(ForeignError, match=says) as caught:
        read_toml(data, "drill x")
    assert str(caught.value).startswith("drill x: ") and len(str(caught.value)) < 200


def test_brackets_and_dots_in_strings_and_comments_do_not_count():
    deep, dots = "[" * 100, "a." * 100
    assert read_json(json.dumps({deep: [deep + '"\\']}), "x") == {deep: [deep + '"\\']}
    text = (
        f'# {deep}{dots}\na = "{deep}{dots}\\"{deep}"\nb = \'{deep}{dots}\'\n'
        f'c = """\n"{deep}\n{dots}""\\""""\nd = \'\'\'\n{deep}\'\'{dots}\'\'\'\n'
        f"e = [{', '.join(['1.5'] * 100)}]\n"
    )
    table = read_toml(text, "x")
    assert table["a"] == f'{deep}{dots}"{deep}'
    assert table["c"] == f'"{deep}\n{dots}"""'
    assert table["d"] == f"{deep}''{dots}"
    assert len(table["e"]) == 100


def test_as_deep_as_is_allowed_is_read():
    text = "[" * 32 + "]" * 32
    assert json.dumps(read_json(text, "x")) == text
    assert json.dumps(read_toml("a = " + text[1:-1], "x")["a"]) == text[1:-1]


def test_as_long_as_is_allowed_is_read():
    assert read_json(b" " * 63 + b"1", "x", 64) == 1
    assert read_json(" " * 63 + "1", "x", 64) == 1


def test_a_key_of_as_many_parts_as_is_allowed_is_read():
    """As many as tables may lie in each other."""
    table: object = read_toml("a." * 31 + "a = 1", "x")
    for _ in range(32):
        assert isinstance(table, dict)
        table = table["a"]
    assert table == 1
    with pytest.raises(ForeignError, match="a key of too many parts"):
        read_toml("a." * 32 + "a = 1", "x")


@pytest.mark.parametrize("sign", ["", "-"])
def test_whole_numbers_have_64_bits(sign):
    """From -2^63 to 2^63 - 1 (two's complement)."""
    last = 9_223_372_036_854_775_807 + (sign == "-")
    assert read_json(f"{sign}{last}", "x") == int(f"{sign}{last}")
    assert read_toml(f"a = {sign}{last}", "x") == {"a": int(f"{sign}{last}")}
    with pytest.raises(ForeignError, match="more than 64 bits"):
        read_json(f"[{sign}{last + 1}]", "x")


def test_texts_are_read_plain():
    # Control characters and surrogates: Unicode 15, general categories Cc and Cs.
    assert read_json(b'{"a\\u0007": "b\\u001b[2Jc\\ud800d\\t\\n\\u202e"}', "x") == {
        "a": "b[2Jcd\t\n"
    }
    assert read_toml('a = "b\\u009bc"', "x") == {"a": "bc"}
    assert plain("Größe 😀") == "Größe 😀"


def test_an_error_shows_the_ends_of_what_is_long():
    assert shown("a" * 5000) == f"'{'a' * 38}…{'a' * 19}'"
    whole = "a" * 58  # and two quotes
    assert shown(whole) == f"'{whole}'"
    assert shown(["b"]) == "['b']"
    assert len(shown([["x" * 100] * 100] * 100)) == 60
    deep: list[object] = []
    for _ in range(100_000):
        deep = [deep]
    assert len(shown(deep)) <= 60
    text = str(SignalError("where: is " + "x" * 5000 + ", expected\x1b 1 to 5"))
    assert len(text) == 600
    assert text.startswith("where: is x") and text.endswith("x, expected 1 to 5")
