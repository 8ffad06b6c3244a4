"""Rule files: what is refused, and in which sentence."""

import hashlib

import pytest

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.rules import files
from plantigrade_gateway.rules.files import built_in, built_in_text, read_rules, rules_of, unused

HEAD = """
format = 1
name = "ours"
version = "2"
basis_default = "common practice, no source"
[facts]
"foot.stand" = { kind = "none, bearing", least = 3 }
"foot.walk" = { kind = "as foot.stand" }
"speed" = { kind = "number" }
"flag" = { kind = "yes/no" }
"""


def rule(name: str, when: str, more: str = "") -> str:
    return f'[[rule]]\nid = "{name}"\ntopic = "t"\nwhen.all = [{when}]\nsuggest = "Do."\n{more}\n'


NONE = '{ fact = "foot.stand", is = "none" }'
EITHER = '{ fact = "foot.stand", in = ["none", "bearing"] }'


def test_the_built_in_rules_ask_only_for_what_they_declare_and_for_all_of_it():
    assert list(unused(built_in())) == []


def test_a_built_in_file_that_is_another_has_another_version():
    """Sheets are told apart by it: a digest of each file that was handed out."""
    given = {
        "1": "290f38b2588a079e52d6359861f801db35618195326332545ff3bedd8ee72280",
        "2": "1ceadef38d84c4ee6b3f13e1a451adab6eb8c6d48fe6961487df153a2f33f874",
        "3": "e05230a291cf6e977851bd81015dec9eedbc9725d22d21aa6c00abe9dcc6fa56",
    }
    digest = hashlib.sha256(built_in_text().encode()).hexdigest()
    assert given[built_in().version] == digest, "raise the version and add its digest"


def test_a_file_is_read(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(HEAD + rule("a", NONE, 'says = "up"\nhold = true'))
    rules = read_rules(path)
    assert (rules.name, rules.version) == ("ours", "2")
    (one,) = rules.rules
    assert (one.id, one.says, one.hold, one.basis) == ("a", "up", True, rules.basis_default)
    assert rules.facts["foot.walk"].words == ("none", "bearing")
    assert rules.facts["speed"].words == () and rules.facts["flag"].words == ("yes", "no")


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("format = 2", "format is 2: it should be 1"),
        (HEAD.replace('version = "2"\n', ""), "version is missing, expected it there"),
        (HEAD + '[[rule]]\ntopic = "t"\nsuggest = "x"\nwhen = {}\n', "rule › 1 › id is missing"),
        (HEAD + "[limit]\na = 1\n", "limit is not known, expected perhaps limits"),
        (
            HEAD + '[[rule]]\nid = "a"\ntopic = "t"\nsugest = "x"\nwhen = {}\n',
            "rule 'a' › sugest is not known, expected perhaps suggest",
        ),
        (
            HEAD + rule("a", NONE, 'sugest = "x"'),
            "rule 'a' › sugest is not known, expected perhaps suggest",
        ),
        (
            HEAD + rule("a", '{ fact = "foot.stnd", is = "none" }'),
            "rule 'a', when: foot.stnd is no fact, perhaps foot.stand",
        ),
        (
            HEAD + rule("a", '{ fact = "foot.stand", is = "nome" }'),
            "rule 'a', when: foot.stand is never 'nome', expected perhaps none",
        ),
        (
            HEAD + rule("a", '{ fact = "foot.stand", at_least = 1 }'),
            "foot.stand is a word, expected one of is and in",
        ),
        (
            HEAD + rule("a", '{ fact = "speed", is = "none" }'),
            "speed is a number, expected at_least or at_most",
        ),
        (
            HEAD + rule("a", '{ fact = "foot.stand", iss = "none" }'),
            "rule 'a' › when › all › 1 › iss is not known, expected perhaps is",
        ),
        (
            HEAD + rule("a", '{ fact = "foot.stand", is = "none", any = [] }'),
            "rule 'a', when: foot.stand stands beside all or any, expected one of them",
        ),
        (
            HEAD + rule("a", '{ fact = "foot.stand", is = "zzz" }'),
            "foot.stand is never 'zzz', expected one of none, bearing",
        ),
        (HEAD + rule("a", '{ fact = "speed" }'), "expected at_least or at_most"),
        (
            HEAD + rule("a", '{ fact = "foot.stand", is = "none", in = ["none"] }'),
            "foot.stand is a word, expected one of is and in",
        ),
        (HEAD + rule("a", '{ fact = "foot.stand" }'), "expected one of is and in"),
        (HEAD + rule("a" * 601, NONE), "should have at most 600 characters"),
        (HEAD + rule("a", ""), "rule 'a', when: has no condition, expected at least one"),
        (
            HEAD + '[[rule]]\nid = "a"\ntopic = "t"\nwhen = {}\nsuggest = "x"',
            "rule 'a', when: has neither or both of all and any, expected one of them",
        ),
        (HEAD + rule("a", NONE) + rule("a", NONE), "rule 'a' stands there twice, expected once"),
        (
            HEAD + rule("a", NONE, 'says = "up"') + rule("b", EITHER, 'says = "down"'),
            "rules 'a' and 'b' of topic 't' contradict each other: whenever the first holds (up) "
            "the second does (down)",
        ),
        (
            HEAD + '"x" = { kind = "alone" }\n' + rule("a", NONE),
            "fact x: kind is 'alone'",
        ),
        (HEAD + '"x" = { kind = "as y" }\n' + rule("a", NONE), "kind is 'as y', y is no fact"),
        (HEAD + '"x" = { kind = "as x" }\n' + rule("a", NONE), "which leads back to it"),
        ("name = ", "Invalid value"),
    ],
)
def test_what_cannot_be_used_is_one_sentence(text, sentence):
    if "rule" not in text and text.startswith(HEAD[:10]):
        text += rule("a", NONE)
    with pytest.raises(InputError) as caught:
        rules_of(text, "mine.toml")
    said = str(caught.value)
    assert said.startswith("mine.toml: ") and sentence in said and "\n" not in said


UP, DOWN = 'says = "up"', 'says = "down"'


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (rule("a", NONE, UP), rule("b", '{ fact = "foot.walk", is = "none" }', DOWN)),
        (rule("a", NONE, UP), rule("b", '{ fact = "foot.stand", is = "bearing" }', DOWN)),
        (rule("a", NONE, UP), rule("b", EITHER, UP)),
        (rule("a", NONE, UP), rule("b", EITHER)),
        (rule("a", NONE), rule("b", EITHER, DOWN)),
        (rule("a", NONE, UP), rule("b", EITHER, DOWN).replace('"t"', '"u"')),
        (
            rule("a", '{ fact = "speed", at_least = 1 }', UP),
            rule("b", '{ fact = "speed", at_least = 0.5 }', DOWN),  # of numbers only the same
        ),
        (
            rule("a", f'{NONE}, {{ fact = "foot.stand", is = "bearing" }}', UP),
            rule("b", EITHER, DOWN),
        ),
    ],
    ids=[
        "two facts",
        "never both",
        "one answer",
        "one says",
        "other says",
        "topics",
        "numbers",
        "never the first",
    ],
)
def test_two_rules_that_may_both_hold_are_no_contradiction_of_the_file(first, second):
    assert len(rules_of(HEAD + first + second, "x").rules) == 2


def test_rules_of_a_number_contradict_each_other_where_they_ask_the_same():
    for asks in ("at_least = 1", "at_most = 1", "at_least = 1, at_most = 2"):
        one = f'{{ fact = "speed", {asks} }}'
        assert len(rules_of(HEAD + rule("a", one, UP), "x").rules) == 1
        with pytest.raises(InputError, match="contradict each other"):
            rules_of(HEAD + rule("a", one, UP) + rule("b", one, DOWN), "x")


@pytest.mark.parametrize(("most", "refused"), [(9, True), (8, False)])
def test_over_too_many_combinations_only_the_same_conditions_contradict(most, refused, monkeypatch):
    """Of two facts of two words, each of which may not be known: nine."""
    monkeypatch.setattr(files, "_TOO_MANY", most)
    both = rule("a", f'{NONE}, {{ fact = "foot.walk", is = "none" }}', UP)
    text = HEAD + both + rule("b", EITHER, DOWN)
    if refused:
        with pytest.raises(InputError, match="contradict each other"):
            rules_of(text, "x")
    else:
        assert len(rules_of(text, "x").rules) == 2


def test_what_a_file_does_not_say_is_nothing():
    made = rules_of(HEAD + rule("a", NONE) + rule("b" * 600, EITHER), "x")
    facts = made.facts
    assert {name: facts[name].least for name in facts} == {
        "foot.stand": 3,
        "foot.walk": 0,
        "speed": 0,
        "flag": 0,
    }
    assert {(one.says, one.hold) for one in made.rules} == {("", False)}


def test_a_file_that_is_not_there_is_one_sentence(tmp_path):
    with pytest.raises(InputError, match=r"none\.toml: cannot be read"):
        read_rules(tmp_path / "none.toml")
