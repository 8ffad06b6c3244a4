"""The commands and the service, with the virtual insoles in a process of their own."""

import asyncio
import io
import json
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from bleak.backends.scanner import BaseBleakScanner
from bleak.exc import BleakBluetoothNotAvailableError, BleakBluetoothNotAvailableReason
from click.testing import CliRunner, Result
from rich.console import Console
from tests.support.firmware import toolchain
from tests.support.scans import scans_until
from tests.support.waiting import HANG_S

from plantigrade_gateway.cli.main import main
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.record.entries import Kind
from plantigrade_gateway.session.insoles import InsoleJob, InsoleOptions
from plantigrade_gateway.session.runner import run
from plantigrade_gateway.session.stage import RunOptions
from plantigrade_gateway.sources.bluetooth import Radio, scanning
from plantigrade_gateway.sources.live import LiveSource
from plantigrade_gateway.sources.trouble import RadioError
from plantigrade_gateway.store import results
from plantigrade_gateway.store import status as linkstatus
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.virtual.process import Fault, Simulation
from plantigrade_gateway.virtual.style import PlayerStyle

try:
    import bumble  # noqa: F401
except ImportError:
    pytest.skip(
        "virtual insoles need the extra: pip install 'plantigrade[virtual]'",
        allow_module_level=True,
    )

__all__ = ["toolchain"]


def command(*arguments: object) -> Result:
    """Run a command; the simulation, where there is one, runs in a process of its own."""
    return CliRunner().invoke(main, [str(a) for a in arguments])


def process_of(*arguments: object, stdout: Any = subprocess.PIPE) -> "subprocess.Popen[str]":
    """A command in a process of its own, to be ended with Ctrl-C."""
    code = "import sys; from plantigrade_gateway.cli.main import main; main(sys.argv[1:])"
    return subprocess.Popen(
        [sys.executable, "-c", code, *(str(a) for a in arguments)],
        stdout=stdout,
        stderr=subprocess.PIPE,
        text=True,
    )


def streamed(store: Path, packets: int) -> bool:
    """Whether a running gateway has so many packets of each foot."""
    status = linkstatus.read(linkstatus.path_for(store))
    return status is not None and all(foot.packets >= packets for foot in status.feet.values())


@pytest.fixture(scope="module")
def transport(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The radio of a simulation that `plantigrade simulate` runs."""
    store = tmp_path_factory.mktemp("simulate") / "none.sqlite3"
    process = process_of("simulate", "--rate", 200, "--store", store)
    assert process.stdout and process.stderr
    lines = [process.stdout.readline() for _ in range(4)]
    assert "until Ctrl-C" in lines[0], lines
    yield lines[3].split()[-1]
    process.send_signal(signal.SIGINT)
    rest, errors = process.communicate(timeout=HANG_S)
    assert (process.returncode, rest, errors) == (0, "", "")
    assert not store.exists()


@pytest.mark.slow
def test_scan_pair_run_status(transport, tmp_path):
    """The way of a first day, against one simulation."""
    store = tmp_path / "store.sqlite3"
    refused = command("run", "--radio", transport, "--store", store)
    assert refused.exit_code == 2
    assert "no insole is remembered" in refused.stderr
    assert refused.stderr.endswith("or use virtual ones with --virtual\n")

    heard = ("--seconds", 1, "--radio", transport, "--store", store)
    with scans_until(2):
        found = json.loads(command("scan", *heard, "--json").stdout)
    assert [(i["foot"], i["serial"], i["remembered"]) for i in found["insoles"]] == [
        ("left", "51A70001", False),
        ("right", "51A70002", False),
    ]

    with scans_until(2):
        paired = command("pair", *heard, "--left-name", "blue")
    assert paired.exit_code == 0, paired.stderr
    assert "Remembered: left insole (blue), 51A70001, 270 mm." in paired.stdout
    assert "Remembered: right insole (51A70002), 51A70002, 270 mm." in paired.stdout

    run_options = ("--no-sound", "--no-page", "--mass", 80)
    running = process_of("run", "--radio", transport, "--store", store, *run_options)
    for _ in range(10 * HANG_S):
        if streamed(store, 100) or running.poll() is not None:
            break
        time.sleep(0.1)
    running.send_signal(signal.SIGINT)
    shown, errors = running.communicate(timeout=HANG_S)
    assert (running.returncode, errors) == (0, "")
    assert "left insole (blue): connected (-60 dBm, battery 87 %)" in shown

    with Store.open(store) as opened:
        (session,) = opened.sessions()
        entries = [e for batch in opened.batches(session.session_id) for e in batch]
    assert (session.state, session.end_reason, session.source) == ("ended", "stop", "insoles")
    kinds = [e.kind for e in entries]
    assert kinds[0] is Kind.SETTINGS and kinds[-1] is Kind.END
    assert kinds.count(Kind.CONNECTED) == kinds.count(Kind.DISCONNECTED) == 2
    assert kinds.count(Kind.NOTIFICATION) > 200

    again = command("reanalyse", "last", "--store", store, "--json")
    assert json.loads(again.stdout)["sessions"][0]["changed"] == 0

    status = json.loads(command("status", "--store", store, "--json").stdout)
    assert status["running"] is False
    left = status["status"]["feet"]["left"]
    assert (left["name"], left["battery_percent"], left["lost_packets"]) == ("blue", 87, 0)
    assert left["packets"] > 100
    shown = command("status", "--store", store).stdout
    assert "The gateway is not running." in shown and "battery 87 %" in shown


async def test_a_stop_while_the_insoles_are_opened_is_heard(tmp_path):
    """They never come, as where the machine is busy; what was opened is closed again."""

    class Waiting(InsoleJob):
        closed = False

        @asynccontextmanager
        async def opened(
            self, store: Store, say: Callable[[str], None]
        ) -> AsyncIterator[LiveSource]:
            try:
                stop.set()
                await asyncio.Event().wait()
                yield self._source
            finally:
                self.closed = True

    job, stop, shown = Waiting(InsoleOptions()), asyncio.Event(), io.StringIO()
    options = RunOptions(sound=False, store=tmp_path / "store.sqlite3")
    async with asyncio.timeout(HANG_S):
        await run(job, options, Console(file=shown, width=200), stop)
    assert job.closed
    assert shown.getvalue() == "Stopped before recording began: nothing is recorded.\n"


@pytest.mark.slow
async def test_run_virtual_lives_through_faults(tmp_path):
    store = tmp_path / "store.sqlite3"
    faults = ("0.5:left:hangup", "1:right:restart", "1.5:left:battery:9")
    simulation = Simulation(supervision_s=0.5, faults=tuple(Fault.parse(text) for text in faults))
    job = InsoleJob(InsoleOptions(simulation=simulation))
    shown = io.StringIO()
    stop = asyncio.Event()
    out, options = Console(file=shown, width=200), RunOptions(sound=False, store=store)
    work = asyncio.create_task(run(job, options, out, stop))
    expected = (
        "the player is invented",
        "left insole (virtual): the link is lost; looking for it",
        "right: the insole started again",
        "left: battery low",
    )
    async with asyncio.timeout(HANG_S):
        while not work.done() and any(text not in shown.getvalue() for text in expected):
            await asyncio.sleep(0.1)
        stop.set()
        await work
    with Store.open(store) as opened:
        (session,) = opened.sessions()
        entries = [e for batch in opened.batches(session.session_id) for e in batch]
    for insole in (0, 1):
        its = [e.kind for e in entries if e.insole == insole]
        assert its.count(Kind.CONNECTED) == its.count(Kind.DISCONNECTED) == 2
    assert session.source == "virtual insoles (invented)"


@pytest.mark.slow
async def test_a_session_is_made_whole_when_it_ends(tmp_path):
    """With what came late from the log: said, stored, and the same again when analysed again."""
    store = tmp_path / "store.sqlite3"
    simulation = Simulation(
        supervision_s=0.5, faults=(Fault.parse("3:right:vanish:3"),), log=True, seed=3
    )
    job = InsoleJob(InsoleOptions(simulation=simulation))
    shown = io.StringIO()
    stop = asyncio.Event()
    out, options = Console(file=shown, width=200), RunOptions(sound=False, store=store)
    work = asyncio.create_task(run(job, options, out, stop))
    async with asyncio.timeout(HANG_S):
        while not work.done() and "came late, from its log" not in shown.getvalue():
            await asyncio.sleep(0.1)
        stop.set()
        await work
    assert "The results hold what came late from the insoles' logs, too." in shown.getvalue()
    with Store.open(store) as opened:
        (session,) = opened.sessions()
        quality = results.read(opened, session.session_id).quality
        assert quality is not None
        assert quality.right.late_samples > 250
        assert any("of the right foot came late" in note for note in quality.notes)
        assert quality.left.late_samples == 0
        _, changed = results.reanalyse(opened, session.session_id)
    assert changed == 0


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["run", "--fault", "1:left:restart"], "happens to virtual insoles only"),
        (["run", "--virtual", "--for", "-3"], "--for: is -3 s, expected more than 0"),
        (["run", "--virtual", "--for", "nan"], "--for: 'nan', expected a number of seconds"),
        (["run", "--virtual", "--fault", "soon"], "expected SECONDS:FOOT:KIND"),
        (["run", "--virtual", "--radio", "x"], "leave --radio out"),
        (["run", "--seed", "2"], "--seed: makes a virtual player, add --virtual"),
        (["run", "--log"], "--log: makes a virtual player, add --virtual"),
        (["run", "--style", "rolls"], "--style: makes a virtual player, add --virtual"),
        (["scan", "--radio", "tcp-client:127.0.0.1:1"], "radio tcp-client:127.0.0.1:1: cannot be"),
        (["pair", "--left", "blue"], "expected hexadecimal digits"),
        (["pair", "--forget", "left"], "left insole: none is remembered"),
        (["simulate", "--rate", "300", "--battery", "120"], "battery is 120 %, expected 0 to 100"),
    ],
)
@pytest.mark.dear
def test_what_cannot_be_done_is_one_sentence(arguments, sentence, tmp_path):
    store = tmp_path / "store.sqlite3"
    result = CliRunner().invoke(main, [*arguments, "--store", str(store)])
    assert result.exit_code == 2
    assert sentence in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
    assert not store.exists() or arguments[0] == "pair"


@pytest.mark.slow
def test_without_the_extra_the_radio_still_works_and_virtual_says_what_to_install(tmp_path):
    """A fresh interpreter in which bumble cannot be imported."""
    code = (
        "import sys; sys.modules['bumble'] = None\n"
        "import pkgutil, importlib, plantigrade_gateway\n"
        "left_out = 'virtual', '__main__', 'web'\n"
        "for m in pkgutil.walk_packages(plantigrade_gateway.__path__, 'plantigrade_gateway.'):\n"
        "    if not set(m.name.split('.')) & set(left_out):\n"
        "        importlib.import_module(m.name)\n"
        "from click.testing import CliRunner\n"
        "from plantigrade_gateway.cli.main import main\n"
        "for radio in (['scan', '--radio', 'usb:0'], ['run', '--virtual'], ['run']):\n"
        "    result = CliRunner().invoke(main, [*radio, '--store', sys.argv[1]])\n"
        "    print(result.exit_code, result.stderr.strip())\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "store.sqlite3")],
        capture_output=True,
        text=True,
        check=True,
        timeout=HANG_S,
    )
    scan, virtual, plain = done.stdout.splitlines()
    install = f"add it with {shlex.quote(sys.executable)} -m pip install 'plantigrade[virtual]'"
    assert install in scan and scan.startswith("2 ")
    assert install in virtual and virtual.startswith("2 ")
    assert "no insole is remembered" in plain and plain.startswith("2 ")


class BrokenScanner(BaseBleakScanner):
    error: Exception

    def __init__(self, detection_callback, service_uuids, *args, **kwargs):
        super().__init__(detection_callback, service_uuids)

    async def start(self):
        raise self.error

    async def stop(self):
        pass


@pytest.mark.parametrize(
    ("error", "sentence"),
    [
        (FileNotFoundError(2, "no such file"), r"D-Bus.*systemctl start dbus bluetooth"),
        (PermissionError(13, "denied"), r"no permission to use Bluetooth.*group bluetooth"),
        (
            BleakBluetoothNotAvailableError("", BleakBluetoothNotAvailableReason.NO_BLUETOOTH),
            r"no Bluetooth adapter\. Connect",
        ),
        (
            BleakBluetoothNotAvailableError("", BleakBluetoothNotAvailableReason.POWERED_OFF),
            r"switched off\. Switch Bluetooth on",
        ),
    ],
)
def test_what_stands_in_bluetooths_way_is_one_sentence(error, sentence):
    async def scan() -> None:
        broken = type("Broken", (BrokenScanner,), {"error": error})
        async with scanning(Radio(broken, None), lambda _: None):
            pytest.fail("it scans")

    with pytest.raises(RadioError, match=sentence):
        asyncio.run(scan())


def test_simulations_travel_to_their_process_whole():
    simulation = Simulation(
        rate_hz=150.0,
        loss=0.1,
        drift_ppm=(1.0, -2.0),
        seed=7,
        style=PlayerStyle.EARLY,
        faults=(Fault.parse("3:left:vanish:7"),),
        companion=True,
    )
    assert Simulation.from_json(simulation.to_json()) == simulation


@pytest.mark.slow
def test_the_companion_is_paired_as_another_left_insole(toolchain, tmp_path, monkeypatch):
    """``simulate --companion`` builds it, and a user chooses it by its serial number."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    store = tmp_path / "store.sqlite3"
    process = process_of("simulate", "--companion")
    assert process.stdout and process.stderr
    lines = [process.stdout.readline() for _ in range(4)]
    try:
        assert "until Ctrl-C" in lines[0], (lines, process.stderr.read())
        transport = lines[3].split()[-1]
        options = ("--seconds", 1, "--radio", transport, "--store", store)
        with scans_until(3):
            paired = command("pair", *options, "--left", "51A70003", "--right", "51A70002")
        assert "Remembered: left insole (51A70003), 51A70003, 270 mm." in paired.stdout, paired
        assert "Remembered: right insole (51A70002)" in paired.stdout
    finally:
        process.send_signal(signal.SIGINT)
        rest, errors = process.communicate(timeout=HANG_S)
    assert (process.returncode, rest, errors) == (0, "", "")
    assert [p.name[:10] for p in (tmp_path / "cache" / "plantigrade" / "companion").iterdir()] == [
        "companion-"
    ]


@pytest.mark.parametrize("text", ["", "1:left", "x:left:stall", "1:both:stall", "1:left:burn"])
def test_faults_that_are_none(text):
    with pytest.raises(InputError, match="expected SECONDS:FOOT:KIND"):
        Fault.parse(text)


def test_a_store_with_which_no_gateway_has_run_has_no_status(tmp_path):
    path = tmp_path / "store.sqlite3"
    Store.open(path).close()
    result = CliRunner().invoke(main, ["status", "--store", str(path)])
    assert result.exit_code == 0
    assert "The gateway has not run with this store" in result.output


@pytest.mark.slow
def test_two_ctrl_c_end_it_at_once_without_a_traceback(tmp_path):
    store = tmp_path / "store.sqlite3"
    running = process_of("run", "--virtual", "--no-sound", "--no-page", "--store", store)
    for _ in range(10 * HANG_S):
        if streamed(store, 20) or running.poll() is not None:
            break
        time.sleep(0.1)
    running.send_signal(signal.SIGINT)
    time.sleep(0.05)
    running.send_signal(signal.SIGINT)
    _, errors = running.communicate(timeout=HANG_S)
    assert "Traceback" not in errors
    assert errors.strip() in ("", "Stopped before it was done; what was finished is kept.")


@pytest.mark.slow
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this platform")
def test_a_log_on_a_full_disk_does_not_end_a_recording(tmp_path):
    store = tmp_path / "store.sqlite3"
    with Path("/dev/full").open("wb") as full:
        arguments = ("run", "--virtual", "--no-sound", "--no-page", "--store", store)
        running = process_of(*arguments, stdout=full)
    for _ in range(10 * HANG_S):
        if streamed(store, 20) or running.poll() is not None:
            break
        time.sleep(0.1)
    running.send_signal(signal.SIGINT)
    _, errors = running.communicate(timeout=HANG_S)
    assert running.returncode == 0
    assert errors == "standard output takes nothing any more: No space left on device\n"
    with Store.open(store) as opened:
        (session,) = opened.sessions()
        assert session.duration_s > 0.0 and session.end_reason == "stop"
