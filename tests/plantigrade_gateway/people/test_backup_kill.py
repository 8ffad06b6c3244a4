"""A backup or a restoring that is killed at any step leaves what was there, and the next succeeds.

A program that has all of it loaded forks a child for each line it reads. The child kills itself at
the n-th file that it opens, locks, renames or removes, at the n-th connection it makes, or when a
file of it grows over a size, which the system does inside of SQLite's own writing.
"""

import hashlib
import json
import os
import signal
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

import pytest
from tests.support.records import packets

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.people.backup import take
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.restore import restore
from plantigrade_gateway.store import archive, schema
from plantigrade_gateway.store.repair import verify
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear

CHILDREN = """
    import json, os, resource, signal, sys, tempfile
    from pathlib import Path
    from plantigrade_gateway.people.backup import take
    from plantigrade_gateway.people.restore import restore
    from plantigrade_gateway.store.store import Store

    STEPS = {"open", "os.rename", "os.remove", "fcntl.flock", "sqlite3.connect", "os.truncate"}
    left = None

    def watch(event, _):
        global left
        if left is not None and event in STEPS:
            left -= 1
            if left < 0:
                os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(watch)

    def work(what, store, file):
        if what == "backup":
            take(Path(store), Path(file), keep=2)
        else:
            restore(Path(file), Path(store), replace=True)

    # Once before: what is imported on first use is not a step of each child.
    with tempfile.TemporaryDirectory() as folder:
        Store.open(Path(folder, "s.sqlite3")).close()
        take(Path(folder, "s.sqlite3"), Path(folder, "b.tar"))
        work("restore", f"{folder}/s.sqlite3", f"{folder}/b.tar")

    for line in sys.stdin:
        plan = json.loads(line)
        pid = os.fork()
        if not pid:
            try:
                if plan["most_bytes"]:
                    signal.signal(signal.SIGXFSZ, signal.SIG_DFL)
                    most = plan["most_bytes"]
                    resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
                left = plan["steps"]
                work(plan["what"], plan["store"], plan["file"])
                os._exit(0)
            except BaseException as error:
                print(repr(error), file=sys.stderr)
            finally:
                os._exit(1)
        _, status = os.waitpid(pid, 0)
        print(status, flush=True)
"""


@dataclass(frozen=True)
class Plan:
    what: str
    store: str
    file: str
    steps: int | None = None
    most_bytes: int | None = None


class Children:
    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def ended(self, plan: Plan) -> bool:
        """Run one; return whether it came to its end, and was not killed."""
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write(json.dumps(asdict(plan)) + "\n")
        self._process.stdin.flush()
        status = int(self._process.stdout.readline())
        if os.WIFSIGNALED(status):
            assert os.WTERMSIG(status) in (signal.SIGKILL, signal.SIGXFSZ)
            return False
        assert os.WEXITSTATUS(status) == 0
        return True


@pytest.fixture
def children() -> Iterator[Children]:
    process = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(CHILDREN)],
        cwd=Path(__file__).resolve().parents[3],
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},  # no other threads where it forks
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    with process:
        yield Children(process)
        assert process.stdin is not None
        process.stdin.close()


def filled(path: Path, name: str, pieces: int) -> Path:
    """A store with one player of this name and a session of theirs."""
    with Store.open(path) as store, Register(store) as register:
        player = register.add(name=name, handedness="left")
        session = store.create_session(f"of {name}", analysis_version=1, player_id=player)
        for k in range(pieces):
            store.append(session, packets(200, first=200 * k))
        store.end_session(session, "stop")
    return path


def contents(path: Path) -> tuple[list[str], str, list[str]]:
    """Names, the hash of the record, and what is wrong with the store."""
    with Store.open(path, create=False) as store, Register(store) as register:
        names = [profile.name for profile in register.profiles().values()]
        digest = hashlib.sha256()
        for session in store.sessions():
            for batch in store.batches(session.session_id):
                digest.update(batch.payload)
        return names, digest.hexdigest(), verify(store)


def whole(path: Path) -> bool:
    with open(path, "rb") as file:
        try:
            archive.verified(path, file)
        except InputError:
            return False
    return True


def sizes(upto: int) -> list[int]:
    """Sizes at which a file is cut off: about each of a few pages, and at the end."""
    return [*range(1000, upto, upto // 12), upto - 1, upto + 600, upto + 2500]


@pytest.mark.slow
def test_a_backup_that_is_killed_leaves_the_ones_before_it(children, tmp_path):
    store = filled(tmp_path / "s.sqlite3", "Ada Invented", 4)
    before = contents(store)
    folder = tmp_path / "backups"
    folder.mkdir()
    take(store, folder)
    kills = 0
    plans = [
        *(Plan("backup", str(store), str(folder), steps=n) for n in range(200)),
        *(
            Plan("backup", str(store), str(folder), most_bytes=n)
            for n in sizes(store.stat().st_size)
        ),
    ]
    done = 0
    for plan in plans:
        if plan.steps is not None and done >= 2:
            continue  # the last ones came to their end: there are no more steps
        there = set(folder.glob("*.tar"))
        ended = children.ended(plan)
        kills += not ended
        done += ended
        now = set(folder.glob("*.tar"))
        assert now and all(map(whole, now)), "no half of one has the name of a whole one"
        assert ended or there <= now or len(now) >= 2, "older ones go when there are newer ones"
        assert contents(store) == before
    assert kills > 30 and done >= 2
    take(store, folder, keep=2)
    assert len(list(folder.iterdir())) == 2, "what was unfinished is swept away"


@pytest.mark.slow
def test_a_restoring_that_is_killed_leaves_the_old_store_or_the_new_one(children, tmp_path):
    old = filled(tmp_path / "s.sqlite3", "Ada Invented", 3)
    other = filled(tmp_path / "other.sqlite3", "Bo Invented", 4)
    backup = take(other, tmp_path / "b.tar").path
    olds, news = contents(old), contents(other)
    of_old = take(old, tmp_path / "old.tar").path
    states: list[bool] = []
    done = 0
    plans = [
        *(Plan("restore", str(old), str(backup), steps=n) for n in range(300)),
        *(
            Plan("restore", str(old), str(backup), most_bytes=n)
            for n in sizes(other.stat().st_size)
        ),
    ]
    for plan in plans:
        if plan.steps is not None and done >= 2:
            continue
        for kept in tmp_path.glob("s.sqlite3-before-restore-*"):
            kept.unlink()  # two of them in one second are refused
        ended = children.ended(plan)
        done += ended
        found = contents(old)
        assert found in (olds, news), "half of each"
        states.append(found == news)
        if ended:
            assert found == news
        if found == news:
            kept = [p for p in tmp_path.glob("s.sqlite3-before-restore-*") if p.suffix != ".part"]
            assert len(kept) == 1 and contents(kept[0]) == olds, "the old one is kept beside it"
            for path in kept:
                path.unlink()
            restore(of_old, old, replace=True)
    assert states.count(False) > 40, "killed before, with the old one in place"
    assert done >= 2
    for kept in tmp_path.glob("s.sqlite3-before-restore-*"):
        kept.unlink()
    restore(backup, old, replace=True)
    assert contents(old) == news
    left = {p.name for p in tmp_path.iterdir() if p.name.startswith("s.sqlite3-")}
    ends = {name.removeprefix("s.sqlite3") for name in left}
    assert {end for end in ends if "before" not in end} <= {"-wal", "-shm", "-recording"}


@pytest.mark.slow
def test_a_restoring_to_a_new_place_that_is_killed_leaves_nothing_there_or_all(children, tmp_path):
    store = filled(tmp_path / "s.sqlite3", "Ada Invented", 3)
    backup = take(store, tmp_path / "b.tar").path
    new = tmp_path / "new" / "t.sqlite3"
    new.parent.mkdir()
    before, done, kills = contents(store), 0, 0
    for n in range(300):
        if children.ended(Plan("restore", str(new), str(backup), steps=n)):
            done += 1
        else:
            kills += 1
        if schema.is_made(new):
            assert contents(new) == before
            for path in new.parent.iterdir():
                path.unlink()
        if done >= 2:
            break
    assert kills > 15 and done == 2  # 19 steps: what is not there is not removed, and no step
