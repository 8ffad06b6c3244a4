"""Drills as data: what is built in, what a file may say, and how a bad one is refused."""

import json
import re
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

from plantigrade_gateway.drills.files import BUILT_IN, drill_of, parse_drill, read_drill, shelf
from plantigrade_gateway.drills.model import (
    BalanceTarget,
    Cues,
    Drill,
    DrillKind,
    Feedback,
    PushTarget,
    Say,
    When,
)
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.sound.motifs import Motif
from plantigrade_gateway.sound.pitch import CopSource

PUSH = """
name = "slow-roll"
title = "Slow roll"
goal = "Take your time from heel to toe."
kind = "push"
feedback = "ask"
cautions = ["Clear the swing space."]

[target]
transfer_s = [0.1, 0.3]
timing = "any"

[cues]
good_sound = "good"
missed_sound = "none"
tone = "both"
"""


@pytest.fixture(scope="module")
def built_in() -> dict[str, Drill]:
    return shelf(None).drills


def test_there_is_one_for_each_way_of_judging(built_in):
    assert list(built_in) == list(BUILT_IN)
    assert {drill.kind for drill in built_in.values()} == set(DrillKind)
    assert shelf(None).problems == ()


def test_each_says_its_goal_and_what_counts_in_one_sentence(built_in):
    for drill in built_in.values():
        for text in (drill.goal, drill.counts):
            assert text.endswith(".") and text.count(". ") == 0, text
        for limit in ("rear 40 %", "10 s") if drill.name in ("push", "balance") else ():
            assert (limit in drill.counts) == (drill.name == {"10 s": "balance"}.get(limit, "push"))


def test_a_stand_and_a_swing_are_practised_with_a_caution(built_in):
    for name in ("push", "heel_lift", "balance"):
        assert built_in[name].cautions


def test_a_drill_survives_its_table_as_json(built_in):
    for drill in (*built_in.values(), parse_drill(PUSH, "x")):
        assert drill_of(json.loads(json.dumps(drill.table())), "mark") == drill


def test_the_players_words_are_the_files_and_an_older_drill_has_the_usual_ones(built_in):
    drill = parse_drill(f'{PUSH}[say]\ngood = "Smooth one"\nearly = "Too soon"\n', "x")
    assert drill.say == Say(good="Smooth one", early="Too soon")
    older = built_in["push"].table()
    del older["say"]  # as in a record of a version without it
    assert drill_of(older, "mark") == replace(built_in["push"], say=Say())
    for other in ("stay", "balance"):
        table = built_in[other].table()
        table["say"]["skipped"] = "No roll"
        with pytest.raises(InputError, match=f"key 'skipped' is not known in a {other} drill"):
            drill_of(table, "x")


def test_a_file_says_what_it_changes_and_leaves_the_rest():
    drill = parse_drill(PUSH, "drill x.toml")
    assert drill.target == PushTarget((0.1, 0.3), When.ANY)
    assert drill.feedback is Feedback.ASK
    assert (drill.cues.good_sound, drill.cues.missed_sound) == ("good", "none")
    assert drill.cues.tone is CopSource.BOTH
    assert drill.cues.heel_clicks and drill.cues.replay_push  # a push drill's own
    assert "0.1 to 0.3 s" in drill.counts and "with the shift" not in drill.counts


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('kind = "push"', 'kind = "pusch"', "kind is 'pusch', expected push (or heel_lift, "),
        ('kind = "push"', "", "kind is missing, expected one of push, heel_lift"),
        ('goal = "Take', 'gaol = "Take', "key 'gaol' is not known, expected goal (or name, "),
        ("transfer_s", "transfers_s", "target: key 'transfers_s' is not known in a push drill"),
        ("transfer_s", "transfers_s", "expected transfer_s (or timing, travel, from)"),
        ("[0.1, 0.3]", "[0.3, 0.1]", "target.transfer_s is [0.3, 0.1], expected the lower one"),
        ("[0.1, 0.3]", "0.2", "target.transfer_s is 0.2, expected two numbers"),
        ("[0.1, 0.3]", "[0.1, 9]", "target.transfer_s is 9, expected 0 to 2"),
        ("[0.1, 0.3]", "[true, 1]", "target.transfer_s is True, expected a number"),
        ("[0.1, 0.3]", "[0.1, nan]", "target.transfer_s is nan, expected 0 to 2"),
        ('"any"', '"some"', "target.timing is 'some', expected one of with_shift, any"),
        (
            'tone = "both"',
            'tone = "led"',
            "cues.tone is 'led', expected lead (or none, trail, both)",
        ),
        (
            'good_sound = "good"',
            'good_sound = "god"',
            "cues.good_sound is 'god', expected good (or ",
        ),
        ('good_sound = "good"', 'good_sound = "outcome"', "cues.good_sound is 'outcome', expected"),
        ('good_sound = "good"', "replay_push = 1", "cues.replay_push is 1, expected true or false"),
        ('feedback = "ask"', 'feedback = "never"', "feedback is 'never', expected every (or "),
        ('name = "slow-roll"', 'name = "Slow"', "name is 'Slow', expected a short name"),
        ('name = "slow-roll"', 'name = "none"', "it stands for no drill"),
        ("goal = ", 'title = "Slow roll"\ngoal = ', "is not TOML: "),
        ('"Take your', '"\\nTake your', "goal is '\\nTake your time"),
        ("[target]", 'target = "x"\n[other]', "key 'other' is not known"),
        ('["Clear the swing space."]', '"Clear"', "cautions is 'Clear', expected a list"),
        ("[cues]", '[say]\nmist = "No"\n[cues]', "say: key 'mist' is not known in a push drill"),
        ("[cues]", '[say]\ngood = "Everything"\n[cues]', "say.good: 'Everything' has 10 letters"),
        ("[cues]", f'[say]\ngood = "{"so " * 9}"\n[cues]', "say.good has 27 characters, expected"),
        ('["Clear the swing space."]', '[""]', "cautions, sentence 1 is '', expected one line"),
    ],
)
def test_a_bad_file_is_refused_in_one_sentence(tmp_path, old, new, said):
    path = tmp_path / "bad.toml"
    assert old in PUSH
    path.write_text(PUSH.replace(old, new), "utf-8")
    with pytest.raises(InputError) as caught:
        read_drill(path)
    text = str(caught.value)
    assert said in text and text.startswith(f"drill {path}: ") and "\n" not in text


def test_what_would_steer_a_terminal_is_left_out(tmp_path):
    path = tmp_path / "odd.toml"
    path.write_text(PUSH.replace('"Take your', '"\\u001bTake \u202eyour'), "utf-8")
    assert read_drill(path).goal.startswith("Take your time")


def test_the_names_of_older_files_and_of_records_are_still_read():
    names = {
        "kind": "judge",
        "good_sound": "good",
        "missed_sound": "missed",
        "heel_clicks": "ticks",
        "replay_push": "echo",
    }
    text = f"{PUSH}heel_clicks = false\nreplay_push = false\n"
    old = text
    for name, former in names.items():
        old = re.sub(rf"^{name} = ", f"{former} = ", old, flags=re.M)
        both = f"{former} = 1\n{name} = " if name == "kind" else f"{former} = 'none'\n{name} = "
        with pytest.raises(InputError, match=f"{former} is the former name of {name}, expected"):
            parse_drill(re.sub(rf"^{name} = ", both, text, flags=re.M), "x")
    drill = parse_drill(text, "x")
    assert old != text and parse_drill(old, "x") == drill
    assert not drill.cues.heel_clicks and not drill.cues.replay_push
    table = drill.table()  # as in a record: what 0.1.0 wrote
    assert table["judge"] == "push" and "kind" not in table
    assert set(table["cues"]) == {"good", "missed", "tone", "ticks", "echo"}


def test_a_key_of_another_drill_is_refused(built_in):
    table = built_in["balance"].table()
    table["target"]["transfer_s"] = [0.1, 0.2]
    with pytest.raises(InputError, match="key 'transfer_s' is not known in a balance drill"):
        drill_of(table, "x")
    table = built_in["stay"].table()
    table["cues"]["echo"] = True
    with pytest.raises(InputError, match="only a push drill has a push"):
        drill_of(table, "x")
    table = built_in["balance"].table()
    table["target"]["stance"] = "none"
    with pytest.raises(InputError, match="expected both, lead or trail"):
        drill_of(table, "x")


def test_no_target_can_ask_for_midfoot_load():
    """A foot that does not bear on its midfoot is judged by its CoP's travel."""
    for kind in DrillKind:
        text = PUSH.replace('"push"', f'"{kind}"').split("[target]")[0]
        with pytest.raises(InputError, match="'midfoot_share' is not known"):
            parse_drill(f"{text}[target]\nmidfoot_share = 0.1\n", "x")


def test_a_file_that_cannot_be_read_is_refused(tmp_path):
    with pytest.raises(InputError, match="cannot be read: No such file"):
        read_drill(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes(b'name = "\xe4"')
    with pytest.raises(InputError, match="cannot be read: not UTF-8 text"):
        read_drill(tmp_path / "latin.toml")


def test_the_coachs_drills_stand_beside_the_store(tmp_path):
    folder = tmp_path / "drills"
    folder.mkdir()
    mine = PUSH.replace('"slow-roll"', '"push"')
    (folder / "a.toml").write_text(mine, "utf-8")
    (folder / "b.toml").write_text(PUSH, "utf-8")
    (folder / "c.toml").write_text(PUSH.replace("Slow roll", "Later"), "utf-8")
    (folder / "d.toml").write_text("kind = 1", "utf-8")
    (folder / "notes.txt").write_text("no drill", "utf-8")
    alone = tmp_path / "alone.toml"
    alone.write_text(PUSH.replace("Slow roll", "Alone"), "utf-8")
    found = shelf(tmp_path / "store.sqlite3", [alone])
    assert list(found.drills) == [*BUILT_IN, "slow-roll"]
    assert found.drills["push"].title == "Slow roll"  # in place of the built-in one
    assert found.origin["push"] == str(folder / "a.toml")
    assert found.drills["slow-roll"].title == "Alone"  # a file that is named is meant
    assert [Path(text.split(":")[0][6:]).name for text in found.problems] == ["c.toml", "d.toml"]
    assert "has already" in found.problems[0]
    with pytest.raises(InputError) as refused:  # the name may stand in one that was left out
        found.find("slow")
    assert str(refused.value) == "; left out: ".join(
        ["drill 'slow': is not known, expected perhaps slow-roll", *found.problems]
    )
    unnamed = shelf(tmp_path / "store.sqlite3")
    assert unnamed.drills["slow-roll"].title == "Slow roll"  # the first of a name stays
    assert unnamed.origin["slow-roll"] == str(folder / "b.toml")


def test_a_name_that_is_not_known_says_the_nearest():
    with pytest.raises(InputError, match="drill 'balanse': is not known, expected perhaps balance"):
        shelf(None).find("balanse")
    with pytest.raises(InputError, match="expected one of push, trail_heel, heel_lift"):
        shelf(None).find("q")


def test_what_counts_follows_the_target():
    one = BalanceTarget(CopSource.TRAIL, (0.2, 0.5), (0.3, 0.7), 5.0)
    assert one.counts == (
        "On the trail foot alone, its centre of pressure stays at 20 to 50 % of the foot's length "
        "and 30 to 70 % of its width for 5 s."
    )
    assert "12 s" in replace(one, hold_s=12.0).counts


def test_the_page_of_the_drill_file_is_what_the_code_takes(built_in):
    page = (Path(__file__).resolve().parents[3] / "hardware_notes" / "drill_file.md").read_text(
        "utf-8"
    )
    (example,) = re.findall(r"```toml\n(.*?)```", page, re.DOTALL)
    drill = parse_drill(example, "the page's example")
    assert drill.target == PushTarget((0.12, 0.40))
    for one in built_in.values():
        row = next(line for line in page.splitlines() if line.startswith(f"| `{one.kind}` |"))
        usual = parse_drill(
            f'name = "x"\ntitle = "X"\ngoal = "X."\nkind = "{one.kind}"\n', "usual"
        ).target
        for field in fields(usual):
            value = getattr(usual, field.name)
            said = [value] if isinstance(value, str) else np.atleast_1d(value)
            assert f"`{field.name.rstrip('_')}`" in row
            for part in said:
                shown = f"{part:g}" if isinstance(part, float) else f'"{part}"'
                assert re.search(rf"[(\[ ]{re.escape(shown)}", row), (one.kind, shown)
    for name in (*Motif, *Feedback, *(f.name for f in fields(Cues))):
        assert f"`{name}`" in page
