"""A simulation described, run and asked, with insoles and players that a test writes itself."""

import asyncio
import json
import signal
import socket
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from tests.support.turns import turns_until

pytest.importorskip("bumble", reason="virtual insoles need the extra 'virtual'")

from plantigrade.block import Foot
from plantigrade.fitting import FITTING
from plantigrade_gateway.errors import BluetoothError, InputError
from plantigrade_gateway.virtual import companion, peripheral, player, process, prompted
from plantigrade_gateway.virtual.process import Fault, Simulation, run_until_stopped, simulate
from plantigrade_gateway.virtual.style import PlayerStyle

# ---- what is simulated


def test_the_usual_simulation_is_the_one_of_the_notes():
    usual = Simulation()
    # gatt_profile.md §5: 15 ms, 2 s, clocks within 50 ppm; wire_format.md §3: two frames live
    assert (usual.rate_hz, usual.frames, usual.interval_s) == (100.0, 2, 0.015)
    assert usual.supervision_s == 2.0
    assert max(map(abs, usual.drift_ppm)) <= 50.0 and usual.drift_ppm[0] != usual.drift_ppm[1]
    assert 0.0 <= usual.retry < 0.5 and usual.loss == 0.0 and usual.speed == 1.0
    assert (usual.pairs, usual.port, usual.seed) == (1, 0, 1)
    assert (usual.calibrates, usual.companion, usual.log) == (False, False, False)


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"rate_hz": 15.9}, "rate is 15.9 Hz, expected 16 to 400"),
        ({"rate_hz": 401.0}, "rate is 401 Hz, expected 16 to 400"),
        ({"seed": -1}, "seed is -1, expected 0 or more"),
        ({"pairs": 0}, "0 pairs, expected 1 to 4"),
        ({"pairs": 5}, "5 pairs, expected 1 to 4"),
    ],
)
def test_what_cannot_be_simulated_is_refused(settings, said):
    with pytest.raises(InputError) as error:
        Simulation(**settings)
    assert str(error.value) == f"simulation: {said}"


@pytest.mark.parametrize(
    "settings", [{"rate_hz": 16.0}, {"rate_hz": 400.0}, {"seed": 0}, {"pairs": 4}]
)
def test_the_limits_can_be_simulated(settings):
    assert Simulation(**settings)


def test_its_process_reads_what_was_written_to_it():
    fault = Fault(3.5, Foot.RIGHT, "stall", 2.0)
    whole = Simulation(style=PlayerStyle.HOLDS, faults=(fault,), flaws=("swapped",), pairs=2)
    text = whole.to_json()
    assert Simulation.from_json(text) == whole
    written = json.loads(text)
    assert (written["style"], written["pairs"], written["flaws"]) == ("holds", 2, ["swapped"])
    assert written["faults"][0]["foot"] == "right"


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("12:left:vanish", Fault(12.0, Foot.LEFT, "vanish", 5.0)),
        ("1.5:right:battery:9", Fault(1.5, Foot.RIGHT, "battery", 9.0)),
        ("0:left:restart", Fault(0.0, Foot.LEFT, "restart", 5.0)),
    ],
)
def test_a_fault_is_read(text, fault):
    assert Fault.parse(text) == fault
    assert Fault(1.0, Foot.LEFT, "restart").value == 0.0


@pytest.mark.parametrize(
    "text",
    [
        "",
        "1:left",
        "1:left:melt",
        "x:left:stall",
        "1:up:stall",
        "1:left:stall:2:3",
        "1:left:stall:x",
    ],
)
def test_what_is_no_fault_is_refused_with_all_that_are(text):
    with pytest.raises(InputError) as error:
        Fault.parse(text)
    assert str(error.value).startswith(f"fault {text!r}: expected SECONDS:FOOT:KIND[:VALUE]")
    assert str(error.value).endswith("KIND restart, vanish, stall, hangup, battery")


# ---- what is run


class Steps:
    """What presses: nothing. How it was asked for is kept."""

    def __init__(self, *asked: object) -> None:
        self.asked = asked

    def at(self, foot: object, t_s: np.ndarray) -> np.ndarray:
        return np.zeros((len(t_s), 18), np.uint16)


class Insole:
    """Stands for an insole on the air: what it was made with, and what happens to it."""

    made: list["Insole"]

    def __init__(self, settings: Any, air: Any, steps: Any, began_s: float) -> None:
        self.settings, self.air, self.steps, self.began_s = settings, air, steps, began_s
        self.happened: list[tuple[Any, ...]] = []
        self.started = asyncio.Event()
        Insole.made.append(self)

    async def start(self) -> None:
        await asyncio.sleep(0)
        self.happened.append(("start",))

    async def close(self) -> None:
        self.happened.append(("close",))

    def restart(self) -> None:
        self.happened.append(("restart",))

    def vanish(self, seconds: float) -> None:
        self.happened.append(("vanish", seconds))

    def stall(self, seconds: float) -> None:
        self.happened.append(("stall", seconds))

    def set_battery(self, percent: float) -> None:
        self.happened.append(("battery", percent))

    async def hang_up(self) -> None:
        self.happened.append(("hangup",))


class Follower(Steps):
    """Stands for a player who does what is asked for."""

    made: list["Follower"]

    def __init__(self, *asked: object, **more: object) -> None:
        super().__init__(*asked, more)
        self.done: list[tuple[str, object]] = []
        Follower.made.append(self)

    def learn(self, what: str) -> None:
        self.done.append(("learn", what))

    def do(self, what: str, t_s: float) -> None:
        self.done.append((what, t_s))

    def duration_s(self, pose: str) -> float:
        return 0.0


@pytest.fixture(autouse=True)
def fakes(monkeypatch) -> None:
    Insole.made, Follower.made = [], []
    monkeypatch.setattr(peripheral, "AirInsole", Insole)
    monkeypatch.setattr(player, "invented_steps", Steps)
    monkeypatch.setattr(player, "ScriptedPlayer", Follower)
    monkeypatch.setattr(prompted, "PromptedPlayer", Follower)


class Run:
    """A simulation under way, until it is left."""

    def __init__(self, simulation: Simulation, asked: "asyncio.Queue[str] | None" = None) -> None:
        self.transports: list[str] = []
        work = simulate(simulation, self.transports.extend, asked)
        self.task = asyncio.create_task(work)

    async def __aenter__(self) -> "Run":
        await turns_until(lambda: self.transports or self.task.done())
        if self.task.done():
            await self.task
        return self

    async def __aexit__(self, *_: object) -> None:
        self.task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await self.task


async def test_each_pair_has_insoles_a_player_and_a_radio_of_its_own_on_one_air():
    simulation = Simulation(
        rate_hz=200.0,
        frames=4,
        loss=0.01,
        drift_ppm=(5.0, -6.0),
        battery_percent=33.0,
        speed=2.0,
        seed=7,
        style=PlayerStyle.EARLY,
        handed=("left",),
        pairs=2,
        interval_s=0.0,
        retry=0.1,
        supervision_s=1.5,
    )
    async with Run(simulation) as run:
        ports = [int(transport.rpartition(":")[2]) for transport in run.transports]
        assert [t.rpartition(":")[0] for t in run.transports] == ["tcp-client:127.0.0.1"] * 2
        assert len(set(ports)) == 2 and min(ports) > 0
        for port in ports:
            _, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.close()
        assert len(Insole.made) == 4 and {id(one.air) for one in Insole.made} == {
            id(Insole.made[0].air)
        }
        conditions = Insole.made[0].air.conditions
        assert (conditions.interval_s, conditions.retry, conditions.seed) == (0.0, 0.1, 7)
        assert conditions.supervision_s == 1.5
        for place, foot, ppm in ((0, 0, 5.0), (0, 1, -6.0), (1, 0, 5.0), (1, 1, -6.0)):
            one = Insole.made[2 * place + foot]
            settings = one.settings
            assert settings.foot is list(Foot)[foot] and settings.drift_ppm == ppm
            assert (settings.period_us, settings.frames, settings.loss) == (5000, 4, 0.01)
            assert (settings.battery_percent, settings.speed) == (33.0, 2.0)
            assert settings.log_pages == 0
            lead = (Foot.RIGHT, Foot.LEFT)[place]  # nothing is said of the second
            assert one.steps.asked == (7 + place, PlayerStyle.EARLY, lead)
            assert one.happened == [("start",)]
        assert len({one.settings.serial for one in Insole.made}) == 4
        assert len({one.began_s for one in Insole.made}) == 1
    assert [one.happened for one in Insole.made] == [[("start",), ("close",)]] * 4


async def test_with_a_log_each_insole_has_one_of_64_mbit():
    """32768 pages (wire_format.md §8)."""
    async with Run(Simulation(log=True)):
        assert {one.settings.log_pages for one in Insole.made} == {32768}


@pytest.mark.parametrize(
    ("text", "happened"),
    [
        ("0:right:restart", ("restart",)),
        ("0:right:vanish:3", ("vanish", 3.0)),
        ("0:right:stall:4", ("stall", 4.0)),
        ("0:right:battery:5", ("battery", 5.0)),
        ("0:right:hangup", ("hangup",)),
    ],
)
async def test_a_fault_happens_to_its_insole_of_the_first_pair_after_it_streams(text, happened):
    async with Run(Simulation(faults=(Fault.parse(text),), pairs=2)):
        left, right, *others = Insole.made
        for _ in range(10):
            await asyncio.sleep(0)
        assert right.happened == [("start",)]
        right.started.set()
        await turns_until(lambda: len(right.happened) == 2)
        assert right.happened[1] == happened
        for other in (left, *others):
            assert other.happened == [("start",)]


async def test_a_fault_comes_so_long_after_the_stream_began(monkeypatch):
    waits: list[float] = []

    async def sleep(seconds: float) -> None:
        waits.append(seconds)

    insole: Any = Insole(None, None, None, 0.0)
    insole.started.set()
    monkeypatch.setattr(asyncio, "sleep", sleep)
    await process._apply_fault(insole, Fault(12.5, Foot.LEFT, "restart"))
    assert waits == [12.5] and insole.happened == [("restart",)]


@pytest.mark.parametrize(("handed", "lead"), [("right", Foot.LEFT), ("left", Foot.RIGHT)])
async def test_a_player_who_can_be_asked_is_the_first_pair_s_alone(handed, lead):
    asked = asyncio.Queue[str]()
    simulation = Simulation(handed=(handed,), pairs=2, speed=4.0, style=PlayerStyle.SKIPS, seed=3)
    async with Run(simulation, asked):
        (follower,) = Follower.made
        assert follower.asked == (3, PlayerStyle.SKIPS, lead, {})
        assert [one.steps is follower for one in Insole.made] == [True, True, False, False]
        before_s = asyncio.get_running_loop().time()
        asked.put_nowait("walk")
        await turns_until_done(follower, 2)
        after_s = asyncio.get_running_loop().time()
        learnt, (what, t_s) = follower.done
        assert learnt == ("learn", "walk") and what == "walk"
        began_s = Insole.made[0].began_s
        # the body's own time, four times as fast
        assert 4.0 * (before_s - began_s) <= float(str(t_s)) <= 4.0 * (after_s - began_s)


async def turns_until_done(follower: Follower, n: int) -> None:
    """A player learns in a thread: that takes as long as it takes."""
    while len(follower.done) < n:
        await asyncio.sleep(0.001)


@pytest.mark.parametrize("prompted_", [True, False])
async def test_a_player_to_calibrate_does_every_pose_in_turn_unless_asked(prompted_):
    asked = asyncio.Queue[str]() if prompted_ else None
    flaws = ("dead:left:3",)
    async with Run(Simulation(calibrates=True, pairs=2, flaws=flaws, seed=5), asked):
        (follower,) = Follower.made
        made = follower.asked[-1]
        assert isinstance(made, dict) and made["seed"] == 5
        assert made["flaws"] == player.ScriptedFaults.parse(flaws)
        assert all(one.steps is follower for one in Insole.made)
        if asked is None:
            # two for each: it is learnt and done
            await turns_until_done(follower, 2 * len(FITTING) + 2)
            done = [what for what, _ in follower.done if what != "learn"]
            assert done[: len(FITTING) + 1] == [*FITTING, FITTING[0]]
        else:
            asked.put_nowait("stand")
            await turns_until_done(follower, 2)
            assert follower.done[0] == ("learn", "stand")


async def test_poses_follow_each_other_as_long_as_they_take(monkeypatch):
    waits: list[float] = []

    async def sleep(seconds: float) -> None:
        waits.append(seconds)
        if len(waits) == 3:
            raise asyncio.CancelledError

    follower: Any = SimpleNamespace(duration_s=lambda pose: 8.0)
    asked = asyncio.Queue[str]()
    monkeypatch.setattr(asyncio, "sleep", sleep)
    with pytest.raises(asyncio.CancelledError):
        await process._in_turn(follower, asked, 4.0)
    assert waits == [2.0] * 3 and asked.qsize() == 3


async def test_the_companion_is_started_and_closed_beside_the_pair(monkeypatch):
    happened: list[tuple[Any, ...]] = []

    async def usual(air: Any, steps: Any, began_s: float, speed: float) -> Any:
        happened.append(("made", steps.asked, speed))

        async def start() -> None:
            happened.append(("start",))

        async def close() -> None:
            happened.append(("close",))

        return SimpleNamespace(start=start, close=close)

    monkeypatch.setattr(companion, "usual_companion", usual)
    async with Run(Simulation(companion=True, speed=3.0, seed=2)):
        assert happened == [("made", (2, PlayerStyle.MIXED), 3.0), ("start",)]
    assert happened[2:] == [("close",)]


async def test_a_port_can_be_asked_for_and_one_that_is_taken_is_said():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(BluetoothError, match=rf"^port {port}: cannot be used .*--port$"):
            async with Run(Simulation(port=port)):
                pass
    async with Run(Simulation(port=port, pairs=2)) as run:
        assert run.transports[0] == f"tcp-client:127.0.0.1:{port}"
        assert run.transports[1] != run.transports[0]


async def test_a_start_that_is_cancelled_is_let_end_first():
    began, may_end = asyncio.Event(), asyncio.Event()
    ended: list[bool] = []

    async def starting() -> None:
        began.set()
        await may_end.wait()
        ended.append(True)

    task = asyncio.create_task(process._whole(starting()))
    await began.wait()
    task.cancel()
    for _ in range(5):
        await asyncio.sleep(0)
    assert not task.done()
    may_end.set()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert ended == [True]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
async def test_it_runs_until_it_is_told_to_end(number):
    ready: list[str] = []
    running = asyncio.create_task(run_until_stopped(Simulation(), ready.extend))
    await turns_until(lambda: ready)
    signal.raise_signal(number)
    await running
    assert Insole.made[0].happened == [("start",), ("close",)]
    for each in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().remove_signal_handler(each)


async def test_what_is_asked_for_is_a_word_a_line_until_the_input_ends():
    reader, asked = asyncio.StreamReader(), asyncio.Queue[str]()
    reader.feed_data(b"stand\n walk \nleft-handed\n\n")
    reader.feed_eof()
    await process._read_asked(reader, asked)
    assert [asked.get_nowait() for _ in range(4)] == ["stand", "walk", "left-handed", ""]


async def test_what_is_asked_for_is_passed_on_a_word_a_line():
    asked = asyncio.Queue[str]()
    written: list[bytes] = []

    async def drain() -> None:
        written.append(b"|")

    stdin: Any = SimpleNamespace(write=written.append, drain=drain)
    passing = asyncio.create_task(process._pass_on(asked, stdin))
    asked.put_nowait("stand")
    asked.put_nowait("walk")
    await turns_until(lambda: len(written) == 4)
    assert written == [b"stand\n", b"|", b"walk\n", b"|"]
    passing.cancel()


# ---- its process, seen from the gateway


class FakeProcess:
    """A process by its pipes."""

    def __init__(self, out: bytes, errors: bytes = b"", ends: bool = True) -> None:
        self.stdout, self.stderr = asyncio.StreamReader(), asyncio.StreamReader()
        self.stdout.feed_data(out)
        self.stderr.feed_data(errors)
        if not out:
            self.stdout.feed_eof()
            self.stderr.feed_eof()
        self.written: list[bytes] = []
        self.stdin = SimpleNamespace(
            write=self.written.append, close=lambda: self.written.append(b"closed"), drain=self._no
        )
        self.killed = False
        self._ends = ends

    async def _no(self) -> None:
        pass

    async def wait(self) -> None:
        if not self._ends and not self.killed:
            await asyncio.Event().wait()

    def kill(self) -> None:
        self.killed = True


def given(monkeypatch: pytest.MonkeyPatch, made: FakeProcess) -> list[tuple[Any, ...]]:
    begun: list[tuple[Any, ...]] = []

    async def create(*arguments: Any, **how: Any) -> FakeProcess:
        begun.append((arguments, how))
        return made

    monkeypatch.setattr(asyncio, "create_subprocess_exec", create)
    return begun


async def test_its_process_is_given_the_simulation_and_says_its_transports(monkeypatch):
    made = FakeProcess(b"tcp-client:127.0.0.1:1 tcp-client:127.0.0.1:2\n")
    begun = given(monkeypatch, made)
    simulation = Simulation(pairs=2)
    asked = asyncio.Queue[str]()
    async with process.simulator_process(simulation, pytest.fail, asked) as transports:
        assert transports == ["tcp-client:127.0.0.1:1", "tcp-client:127.0.0.1:2"]
        asked.put_nowait("walk")
        await turns_until(lambda: made.written)
    assert made.written == [b"walk\n", b"closed"] and not made.killed
    ((arguments, how),) = begun
    assert Simulation.from_json(arguments[-1]) == simulation
    assert arguments[1:3] == ("-m", "plantigrade_gateway.virtual.process")
    assert how["start_new_session"] is True  # Ctrl-C is the gateway's


@pytest.mark.parametrize(
    ("errors", "said"),
    [(b"odd\nport 9: cannot be used\n", "port 9: cannot be used"), (b"", "ended at once")],
)
async def test_a_process_that_does_not_begin_is_said_by_its_last_word(errors, said, monkeypatch):
    given(monkeypatch, FakeProcess(b"", errors))
    with pytest.raises(BluetoothError) as error:
        async with process.simulator_process(Simulation(), pytest.fail):
            pass
    assert str(error.value) == f"virtual insoles: {said}"


async def test_one_that_does_not_end_is_killed(monkeypatch):
    made = FakeProcess(b"tcp-client:127.0.0.1:1\n", ends=False)
    given(monkeypatch, made)
    limits: list[float] = []

    async def wait_for(work: Any, limit_s: float) -> None:
        limits.append(limit_s)
        work.close()
        raise TimeoutError

    monkeypatch.setattr(asyncio, "wait_for", wait_for)
    async with process.simulator_process(Simulation(), pytest.fail):
        pass
    assert made.killed and limits == [5.0]


async def test_one_that_takes_long_is_said_to_after_ten_seconds_and_not_before(monkeypatch):
    made = FakeProcess(b"tcp-client:127.0.0.1:1\n")
    given(monkeypatch, made)
    later: list[tuple[Any, ...]] = []
    loop = asyncio.get_running_loop()

    def call_later(*what: Any) -> Any:
        later.append(what)
        return SimpleNamespace(cancel=lambda: later.append(("no",)))

    monkeypatch.setattr(loop, "call_later", call_later)
    said: list[str] = []
    async with process.simulator_process(Simulation(), said.append):
        assert [one[0] for one in later] == [10.0, "no"] and said == []
        later[0][1](*later[0][2:])
    assert len(said) == 1 and said[0].startswith("Virtual insoles: slow to start")
