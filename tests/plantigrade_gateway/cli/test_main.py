"""The command line: what it prints, what it refuses, and with which exit code."""

import contextlib
import errno
import json
import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result
from tests.support.damage import flip_piece

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade_gateway.cli.arguments import NEW_PATH, ended_by
from plantigrade_gateway.cli.doctor import Check, State
from plantigrade_gateway.cli.drills import drilling
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.errors import InputError, RecordingError, RefusedNowError, StoreError
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.sources.replay import MAGIC, read_replay, write_replay
from plantigrade_gateway.store import schema
from plantigrade_gateway.store.store import Store

ROOT = Path(__file__).resolve().parents[3]
COMMANDS_PAGE = ROOT / "hardware_notes" / "commands.md"
PRACTICE = ROOT / "replay_data" / "practice.pgr"
COMMANDS = sorted(main.commands)
OF_RECORDINGS = [  # the others, which deal with insoles, say more in their own help
    name
    for name in COMMANDS
    if getattr(main.commands[name].callback, "__module__", "") == "plantigrade_gateway.cli.main"
]
EIGHT = ROOT / "hardware_notes" / "layouts" / "eight_zone_newtons.toml"

Run = Callable[..., Result]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run a command in this process, in an empty folder, with no store of the user's in reach."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(schema, "default_path", lambda: tmp_path / "home" / "store.sqlite3")

    def made(*arguments: str | Path) -> Result:
        return CliRunner().invoke(main, [str(a) for a in arguments])

    return made


def plantigrade(*arguments: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run the installed command in a process of its own."""
    command = Path(sys.executable).with_name("plantigrade")
    return subprocess.run(
        [command, *map(str, arguments)],
        cwd=cwd,
        capture_output=True,
        text=True,
        timeout=120,
        env={**os.environ, "XDG_DATA_HOME": str(cwd / "home"), "HOME": str(cwd / "home")},
    )


def refused(result: Result | subprocess.CompletedProcess[str], *words: str) -> str:
    """Check that a command gave one sentence on standard error and exit code 2; return it."""
    code = result.exit_code if isinstance(result, Result) else result.returncode
    assert code == 2, (result.stdout, result.stderr)
    assert result.stdout == ""
    assert "Traceback" not in result.stderr
    lines = result.stderr.splitlines()
    assert len(lines) == 1, result.stderr
    assert lines[0].startswith("Error: ")
    for word in words:
        assert word in lines[0]
    return lines[0]


def csv_of(path: Path, n: int = 1200, zones: int = 18, spoil: str | None = None) -> Path:
    """Write 12 s of standing; `spoil` takes the place of the third row's first reading."""
    names = ["time_s", *(f"{side}{k + 1}" for side in "LR" for k in range(zones))]
    rows = []
    for k in range(n):
        cells = [f"{k / 100:.2f}", *["30.5"] * (2 * zones)]
        if spoil is not None and k == 2:
            cells[1] = spoil
        rows.append(",".join(cells))
    path.write_text("\n".join([",".join(names), *rows]) + "\n")
    return path


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store with the first 40 s of the practice session in it."""
    folder = tmp_path_factory.mktemp("stored")
    batch = next(read_replay(PRACTICE))
    write_replay(folder / "short.pgr", list(batch.slice(0, 4000)))
    path = folder / "store.sqlite3"
    result = CliRunner().invoke(
        main, ["replay", str(folder / "short.pgr"), "--fast", "--no-sound", "--store", str(path)]
    )
    assert result.exit_code == 0, result.output
    return path


# ---- help and documentation ----


def every_command(group: click.Group, *path: str) -> Iterator[tuple[str, ...]]:
    """The words of each command, those of commands under commands too."""
    for name, command in sorted(group.commands.items()):
        yield (*path, name)
        if isinstance(command, click.Group):
            yield from every_command(command, *path, name)


def the(words: tuple[str, ...]) -> click.Command:
    found: click.Command = main
    for word in words:
        assert isinstance(found, click.Group)
        found = found.commands[word]
    return found


@pytest.mark.parametrize("words", list(every_command(main)), ids=" ".join)
def test_every_command_and_every_option_has_help_and_the_store_may_follow(run, words):
    """What --help prints is where an option is documented (`commands.md`: the usual ones, too)."""
    result = run(*words, "--help")
    assert result.exit_code == 0
    command = the(words)
    assert command.help and command.help.splitlines()[0].endswith((".", ","))
    if words[0] != "hub":  # of a folder of its own, --data
        assert "--store PATH" in result.stdout
    elif not isinstance(command, click.Group):
        assert "--data DIR" in result.stdout
    for parameter in command.params:
        if (words, parameter.name) == (("run",), "part"):  # what one program tells another
            assert isinstance(parameter, click.Option) and parameter.hidden
        elif isinstance(parameter, click.Option):
            assert parameter.help and not parameter.hidden, parameter.name
            assert any(name in result.stdout for name in parameter.opts)


def test_the_commands_that_were_asked_for_are_there():
    asked = {
        "demo": {"--fast", "--sound", "--wav"},
        "replay": {"--fast"},
        "analyse": {"--layout", "--mass", "--handed", "--json"},
        "sessions": {"--json"},
        "show": {"--json"},
        "export": {"--to"},
        "reanalyse": set(),
        "doctor": {"--json"},
    }
    for command, options in asked.items():
        there = {name for p in main.commands[command].params for name in p.opts}
        assert options <= there, command


@pytest.mark.parametrize("command", COMMANDS)
def test_the_page_of_commands_names_every_command(command):
    assert f"`plantigrade {command}" in COMMANDS_PAGE.read_text("utf-8")


@pytest.mark.parametrize("command", OF_RECORDINGS)
def test_the_page_of_commands_names_every_option(command):
    page = COMMANDS_PAGE.read_text("utf-8")
    for parameter in main.commands[command].params:
        if isinstance(parameter, click.Option):
            assert any(name in page for name in parameter.opts), parameter.opts


def test_help_and_version(run):
    assert "Usage: " in run("--help").stdout
    version = run("--version")
    assert version.exit_code == 0
    assert version.stdout.split()[-1][0].isdigit()
    assert run().exit_code == 2  # no command: the help, as a usage error


# ---- analyse ----


def test_analyse_a_zone_csv(run, tmp_path):
    result = run("analyse", csv_of(tmp_path / "stand.csv"))
    assert result.exit_code == 0, result.output
    text = " ".join(result.stdout.split())
    assert "stand.csv: 12.0 s at 100 Hz" in text
    assert "1 quiet stand" in text
    assert "from the recording's own load" in text
    assert "not a medical device" in text
    assert "the coach judges. No published normal exists" in text
    assert "contact above" in text
    assert "\x1b" not in result.stdout
    assert max(map(len, result.stdout.splitlines())) <= 80


def test_one_foots_columns_alone_are_analysed_as_one_foot(run, tmp_path):
    """As where the other's are there and empty: missing, and nothing of both feet is found."""
    whole = [line.split(",") for line in csv_of(tmp_path / "s.csv").read_text().splitlines()]
    empty = [whole[0], *(row[:19] + [""] * 18 for row in whole[1:])]
    found = {}
    for name, rows in (("alone.csv", [row[:19] for row in whole]), ("empty.csv", empty)):
        (tmp_path / name).write_text("".join(",".join(row) + "\n" for row in rows))
        result = run("analyse", name, "--json", "--mass", "70")
        assert result.exit_code == 0, result.output
        found[name] = json.loads(result.stdout)
        assert found[name].pop("source") == name
    alone = found["alone.csv"]
    assert alone == found["empty.csv"]
    assert alone["quality"]["right"]["samples"] == 0 and alone["quality"]["left"]["samples"] == 1200
    assert alone["quality"]["recording_weight_n"] is None  # half a body is none
    assert alone["stands"] == alone["steps"] == alone["swings"] == []
    assert "12.0 s at 100 Hz, the left foot alone" in run("analyse", "alone.csv").stdout


def test_analyse_takes_mass_hand_and_layout(run, tmp_path):
    csv_of(tmp_path / "stand.csv", zones=8)
    result = run(
        "analyse", "stand.csv", "--layout", EIGHT, "--mass", "50", "--handed", "left", "--json"
    )
    assert result.exit_code == 0, result.output
    quality = json.loads(result.stdout)["quality"]
    assert (quality["layout"], quality["zones"]) == ("eight_zone_newtons", 8)
    assert (quality["mass_kg"], quality["lead"]) == (50.0, "right")
    assert quality["body_weight_from"] == "mass"  # 490 N against the recording's 488 N


@pytest.mark.dear
def test_analyse_a_replay_file(run):
    result = run("analyse", PRACTICE)
    assert result.exit_code == 0, result.output
    text = " ".join(result.stdout.split())
    assert "38 steps" in text and "33 swings" in text
    assert "set: smooth" in result.stdout or "set smooth" in result.stdout
    assert "about 726 N, from the mass given" in text
    assert max(map(len, result.stdout.splitlines())) <= 80


@pytest.mark.slow
def test_analyse_real_walks(run, open_data):
    for name in ("GaCo02_01", "GaCo14_01", "SiCo01_01"):
        path = open_data(f"gaitpdb/{name}.csv")
        result = run("analyse", path, "--layout", EIGHT)
        assert result.exit_code == 0, result.output
        assert "0 swings" in result.stdout
        assert "cadence, steps/min" in result.stdout
        found = json.loads(run("analyse", path, "--layout", EIGHT, "--json").stdout)
        assert found["walk"]["left"]["steps"] > 80 and found["walk"]["right"]["steps"] > 80
        assert found["swings"] == []


def bad_files(folder: Path) -> dict[str, tuple[Sequence[str], Sequence[str]]]:
    """Return arguments of `analyse` and what its sentence must hold, by what is wrong."""
    (folder / "empty.csv").write_text("")
    (folder / "header.csv").write_text("time_s,L1,L2\n0,1,2\n")
    (folder / "words.csv").write_text("a,b,c\n1,2,3\n4,5,6\n")
    (folder / "bytes.csv").write_bytes(bytes(range(256)) * 40)
    (folder / "layout.toml").write_text('name = "x"\nlength_mm = 270\n')
    (folder / "not.toml").write_text("[[[")
    (folder / "bad.pgr").write_bytes(MAGIC + b"\x63\x00")
    whole = PRACTICE.read_bytes()
    (folder / "cut.pgr").write_bytes(whole[: len(whole) // 2])
    csv_of(folder / "stand.csv")
    csv_of(folder / "nan.csv", spoil="nan")
    csv_of(folder / "inf.csv", spoil="inf")
    csv_of(folder / "low.csv", spoil="-900")
    csv_of(folder / "text.csv", spoil="high")
    csv_of(folder / "one.csv", n=1)
    csv_of(folder / "none.csv", n=0)
    return {
        "missing": (["nowhere.csv"], ["nowhere.csv", "No such file"]),
        "folder": (["."], ["."]),
        "empty": (["empty.csv"], ["empty.csv", "empty"]),
        "header": (["header.csv"], ["header.csv", "L3", "expected"]),
        "no zones": (["words.csv"], ["words.csv", "expected"]),
        "no text": (["bytes.csv"], ["bytes.csv"]),
        "other layout": (["stand.csv", "--layout", str(EIGHT)], ["L9", "L1 to L8", "layout"]),
        "NaN": (["nan.csv"], ["nan.csv", "line 4", "L1"]),
        "infinite": (["inf.csv"], ["inf.csv", "line 4", "L1"]),
        "below zero": (["low.csv"], ["low.csv", "line 4", "L1"]),
        "text": (["text.csv"], ["text.csv", "line 4", "L1"]),
        "one row": (["one.csv"], ["one.csv", "1 row"]),
        "no row": (["none.csv"], ["none.csv", "0 rows"]),
        "no layout": (["stand.csv", "--layout", "gone.toml"], ["gone.toml", "cannot be read"]),
        "bad layout": (["stand.csv", "--layout", "layout.toml"], ["layout.toml", "missing"]),
        "no TOML": (["stand.csv", "--layout", "not.toml"], ["not.toml"]),
        "negative mass": (["stand.csv", "--mass", "-5"], ["-5 kg", "10 to 300"]),
        "NaN mass": (["stand.csv", "--mass", "nan"], ["--mass: 'nan'", "number of kg"]),
        "no replay": (["bad.pgr"], ["bad.pgr", "version 99"]),
        "cut replay": (["cut.pgr"], ["cut.pgr", "cut off"]),
        "layout of a replay": ([str(PRACTICE), "--layout", str(EIGHT)], ["its own layout"]),
        "replay mass": ([str(PRACTICE), "--mass", "5"], ["5 kg", "10 to 300"]),
    }


BAD = (
    "missing",
    "folder",
    "empty",
    "header",
    "no zones",
    "no text",
    "other layout",
    "NaN",
    "infinite",
    "below zero",
    "text",
    "one row",
    "no row",
    "no layout",
    "bad layout",
    "no TOML",
    "negative mass",
    "NaN mass",
    "no replay",
    "cut replay",
    "layout of a replay",
    "replay mass",
)


def test_every_bad_case_is_tried(tmp_path):
    assert set(BAD) == set(bad_files(tmp_path))


@pytest.mark.parametrize("wrong", BAD)
@pytest.mark.parametrize("form", ["text", "json"])
def test_analyse_refuses_in_one_sentence(run, tmp_path, wrong, form):
    arguments, words = bad_files(tmp_path)[wrong]
    before = sorted(tmp_path.iterdir())
    refused(run("analyse", *arguments, *(["--json"] if form == "json" else [])), *words)
    assert sorted(tmp_path.iterdir()) == before


@pytest.mark.slow
def test_a_real_process_gives_exit_code_2_and_one_line(tmp_path):
    csv_of(tmp_path / "nan.csv", spoil="nan")
    refused(plantigrade("analyse", "nan.csv", cwd=tmp_path), "nan.csv", "line 4", "L1")
    refused(plantigrade("show", "last", cwd=tmp_path), "store", "not found")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["nan.csv"]


@pytest.mark.slow
def test_a_real_process_writes_plain_text_into_a_pipe(tmp_path):
    csv_of(tmp_path / "stand.csv")
    result = plantigrade("analyse", "stand.csv", cwd=tmp_path)
    assert (result.returncode, result.stderr) == (0, "")
    assert "\x1b" not in result.stdout


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (RefusedNowError("store: is locked"), 1),
        (RecordingError("the session could not be kept"), 1),
        (StoreError("export: cannot be written"), 2),
        (InputError("a.csv: is no zone CSV"), 2),
    ],
)
@pytest.mark.parametrize("why", [None, errno.EACCES, errno.ENOSPC, errno.EDQUOT])
def test_a_disk_without_room_and_a_locked_store_are_a_failure_and_no_bad_input(error, code, why):
    """The same command may be well later, so who calls it again must tell the two apart."""
    error.__cause__ = None if why is None else OSError(why, os.strerror(why))
    said = ended_by(error)
    assert said.exit_code == (1 if why in (errno.ENOSPC, errno.EDQUOT) else code)
    assert said.message == str(error)


def test_options_that_click_refuses(run):
    assert run("analyse", "x.csv", "--handed", "both").exit_code == 2
    assert run("analyse", "x.csv", "--mass", "heavy").exit_code == 2
    assert run("analyse").exit_code == 2
    assert run("nonsense").exit_code == 2


# ---- stored sessions ----


def test_sessions(run, stored):
    text = run("sessions", "--store", stored)
    assert text.exit_code == 0
    assert "replay: short.pgr" in text.stdout
    (line,) = json.loads(run("sessions", "--json", "--store", stored).stdout)
    (shown,) = (row for row in text.stdout.splitlines() if row.startswith(line["session"][:8]))
    minutes, seconds = divmod(round(line["duration_s"]), 60)
    assert shown.split()[3] == f"{minutes}:{seconds:02d}"
    assert (line["state"], line["end_reason"], line["player"]) == ("ended", "end", None)
    assert line["steps"] > 5


def test_sessions_before_the_first_is_no_error(run, tmp_path):
    result = run("sessions")
    assert result.exit_code == 0
    assert "plantigrade demo" in result.stdout
    assert json.loads(run("sessions", "--json").stdout) == []
    assert list(tmp_path.iterdir()) == []


def test_the_store_may_stand_before_or_after_the_command(run, stored):
    before = run("--store", stored, "show", "last", "--json")
    after = run("show", "--json", "last", "--store", stored)
    assert before.exit_code == 0
    assert before.stdout == after.stdout


def test_show(run, stored):
    text = run("show", "last", "--store", stored)
    assert text.exit_code == 0
    assert "to its end" in text.stdout and "Walking" in text.stdout and "Quality" in text.stdout
    found = json.loads(run("show", "last", "--json", "--store", stored).stdout)
    assert len(found["analysis"]["steps"]) == found["session"]["steps"]
    analysed = json.loads(run("analyse", stored.with_name("short.pgr"), "--json").stdout)
    mine = {**found["analysis"], "source": "short.pgr"}
    for table in (mine, analysed):
        for kind in ("steps", "stands", "swings"):
            table[kind].sort(key=lambda event: (event["first_index"], event.get("foot", "")))
    assert mine == analysed


def test_show_part_of_an_id(run, stored):
    (line,) = json.loads(run("sessions", "--json", "--store", stored).stdout)
    assert run("show", line["session"][:5], "--store", stored).exit_code == 0
    refused(run("show", "zzz", "--store", stored), "zzz", "plantigrade sessions")


@pytest.mark.dear
def test_export(run, stored, tmp_path):
    result = run("export", "last", "--to", "out", "--store", stored)
    assert result.exit_code == 0, result.output
    names = {"frames.csv"} | {
        f"{kind}.{form}"
        for kind in ("steps", "swings", "stands", "sets", "drills", "repetitions")
        for form in ("csv", "parquet")
    }
    assert {p.name for p in (tmp_path / "out").iterdir()} == names
    assert len(result.stdout.splitlines()) == len(names)
    again = run("export", "last", "--to", "out", "--store", stored)
    refused(again, "out", "already")
    assert run("export", "last", "--to", "out", "--replace", "--store", stored).exit_code == 0
    back = json.loads(run("analyse", "out/frames.csv", "--mass", "74", "--json").stdout)
    found = json.loads(run("show", "last", "--json", "--store", stored).stdout)["analysis"]
    assert [s["foot"] for s in back["steps"]] == [
        s["foot"] for s in sorted(found["steps"], key=lambda s: s["confirmed_s"])
    ]
    listed = json.loads(run("export", "last", "--to", "json", "--json", "--store", stored).stdout)
    assert {Path(name).name for name in listed["files"]} == names


def test_export_of_nothing_leaves_nothing(run, stored, tmp_path):
    refused(run("export", "zzz", "--to", "out", "--store", stored), "zzz")
    (tmp_path / "file").write_text("mine")
    refused(run("export", "last", "--to", "file", "--store", stored), "file", "expected a folder")
    assert [p.name for p in tmp_path.iterdir()] == ["file"]


def events_of(path: Path) -> dict[str, object]:
    with Store.open(path, create=False) as store:
        return {
            row.event_id: row.body
            for session in store.sessions()
            for row in store.events(session.session_id)
        }


def test_reanalyse_makes_the_same_events(run, stored):
    before = events_of(stored)
    assert before
    for arguments in (["last"], []):
        result = run("reanalyse", *arguments, "--store", stored)
        assert result.exit_code == 0, result.output
        assert "nothing changed" in result.stdout
        assert events_of(stored) == before
    table = json.loads(run("reanalyse", "--json", "--store", stored).stdout)
    assert [line["changed"] for line in table["sessions"]] == [0]
    assert table["failed"] == []


def test_reanalyse_puts_lost_results_right(run, stored, tmp_path):
    path = tmp_path / "copy.sqlite3"
    with Store.open(stored, create=False) as store, Store.open(path) as copy:
        (old,) = store.sessions()
        new = copy.create_session(old.source, analysis_version=0)
        for batch in store.batches(old.session_id):
            copy.append(new, batch)
        copy.put_quality(new, {"entries_lost": 7})
    with Store.open(path) as copy:
        assert copy.recover() == [new]  # nobody ended it: the program was killed
    cut = run("show", "last", "--store", path)
    assert cut.exit_code == 0
    assert "cut off" in cut.stdout and f"plantigrade reanalyse {new[:8]}" in cut.stdout.replace(
        "\n", " "
    )
    result = run("reanalyse", "--store", path)
    assert result.exit_code == 0
    assert f"{len(events_of(stored))} results changed" in result.stdout
    assert sorted(map(str, events_of(path).values())) == sorted(
        map(str, events_of(stored).values())
    )
    with Store.open(path) as copy:
        assert copy.quality(new)["entries_lost"] == 7
        assert copy.session(new).analysis_version == ANALYSIS_VERSION
    assert "Quality" in run("show", "last", "--store", path).stdout


def test_reanalyse_goes_on_past_a_damaged_session(run, stored, tmp_path):
    path = tmp_path / "copy.sqlite3"
    path.write_bytes(stored.read_bytes())
    with Store.open(path) as store:
        bad = store.create_session("damaged", analysis_version=1)
        store.append(bad, Batch.of([Entry(0, SESSION, Kind.SETTINGS, b"{not json")]))
        store.end_session(bad, "stop")
    result = run("reanalyse", "--store", path)
    assert result.exit_code == 1
    assert "nothing changed" in result.stdout
    assert "Error: settings entry" in result.stderr
    refused(run("reanalyse", bad[:6], "--store", path), "settings entry")


def test_a_damaged_piece_is_said_where_the_session_is_used(run, stored, tmp_path):
    path = tmp_path / "copy.sqlite3"
    path.write_bytes(stored.read_bytes())
    flip_piece(path, 20)
    with contextlib.closing(sqlite3.connect(path)) as db:
        ((entries,),) = db.execute("SELECT entries FROM chunks WHERE seq = 20").fetchall()
    said = (
        f"piece 20, 0:20.0 to 0:21.0, {entries} entries: "
        "its check sum does not match; it is damaged"
    )
    done = run("export", "last", "--to", tmp_path / "out", "--store", path)
    assert done.exit_code == 0 and done.stderr.startswith("Lost: session ")
    assert done.stderr.rstrip().endswith(said)
    assert (tmp_path / "out" / "frames.csv").exists()
    done = run("reanalyse", "last", "--store", path)
    assert done.exit_code == 0 and "1 gap in its record, see plantigrade show" in done.stdout
    shown = " ".join(run("show", "last", "--store", path).stdout.split())
    assert "piece 20 cannot be read (its check sum does not match; it is damaged)" in shown


# ---- stores that cannot be used ----


GONE = "Error: store gone.sqlite3: not found; record a session first or choose another with --store"


@pytest.mark.parametrize(
    "command",
    [
        "sessions",
        "show last",
        "export last --to out",
        "reanalyse",
        "players",
        "players show P",
        "players export P --to out",
        "sheet P",
        "compare P",
        "status",
        "status --json",
        "desk",
        "outbox",
        "repair --to new.sqlite3",
    ],
)
def test_a_store_that_is_named_and_not_there_is_refused_by_all_and_not_made(run, tmp_path, command):
    assert refused(run(*command.split(), "--store", "gone.sqlite3")) == GONE
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("command", ["sessions", "players", "status", "outbox"])
def test_a_list_before_the_first_session_is_empty_and_no_error(run, tmp_path, command):
    result = run(command)
    assert (result.exit_code, result.stderr) == (0, "") and result.stdout
    assert list(tmp_path.iterdir()) == []


READ = "footprint read P left photo.jpg --how standing"


@pytest.mark.parametrize(
    ("command", "words"),
    [
        ("backup copy.sqlite3 --keep 3", "--keep: counts the backups of a folder, and copy.sqlite"),
        (f"{READ} --sheet a4", "--sheet: say --mirrored or --not-mirrored"),
        (f"{READ} --keep-photo", "--keep-photo: goes with --keep"),
        (f"{READ} --heel 1 2", "--heel, --toe and --line: give all three or none"),
        (f"{READ} --heel 1 2 --toe 3 4", "--heel, --toe and --line: give all three or none"),
        (f"{READ} --line 1 2 3 4", "--heel, --toe and --line: give all three or none"),
        ("tsdb delete", "name one of --player, --session and --moved"),
        ("tsdb delete --player P --moved S", "name one of --player, --session and --moved"),
        ("roster", "roster: no message broker is set; set mqtt.host"),
    ],
)
def test_options_that_do_not_go_together_are_refused_in_one_sentence(run, tmp_path, command, words):
    (tmp_path / "photo.jpg").write_bytes(b"none")
    refused(run(*command.split()), words)
    assert [path.name for path in tmp_path.iterdir()] == ["photo.jpg"]


def test_a_roster_is_followed_by_people_alone(run, monkeypatch):
    monkeypatch.setenv("PLANTIGRADE_MQTT_HOST", "127.0.0.1")
    refused(run("roster", "--follow", "--json"), "--follow: not with --json")


@pytest.mark.parametrize(
    ("command", "option"),
    [
        (["export", "last", "--to", ""], "--to"),
        (["players", "export", "P", "--to", ""], "--to"),
        (["repair", "--to", ""], "--to"),
        (["sessions", "--store", ""], "--store"),
        (["--store", "", "sessions"], "--store"),
        (["demo", "--wav", ""], "--wav"),
        (["analyse", ""], "file"),
    ],
)
def test_an_empty_name_is_not_the_current_folder(run, tmp_path, command, option):
    refused(run(*command), f"{option}: is empty, expected the name of a file or folder")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("command", "option"),
    [
        ("export last --to gone/out", "--to"),
        ("players export P --to gone/out", "--to"),
        ("report P --to gone/page.pdf", "--to"),
        ("repair --to gone/new.sqlite3", "--to"),
        ("demo --fast --wav gone/sound.wav", "--wav"),
    ],
)
def test_a_folder_that_is_not_there_is_refused_by_all_that_write_and_not_made(
    run, tmp_path, command, option
):
    said = refused(run(*command.split()))
    name = command.split()[-1]
    assert said == f"Error: {option} {name}: there is no folder gone; make it first"
    assert list(tmp_path.iterdir()) == []


def test_no_command_takes_a_name_that_is_not_looked_at():
    """A path of click's own would take an empty one."""
    for words in every_command(main):
        command: click.Command = main
        for word in words:
            assert isinstance(command, click.Group)
            command = command.commands[word]
        for param in command.params:
            assert type(param.type) is not click.Path, (words, param.name)
            if {"--to", "--wav"} & set(param.opts):  # what a command writes
                # of run it may be PAIR=PATH: `pairs.wav_path` looks at it
                assert param.type is NEW_PATH or words == ("run",), words


@pytest.mark.parametrize(
    "command", ["demo --fast", f"replay {PRACTICE} --fast", "sessions", "reanalyse"]
)
def test_a_file_that_is_no_store_is_left_alone(run, tmp_path, command):
    (tmp_path / "notes.txt").write_text("dear diary\n" * 300)
    result = run(*command.split(), "--store", "notes.txt")
    refused(result, "not a Plantigrade store")
    assert (tmp_path / "notes.txt").read_text() == "dear diary\n" * 300


def test_a_folder_that_cannot_be_written(run):
    read_only = Path("/proc/sys")  # not even root makes files there
    if not read_only.exists():
        pytest.skip("no /proc/sys on this platform")
    result = run("demo", "--fast", "--store", read_only / "store.sqlite3")
    refused(result, "/proc/sys/store.sqlite3")


def test_replay_refuses_a_bad_file_before_anything_is_stored(run, tmp_path):
    (tmp_path / "text.pgr").write_text("a replay file begins otherwise")
    for wrong in ("missing", "no replay", "cut replay"):
        (name,), words = bad_files(tmp_path)[wrong]
        refused(run("replay", name, "--fast", "--store", "s.sqlite3"), *words)
        assert not (tmp_path / "s.sqlite3").exists()
    refused(run("replay", "text.pgr", "--store", "s.sqlite3"), "not a replay file, expected")


@pytest.mark.parametrize("name", ["stand.csv", "STAND.CSV"])
def test_replay_names_the_command_that_reads_a_csv(run, tmp_path, name):
    csv_of(tmp_path / name, n=3)
    refused(
        run("replay", name, "--fast", "--store", "s.sqlite3"),
        f"{name}: not a replay file; plantigrade analyse reads a zone CSV",
    )
    assert not (tmp_path / "s.sqlite3").exists()


# ---- doctor ----


@pytest.mark.parametrize(("state", "code"), [(State.OK, 0), (State.WARN, 0), (State.FAIL, 1)])
def test_doctor_tells_a_failure_by_its_exit_code(run, monkeypatch, tmp_path, state, code):
    asked = []

    def examine(store: Path | None) -> list[Check]:
        asked.append(store)
        return [Check("python", State.OK, "fine"), Check("store", state, "as found", "Do this.")]

    monkeypatch.setattr("plantigrade_gateway.cli.doctor.examine", examine)
    result = run("doctor", "--store", tmp_path / "s")
    assert result.exit_code == code
    assert asked == [tmp_path / "s"]
    assert "as found" in result.stdout and "Do this." in result.stdout
    table = run("doctor", "--json")
    assert table.exit_code == code
    assert json.loads(table.stdout)[1] == {
        "name": "store",
        "state": str(state),
        "found": "as found",
        "advice": "Do this.",
    }


# ---- drills ----


def test_drills_lists_what_there_is_and_what_counts(tmp_path):
    folder = tmp_path / "drills"
    folder.mkdir()
    (folder / "mine.toml").write_text(
        'name = "mine"\ntitle = "Mine"\ngoal = "Go."\nkind = "stay"\n', "utf-8"
    )
    (folder / "bad.toml").write_text('name = "bad"\ntilte = "x"\n', "utf-8")
    store = str(tmp_path / "store")
    done = CliRunner().invoke(main, ["drills", "--store", store])
    assert done.exit_code == 0
    text = " ".join(done.stdout.split())
    for said in ("push", "walk_through", "mine", "The lead heel stays loaded from the start"):
        assert said in text
    assert "No published normal exists for these targets" in text
    assert "key 'tilte' is not known, expected title (or name," in text
    as_json = json.loads(CliRunner().invoke(main, ["drills", "--json", "--store", store]).stdout)
    assert [d["name"] for d in as_json["drills"]][-1] == "mine"
    assert as_json["drills"][-1]["from"] == str(folder / "mine.toml")
    assert len(as_json["problems"]) == 1


def test_a_session_has_the_drills_beside_its_store_or_beside_the_usual_one(tmp_path, monkeypatch):
    for place in ("home", "elsewhere"):
        (tmp_path / place / "drills").mkdir(parents=True)
        (tmp_path / place / "drills" / "mine.toml").write_text(
            f'name = "at_{place}"\ntitle = "Mine"\ngoal = "Go."\nkind = "stay"\n', "utf-8"
        )
    monkeypatch.setattr(schema, "default_path", lambda: tmp_path / "home" / "store.sqlite3")
    elsewhere = tmp_path / "elsewhere" / "store.sqlite3"
    for store, name, other in ((None, "home", "elsewhere"), (elsewhere, "elsewhere", "home")):
        found = drilling(store, f"at_{name}", None, voice=False)
        assert found.choice is not None and found.choice.drill is not None
        assert found.choice.drill.name == f"at_{name}"
        with pytest.raises(InputError, match=f"at_{other}"):
            drilling(store, f"at_{other}", None, voice=False)


def test_a_drill_that_is_not_there_is_refused_before_anything_begins(tmp_path):
    store = tmp_path / "store"
    for arguments, said in (
        (["--drill", "pusch"], "drill 'pusch': is not known, expected perhaps push"),
        (["--drill", str(tmp_path / "x.toml")], "cannot be read: No such file"),
        (["--feedback", "ask"], "--feedback: is a drill's, add --drill"),
    ):
        done = CliRunner().invoke(main, ["demo", "--fast", "--store", str(store), *arguments])
        assert done.exit_code == 2 and said in done.stderr
        assert not store.exists()
