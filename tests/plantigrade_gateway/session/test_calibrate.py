"""The guided calibration over a real Bluetooth host stack: an invented player follows the prompts.

Nothing is replaced above HCI. The player and the insoles live some six times as fast as we do.
"""

import asyncio
import io
import json
import subprocess
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from rich.console import Console
from tests.support.waiting import HANG_S

from plantigrade.block import Foot
from plantigrade.calibrate import Calibration, default_calibration
from plantigrade.evidence import FootFit
from plantigrade.fitting import FITTING, Fitting
from plantigrade.limits import G_M_S2
from plantigrade.poses import Pose
from plantigrade.zones import eighteen
from plantigrade_gateway.analysis import calibration as guide_module
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.errors import CalibrationRefused, InputError
from plantigrade_gateway.record.entries import Kind
from plantigrade_gateway.session.calibrate import CalibrationOptions, _Console, calibrate
from plantigrade_gateway.store import calibrations
from plantigrade_gateway.store.insoles import remember
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.virtual.player import (
    GAINS,
    RATE_HZ,
    SERIALS,
    ScriptedFaults,
    ScriptedPlayer,
    usual_pair,
)
from plantigrade_gateway.virtual.process import Fault, Simulation
from plantigrade_gateway.wire.gatt import KnownInsole

try:
    import bumble  # noqa: F401

    from plantigrade_gateway.virtual.process import simulate
except ImportError:
    pytest.skip(
        "virtual insoles need the extra: pip install 'plantigrade[virtual]'",
        allow_module_level=True,
    )

SPEED = 6.0
LIFT, ROCK = (Pose.LIFT_LEFT,), (Pose.ROCK_LENGTH, Pose.ROCK_WIDTH)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A store that knows the virtual pair."""
    path = tmp_path / "store.sqlite3"
    with Store.open(path) as store:
        for settings in usual_pair():
            remember(store, KnownInsole(settings.serial, settings.foot, "v", settings.address, 270))
    return path


class Visit:
    """A calibration of the virtual pair, in this process."""

    def __init__(self, path: Path, flaws: Iterable[str] = (), faults: Iterable[str] = ()) -> None:
        self.path = path
        self.shown = io.StringIO()
        self.stop = asyncio.Event()
        self._simulation = Simulation(
            frames=6,
            interval_s=0.0,
            speed=SPEED,
            calibrates=True,
            flaws=tuple(flaws),
            faults=tuple(Fault.parse(text) for text in faults),
        )

    async def calibrate(
        self,
        poses: tuple[Pose, ...] | None = None,
        *,
        is_check: bool = False,
        mass_kg: float | None = 80.0,
    ) -> bool:
        asked: asyncio.Queue[str] = asyncio.Queue()
        ready: asyncio.Future[Sequence[str]] = asyncio.get_running_loop().create_future()
        simulation = asyncio.create_task(simulate(self._simulation, ready.set_result, asked))
        try:
            request = CalibrationOptions(
                self.path,
                mass_kg,
                is_check,
                radio=(await ready)[0],
                poses=poses,
                asked=asked,
                now_ns=lambda: int(SPEED * time.monotonic_ns()),
            )
            console = Console(file=self.shown, width=400)
            async with asyncio.timeout(3 * HANG_S):
                return await calibrate(request, console, self.stop)
        finally:
            simulation.cancel()
            await asyncio.wait([simulation])

    def said(self, foot: Foot) -> str:
        with Store.open(self.path) as store:
            settings = next(k for k in usual_pair() if k.foot is foot)
            return calibrations.describe(
                store, KnownInsole(settings.serial, foot, "v", settings.address, 270)
            )

    def gains(self) -> dict[Foot, list[float]]:
        with Store.open(self.path) as store:
            return {
                foot: [c.calibration.gain for c in calibrations.history(store, SERIALS[foot])]
                for foot in Foot
            }


@pytest.mark.slow
async def test_a_calibration_finds_the_gains_and_a_check_of_it_passes(path):
    """Within 5 %: the sensor has a hysteresis of 10 % and a dead zone of 2 kPa."""
    visit = Visit(path)
    assert await visit.calibrate()
    for foot, (gain,) in visit.gains().items():
        assert gain * GAINS[foot] == pytest.approx(1.0, abs=0.05)
    text = visit.shown.getvalue()
    for number in range(1, 10):
        assert f"{number} of 9  " in text
    assert text.count("  good.") == 9
    assert "Both calibrations are stored." in text
    assert "training aid" in text
    assert visit.said(Foot.LEFT).startswith("calibrated 20")

    again = Visit(path)
    assert await again.calibrate(is_check=True, mass_kg=None)
    assert "The check is passed." in again.shown.getvalue()
    assert " passed" in visit.said(Foot.LEFT) and " passed" in visit.said(Foot.RIGHT)
    assert [len(g) for g in visit.gains().values()] == [1, 1]

    shown = " ".join(CliRunner().invoke(main, ["status", "--store", str(path)]).stdout.split())
    assert "gain repeats within" in shown and "passed." in shown
    listed = json.loads(CliRunner().invoke(main, ["status", "--json", "--store", str(path)]).stdout)
    assert [row["calibration"] for row in listed["insoles"]] == [
        visit.said(Foot.LEFT),
        visit.said(Foot.RIGHT),
    ]


FLAWS = [
    (
        ["swapped"],
        LIFT,
        "the right insole was in the air when you were asked to lift the left foot",
    ),
    (["wrong_foot"], (Pose.ON_LEFT,), "the right insole stood when you were asked to stand on"),
    (["moved"], LIFT, "moved while zeroing, hold the foot still in the air"),
    (["short"], LIFT, "too short: good for "),
    (["full:right:3"], LIFT, "right insole: zone 3 reads full scale"),
    (["dead:left:12"], ROCK, "left insole: zone 12 never carried load"),
    (["timid"], ROCK[:1], "rock further"),
    (["gain:right:0.3"], (Pose.ON_RIGHT,), "check the mass and which foot stood"),
]
OVER_BLUETOOTH = (0, 5)
"""Of these: one of each kind. The others differ in what is read only, not in how it comes."""


@pytest.mark.parametrize(("flaws", "poses", "sentence"), FLAWS)
@pytest.mark.dear
def test_what_is_not_good_is_said_in_its_sentence(flaws, poses, sentence):
    """What the invented player's feet read, judged and said; no Bluetooth, and no waiting."""
    follower = ScriptedPlayer(flaws=ScriptedFaults.parse(tuple(flaws)))
    start = {foot: default_calibration(eighteen(), foot) for foot in Foot}
    fitting = Fitting(eighteen(), start, 80.0 * G_M_S2, poses=poses)
    shown, asked = io.StringIO(), asyncio.Queue[str]()
    with _Console(Console(file=shown, width=400), asked, fitting.need_s) as stage:
        for row in range(0, 120 * RATE_HZ, 10):
            t_s = (row + np.arange(10)) / RATE_HZ
            for foot in Foot:
                for step in fitting.push(foot, t_s, follower.at(foot, t_s)):
                    stage.show(step)
            while not asked.empty():
                follower.do(asked.get_nowait(), float(t_s[-1]) + 1.0)
            if "not good: " in shown.getvalue():
                break
    (line,) = [text for text in shown.getvalue().splitlines() if "good" in text and "not" in text]
    assert line.startswith("        not good: ") and sentence in line


@pytest.mark.parametrize(("flaws", "poses", "sentence"), [FLAWS[k] for k in OVER_BLUETOOTH])
@pytest.mark.slow
async def test_what_is_not_good_is_refused_with_its_sentence(flaws, poses, sentence, path):
    visit = Visit(path, flaws)
    work = asyncio.create_task(visit.calibrate(poses))
    while not work.done() and sentence not in visit.shown.getvalue():
        await asyncio.sleep(0.05)
    visit.stop.set()
    assert not await work
    (line,) = [text for text in visit.shown.getvalue().splitlines() if sentence in text]
    assert line.startswith("        not good: ")
    assert visit.gains() == {Foot.LEFT: [], Foot.RIGHT: []}


@pytest.mark.slow
async def test_what_stays_bad_ends_it_with_the_reason(path, monkeypatch):
    monkeypatch.setattr(guide_module, "TRIES", 2)
    visit = Visit(path, ["swapped"])
    with pytest.raises(CalibrationRefused) as caught:
        await visit.calibrate(LIFT)
    text = str(caught.value)
    assert text.startswith("left foot in the air: the right insole was in the air when you were")
    assert text.endswith("change them over. No calibration was changed.")
    assert visit.shown.getvalue().count("not good: ") == 2
    assert visit.gains() == {Foot.LEFT: [], Foot.RIGHT: []}


@pytest.mark.slow
async def test_a_link_that_is_lost_is_said_and_the_pose_taken_when_it_is_back(path, monkeypatch):
    monkeypatch.setattr(guide_module, "TRIES", 99)
    visit = Visit(path, faults=["0.3:right:vanish:8"])
    assert await visit.calibrate((Pose.ON_LEFT, Pose.ON_RIGHT))
    text = visit.shown.getvalue()
    assert "not good: " in text and "no data came from the right insole" in text
    assert "right insole (v): the link is lost; looking for it" in text
    assert text.count(" good.") == 2


@pytest.mark.slow
async def test_nothing_is_said_of_the_long_packets_that_a_calibration_asks_for(path):
    """Of 8 samples at 50 Hz; a run tells of packets over 40 ms, which its own --frames mends."""
    visit = Visit(path)
    work = asyncio.create_task(visit.calibrate())
    while not work.done() and "  good." not in visit.shown.getvalue():
        await asyncio.sleep(0.05)
    visit.stop.set()
    assert not await work
    assert visit.shown.getvalue().count("connected") == 2
    assert "one packet holds" not in visit.shown.getvalue()


@pytest.mark.slow
async def test_ctrl_c_keeps_the_old_calibration(path):
    with Store.open(path) as store:
        for settings in usual_pair():
            calibrations.keep(store, {settings.serial: _fit(settings.foot)})
    visit = Visit(path)

    async def stop_when_some_are_taken() -> None:
        while visit.shown.getvalue().count("  good.") < 2:
            await asyncio.sleep(0.05)
        visit.stop.set()

    stopping = asyncio.create_task(stop_when_some_are_taken())
    assert not await visit.calibrate()
    await stopping
    assert "Stopped. No calibration was changed." in visit.shown.getvalue()
    assert visit.gains() == {Foot.LEFT: [1.5], Foot.RIGHT: [1.5]}


def _fit(foot: Foot) -> FootFit:
    made = replace(default_calibration(eighteen(), foot), gain=1.5)
    return FootFit(made, 1.0, 0.1, 0.0, ())


def command(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


def quality_of(store: Path) -> dict[str, Any]:
    shown = command("show", "last", "--json", "--store", store)
    quality: dict[str, Any] = json.loads(shown.stdout)["analysis"]["quality"]
    return quality


def process(*arguments: object) -> str:
    """Run a command in a process of its own; return what it prints, unwrapped."""
    code = "from plantigrade_gateway.cli.main import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", code, *(str(a) for a in arguments)],
        capture_output=True,
        text=True,
        timeout=3 * HANG_S,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return " ".join(done.stdout.split())


@pytest.mark.slow
def test_the_virtual_player_swings_as_the_run_says(tmp_path):
    store = tmp_path / "store.sqlite3"
    options = ("--virtual", "--no-sound", "--no-page", "--for", 35, "--handed", "left")
    process("run", *options, "--style", "rolls", "--store", store)
    told = json.loads(command("show", "last", "--json", "--store", store).stdout)
    swings = told["analysis"]["swings"]
    assert swings and {swing["lead"] for swing in swings} == {"right"}


@pytest.mark.slow
def test_the_command_calibrates_virtual_insoles_and_run_uses_it(tmp_path):
    """The simulation in a process of its own, told each pose through its standard input."""
    store = tmp_path / "store.sqlite3"
    said = process("calibrate", "--virtual", "--speed", 10, "--mass", 80, "--store", store)
    assert "the player is invented" in said
    assert "Both calibrations are stored." in said

    options = ("--virtual", "--no-sound", "--no-page", "--for", 4, "--mass", 80)
    said = process("run", *options, "--store", store)
    assert "left insole (virtual): calibrated 20" in said
    with Store.open(store) as opened:
        (session,) = opened.sessions()
        entries = [e for batch in opened.batches(session.session_id) for e in batch]
    used = [Calibration.from_json(e.data) for e in entries if e.kind is Kind.CALIBRATION]
    assert [made.foot for made in used] == list(Foot)
    for made in used:
        assert made.note.startswith("calibrated 20")
        assert made.gain * GAINS[made.foot] == pytest.approx(1.0, abs=0.05)
    quality = quality_of(store)
    heard = {made.foot: made for made in used if quality[made.foot]["link"] is not None}
    assert heard  # on a busy machine four seconds may be too short for both
    for foot, made in heard.items():
        assert (quality[foot]["calibration"], quality[foot]["gain"]) == (made.note, made.gain)
    assert "never calibrated" not in command("show", "last", "--store", store).stdout
    again = json.loads(command("reanalyse", "last", "--json", "--store", store).stdout)
    assert again["sessions"][0]["changed"] == 0
    assert quality_of(store) == quality


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ([], "a calibration needs the player's mass: give it with --mass KG"),
        (["--mass", "80"], "no insole is remembered"),
        (["--mass", "80", "--flaw", "swapped"], "for virtual insoles only"),
        (["--mass", "80", "--virtual", "--flaw", "dead:left:19"], "flaw 'dead:left:19': expected"),
        (["--mass", "80", "--virtual", "--radio", "x"], "leave --radio out"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(arguments, sentence, tmp_path):
    result = command("calibrate", *arguments, "--store", tmp_path / "store.sqlite3")
    assert result.exit_code == 2
    assert sentence in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1


@pytest.mark.dear
async def test_a_check_of_what_was_never_calibrated_is_refused(path):
    with pytest.raises(InputError, match=r"left insole \(v\): never calibrated; run plantigrade"):
        await Visit(path).calibrate(is_check=True)


async def test_one_insole_alone_is_not_calibrated(tmp_path):
    path = tmp_path / "store.sqlite3"
    settings = usual_pair()[0]
    with Store.open(path) as store:
        remember(store, KnownInsole(settings.serial, settings.foot, "v", settings.address, 270))
    with pytest.raises(InputError, match="no right insole is remembered: see plantigrade pair"):
        await Visit(path).calibrate()


@pytest.mark.parametrize(
    "text", ["", "gain:left", "gain:both:1", "dead:left:0", "gone", "full:1:2"]
)
def test_flaws_that_are_none(text):
    with pytest.raises(InputError, match="expected one of gain:FOOT:VALUE"):
        ScriptedFaults.parse((text,))


def test_every_pose_is_in_the_calibration():
    assert set(FITTING) == set(Pose)
