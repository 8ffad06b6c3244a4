"""The demo and replays, end to end: shown, heard, stored, stopped and cut off."""

import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
import wave
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from rich.console import Console
from tests.support.waiting import HANG_S

from plantigrade.block import Foot
from plantigrade.events import Phase, PhaseKind
from plantigrade_gateway.analysis.eventrow import event_row
from plantigrade_gateway.analysis.pipeline import Pipeline
from plantigrade_gateway.analysis.record import RecordAnalysis
from plantigrade_gateway.analysis.timeline import Output
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.report.screen import Screen
from plantigrade_gateway.sound.motifs import SAMPLE_RATE_HZ, Motif, motif
from plantigrade_gateway.sources.recording import at_once
from plantigrade_gateway.sources.replay import demo_file, read_replay, write_replay
from plantigrade_gateway.store import schema
from plantigrade_gateway.store.recorder import Recorder
from plantigrade_gateway.store.repair import verify
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.health import health

pytestmark = pytest.mark.dear

ROOT = Path(__file__).resolve().parents[3]
PRACTICE = ROOT / "replay_data" / "practice.pgr"

Run = Callable[..., Result]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(schema, "default_path", lambda: tmp_path / "home" / "store.sqlite3")

    def made(*arguments: str | Path) -> Result:
        return CliRunner().invoke(main, [str(a) for a in arguments])

    return made


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a replay file of the practice session's first 40 s, without an end entry."""
    path = tmp_path_factory.mktemp("short") / "short.pgr"
    write_replay(path, next(read_replay(PRACTICE)).slice(0, 4000))
    return path


def bodies_of(store: Store, session_id: str) -> dict[str, object]:
    return {row.event_id: row.body for row in store.events(session_id)}


# ---- the demo ----


@pytest.mark.slow
def test_the_demo_from_end_to_end(run, tmp_path):
    """33 swings and 38 steps are shown, heard and stored, and stored is what the pipeline gives."""
    result = run("demo", "--fast")
    assert result.exit_code == 0, result.output
    text = " ".join(result.stdout.split())
    assert text.startswith("The player and the place in this recording are invented")
    blocks = result.stdout.split("\n\n")  # what is said first, what it plays to, what happens
    assert "not a medical device" in blocks[0] and blocks[1].endswith("up to then is kept.")
    for caution in ("not a medical device", "Stop on pain", "licensed clinician", "swing space"):
        assert caution in text
    assert "swing 33" in text and "swing 34" not in text
    assert "step 38" in text and "step 39" not in text
    assert "38 steps in 7 bouts, 33 swings, 8 quiet stands" in text
    assert "set: smooth" in text and "10 swings in set fast" in text
    assert "plantigrade show last" in text
    assert "\x1b" not in result.stdout
    long = [line for line in result.stdout.splitlines() if len(line) > 80]
    assert all(len(line.split()) == 1 for line in long), "a path is not broken"

    pipeline, events = Pipeline(), []
    for batch in read_replay(PRACTICE):
        events += pipeline.push(batch).events
    events += pipeline.flush().events
    with Store.open(tmp_path / "home" / "store.sqlite3", create=False) as store:
        (session,) = store.sessions()
        assert (session.state, session.end_reason) == ("ended", "end")
        assert session.session_id[:8] in text
        rows = [event_row(session.session_id, e) for e in events if not isinstance(e, Phase)]
        assert bodies_of(store, session.session_id) == {row.event_id: row.body for row in rows}
        assert verify(store) == []
        kept = [entry for batch in store.batches(session.session_id) for entry in batch]
    assert kept == [entry for batch in read_replay(PRACTICE) for entry in batch]

    wav = tmp_path / "home" / "practice.wav"
    assert str(wav) in "".join(result.stdout.split())
    samples = np.frombuffer(wav.read_bytes()[44:], dtype="<i2")
    loud = np.flatnonzero(np.abs(samples) > 300)
    assert loud[0] / SAMPLE_RATE_HZ > 10.0
    pushes = [e for e in events if isinstance(e, Phase) and e.kind is PhaseKind.PUSH]
    for push in pushes:
        start = round(push.confirmed_s * SAMPLE_RATE_HZ)
        assert np.abs(samples[start : start + SAMPLE_RATE_HZ]).max() > 300


@pytest.mark.slow
def test_the_demo_without_sound_and_with_a_file_of_ones_own(run, tmp_path):
    result = run("demo", "--fast", "--no-sound", "--store", "s.sqlite3")
    assert result.exit_code == 0
    assert "Sound is off." in result.stdout
    assert sorted(p.name for p in tmp_path.glob("*.wav")) == []
    assert "plantigrade show last --store s.sqlite3" in result.stdout


def test_a_wav_file_that_cannot_be_written(run, short, tmp_path):
    result = run("replay", short, "--fast", "--wav", "gone/x.wav", "--store", "s.sqlite3")
    assert result.exit_code == 2
    assert "gone/x.wav" in result.stderr and len(result.stderr.splitlines()) == 1
    with Store.open(tmp_path / "s.sqlite3") as store:
        assert store.sessions() == []


def test_the_demo_recording_is_found(monkeypatch, tmp_path):
    assert demo_file().read_bytes() == PRACTICE.read_bytes()
    monkeypatch.setattr("plantigrade_gateway.sources.replay.resources.files", lambda name: tmp_path)
    assert demo_file() == PRACTICE
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "practice.pgr").write_bytes(b"installed")
    assert demo_file() == tmp_path / "data" / "practice.pgr"


# ---- replays ----


def test_a_replay_is_stored_as_it_is_and_ended(run, short, tmp_path):
    result = run("replay", short, "--fast", "--wav", "heard.wav", "--store", "s.sqlite3")
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("Replaying short.pgr.")
    assert (tmp_path / "heard.wav").exists()
    with Store.open(tmp_path / "s.sqlite3") as store:
        (session,) = store.sessions()
        kept = [entry for batch in store.batches(session.session_id) for entry in batch]
    replayed = [entry for batch in read_replay(short) for entry in batch]
    assert kept == [*replayed, Entry(replayed[-1].arrival_ns, SESSION, Kind.END, b"")]


def test_two_replays_are_two_sessions_with_the_same_events(run, short, tmp_path):
    for _ in range(2):
        assert run("replay", short, "--fast", "--no-sound", "--store", "s").exit_code == 0
    with Store.open(tmp_path / "s") as store:
        first, second = (bodies_of(store, s.session_id) for s in store.sessions())
    assert first and sorted(map(str, first.values())) == sorted(map(str, second.values()))
    assert not set(first) & set(second)


def test_a_session_that_was_cut_off_is_ended_and_analysed_at_the_next_start(run, short, tmp_path):
    with Store.open(tmp_path / "s") as store:
        cut = store.create_session("before", analysis_version=1)
        for batch in read_replay(short):
            store.append(cut, batch)
    result = run("replay", short, "--fast", "--no-sound", "--store", "s")
    assert f"Session {cut[:8]} was cut off" in result.stdout
    with Store.open(tmp_path / "s") as store:
        assert store.session(cut).end_reason == "restart"
        assert sum(row.kind == "step" for row in store.events(cut)) > 5


def test_a_store_that_refuses_at_the_end_is_a_failure(run, short, monkeypatch):
    def refuse(self: Recorder, *how: object, **also: object) -> None:
        Recorder_close(self, *how, **also)  # type: ignore[arg-type]
        raise StoreError("store s: the disk is full; the last 5 entries are lost")

    Recorder_close = Recorder.close
    monkeypatch.setattr(Recorder, "close", refuse)
    result = run("replay", short, "--fast", "--no-sound", "--store", "s")
    assert result.exit_code == 1
    assert result.stderr.splitlines()[-1].endswith("the last 5 entries are lost")
    assert "Traceback" not in result.stderr


# ---- Ctrl-C ----


@pytest.fixture
def child(short: Path, tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    """Start a replay at its own pace in a process of its own."""
    command = [
        str(Path(sys.executable).with_name("plantigrade")),
        *("replay", str(short), "--no-sound", "--store", str(tmp_path / "s")),
    ]
    with subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "HOME": str(tmp_path)},
    ) as process:
        yield process
        process.kill()


def entries_stored(path: Path, least: int) -> int:
    """Wait until a store holds so many entries; return how many it holds then."""
    until = time.monotonic() + HANG_S
    while time.monotonic() < until:
        time.sleep(0.05)
        if not path.exists():
            continue
        try:
            with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as reader:
                (n,) = reader.execute("SELECT coalesce(sum(entries), 0) FROM chunks").fetchone()
        except sqlite3.OperationalError:
            continue
        if n >= least:
            return int(n)
    raise AssertionError(f"{path} never held {least} entries")


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.slow
def test_ctrl_c_keeps_what_was_recorded(child, tmp_path, number):
    seen = entries_stored(tmp_path / "s", 150)
    assert health(tmp_path / "s") == (True, [])
    meanwhile = CliRunner().invoke(main, ["reanalyse", "--store", str(tmp_path / "s")])
    assert (meanwhile.exit_code, "No session" in meanwhile.stdout) == (0, True)
    listed = CliRunner().invoke(main, ["sessions", "--store", str(tmp_path / "s")])
    assert "recording" in listed.stdout
    child.send_signal(number)
    out, err = child.communicate(timeout=HANG_S)
    assert (child.returncode, err) == (0, "")
    assert health(tmp_path / "s")[0] is False
    assert "Stopped. Everything up to here is kept." in " ".join(out.split())
    assert "Summary" in out and "plantigrade show last" in out
    with Store.open(tmp_path / "s", create=False) as store:
        (session,) = store.sessions()
        assert (session.state, session.end_reason) == ("ended", "stop")
        assert session.entries >= seen
        kept = [entry for batch in store.batches(session.session_id) for entry in batch]
        assert kept[-1].kind is Kind.END
        replayed = [entry for batch in read_replay(Path(child.args[2])) for entry in batch]
        assert kept[:-1] == replayed[: len(kept) - 1]
        before = bodies_of(store, session.session_id)
        assert store.quality(session.session_id)["quality"] is not None
        assert verify(store) == []
    again = CliRunner().invoke(main, ["reanalyse", "--store", str(tmp_path / "s")])
    assert "nothing changed" in again.stdout
    with Store.open(tmp_path / "s", create=False) as store:
        assert bodies_of(store, session.session_id) == before


def test_a_stop_in_a_fast_run_ends_it_at_an_entry(run, short, monkeypatch, tmp_path):
    """Ctrl-C that comes while a batch is being handled takes effect after it."""
    real = RecordAnalysis.push
    pushed = []

    def push(self: RecordAnalysis, batch: Batch) -> Output:
        pushed.append(len(batch))
        if len(pushed) == 5:
            signal.raise_signal(signal.SIGINT)
        return real(self, batch)

    monkeypatch.setattr(RecordAnalysis, "push", push)
    before = signal.getsignal(signal.SIGINT)
    result = run("replay", short, "--fast", "--no-sound", "--store", "s")
    assert result.exit_code == 0
    assert "Stopped." in result.stdout
    assert len(pushed) == 6  # the fifth, and the end entry
    with Store.open(tmp_path / "s") as store:
        (session,) = store.sessions()
        assert session.entries == sum(pushed)
    assert signal.getsignal(signal.SIGINT) is before


# ---- the terminal ----


def test_the_bottom_lines_of_a_terminal(short):
    """With a terminal, progress, loads and phases are shown below the events."""
    with open(os.devnull, "w") as nowhere:
        out = Console(
            file=nowhere, force_terminal=True, width=80, height=24, record=True, highlight=False
        )
        analysis = RecordAnalysis("x")
        with Screen(out, analysis, Foot.LEFT, 725.0, 40.0) as screen:
            for batch in at_once(read_replay(short)):
                screen._refreshed_s = 0.0
                screen.show(analysis.push(batch), analysis.now_s)
    text = out.export_text()
    assert "lead (left) ██" in text and "trail (right) ▒" in text
    assert "× BW (about)" in text
    assert "0:39 of 0:40" in text and "% lost" in text
    assert "step 1 " in text
    assert max(map(len, text.splitlines())) <= 80


def test_json_of_a_session_that_was_replayed(run, short):
    run("replay", short, "--fast", "--no-sound", "--store", "s")
    found = json.loads(run("show", "last", "--json", "--store", "s").stdout)
    assert found["session"]["source"] == "replay: short.pgr"
    assert found["analysis"]["marks"][1]["text"] == "check: stand"


@pytest.mark.parametrize(
    ("kind", "said"),
    [
        (Kind.SETTINGS, "settings of schema 9, expected 1"),
        (Kind.CALIBRATION, "calibration of schema 9, expected 1 or 2"),
    ],
)
def test_what_cannot_be_read_of_a_replay_file_names_the_file(run, tmp_path, kind, said):
    write_replay(tmp_path / "odd.pgr", [Entry(0, 0, kind, b'{"schema": 9}')])
    result = run("analyse", "odd.pgr")
    assert (result.exit_code, result.stderr) == (2, f"Error: odd.pgr: {said}\n")


@pytest.mark.slow
def test_marks_of_somebody_elses_do_not_steer_the_terminal(run, short, tmp_path):
    batch = next(read_replay(short))
    texts = ("\x1b[2Jset: no", "set: [bold\x1b[31m :smile: [/x]")
    first = int(batch.arrival_ns[0])
    marks = [Entry(first, SESSION, Kind.MARK, text.encode()) for text in texts]
    write_replay(tmp_path / "odd.pgr", [*list(batch)[:1], *marks, *list(batch)[1:]])
    for arguments in (
        ["replay", "odd.pgr", "--fast", "--no-sound", "--store", "s"],
        ["show", "last", "--store", "s"],
        ["analyse", "odd.pgr"],
    ):
        result = run(*arguments)
        assert result.exit_code == 0, result.output
        assert "\x1b" not in result.stdout
    assert (
        "set: [bold [31m :smile: [/x]"
        in run("replay", "odd.pgr", "--fast", "--no-sound", "--store", "s").stdout
    )


def test_a_drill_from_end_to_end(run, short, tmp_path):
    """Chosen, said, heard in the file at its times, scored, stored, shown and exported."""
    arguments = ("--fast", "--drill", "walk_through", "--feedback", "every", "--no-page")
    done = run("replay", short, *arguments, "--wav", tmp_path / "a.wav")
    assert done.exit_code == 0, done.stderr
    said = " ".join(done.stdout.split())
    assert "Drill: Walk through the whole foot. Walk at your own pace" in said
    assert "No published normal exists for these targets" in said
    (kept,) = json.loads(run("show", "last", "--json").stdout)["analysis"]["drills"]
    good = [rep["t_s"] for rep in kept["reps"] if rep["verdict"] == "good"]
    assert kept["name"] == "walk_through" and len(good) == kept["good"] >= 5
    shown = run("show", "last").stdout
    assert re.search(r"^0:00.0 +walk_through +every +\d+ +\d+", shown, re.MULTILINE)
    assert run("export", "last", "--to", tmp_path / "out").exit_code == 0
    exported = (tmp_path / "out" / "repetitions.csv").read_text("utf-8").splitlines()
    assert len(exported) == 1 + len(kept["reps"])
    with wave.open(str(tmp_path / "a.wav"), "rb") as file:
        samples = np.frombuffer(file.readframes(file.getnframes()), "<i2") / 32767.0
    sound = motif(Motif.GOOD).astype(np.float64)
    for t_s in good:
        at = round(t_s * SAMPLE_RATE_HZ)
        heard = samples[at : at + len(sound)]
        assert np.corrcoef(heard, sound[: len(heard)])[0, 1] > 0.95
    quiet = samples[: round((good[0] - 0.01) * SAMPLE_RATE_HZ)]
    assert np.abs(quiet).max() == 0.0
