"""What release 0.1.0 wrote is read as before: stores, replay files, CSV, settings, drills, schemas.

The files and what 0.1.0 said of them stand in `fixtures/v0_1` (its README says how they were made).
Whatever 0.1.0 gave must still be given, under the same name and with the same value; new keys,
columns and rows of settings may come. A value that a fix changes on purpose is named in `FIXES`;
the kept files are never made again.
"""

import csv
import io
import json
import lzma
import math
import os
import platform
import shutil
import sqlite3
import sys
import tarfile
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import jsonschema
import numpy as np
import pyarrow.parquet as parquet
import pytest
import scipy
from click.testing import CliRunner
from tests.support.deskserver import served
from tests.support.door import door

from plantigrade_gateway.cli.main import main
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear

ROOT = Path(__file__).resolve().parent.parent
KEPT = ROOT / "tests" / "fixtures" / "v0_1"
PRACTICE = ROOT / "replay_data" / "practice.pgr"
OLDER = (1, 2, 3, 4, 5)


@dataclass(frozen=True)
class Fix:
    """A kept value that is no longer given, and why.

    Attributes
    ----------
    where : str
        Path of the value, as failures name it; ``*`` stands for any part of it, as in
        ``practice/swings/*/push/transfer_s``.
    why : str
        The fix that changed it.
    now : str
        The key's new name, where it was only renamed; else the value is not looked at.
    """

    where: str
    why: str
    now: str = ""


_VERSION = "the analysis version was raised step by step, up to 8, with the fixes below"
_SHIFT = "the shift is read where the lead share has made 5 % of its rise, not from the trough"
_PUSH_END = "a push ends row by row from the lead peak on, not with the finish"
_LINK = "the class is named LinkQuality now"
_OF_SHIFT = ("swings/*/shift_s", "push/transfer_of_shift", "summary/shift_to_lead_peak_s")
_OF_PUSH = (
    *("push/end_s", "push/path_t_s", "push/path_y", "push/heel_leave_s", "push/fore_take_s"),
    *("push/transfer_s", "push/travel_to", "push/load_at_fore_take"),
    *("push/medial_share_fore_take", "push/cop_x_fore_take", "summary/transfer_of_shift"),
    *("summary/transfer_s", "summary/push_travel", "summary/load_at_fore_take"),
)
_OF_TIMING = (
    *("swings/5/push/timing", "swings/5/push/midfoot_over_floor", "swings/5/push/toes_over_floor"),
    "sets/0/summary/timings",
)
_ROLLED = "transfer is averaged over rolled pushes alone"
_ONE_COUNT = "samples missing and gaps come from one count, of samples by their times"
_HELD = "a loss: the player held this push, and it is read as rolled since a push ends earlier"
_OF_HELD = (
    *("show/analysis/swings/2/push/manner", "show/analysis/sets/1/summary/manners"),
    *("outbox_rows/*/4/push/manner", "outbox_rows/*/4/summary/manners"),
)
_QUIET = "a foot whose CoP sways by over 10 mm RMS moved, and has no bearing"
_FLOOR = "a midfoot share within twice the midfoot's floor of a limit is unclear"
_BY_TRAVEL = "a foot whose bearing is unclear is judged by its CoP's travel, as the drill says"
_MOVED = (
    *("practice/stands/1/right", "practice/stands/2/*", "practice/stands/5/right"),
    *("practice/stands/6/*", "practice/stands/7/right", "show/analysis/stands/1/left"),
)
_OF_WALK_DRILL = (
    *("drills/1/good", "drills/1/tried", "drills/1/unclear", "drills/1/best"),
    *("drills/1/reps/*/verdict", "drills/1/reps/*/words"),
)
_TRAVEL = "front-to-back travel ends at the lead peak; none where samples are missing in it"
_FINISH = "a finish in the lead peak's row is not before the peak, which lies between rows"
_FIRST_STEP = "what may be a gait's first step is decided 1.2 s after the lead peak"
_ONE_GOOD = "the built-in drills count what the analysis calls good, by the same limits"
_WRITTEN_OUT = "the time line writes names out, up to 28 letters"
_FOUR_LINES = "the names of a swing's moments stand on four lines, not three"
FIXES: list[Fix] = [
    Fix("*/analysis_version", _VERSION),
    Fix("reanalyse/sessions/0/changed", _PUSH_END),
    Fix("practice/swings/*/confirmed_s", _FIRST_STEP),
    *(Fix(f"*/{where}", _SHIFT) for where in _OF_SHIFT),
    *(Fix(f"*/{where}", _PUSH_END) for where in _OF_PUSH),
    *(
        Fix(f"practice/{where}", "a held push has no timing, as its truth says")
        for where in _OF_TIMING
    ),
    *(Fix(where, _HELD) for where in _OF_HELD),
    *(Fix(f"{where}/bearing", _QUIET) for where in _MOVED),
    *(Fix(f"show/analysis/stands/{k}/right/bearing", _FLOOR) for k in (0, 1)),
    Fix("outbox_rows/*/4/right/bearing", _FLOOR),
    Fix("outbox_rows/*/4/left/bearing", _QUIET),
    *(Fix(f"outbox_rows/{k}/1", _BY_TRAVEL) for k in (5, 6, 7)),
    *(Fix(f"show/analysis/{where}", _BY_TRAVEL) for where in _OF_WALK_DRILL),
    Fix("*/finish_s", _FINISH),
    *(Fix(f"*/{foot}_cop_travel", _TRAVEL) for foot in ("lead", "trail")),
    Fix("drills/drills/*/target/transfer_s", _ONE_GOOD),
    Fix("drills/drills/*/target/return_by_s", _ONE_GOOD),
    Fix("show/analysis/quality/*/missing_samples", _ONE_COUNT),
    *(Fix(f"*/quality/*/gaps/{part}", _ONE_COUNT) for part in ("count", "total_s", "longest_s")),
    *(
        Fix(f"sets.csv/*/{measure}_{part}", _ROLLED)
        for measure in ("transfer_s", "transfer_of_shift")
        for part in ("count", "mean", "sd")
    ),
    Fix("outbox_rows/*/4/t_s", "the cue of a push comes with its end"),
    Fix("outbox_rows/*/4/decided_s", "the cue of a push comes with its end"),
    Fix("outbox_rows/*/4/shift_s", _SHIFT),
    Fix("pages/timeline.json?width=100/sources/marks/name/?", _WRITTEN_OUT),
    Fix("pages/swings/*/chart.json/sources/moments/at/?", _FOUR_LINES),
    Fix("analysis.schema/$defs/FootQuality/properties/link/anyOf/0", _LINK),
    Fix("analysis.schema/$defs/Link", _LINK, now="LinkQuality"),
]
"""Every value that legitimately differs from 0.1.0; add to it, never to the kept files."""

NEW_CLASSES = ["broad", "moved"]
"""Of bearing: a reader of 0.1.0 meets them as words it does not know."""

WORDS = {"doc", "counts", "words", "problem", "title", "goal"}
"""Keys whose texts are for people: they may be worded anew, but not go."""


def made_with() -> dict[str, str]:
    """Return what decides the last bits of a number: numpy takes the widest instructions."""
    simd: Any = np.show_config(mode="dicts")
    return {
        "machine": f"{sys.platform} {platform.machine()}",
        "simd": " ".join(simd["SIMD Extensions"].get("found", [])),
        "libc": " ".join(platform.libc_ver()),
        "numpy": np.__version__,
        "scipy": scipy.__version__,
    }


def kept_text(name: str) -> str:
    return lzma.decompress((KEPT / f"{name}.xz").read_bytes()).decode("utf-8")


def kept(name: str) -> Any:
    """Return kept JSON by its name."""
    path = KEPT / "expected" / f"{name}.json"
    return json.loads(
        path.read_text("utf-8") if path.exists() else kept_text(f"expected/{name}.json")
    )


SAME_BUILD = made_with() == kept("made_with")


def same(before: object, now: object) -> bool:
    """Whether two values are the same; floats to 1e-9 on another processor or other libraries."""
    if isinstance(before, bool) or isinstance(now, bool) or SAME_BUILD:
        return type(before) is type(now) and before == now
    if isinstance(before, int | float) and isinstance(now, int | float):
        return math.isclose(before, now, rel_tol=1e-9, abs_tol=1e-9)
    return before == now


def differences(before: Any, now: Any, where: str) -> Iterator[str]:
    """Give what of `before` is not in `now`, each with its path, but for `FIXES`.

    Parameters
    ----------
    before, now : JSON values
        Mappings may have new keys; lists are of one length.
    where : str
        Path of the value; its first part names the kept file.
    """
    fix = fix_of(where)
    if fix is not None and not fix.now:
        return
    if isinstance(before, Mapping) and isinstance(now, Mapping):
        for key, value in before.items():
            renamed = fix_of(f"{where}/{key}")
            name = renamed.now or key if renamed is not None else key
            if name in now:
                yield from differences(value, now[name], f"{where}/{key}")
            elif renamed is None or renamed.now:
                yield f"{where}/{name}: missing, was {str(value)[:60]}"
    elif isinstance(before, list) and isinstance(now, list):
        if len(before) != len(now):
            yield f"{where}: {len(now)} items, were {len(before)}"
        for k, (one, other) in enumerate(zip(before, now, strict=False)):
            yield from differences(one, other, f"{where}/{k}")
    elif WORDS & set(where.split("/")) and isinstance(before, str) and isinstance(now, str):
        if not now:
            yield f"{where}: empty, was {before!r}"
    elif not same(before, now):
        yield f"{where}: {now!r}, was {before!r}"


def fix_of(where: str) -> Fix | None:
    return next((fix for fix in FIXES if fnmatchcase(where, fix.where)), None)


def check(name: str, now: Any, *, source: str | None = None, part: str | None = None) -> None:
    """Hold JSON of today against what is kept under a name.

    Parameters
    ----------
    name : str
    now : JSON value
    source : str, optional
        What an analysis is of, where it is not what the kept one was of.
    part : str, optional
        Look at this key of the kept one.
    """
    before = kept(name) if part is None else kept(name)[part]
    if source is not None:
        before = {**before, "source": source}
    found = list(differences(before, now, name if part is None else f"{name}/{part}"))
    assert not found, "\n".join(found[:20])


Run = Callable[..., str]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run a command in a copy of the kept files, with nothing of the user's in reach."""
    for name in [name for name in os.environ if name.startswith("PLANTIGRADE_")]:
        monkeypatch.delenv(name)
    for name in ("HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(name, str(tmp_path / "home"))
    folder = tmp_path / "kept"
    shutil.copytree(KEPT, folder, ignore=shutil.ignore_patterns("*.xz", "expected"))
    for secret in ("tsdb_token.txt", "mqtt_password.txt"):
        (folder / secret).chmod(0o600)  # since 0.2 others may not read what holds a secret
    for name in ("kpa.csv", "newtons.csv"):
        (folder / name).write_text(kept_text(name), "utf-8")
    monkeypatch.chdir(folder)

    def made(*arguments: str | Path) -> str:
        done = CliRunner().invoke(main, [str(a) for a in arguments])
        assert done.exit_code == 0, (arguments, done.output, done.exception)
        return done.stdout

    return made


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("stores")
    with tarfile.open(KEPT / "stores.tar.xz") as tar:
        tar.extractall(folder, filter="data")
    return folder


@pytest.fixture
def store(run: Run, unpacked: Path) -> Path:
    """Return a copy of the store of 0.1.0, in the folder that commands run in."""
    for path in unpacked.glob("store_6.*"):
        shutil.copy(path, path.name)
    return Path("store_6.sqlite3")


def read(run: Run, *arguments: str | Path) -> Any:
    return json.loads(run(*arguments, "--json"))


def test_a_change_is_seen_unless_it_is_named(monkeypatch):
    old = {"a": [{"x": 1.0, "y": "held", "words": "rolled"}], "n": 3}
    new = {"a": [{"x": 1.0, "y": "held", "words": "it rolled", "z": 0}], "n": 3, "more": None}
    assert list(differences(old, new, "f")) == []
    changed = {"a": [{"x": 1.0 + 1e-12, "why": "held", "words": ""}], "n": True}
    monkeypatch.setitem(globals(), "SAME_BUILD", True)
    at = [text.split(":")[0] for text in differences(old, changed, "f")]
    assert at == ["f/a/0/x", "f/a/0/y", "f/a/0/words", "f/n"]
    monkeypatch.setitem(globals(), "SAME_BUILD", False)
    assert len(list(differences(old, changed, "f"))) == 3
    assert len(list(differences({"x": 1.0}, {"x": 1.0 + 1e-8}, "f"))) == 1
    assert len(list(differences({"n": 3}, {"n": 4}, "f"))) == 1
    assert len(list(differences({"n": [3]}, {"n": [3, 4]}, "f"))) == 1
    fixes = [Fix("f/a/*/y", "renamed", "why"), Fix("f/n", "now a flag"), Fix("f/*/words", "gone")]
    monkeypatch.setitem(globals(), "FIXES", fixes)
    assert list(differences(old, changed, "f")) == []
    assert len(list(differences(old, {**changed, "a": [{"x": 1.0, "why": "late"}]}, "f"))) == 1


def paths(value: Any, where: str) -> Iterator[str]:
    """Give the path of a JSON value and of every value in it."""
    yield where
    inside: Iterable[tuple[object, Any]] = ()
    if isinstance(value, dict):
        inside = value.items()
    elif isinstance(value, list):
        inside = enumerate(value)
    for key, inner in inside:
        yield from paths(inner, f"{where}/{key}")


def test_every_fix_says_why_and_is_of_a_kept_value():
    names = {path.name.partition(".json")[0] for path in (KEPT / "expected").glob("*.json*")}
    every = [path for name in sorted(names) for path in paths(kept(name), name)]
    for table in (KEPT / "expected" / "export").glob("*.csv"):
        head = next(csv.reader(io.StringIO(table.read_text("utf-8"))))
        every += [f"{table.name}/0/{column}" for column in head]
    assert "practice/swings/0/push/manner" in every
    for fix in FIXES:
        assert fix.why and "/" in fix.where and fix.where[-1] not in "*/", fix
        assert any(fnmatchcase(path, fix.where) for path in every), f"{fix.where}: nothing is kept"


# Replay files and zone CSV


@pytest.mark.slow
def test_the_replayed_demo_gives_the_same_events(run):
    run("demo", "--fast", "--no-sound", "--store", "demo.sqlite3")
    shown = read(run, "show", "last", "--store", "demo.sqlite3")
    check("practice", shown["analysis"], source="demo (invented)")


def test_the_practice_file_is_analysed_as_before(run):
    check("practice", read(run, "analyse", PRACTICE))


def test_replay_files_are_analysed_as_before(run):
    check("show", read(run, "analyse", "session.pgr"), source="session.pgr", part="analysis")
    check("short", read(run, "analyse", "short.pgr"))


def test_zone_csvs_are_analysed_as_before(run):
    check("kpa", read(run, "analyse", "kpa.csv", "--mass", "74"))
    layout = ("--layout", "layout_newtons.toml", "--handed", "left")
    check("newtons", read(run, "analyse", "newtons.csv", *layout))


def test_a_replay_file_fills_store_and_outbox_as_before(run):
    run(
        *("replay", "session.pgr", "--fast", "--no-sound", "--settings", "sending.toml"),
        *("--store", "new.sqlite3"),
    )
    check("show", read(run, "show", "last", "--store", "new.sqlite3")["analysis"], part="analysis")
    with closing(sqlite3.connect("new.sqlite3")) as db:
        rows = db.execute(
            "SELECT kind, name, twin, revision, body FROM outbox"
            " WHERE kind NOT IN ('link', 'session') ORDER BY seq"
        ).fetchall()
    now = in_one_order([[*row[:4], json.loads(row[4])] for row in rows])
    found = list(differences(in_one_order(kept("outbox_rows")), now, "outbox_rows"))
    assert not found, "\n".join(found[:20])


def in_one_order(rows: list[Any]) -> list[Any]:
    """Sort rows by what they say: which of them one commit takes along is a matter of time."""
    return sorted(rows, key=lambda row: json.dumps(row, sort_keys=True))


# The store


def test_the_store_is_listed_and_shown_as_before(run, store):
    check("sessions", read(run, "sessions", "--store", store))
    check("show", read(run, "show", replayed(), "--store", store))
    check("outbox", read(run, "outbox", "--store", store))


def test_pairing_calibrations_and_status_files_are_read_as_before(run, store):
    check("status", read(run, "status", "--store", store))


def test_the_store_is_exported_as_before(run, store):
    run("export", replayed(), "--to", "exported", "--store", store)
    folder = KEPT / "expected" / "export"
    for path in sorted(folder.glob("*.csv")):
        check_csv(
            path.name, path.read_text("utf-8"), Path("exported", path.name).read_text("utf-8")
        )
    lines = Path("exported", "frames.csv").read_text("utf-8").splitlines()
    some = "\n".join([lines[0], *lines[1::250]])
    check_csv("frames.csv", kept_text("expected/export/frames_every_250.csv"), some)
    for name, columns in kept("export/parquet").items():
        schema = parquet.read_schema(Path("exported", name))
        now = {field.name: str(field.type) for field in schema}
        found = list(differences(dict(columns), now, name))
        assert not found, found


def check_csv(name: str, before: str, now: str) -> None:
    """Hold a CSV against the kept one: its columns by name, in the same order."""
    old, new = (list(csv.reader(io.StringIO(text))) for text in (before, now))
    still = [column for column in new[0] if column in old[0]]
    assert still == old[0], f"{name}: columns {set(old[0]) - set(still)}, or their order"
    tables = [[dict(zip(rows[0], row, strict=True)) for row in rows[1:]] for rows in (old, new)]
    as_values = [[{k: value_of(v) for k, v in row.items()} for row in table] for table in tables]
    found = list(differences(as_values[0], as_values[1], name))
    assert not found, "\n".join(found[:20])


def value_of(cell: str) -> float | str:
    try:
        return float(cell)
    except ValueError:
        return cell


def replayed() -> str:
    """Return the id of the stored session that was replayed."""
    return str(kept("show")["session"]["session"])


def test_the_store_is_analysed_again_as_before_with_the_session_that_was_cut_off(run, store):
    check("reanalyse", read(run, "reanalyse", "--store", store))
    check("show", read(run, "show", replayed(), "--store", store))
    (cut,) = [s["session"] for s in kept("sessions") if s["state"] == "open"]
    check("cut_off", read(run, "show", cut, "--store", store))


def test_the_pages_of_the_stored_session_show_what_they_did(store):
    with served(store.resolve()) as url:

        def page(name: str) -> Any:
            with urlopen(f"{url}/sessions/{replayed()}/{name}") as answer:
                return json.load(answer)

        end_s = time.monotonic() + 120.0  # against hanging: it may be prepared anew
        while not page("prepared.json")["ready"] and time.monotonic() < end_s:
            time.sleep(0.1)
        check("pages", {name: page(name) for name in kept("pages")})


def test_the_coachs_password_still_opens(store):
    with Store.open(store) as opened:
        lan = door(opened)
        with opened.database.writing() as db:
            db.execute("DELETE FROM password WHERE set_utc = ''")  # the door's own
        browser = lan.browser()
        assert lan.sign_in(browser, "another password").status_code != 303
        assert lan.sign_in(browser, "invented password of the coach").status_code == 303


@pytest.mark.parametrize("version", OLDER)
@pytest.mark.slow
def test_an_older_store_is_brought_up_to_date_and_used(run, unpacked, version):
    shutil.copy(unpacked / f"store_{version}.sqlite3", "old.sqlite3")
    store = ("--store", "old.sqlite3")
    assert tables("old.sqlite3")[0] == version
    then = kept(f"show_{version}")
    (listed,) = read(run, "sessions", *store)
    assert listed["session"] == then["session"]["session"]
    check(f"show_{version}", read(run, "show", "last", *store))
    run("export", "last", "--to", "exported", *store)
    (done,) = read(run, "reanalyse", *store)["sessions"]
    events = {kind: kept("short")[kind] for kind in ("steps", "swings", "stands")}
    is_fixed = any(map(fix_of, paths(events, "short")))
    assert done["changed"] == 0 or is_fixed
    again = read(run, "show", "last", *store)["analysis"]
    check("short", again, source=then["analysis"]["source"])
    run("replay", "short.pgr", "--fast", "--no-sound", *store)
    assert len(read(run, "sessions", *store)) == 2
    run("replay", "short.pgr", "--fast", "--no-sound", "--store", "new.sqlite3")
    assert tables("old.sqlite3") == tables("new.sqlite3")


def tables(path: str) -> tuple[int, set[tuple[str, str]]]:
    """Return a store's version, and its tables and indexes as they are declared."""
    with closing(sqlite3.connect(path)) as db:
        ((version,),) = db.execute("PRAGMA user_version").fetchall()
        declared = db.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL")
        return version, {(name, " ".join(sql.split())) for name, sql in declared}


# Settings, drills, schemas


def test_every_key_of_a_settings_file_is_read_as_before(run):
    now = read(run, "settings", "--settings", "settings.toml")
    check_by_name("settings", "settings", now)
    assert all(row["from"] != "default" for row in kept("settings")["settings"])


def test_every_variable_of_the_environment_is_read_as_before(run, monkeypatch):
    for name, value in json.loads((KEPT / "environment.json").read_text("utf-8")).items():
        monkeypatch.setenv(name, value)
    now = read(run, "settings", "--settings", "settings.toml")
    check_by_name("environment", "settings", now)


def test_every_key_of_a_drill_file_is_read_as_before(run, store):
    now = read(run, "drills", "--store", store)
    assert now["problems"] == []
    check_by_name("drills", "drills", now)


def check_by_name(name: str, key: str, now: Any) -> None:
    """Hold a table of named rows against the kept one; new rows may come between."""
    old, new = ({row["name"]: row for row in table[key]} for table in (kept(name), now))
    found = list(differences(old, new, f"{name}/{key}"))
    found += differences({**kept(name), key: None}, {**now, key: None}, name)
    assert not found, "\n".join(found[:20])


def test_what_a_schema_no_longer_says_is_seen_unless_it_is_named(monkeypatch):
    old = {"required": ["a", "b"], "anyOf": [{"type": "null"}, {"$ref": "A"}], "$defs": {"A": 1}}
    new = {"required": ["c", "b"], "anyOf": [{"$ref": "B"}, {"type": "null"}], "$defs": {"B": 1}}
    at = [text.split(":")[0] for text in gone(old, new, "s")]
    assert at == ["s/required/0", "s/anyOf/1", "s/$defs/A"]
    fixes = [Fix("s/required/0", "c"), Fix("s/anyOf/1", "B"), Fix("s/$defs/A", "B", "B")]
    monkeypatch.setitem(globals(), "FIXES", fixes)
    assert list(gone(old, new, "s")) == []


@pytest.mark.parametrize("name", ["analysis", "live", "mqtt"])
def test_a_schema_says_all_it_said(name):
    now = json.loads((ROOT / "hardware_notes" / f"{name}.schema.json").read_text("utf-8"))
    found = list(gone(kept(f"{name}.schema"), now, f"{name}.schema"))
    assert not found, "\n".join(found[:20])


def gone(before: Any, now: Any, where: str) -> Iterator[str]:
    """Give what a schema no longer says; lists of it are sets that may grow."""
    if isinstance(before, Mapping) and isinstance(now, Mapping):
        for key, value in before.items():
            if (fix := fix_of(f"{where}/{key}")) is not None and not fix.now:
                continue
            if key in ("title", "description"):
                continue
            name = fix.now if fix is not None else key
            if name not in now:
                yield f"{where}/{name}: gone"
            else:
                yield from gone(value, now[name], f"{where}/{key}")
    elif isinstance(before, list) and isinstance(now, list):
        for k, one in enumerate(before):
            named = fix_of(f"{where}/{k}") is not None
            if not named and all(any(gone(one, other, where)) for other in now):
                yield f"{where}/{k}: gone: {str(one)[:80]}"
    elif before != now and fix_of(where) is None:
        yield f"{where}: {now!r}, was {before!r}"


def test_analyses_of_then_and_now_hold_to_each_others_schema(run):
    now = json.loads((ROOT / "hardware_notes" / "analysis.schema.json").read_text("utf-8"))
    refused = [
        f"{error.json_path}: {error.message}"
        for error in jsonschema.Draft202012Validator(now).iter_errors(kept("show")["analysis"])
    ]
    assert not refused, "\n".join(
        ["a key that came later stands in LATER of tests/support/json_schema.py", *refused[:5]]
    )
    then = kept("analysis.schema")
    then["$defs"]["FootStand"]["properties"]["bearing"]["enum"] += NEW_CLASSES
    jsonschema.validate(read(run, "analyse", "session.pgr"), then)
