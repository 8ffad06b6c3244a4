"""The commands `players …` and the option --player. All people in here are invented."""

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from tests.support.cases import calibrated, quality
from tests.support.handmade import FIRST, MARKS, Made
from tests.support.printed import refused

from plantigrade_gateway.cli.main import main
from plantigrade_gateway.cli.players import settings_for
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.profile import Profile
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.session import runner
from plantigrade_gateway.session.insoles import InsoleJob
from plantigrade_gateway.session.stage import RunOptions
from plantigrade_gateway.store.store import Store

Run = Callable[..., Result]


@pytest.fixture
def run(tmp_path: Path) -> Run:
    def made(*arguments: str | Path) -> Result:
        return CliRunner().invoke(
            main, ["--store", str(tmp_path / "s.sqlite3"), *map(str, arguments)]
        )

    return made


def listed(run: Run, *arguments: str) -> list[dict[str, object]]:
    result = run("players", "--json", *arguments)
    assert result.exit_code == 0, result.output
    players: list[dict[str, object]] = json.loads(result.stdout)["players"]
    return players


def test_no_player_is_no_error_and_a_store_that_is_not_there_is_not_made(run, tmp_path):
    assert "not found" in refused(run("players"))
    assert list(tmp_path.iterdir()) == []
    Store.open(tmp_path / "s.sqlite3").close()
    assert "No player is registered yet" in run("players").stdout
    assert listed(run) == []


def test_add_list_search_and_edit(run):
    added = run(
        *("players", "add", "Ada Nowhere", "--handed", "left", "--mass", "61.5"),
        *("--insoles", "0000AB01", "0000AB02", "--minor", "--guardian", "Gus"),
    )
    assert added.exit_code == 0 and added.stdout.startswith("Registered: Ada Nowhere, ")
    assert run("players", "add", "Bo", "--handed", "right").exit_code == 0
    (ada,) = listed(run, "--search", "ADA NOW")
    assert ada["player_id"] == added.stdout.split()[-1]
    assert (ada["mass_kg"], ada["insoles"], ada["guardian"]) == (
        61.5,
        ["0000AB01", "0000AB02"],
        "Gus",
    )
    assert (ada["sessions"], ada["last"]) == (0, None)
    shown = run("players").stdout.splitlines()
    assert [line.split()[0] for line in shown] == ["player", "Ada", "Bo"]
    assert run("players", "edit", "bo", "--name", "Bob").stdout == "Changed: name.\n"
    changed = run("players", "edit", "bob", "--mass", "70", "--next-check", "2030-01-31").stdout
    assert changed == "Changed: mass, next check.\n"
    changed = run("players", "edit", "bob", "--minor", "--guardian", "Gus").stdout
    assert changed == "Changed: under age, guardian.\n"
    assert run("players", "edit", "bob", "--handed", "right").stdout == "Nothing has changed.\n"
    assert "No player's name holds that" in run("players", "--search", "bx").stdout


def test_a_long_name_leaves_the_others_their_room(run):
    """An id is what tells two of a name apart, and what other commands are given."""
    for name in ("Ada", "N" * 80):
        assert run("players", "add", name, "--handed", "right").exit_code == 0
    (ada, long) = listed(run)
    shown = run("players").stdout
    assert shown.splitlines()[1].split() == ["Ada", str(ada["player_id"])[:8], "right", "–", "0"]
    assert str(long["player_id"])[:8] in shown and shown.count("N") == 80


def test_what_cannot_be_is_refused(run):
    assert "handedness: is missing, expected right or left" in refused(run("players", "add", "Ada"))
    assert "did you mean left?" in refused(run("players", "add", "Ada", "--handed", "lefty"))
    assert run("players", "add", "Ada", "--handed", "left").exit_code == 0
    assert "did you mean Ada?" in refused(run("players", "edit", "Adda", "--mass", "60"))
    assert "did you mean Ada?" in refused(run("demo", "--fast", "--player", "Adda"))


@pytest.mark.slow
def test_a_session_is_recorded_for_a_player_or_assigned_later(run, tmp_path):
    """The practice session is a right-handed player's (replay_data/make_practice.py)."""
    for name, hand in (("Ada", "right"), ("Lea", "left")):
        assert run("players", "add", name, "--handed", hand).exit_code == 0
    demo = run("demo", "--fast", "--no-sound", "--no-page", "--player", "ada")
    assert demo.exit_code == 0 and "-handed player" not in demo.stdout
    with Store.open(tmp_path / "s.sqlite3") as store, Register(store) as register:
        (session,) = store.sessions()
        ada = register.find("Ada").player_id
        assert session.player_id == ada
        register.decide(ada, "push", "go", date.today())
    assert "say --move" in refused(run("players", "assign", "last", "Lea"))
    moved = run("players", "assign", "last", "Lea", "--move")
    assert moved.stdout.splitlines()[0] == f"Session {session.session_id[:8]} is Lea's."
    assert "What was decided for the player before stays" in moved.stdout
    assert "of a right-handed player, Lea is registered as left-handed" in moved.stdout
    again = run("players", "assign", "last", "Lea")
    assert "decided" not in again.stdout
    assert [(p["name"], p["sessions"]) for p in listed(run)] == [("Ada", 0), ("Lea", 1)]
    lea = next(p for p in listed(run) if p["name"] == "Lea")
    assert lea["last"] == session.started.isoformat()


def test_a_session_of_another_body_is_told_at_assigning(run, tmp_path):
    """The insoles carried 700 N; Bo weighs 392 N, Ada 686 N."""
    made, said = Made(tmp_path / "s.sqlite3", 1), calibrated(FIRST)
    weighed = {"marks": MARKS, "quality": quality((said, said)).to_json()}
    made.store.put_quality(made.visits[0], weighed)
    made.register.edit(made.bo, mass_kg=40.0)
    made.register.edit(made.ada, mass_kg=70.0)
    made.close()
    session = made.visits[0]
    moved = run("players", "assign", session, "Bo Invented", "--move")
    assert "The insoles carried about 700 N, and Bo Invented" in moved.stdout
    back = run("players", "assign", session, "Ada Invented", "--move")
    assert back.exit_code == 0 and "carried" not in back.stdout


def test_run_takes_the_player_and_what_is_registered(run, monkeypatch):
    """What is given to the run itself; no insole is looked for."""
    taken: list[tuple[RunOptions, SessionSettings]] = []

    async def ran(job: InsoleJob, options: RunOptions, *_: object) -> None:
        taken.append((options, job._settings))

    monkeypatch.setattr(runner, "run", ran)
    assert run("players", "add", "Lea", "--handed", "left", "--mass", "61.5").exit_code == 0
    (key,) = [p["player_id"] for p in listed(run)]
    for options in ((), ("--player", "lea"), ("--player", "lea", "--handed", "right")):
        assert run("run", "--no-page", "--no-sound", *options).exit_code == 0
    assert [options.player_id for options, _ in taken] == [None, key, key]
    assert [(s.mass_kg, s.handed) for _, s in taken] == [
        (None, "right"),
        (61.5, "left"),
        (61.5, "right"),
    ]


def test_run_says_where_consent_to_record_lacks_and_does_not_refuse(run, monkeypatch):
    async def ran(*_: object) -> None:
        pass

    monkeypatch.setattr(runner, "run", ran)
    assert run("players", "add", "Lea", "--handed", "left").exit_code == 0
    lacks = (
        "Consent to record Lea is not noted: recordings of a person are health-related data and "
        "need it.\n"
    )
    noted = ("consent", "lea", "record", "--by", "player")
    for said, consent in (
        (lacks, ()),
        ("", noted),
        (lacks.replace("is not noted", "was withdrawn"), (*noted, "--withdraw")),
    ):
        if consent:
            assert run("players", *consent).exit_code == 0
        began = run("run", "--no-page", "--no-sound", "--player", "lea")
        assert (began.exit_code, began.stderr) == (0, said)


@pytest.mark.parametrize(
    ("player", "mass_kg", "handed", "expected"),
    [
        (None, None, None, (None, "right")),
        (None, 70.0, "left", (70.0, "left")),
        (Profile("p", "Ada", "left", 61.5), None, None, (61.5, "left")),
        (Profile("p", "Ada", "left", 61.5), 63.0, "right", (63.0, "right")),
        (Profile("p", "Ada", "left"), None, None, (None, "left")),
    ],
)
def test_a_session_takes_from_the_player_what_no_option_says(player, mass_kg, handed, expected):
    settings = settings_for(player, mass_kg, handed)
    assert (settings.mass_kg, settings.handed) == expected


def test_what_is_said_of_a_player_is_shown(run):
    assert run("players", "add", "Mia", "--handed", "right", "--minor", "--guardian", "Gus")
    for words, said in (
        (("consent", "mia", "speed", "--by", "guardian", "--until", "2099-12-31"), "given"),
        (("consent", "mia", "record", "--by", "guardian", "--withdraw"), "withdrawn"),
        (("finding", "mia", "hips", "limit", "--text", "lead side"), "hips, limit."),
        (("decide", "mia", "lead heel", "not yet", "--cue", "let it rise"), "lead heel, not yet."),
        (("decide", "mia", "speed", "go", "--on", "2026-03-31"), "speed, go."),
        (("decide", "mia", "push", "go", "--plan", "even"), "push, go, even."),
        (("print", "mia", "left", "high"), "left foot, high."),
    ):
        result = run("players", *words)
        assert result.exit_code == 0 and said in result.stdout, result.output
    shown = run("players", "show", "mia").stdout
    for text in (
        "guardian        Gus",
        "given by the guardian, ",
        "until 2099-12-31",
        "withdrawn by the guardian",
        "send on         not asked",
        "limit: lead side",
        f"not yet, {date.today()}: let it rise",
        "go, 2026-03-31",
        "go, even, ",
        "left            high",
    ):
        assert text in shown, text
    said = json.loads(run("players", "show", "mia", "--json").stdout)
    assert [d["day"] for d in said["decisions"]][2] == "2026-03-31"
    assert [d["plan"] for d in said["decisions"]] == ["", "even", ""]
    assert [c["state"] for c in said["consents"]] == ["withdrawn", "not asked", "given"]
    assert "expected guardian" in refused(
        run("players", "consent", "mia", "speed", "--by", "player")
    )
    taken = run("players", "decide", "mia", "push", "none")
    assert taken.exit_code == 0 and taken.stdout == "Taken back: push.\n"
    said = json.loads(run("players", "show", "mia", "--json").stdout)
    assert [d["topic"] for d in said["decisions"]] == ["lead heel", "speed"]
    assert "nothing to take back" in refused(run("players", "decide", "mia", "push", "none"))
    both = ("--by", "guardian", "--withdraw", "--until", "2099-12-31")
    assert "leave it out" in refused(run("players", "consent", "mia", "speed", *both))
    assert run("players", "decide", "mia", "speed", "go", "--on", "31.3.26").exit_code == 2


@pytest.mark.slow
def test_visits_export_and_deletion(run, tmp_path):
    """The practice session has checks and sets (replay_data/make_practice.py)."""
    assert run("players", "add", "Ada Nowhere", "--handed", "right").exit_code == 0
    demo = run("demo", "--fast", "--no-sound", "--no-page", "--player", "ada nowhere")
    assert demo.exit_code == 0, demo.output
    (key,) = [str(p["player_id"]) for p in listed(run)]
    head, row = run("players", "visits", "ada nowhere").stdout.splitlines()
    assert head == "date,minutes,kind" and row.split(",")[2].startswith("check+sets")
    result = run("players", "export", key[:8], "--to", tmp_path / "out", "--json")
    files = json.loads(result.stdout)["files"]
    assert str(tmp_path / "out" / "player.json") in files and all(Path(f).exists() for f in files)

    asked = run("players", "delete", key[:8])  # nobody answers
    assert (
        asked.exit_code == 1 and f"Delete player {key[:8]} and 1 session for good?" in asked.stderr
    )
    assert [p["sessions"] for p in listed(run)] == [1]
    receipt = json.loads(run("players", "delete", key[:8], "--yes", "--json").stdout)
    assert receipt["player"] == key and len(receipt["sessions"]) == 1
    assert receipt["rows"]["chunks"] > 0 and receipt["traces"] is None
    assert listed(run) == []
    files = [tmp_path / f"s.sqlite3{end}" for end in ("", "-wal", "-shm")]
    store = b"".join(file.read_bytes() for file in files if file.exists())
    # Of the session the random id stays, in its tombstone, the index of it, and the receipt.
    assert b"Nowhere" not in store and store.count(receipt["sessions"][0].encode()) == 3
    assert "is not registered" in refused(run("players", "delete", key, "--yes"))


def test_a_receipt_for_people_has_no_name(run):
    assert run("players", "add", "Ada Nowhere", "--handed", "right").exit_code == 0
    (key,) = [str(p["player_id"]) for p in listed(run)]
    said = run("players", "delete", "ada nowhere", "--yes").stdout
    assert said.startswith(f"Deleted: player {key}, ") and "Nowhere" not in said
