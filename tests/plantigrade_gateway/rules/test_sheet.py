"""What rules come to, against a plain reading of the rule file's own tables."""

import itertools
import tomllib
from importlib import resources
from typing import Any as Anything

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plantigrade_gateway.rules.files import built_in, rules_of
from plantigrade_gateway.rules.model import All, Any, Comparison, State
from plantigrade_gateway.rules.sheet import foot_name, sheet

RULES = built_in()
TABLE = tomllib.loads(
    (resources.files("plantigrade_gateway") / "rules" / "first.toml").read_text("utf-8")
)
T, F, U = True, False, None


def never(truth: bool | None) -> Comparison:
    """A condition of that truth in the facts of `KNOWN`."""
    return Comparison({T: "yes", F: "no", U: "unknown"}[truth], ("here",))


KNOWN = {"yes": "here", "no": "gone"}


@pytest.mark.parametrize(
    ("first", "second", "every", "one"),
    [  # strong Kleene logic, Kleene 1952, §64
        (T, T, T, T),
        (T, F, F, T),
        (T, U, U, T),
        (F, T, F, T),
        (F, F, F, F),
        (F, U, F, U),
        (U, T, U, T),
        (U, F, F, U),
        (U, U, U, U),
    ],
)
def test_three_truths(first, second, every, one):
    parts = (never(first), never(second))
    assert All(parts).holds(KNOWN) is every
    assert Any(parts).holds(KNOWN) is one


@pytest.mark.parametrize(
    ("value", "truth"),
    [(None, U), (0.9, F), (1.0, T), (1.5, T), (2.0, T), (2.1, F)],
)
def test_a_number_is_in_a_range_ends_included(value, truth):
    assert Comparison("n", (), 1.0, 2.0).holds({"n": value}) is truth


# ---- a plain reading of the file ----


def reads(row: dict[str, Anything], known: dict[str, str | None], vague: set[str]) -> bool | None:
    if "all" in row or "any" in row:
        found = [reads(part, known, vague) for part in row.get("all", row.get("any", []))]
        stops = "any" in row
        if stops in found:
            return stops
        return None if None in found else not stops
    value = known.get(row["fact"])
    if value is None:
        return None
    words = row["in"] if "in" in row else [row["is"]]
    if value not in words and value in vague:
        return None
    return value in words


def named(foot: str, known: dict[str, str | None]) -> str | None:
    for row in TABLE["foot"]:
        text = repr(row["when"]).replace("FOOT.", f"{foot}.")
        if reads(eval(text), known, set()) is True:  # our own file's table
            return str(row["name"])
    return None


facts = st.fixed_dictionaries(
    {
        name: st.sampled_from([*fact.words, None])
        for name, fact in RULES.facts.items()
        if not name.endswith(".foot")
    }
)


@pytest.mark.dear
@settings(max_examples=300, deadline=None)
@given(facts)
@pytest.mark.slow
def test_the_sheet_is_what_the_file_says(known):
    made = sheet(RULES, known)
    known = {**known, **{f"{foot}.foot": named(foot, known) for foot in ("lead", "trail")}}
    assert dict(made.known) == known

    truths = {row["id"]: reads(row["when"], known, set()) for row in TABLE["rule"]}
    holds = [r["id"] for r in TABLE["rule"] if r.get("hold") and truths[r["id"]] is not False]
    assert [one.rule.id for one in made.holds] == holds
    assert made.is_held == bool(holds)

    shown = {one.rule.id: one for topic in made.topics for one in topic.judged}
    for row in TABLE["rule"]:
        truth = truths[row["id"]]
        if row.get("hold") or truth is False:
            assert row["id"] not in shown
        else:
            one = shown[row["id"]]
            assert one.state is (State.HOLDS if truth else State.NO_DATA)
            if truth:
                said = [a["say"] for a in row.get("against", []) if reads(a, known, set())]
                assert list(one.against) == said
            else:
                assert one.missing and all(known[name] is None for name in one.missing)

    for topic in made.topics:
        says = {
            row["says"]
            for row in TABLE["rule"]
            if row["topic"] == topic.name and truths[row["id"]] and "says" in row
        }
        assert topic.is_conflict == (len(says) > 1)
        assert bool(topic.suggested) == (bool(topic.holding) and not topic.is_conflict)

    vague = {"mixed", "between", "not told apart"}
    for row, seen in zip(TABLE["readiness"], made.readiness, strict=True):
        truth = reads(row["when"], known, vague)
        spared = reads(row["unless"], known, vague) if "unless" in row else False
        if truth is not True and spared is True:
            assert seen.state is State.NOT_ASKED
            continue
        truth = None if truth is False and spared is None else truth
        expected = {True: State.HOLDS, False: State.FAILS, None: State.NO_DATA}[truth]
        assert seen.state is expected
        if truth is None:
            assert all(known[name] is None for name in seen.missing)
            assert all(known[name] in vague for name in seen.vague)
            assert seen.missing or seen.vague


def test_every_pair_of_stand_and_walk_has_a_name():
    """Every foot that both looks know is called something; one that is not known is not."""
    stand, walk = RULES.facts["lead.stand"].words, RULES.facts["lead.walk"].words
    for s, w in itertools.product(stand, walk):
        assert foot_name(RULES, "lead", {"lead.stand": s, "lead.walk": w}) is not None, (s, w)
    assert foot_name(RULES, "lead", {"lead.stand": "none"}) is None


CLEAR = {"flag.red": "no", "flag.pain_today": "no", "data.good": "yes"}


def test_nothing_is_suggested_before_the_questions_are_answered():
    assert sheet(RULES, {"data.good": "yes"}).is_held
    assert not sheet(RULES, CLEAR).is_held
    pain = sheet(RULES, {**CLEAR, "flag.pain_today": "yes"})
    assert [one.rule.id for one in pain.holds] == ["hold-pain"]


def test_a_foot_that_bears_on_heel_and_ball_is_told_what_the_trade_says():
    known = {
        **CLEAR,
        **{"lead.stand": "none", "lead.walk": "skipped", "trail.stand": "bearing"},
        **{"trail.walk": "through", "full.heel_unloaded": "rarely"},
    }
    made = sheet(RULES, known)
    suggested = {one.rule.id: one for topic in made.topics for one in topic.suggested}
    assert {"lead-heel-rise", "push-even"} <= set(suggested)
    assert suggested["lead-heel-rise"].against == (
        "the player keeps it down now: try ten and compare before changing",
    )


@pytest.mark.parametrize(
    ("first", "second", "is_conflict"),
    [("up", "down", True), ("up", "up", False), ("up", "", False), ("", "", False)],
)
def test_only_rules_that_hold_and_say_different_things_are_in_conflict(first, second, is_conflict):
    """A rule without data says nothing yet."""
    rules = rules_of(
        "format = 1\nname = 'x'\nversion = '1'\nbasis_default = 'ours'\n[facts]\n"
        "a = { kind = 'yes/no' }\nb = { kind = 'yes/no' }\n"
        + "".join(
            f"[[rule]]\nid = '{name}'\ntopic = 't'\nsays = '{says}'\nsuggest = 'Do.'\n"
            f"when.all = [{{ fact = '{name}', is = 'yes' }}]\n"
            for name, says in (("a", first), ("b", second))
        ),
        "x",
    )
    (topic,) = sheet(rules, {"a": "yes", "b": "yes"}).topics
    assert topic.is_conflict is is_conflict
    assert len(topic.suggested) == (0 if is_conflict else 2)
    for b, shown in ((None, 2), ("no", 1)):
        (topic,) = sheet(rules, {"a": "yes", "b": b}).topics
        assert not topic.is_conflict
        assert (len(topic.judged), len(topic.suggested)) == (shown, 1)
