"""Each thing that can be wrong with a machine is named, with what to do, and nothing hangs."""

import asyncio
import json
import os
import shutil
import socket
import sqlite3
import subprocess
import sys
import threading
from collections import namedtuple
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import pytest
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakError,
)
from click.testing import CliRunner
from tests.support.damage import flip_piece
from tests.support.records import packets

from plantigrade.block import Foot
from plantigrade.calibrate import default_calibration
from plantigrade.evidence import FootFit
from plantigrade.zones import eighteen
from plantigrade_gateway.cli import doctor
from plantigrade_gateway.cli.doctor import (
    Check,
    State,
    check_bluetooth,
    check_insoles,
    check_python,
    check_sessions,
    check_sound,
    check_store,
    check_whole_store,
    examine,
)
from plantigrade_gateway.cli.listening import Listener
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.errors import DamageError, SoundError, StoreError
from plantigrade_gateway.store import calibrations, insoles, schema
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.gatt import KnownInsole
from plantigrade_gateway.wire.information import Information, ZoneTable

Usage = namedtuple("Usage", "total used free")


def test_python_of_this_and_of_an_old_machine():
    assert check_python().state is State.OK
    old = check_python((3, 10, 2))
    assert (old.state, old.found) == (State.FAIL, "Python 3.10.2")
    assert old.advice == "Install Python 3.11 or newer."
    assert check_python((3, 11, 0)).state is State.OK


def test_a_store_that_is_there_can_be_written(tmp_path):
    path = tmp_path / "store.sqlite3"
    Store.open(path).close()
    before = path.read_bytes()
    check = check_store(path)
    assert check.state is State.OK
    assert check.found.startswith(f"{path} can be written, ")
    assert check.advice == ""
    assert path.read_bytes() == before


def test_a_store_still_to_be_made_leaves_no_trace(tmp_path):
    check = check_store(tmp_path / "new" / "deeper" / "store.sqlite3")
    assert check.state is State.OK
    assert "can be made" in check.found
    assert list(tmp_path.iterdir()) == []


def test_a_store_in_a_folder_that_cannot_be_written():
    read_only = Path("/proc/sys")  # not even root makes files there
    if not read_only.exists():
        pytest.skip("no /proc/sys on this platform")
    check = check_store(read_only / "store.sqlite3")
    assert check.state is State.FAIL
    assert "/proc/sys cannot be written" in check.found
    assert check.advice == "Put that right, or name another file with --store."


def test_a_file_that_is_no_store(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("dear diary\n" * 200)
    check = check_store(path)
    assert check.state is State.FAIL
    assert str(path) in check.found and "not a Plantigrade store" in check.found
    assert path.read_text() == "dear diary\n" * 200


def test_a_store_that_another_program_keeps_locked(tmp_path, monkeypatch):
    monkeypatch.setattr(schema, "BUSY_S", 0.1)
    path = tmp_path / "store.sqlite3"
    Store.open(path).close()
    other = sqlite3.connect(path, isolation_level=None)
    try:
        other.execute("BEGIN IMMEDIATE")
        check = check_store(path)
    finally:
        other.close()
    assert check.state is State.FAIL
    assert "another program keeps it locked" in check.found


def test_a_disk_that_does_not_answer(tmp_path, monkeypatch):
    never = threading.Event()
    monkeypatch.setattr(doctor, "_STORE_LIMIT_S", 0.05)
    monkeypatch.setattr(doctor, "_try_store", lambda path: never.wait())
    check = check_store(tmp_path / "store.sqlite3")
    never.set()
    assert check.state is State.FAIL
    assert "the disk gave no answer within 0.05 s" in check.found


def test_little_space_is_a_warning(tmp_path, monkeypatch):
    monkeypatch.setattr(shutil, "disk_usage", lambda path: Usage(10**9, 10**9, 7_654_321))
    check = check_store(tmp_path / "store.sqlite3")
    assert check.state is State.WARN
    assert check.found.endswith("7 MB free")
    assert "Make room" in check.advice
    for free, state in ((299_999_999, State.WARN), (300_000_000, State.OK)):
        monkeypatch.setattr(shutil, "disk_usage", lambda path, free=free: Usage(10**9, 0, free))
        assert check_store(tmp_path / "store.sqlite3").state is state
    assert check_store(tmp_path / "store.sqlite3").found.endswith(", 0.3 GB free")


class FakeSpeaker:
    """A device that opens, and that takes sound or does not."""

    backend = "Fake"

    def __init__(self, takes_sound: bool) -> None:
        self.running = threading.Event()
        if takes_sound:
            self.running.set()

    def __enter__(self):
        return self

    def __exit__(self, *_: object) -> None:
        pass


def test_sound_that_plays(monkeypatch):
    monkeypatch.setattr(doctor, "Speaker", lambda: FakeSpeaker(True))
    check = check_sound()
    assert (check.state, check.found, check.advice) == (State.OK, "Fake plays", "")


def test_a_device_that_never_wakes(monkeypatch):
    monkeypatch.setattr(doctor, "Speaker", lambda: FakeSpeaker(False))
    monkeypatch.setattr(doctor, "_WAKE_LIMIT_S", 0.05)
    check = check_sound()
    assert (check.state, check.found) == (State.WARN, "Fake opens but takes no sound")
    assert check.advice.endswith("until then a run has no sound, unless --wav names a file for it.")


def test_no_sound_device(monkeypatch):
    def fail() -> None:
        raise SoundError("ALSA: failed to init device")

    monkeypatch.setattr(doctor, "Speaker", fail)
    check = check_sound()
    assert check.state is State.WARN
    assert check.found == "no sound device (ALSA: failed to init device)"
    assert check.advice.endswith("until then a run has no sound, unless --wav names a file for it.")


def unavailable(reason: str) -> BleakBluetoothNotAvailableError:
    return BleakBluetoothNotAvailableError("?", BleakBluetoothNotAvailableReason[reason])


@pytest.mark.parametrize(
    ("error", "found", "advice"),
    [
        (unavailable("NO_BLUETOOTH"), "no Bluetooth adapter", "Connect a Bluetooth LE adapter"),
        (unavailable("NO_BLE_CENTRAL_ROLE"), "cannot connect to LE", "Connect a Bluetooth LE"),
        (unavailable("POWERED_OFF"), "switched off", "Switch Bluetooth on"),
        (unavailable("DENIED_BY_USER"), "no permission", "Allow this terminal"),
        (unavailable("DENIED_BY_SYSTEM"), "no permission", "group bluetooth"),
        (unavailable("DENIED_BY_UNKNOWN"), "no permission", "Allow this terminal"),
        (unavailable("UNKNOWN"), "cannot be used", "off and on"),
        (PermissionError(13, "Permission denied"), "no permission", "group bluetooth"),
        (FileNotFoundError(2, "No such file"), "(D-Bus)", "systemctl start dbus"),
        (ConnectionRefusedError(111, "refused"), "(D-Bus)", "systemctl start dbus"),
        (
            BleakDBusError("org.freedesktop.DBus.Error.ServiceUnknown", ["no org.bluez"]),
            "(bluez) is not running",
            "systemctl start bluetooth",
        ),
        (
            BleakDBusError("org.freedesktop.DBus.Error.AccessDenied", ["no"]),
            "no permission",
            "group bluetooth",
        ),
        (BleakDBusError("org.bluez.Error.Failed", ["odd"]), "BleakDBusError", "off and on"),
        (BleakError("odd"), "BleakError: odd", "off and on"),
        (ImportError("No module named 'bleak'"), "bleak library", "Install Plantigrade"),
        (TimeoutError(), "does not answer", "off and on"),
    ],
)
def test_what_stands_in_bluetooths_way(error, found, advice):
    async def scan() -> None:
        raise error

    check = check_bluetooth(scan)
    assert check.state is State.WARN
    assert found in check.found
    assert advice in check.advice
    assert check.advice.endswith("Recorded sessions can be used without it.")


def test_bluetooth_that_works():
    async def scan() -> None:
        await asyncio.sleep(0)

    assert check_bluetooth(scan).state is State.OK


@pytest.mark.parametrize("blocks_the_loop", [False, True])
def test_bluetooth_that_hangs(monkeypatch, blocks_the_loop):
    monkeypatch.setattr(doctor, "_BLUETOOTH_LIMIT_S", 0.05 if not blocks_the_loop else -1.9)
    never = threading.Event()

    async def scan() -> None:
        if blocks_the_loop:
            never.wait()
        await asyncio.sleep(3600)

    check = check_bluetooth(scan)
    never.set()
    assert (check.state, check.found) == (State.WARN, "Bluetooth does not answer")


linux_only = pytest.mark.skipif(sys.platform != "linux", reason="Bluetooth is on D-Bus on Linux")


@linux_only
def test_real_bleak_without_a_bus(monkeypatch, tmp_path):
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/none")
    assert "(D-Bus)" in check_bluetooth().found


@linux_only
def test_real_bleak_on_a_bus_that_hangs(monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)  # a socket's path must be short
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=bus")
    monkeypatch.setattr(doctor, "_BLUETOOTH_LIMIT_S", 0.3)
    with socket.socket(socket.AF_UNIX) as silent:
        silent.bind("bus")
        silent.listen()
        assert check_bluetooth().found == "Bluetooth does not answer"


BUS_SCRIPT = Path(__file__).resolve().parents[3] / ".ci" / "bus"
BUS = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig><type>session</type><listen>unix:path=bus</listen>
<policy context="default"><allow user="*"/><allow own="*"/><allow send_destination="*"/>
<allow receive_sender="*"/></policy></busconfig>"""


@linux_only
def test_real_bleak_on_a_bus_without_bluez(monkeypatch, tmp_path):
    done = subprocess.run([BUS_SCRIPT], capture_output=True, text=True, check=False)
    if done.returncode == 3:
        pytest.skip(f"no message bus, .ci/bus says: {done.stderr.strip()}")
    assert done.returncode == 0, done.stderr
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=bus")
    Path("bus.conf").write_text(BUS)
    command = [done.stdout.strip(), "--config-file=bus.conf", "--nofork", "--print-address"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as bus:
        try:
            assert bus.stdout is not None
            assert bus.stdout.readline()  # it listens
            assert "(bluez) is not running" in check_bluetooth().found
        finally:
            bus.terminate()


def stored(path: Path) -> str:
    """A store with a session of five pieces; its id."""
    with Store.open(path) as store:
        session = store.create_session("test", analysis_version=1)
        for k in range(5):
            store.append(session, packets(100, first=100 * k))
        store.end_session(session, "stop")
    return session


def test_sessions_that_are_whole(tmp_path):
    path = tmp_path / "store.sqlite3"
    stored(path)
    assert check_sessions(path).found == "1 session stored, whole"
    late = check_sessions(path, limit_s=-1.0)
    assert late.found == "the latest 0 of 1 are whole; --store-check reads all"
    assert late.state is State.OK


@pytest.mark.parametrize(
    ("second_s", "found"),
    [
        (9.9, "2 sessions stored, whole"),
        (10.1, "the latest 1 of 2 are whole; --store-check reads all"),
    ],
)
def test_no_session_is_begun_after_ten_seconds(tmp_path, monkeypatch, second_s, found):
    path = tmp_path / "store.sqlite3"
    for _ in range(2):
        stored(path)
    now_s = iter((100.0, 100.1, 100.0 + second_s))  # at the beginning, and before each session
    monkeypatch.setattr(doctor, "time", SimpleNamespace(monotonic=lambda: next(now_s)))
    assert check_sessions(path).found == found


def test_all_limits_together_are_within_a_minute_and_a_busy_store_within_its_own():
    limits = (doctor._STORE_LIMIT_S, doctor._READ_LIMIT_S, doctor._WAKE_LIMIT_S)
    assert sum(limits) + doctor._BLUETOOTH_LIMIT_S + 2.0 <= 60.0
    assert schema.BUSY_S + 5.0 <= doctor._STORE_LIMIT_S


def test_a_damaged_piece_is_found(tmp_path):
    path = tmp_path / "store.sqlite3"
    session = stored(path)
    flip_piece(path, 2)
    check = check_sessions(path)
    assert check.state is State.WARN
    assert check.found == (
        f"session {session}, piece 2, 0:02.0 to 0:03.0, 100 entries: "
        "its check sum does not match; it is damaged"
    )
    assert f"plantigrade repair {path} --to NEW" in check.advice
    flip_piece(path, 4)
    assert check_sessions(path).found == f"{check.found}, and 1 more"


def test_the_whole_store_is_read_on_request(tmp_path):
    path = tmp_path / "store.sqlite3"
    session = stored(path)
    well = CliRunner().invoke(main, ["doctor", "--store-check", "--store", str(path)])
    assert well.exit_code == 0 and "1 session, all of it whole" in " ".join(well.stdout.split())
    assert well.stderr.splitlines() == [
        "Reading the file's pages.",
        f"Reading session {session[:8]}, 1 of 1.",
    ]
    for seq in (1, 3):
        flip_piece(path, seq)
    ill = CliRunner().invoke(main, ["doctor", "--store-check", "--store", str(path), "--json"])
    assert ill.exit_code == 1
    checks = json.loads(ill.stdout)
    assert [check["found"].split(":")[0] for check in checks] == [
        f"session {session}, piece 1, 0",
        f"session {session}, piece 3, 0",
    ]
    assert "plantigrade repair" in checks[-1]["advice"]


def test_a_store_that_is_not_there_cannot_be_read(tmp_path):
    gone = tmp_path / "gone.sqlite3"
    done = CliRunner().invoke(main, ["doctor", "--store-check", "--store", str(gone)])
    assert done.exit_code == 1 and "not found" in done.stdout
    assert "repair" not in done.stdout  # nothing is there to copy
    assert not gone.exists()


def looked_at(path: Path) -> list[Check]:
    """What both ways of reading a store back say of it."""
    return [check_sessions(path), *check_whole_store(path, lambda _: None)]


def test_damage_is_copied_past_and_what_is_no_store_moved_away(tmp_path, monkeypatch):
    path = tmp_path / "my store.sqlite3"
    stored(path)
    copies = f"plantigrade repair '{path}' --to NEW copies what can be read."
    away = "Nothing of it can be opened: move it away, and put a backup in its place."
    for error, advice in (
        (DamageError("store x: page 1 is spoilt"), copies),
        (StoreError("store x: is another program's"), away),
    ):

        def opened(*_: object, error: StoreError = error, **__: object) -> Store:
            raise error

        with monkeypatch.context() as patch:
            patch.setattr(Store, "open", opened)
            found = looked_at(path)
        assert [one.name for one in found] == ["sessions", "store"]
        assert {(one.state, one.found, one.advice) for one in found} == {
            (State.FAIL, str(error), advice)
        }


def test_a_store_that_refuses_while_it_is_read_back(tmp_path, monkeypatch):
    path = tmp_path / "store.sqlite3"
    stored(path)

    def refuse(*_: object, **__: object) -> list[str]:
        raise StoreError("store x: the disk does not answer")

    monkeypatch.setattr(doctor, "verify_session", refuse)
    monkeypatch.setattr(doctor, "verify", refuse)
    copies = f"plantigrade repair {path} --to NEW copies what can be read."
    assert {(one.state, one.found, one.advice) for one in looked_at(path)} == {
        (State.FAIL, "store x: the disk does not answer", copies)
    }
    monkeypatch.setattr(Store, "open", refuse)
    assert check_insoles(path) == []  # said of the sessions


def test_what_listens_is_told_and_what_is_not_known_is_a_warning():
    (silent,) = doctor.check_listening(lambda: None)
    assert (silent.state, silent.found) == (State.OK, "this system does not tell what listens")
    (none,) = doctor.check_listening(lambda: [])
    assert (none.state, none.found) == (State.OK, "nothing of this program, of this user")
    page = Listener("127.0.0.1:8000", "the pages of a gateway", "this machine")
    other = replace(page, address="0.0.0.0:9", what=None, who="everybody")
    known, unknown = doctor.check_listening(lambda: [page, other])
    assert (known.state, known.advice) == (State.OK, "")
    assert known.found == "127.0.0.1:8000: the pages of a gateway, for this machine"
    assert unknown.state is State.WARN and unknown.advice.startswith("Find out which program")
    assert unknown.found == "0.0.0.0:9: something that is not known here, for everybody"


def test_examine_checks_everything_in_order(monkeypatch, tmp_path):
    monkeypatch.setattr(doctor, "Speaker", lambda: FakeSpeaker(True))
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/none")
    checks = examine(tmp_path / "store.sqlite3")
    names = list(dict.fromkeys(check.name for check in checks))
    assert names == ["python", "store", "sound", "bluetooth", "listens"]
    assert all(check.found and (check.advice or check.state is State.OK) for check in checks)
    assert os.listdir(tmp_path) == []


def test_every_pair_is_looked_at(tmp_path):
    path = tmp_path / "store.sqlite3"
    blue = KnownInsole(1, Foot.LEFT, "blue", "C0:00:00:00:00:01", 270)
    green = KnownInsole(2, Foot.RIGHT, "green", "C0:00:00:00:00:02", 270)
    with Store.open(path) as store:
        assert check_insoles(path) == []
        for insole in (blue, green):
            insoles.remember(store, insole)
        for insole in (replace(blue, serial=3), replace(green, serial=4)):
            insoles.remember(store, insole, "B")
        insoles.remember(store, replace(blue, serial=5), "our second")
        fits = {
            one.serial: FootFit(default_calibration(eighteen(), one.foot), 1.5, 0.3, -1.0, ())
            for one in (blue, green)
        }
        calibrations.keep(store, fits, datetime(2026, 3, 1, tzinfo=UTC))
    usual, second, third = check_insoles(path)
    said = "calibrated 2026-03-01, gain repeats within 1.5 %, zero within 0.3 %"
    assert usual == Check(
        "insoles", State.OK, f"left insole (blue) {said}; right insole (green) {said}"
    )
    assert second == Check(
        "insoles",
        State.WARN,
        "pair B: left insole (blue) never calibrated; right insole (green) never calibrated",
        "plantigrade calibrate --pair B --mass KG calibrates them in two minutes.",
    )
    assert third == Check(
        "insoles",
        State.WARN,
        "pair our second: left insole (blue) never calibrated; no right one is remembered",
        "plantigrade pair --pair 'our second' chooses it.",
    )


def test_a_pair_of_two_kinds_is_named(tmp_path):
    path = tmp_path / "store.sqlite3"
    three = Information(
        3,
        12,
        ZoneTable(260, 90, ((0, 5000, 1000, 900), (1, 5000, 4000, 800), (2, 5000, 7000, 1000))),
        hardware=7,
        firmware=0x0102,
    )
    with Store.open(path) as store:
        insoles.remember(store, KnownInsole(1, Foot.LEFT, "blue", "C0:00:00:00:00:01", 270))
        insoles.remember(
            store,
            KnownInsole(2, Foot.RIGHT, "green", "C0:00:00:00:00:02", 270, information=three),
        )
    (check,) = check_insoles(path)
    assert check.state is State.WARN and "the two insoles have different zones" in check.found
    assert check.advice == "plantigrade pair chooses two of one kind."
