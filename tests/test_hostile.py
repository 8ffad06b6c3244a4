"""Every way in, and every way to spoil what comes in: nothing but the errors that are documented.

A way in is a row of `WAYS`. What is spoilt is drawn by a seed that a failure names.
"""

import os
import re
import tracemalloc
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random

import pytest
from tests.support.hub import site
from tests.support.mutators import MUTATORS, Mutator, mutated
from tests.support.ways import FROM_FOLDER, Way
from tests.support.ways_of_hub import hub_bodies
from tests.support.ways_of_pages import Pages, addresses, bodies, forms
from tests.support.ways_of_sync import hub_answers

from plantigrade.errors import MOST_SAID, SignalError
from plantigrade_gateway.errors import GatewayError, InputError
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear

ROOT = Path(__file__).resolve().parent.parent
INPUTS = int(os.environ.get("HOSTILE", "500"))
"""Of each way in: `make hostile` takes 5,000, most of an hour."""
MOST_MB = 300
"""However an input of a few kilobytes is made."""

FROM_PAGES = {make.__name__: make for make in (addresses, forms, bodies)}
ANYTHING_GOES = {"mark", "time exchange"}
"""Ways in that refuse nothing: any bytes are one."""


@contextmanager
def opened(name: str, folder: Path) -> Iterator[Way]:
    """Give a row of the table."""
    if name in FROM_FOLDER:
        yield FROM_FOLDER[name](folder)
        return
    if name == hub_answers.__name__:
        with Store.open(folder / "s.sqlite3") as store, Register(store) as register:
            yield hub_answers(folder, register)
        return
    if name == hub_bodies.__name__:
        with site(folder) as hub:
            yield hub_bodies(hub)
        return
    pages = Pages(folder)
    try:
        yield FROM_PAGES[name](pages)
    finally:
        pages.close()


def tried(way: Way, data: bytes) -> str:
    """Hand an input in; return what became of it."""
    try:
        return "taken" if way.take(data) else "refused"
    except (GatewayError, SignalError) as error:
        text = str(error)
        assert text and "\n" not in text and len(text) <= MOST_SAID, text
        assert not any(c in text for c in "\x00\x1b\x7f\x9b\u202e\ud800"), repr(text)
        return "refused"


WAYS = [*FROM_FOLDER, *FROM_PAGES, hub_bodies.__name__, hub_answers.__name__]


def attack(way: Way, inputs: range, seed: str) -> Counter[str]:
    """Hand in spoilt inputs; a failure names the mutator, the seed and the number."""
    found: Counter[str] = Counter()
    for k in inputs:
        mutator = MUTATORS[k % len(MUTATORS)]
        data = mutated(Random(f"{seed} {k}"), way.seeds, mutator)
        try:
            found[tried(way, data)] += 1
        except BaseException as error:
            error.add_note(
                f"{way.name}: {mutator.__name__}, seed {seed!r}, input {k}: {data[:300]!r}"
            )
            raise
    return found


@pytest.mark.parametrize("name", WAYS)
@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_nothing_but_the_documented_errors(name, tmp_path):
    with opened(name, tmp_path) as way:
        found = attack(way, range(INPUTS), "first")
        assert found.total() == INPUTS > 0
        assert found["refused"] > INPUTS / 10 or way.name in ANYTHING_GOES, found


@pytest.mark.parametrize("name", sorted(FROM_FOLDER))
@pytest.mark.slow
def test_memory_stays_bounded(name, tmp_path):
    with opened(name, tmp_path) as way:
        tried(way, way.seeds[0])  # what is loaded once is loaded now
        tracemalloc.start()
        try:
            attack(way, range(2 * len(MUTATORS)), "memory")
            assert tracemalloc.get_traced_memory()[1] < MOST_MB * 1_000_000
        finally:
            tracemalloc.stop()


@pytest.mark.parametrize("name", WAYS)
@pytest.mark.slow
def test_every_row_takes_what_is_right(name, tmp_path):
    """Else a row that refuses everything would pass."""
    with opened(name, tmp_path) as way:
        assert way.seeds
        for seed in way.seeds:
            assert way.take(seed), seed


@pytest.mark.parametrize("name", ["settings_entries", "settings_files"])
def test_what_chance_seldom_makes_is_refused_as_documented(name, tmp_path):
    way = FROM_FOLDER[name](tmp_path)
    assert [tried(way, data) for data in way.wrong] == ["refused"] * 2


READERS = {
    "signal/plantigrade/calibrate.py": "calibration_entries",
    "signal/plantigrade/zones.py": "layouts",
    "gateway/plantigrade_gateway/analysis/late.py": "connections",
    "gateway/plantigrade_gateway/analysis/practice.py": "marks",
    "gateway/plantigrade_gateway/analysis/result.py": "layouts",
    "gateway/plantigrade_gateway/cli/calibrate.py": "bench_files",
    "gateway/plantigrade_gateway/cli/speed.py": "club_speeds",
    "gateway/plantigrade_gateway/config.py": "settings_files",
    "gateway/plantigrade_gateway/drills/files.py": "drills",
    "gateway/plantigrade_gateway/forward/commands.py": "commands",
    "gateway/plantigrade_gateway/forward/roster.py": "bay_messages",
    "gateway/plantigrade_gateway/hub/roster.py": "bay_states",
    "gateway/plantigrade_gateway/hub/routes.py": "hub_bodies",
    "gateway/plantigrade_gateway/record/heard.py": "heard_entries",
    "gateway/plantigrade_gateway/record/tables.py": "set_entries",
    "gateway/plantigrade_gateway/record/settings.py": "settings_entries",
    "gateway/plantigrade_gateway/rules/files.py": "rule_files",
    "gateway/plantigrade_gateway/store/archive.py": "backups",
    "gateway/plantigrade_gateway/web/api/frame.py": "bodies",
    "gateway/plantigrade_gateway/web/app.py": "web_messages",
    "gateway/plantigrade_gateway/web/door/password.py": "secret_files",
}
"""The modules that read what others wrote, and the row of each."""
OURS = {
    # photos, each decoded in a process of its own: prints/test_hostile_photos.py spoils them
    "gateway/plantigrade_gateway/cli/footprint.py",
    "gateway/plantigrade_gateway/foreign.py",
    # what is in it OpenSSL reads: web/door/test_certificate.py
    "gateway/plantigrade_gateway/web/door/certificate.py",
    "gateway/plantigrade_gateway/forward/tsdb.py",  # the database's own answers, for a check
    # what processes of this program leave beside the store: `store.status.read_json` reads none
    "gateway/plantigrade_gateway/store/forwardstate.py",
    "gateway/plantigrade_gateway/store/hubstate.py",
    "gateway/plantigrade_gateway/store/status.py",
    "signal/plantigrade/foreign.py",
}


def test_whatever_reads_what_others_wrote_has_a_row():
    reading = re.compile(r"\bread_(?:json|toml|file|secret|table)\(")
    found = {
        path.relative_to(ROOT).as_posix()
        for top in ("signal", "gateway")
        for path in (ROOT / top).rglob("*.py")
        if reading.search(path.read_text("utf-8"))
    }
    assert found - OURS == set(READERS)
    assert set(READERS.values()) <= set(WAYS)


@pytest.mark.parametrize("mutator", MUTATORS, ids=lambda mutator: mutator.__name__)
def test_every_mutator_changes_what_it_is_given(mutator: Mutator):
    for seed in (b'{"type": "mark", "n": 5}', b"a = 1\nb = 2\n", bytes(range(60))):
        changed = sum(mutator(Random(k), seed) != seed for k in range(20))
        assert changed >= 10, mutator.__name__


def test_what_is_drawn_is_drawn_again():
    seeds = [b'{"a": 1}']
    for mutator in MUTATORS:
        assert mutated(Random("x"), seeds, mutator) == mutated(Random("x"), seeds, mutator)


def test_an_undocumented_error_is_seen():
    def take(data: bytes) -> bool:
        raise KeyError(data)

    with pytest.raises(KeyError) as caught:
        attack(Way("broken", [b"a"], take), range(1), "x")
    assert "broken: bit, seed 'x', input 0" in caught.value.__notes__[0]


@pytest.mark.parametrize("text", ["two\nlines", "steers \x1b[2J", ""])
def test_an_error_that_is_no_plain_sentence_is_seen(text, monkeypatch):
    def take(data: bytes) -> bool:
        error = InputError("")
        error.args = (text,)
        raise error

    with pytest.raises(AssertionError):
        tried(Way("broken", [b"a"], take), b"")
