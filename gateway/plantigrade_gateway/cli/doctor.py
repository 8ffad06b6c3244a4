"""Check that this machine can do the job: Python, store, insoles, sound, Bluetooth; what to do.

Gives `Check` objects; the command line shows them. Changes nothing, and no check can hang: each
has a limit, after which it is reported as unanswered.
"""

import asyncio
import shlex
import shutil
import sqlite3
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from plantigrade.block import Foot
from plantigrade_gateway.cli.listening import Listener, listeners
from plantigrade_gateway.errors import DamageError, SoundError, StoreError
from plantigrade_gateway.formats import plural
from plantigrade_gateway.sound.device import Speaker, within
from plantigrade_gateway.store import insoles, schema
from plantigrade_gateway.store.calibrations import describe
from plantigrade_gateway.store.refusal import explain
from plantigrade_gateway.store.repair import verify, verify_session
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.gatt import KnownInsole
from plantigrade_gateway.words import uncalibrated

MIN_PYTHON = (3, 11)
LOW_SPACE_BYTES = 300_000_000
"""Some 20 hours of two feet at 100 Hz, at 15 MB per hour (ours)."""

_STORE_LIMIT_S = 15.0  # longer than a busy store is waited for (schema.BUSY_S)
_READ_LIMIT_S = 10.0  # some ten stored hours
_WAKE_LIMIT_S = 5.0
_BLUETOOTH_LIMIT_S = 6.0


class State(StrEnum):
    """How a check came out."""

    OK = "ok"
    WARN = "warn"
    """The program runs, without this part."""
    FAIL = "fail"
    """Sessions cannot be kept until this is put right."""


@dataclass(frozen=True, slots=True)
class Check:
    """One thing looked at.

    Attributes
    ----------
    name : str
    state : State
    found : str
        What is there, one sentence or phrase.
    advice : str
        What to do about it; empty when all is well.
    """

    name: str
    state: State
    found: str
    advice: str = ""


def examine(store: Path | None = None) -> list[Check]:
    """Run every check, in the order a user would put things right; takes up to a minute.

    Parameters
    ----------
    store : Path, optional
        The store file that would be used; this installation's own by default.
    """
    path = schema.default_path() if store is None else store
    return [
        check_python(),
        check_store(path),
        *([check_sessions(path), *check_insoles(path)] if path.is_file() else []),
        check_sound(),
        check_bluetooth(),
        *check_listening(),
    ]


def check_python(version: tuple[int, ...] = sys.version_info[:3]) -> Check:
    """Look at the interpreter's version."""
    found = "Python " + ".".join(map(str, version))
    if version >= MIN_PYTHON:
        return Check("python", State.OK, found)
    wanted = ".".join(map(str, MIN_PYTHON))
    return Check("python", State.FAIL, found, f"Install Python {wanted} or newer.")


def check_store(path: Path) -> Check:
    """Look whether the store can be written, or made where it is not there yet."""
    try:
        found, free_bytes = within(_STORE_LIMIT_S, lambda: _try_store(path))
    except StoreError as error:
        advice = "Put that right, or name another file with --store."
        return Check("store", State.FAIL, str(error), advice)
    except TimeoutError as error:
        return Check(
            "store",
            State.FAIL,
            f"store {path}: the disk gave {error}",
            "Choose a file on a local disk with --store.",
        )
    if free_bytes < LOW_SPACE_BYTES:
        return Check(
            "store",
            State.WARN,
            f"{found}, {free_bytes // 1_000_000} MB free",
            "Make room on the disk: an hour of two feet takes about 15 MB.",
        )
    return Check("store", State.OK, f"{found}, {free_bytes / 1e9:.1f} GB free")


def _try_store(path: Path) -> tuple[str, int]:
    if path.exists():
        connection = schema.connect(path, create=False)
        try:
            connection.execute("BEGIN IMMEDIATE")
            # On a disk that is read-only the lock may be had all the same.
            version = connection.execute("PRAGMA user_version").fetchone()[0]
            connection.execute(f"PRAGMA user_version = {version}")
            connection.execute("ROLLBACK")
        except sqlite3.Error as error:
            raise explain(path, error) from error
        finally:
            connection.close()
        return f"{path} can be written", shutil.disk_usage(path).free
    folder = next(parent for parent in path.absolute().parents if parent.exists())
    try:
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        raise StoreError(
            f"store {path}: cannot be made: {folder} cannot be written ({error.strerror})"
        ) from error
    return f"{path} can be made", shutil.disk_usage(folder).free


def check_sessions(path: Path, limit_s: float = _READ_LIMIT_S) -> Check:
    """Read the stored sessions back, the latest first, for a while.

    Parameters
    ----------
    path : Path
    limit_s : float
        No session is begun after so long.
    """
    found: list[str] = []
    end_s = time.monotonic() + limit_s
    try:
        opened = Store.open(path, read_only=True)
    except DamageError as error:
        return Check("sessions", State.FAIL, str(error), repair_advice(path))
    except StoreError as error:
        return Check("sessions", State.FAIL, str(error), MOVE_AWAY)
    try:
        with opened as store:
            sessions = store.sessions()
            read = 0
            for session in sessions:
                if time.monotonic() > end_s:
                    break
                found += verify_session(store, session)
                read += 1
    except StoreError as error:
        return Check("sessions", State.FAIL, str(error), repair_advice(path))
    if found:
        more = f", and {len(found) - 1} more" if len(found) > 1 else ""
        return Check(
            "sessions",
            State.WARN,
            f"{found[0]}{more}",
            f"Everything else can be used. plantigrade doctor --store-check lists all. "
            f"{repair_advice(path)}",
        )
    if read < len(sessions):
        said = f"the latest {read} of {len(sessions)} are whole; --store-check reads all"
        return Check("sessions", State.OK, said)
    return Check("sessions", State.OK, f"{plural(read, 'session')} stored, whole")


def check_insoles(path: Path) -> list[Check]:
    """Look at every pair that is remembered: both feet, alike, calibrated; one check a pair."""
    try:
        with Store.open(path, read_only=True) as store:
            return [_pair(store, name, pair) for name, pair in insoles.pairs(store).items()]
    except StoreError:
        return []  # said of the sessions


def _pair(store: Store, name: str, pair: list[KnownInsole]) -> Check:
    option = f" --pair {shlex.quote(name)}" if name else ""
    said = {one.foot: describe(store, one) for one in pair}
    found = "; ".join(f"{one.label} {said[one.foot]}" for one in pair)
    found = f"pair {name}: {found}" if name else found
    missing = [str(foot) for foot in Foot if foot not in said]
    if missing:
        return Check(
            "insoles",
            State.WARN,
            f"{found}; no {missing[0]} one is remembered",
            f"plantigrade pair{option} chooses it.",
        )
    if differs := insoles.layout_difference(pair):
        advice = f"plantigrade pair{option} chooses two of one kind."
        return Check("insoles", State.WARN, f"{found}; {differs}", advice)
    if uncalibrated(said):
        return Check(
            "insoles",
            State.WARN,
            found,
            f"plantigrade calibrate{option} --mass KG calibrates them in two minutes.",
        )
    return Check("insoles", State.OK, found)


def check_whole_store(path: Path, progress: Callable[[str], None]) -> list[Check]:
    """Read all of a store: its pages, and every piece of every session.

    Parameters
    ----------
    path : Path
    progress : callable
        Told what is looked at next.
    """
    try:
        opened = Store.open(path, read_only=True)
    except DamageError as error:
        return [Check("store", State.FAIL, str(error), repair_advice(path))]
    except StoreError as error:
        return [Check("store", State.FAIL, str(error), MOVE_AWAY if path.exists() else "")]
    try:
        with opened as store:
            found = verify(store, progress)
            number = len(store.sessions())
    except StoreError as error:
        return [Check("store", State.FAIL, str(error), repair_advice(path))]
    if not found:
        return [Check("store", State.OK, f"{path}: {plural(number, 'session')}, all of it whole")]
    last = len(found) - 1
    return [
        Check("store", State.FAIL, text, repair_advice(path) if k == last else "")
        for k, text in enumerate(found)
    ]


MOVE_AWAY = "Nothing of it can be opened: move it away, and put a backup in its place."


def repair_advice(path: Path) -> str:
    """Return what to do about damage."""
    return f"plantigrade repair {shlex.quote(str(path))} --to NEW copies what can be read."


def check_sound() -> Check:
    """Open the sound device, silently, and wait until it takes sound."""
    try:
        with Speaker() as speaker:
            if speaker.running.wait(_WAKE_LIMIT_S):
                return Check("sound", State.OK, f"{speaker.backend} plays")
            found = f"{speaker.backend} opens but takes no sound"
    except SoundError as error:
        found = f"no sound device ({error})"
    return Check(
        "sound",
        State.WARN,
        found,
        "Connect headphones or a loudspeaker, choose it as the system's output and try again; "
        "until then a run has no sound, unless --wav names a file for it.",
    )


async def _scan() -> None:
    """Begin to listen for insoles, and stop."""
    from bleak import BleakScanner

    async with BleakScanner():
        pass


def check_bluetooth(scan: Callable[[], Awaitable[None]] = _scan) -> Check:
    """Begin a scan and see what stands in its way.

    Parameters
    ----------
    scan : callable
        Starts and stops scanning; raises what bleak raises.
    """

    async def limited() -> None:
        await asyncio.wait_for(scan(), _BLUETOOTH_LIMIT_S)

    try:
        # A limit outside as well: not all that bleak calls lets go of the event loop.
        within(_BLUETOOTH_LIMIT_S + 2.0, lambda: asyncio.run(limited()))
    except Exception as error:
        found, advice = _bluetooth_trouble(error)
        return Check(
            "bluetooth", State.WARN, found, f"{advice} Recorded sessions can be used without it."
        )
    return Check("bluetooth", State.OK, "an adapter is on and scans")


def check_listening(find: Callable[[], list[Listener] | None] = listeners) -> list[Check]:
    """Say what of this program takes connections now, and who may reach it.

    Parameters
    ----------
    find : callable
        Looks; returns None where the system does not tell.
    """
    found = find()
    if found is None:
        return [Check("listens", State.OK, "this system does not tell what listens")]
    if not found:
        return [Check("listens", State.OK, "nothing of this program, of this user")]
    return [
        Check("listens", State.OK, f"{one.address}: {one.what}, for {one.who}")
        if one.what is not None
        else Check(
            "listens",
            State.WARN,
            f"{one.address}: something that is not known here, for {one.who}",
            "Find out which program it is, and end it.",
        )
        for one in found
    ]


def _bluetooth_trouble(error: Exception) -> tuple[str, str]:
    """Return what is wrong and what to do, for what bleak raises when a scan cannot begin."""
    if isinstance(error, ImportError):
        return f"the bleak library cannot be loaded: {error}", "Install Plantigrade again."
    # Before OSError, which it is one of.
    if isinstance(error, TimeoutError):
        return (
            "Bluetooth does not answer",
            "Turn Bluetooth off and on, or restart the machine.",
        )
    from plantigrade_gateway.sources.trouble import bluetooth_trouble

    return bluetooth_trouble(error) or (
        f"Bluetooth cannot be used ({type(error).__name__}: {error})",
        "Turn Bluetooth off and on, or restart the machine.",
    )
