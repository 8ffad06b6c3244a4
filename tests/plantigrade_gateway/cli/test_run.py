"""What `run` and `simulate` make of their options: what is begun with them, and who plays in it."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from plantigrade.block import Foot
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.session import runner
from plantigrade_gateway.session.insoles import InsoleJob
from plantigrade_gateway.session.stage import RunOptions
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.virtual import process
from plantigrade_gateway.virtual.process import Fault, Simulation
from plantigrade_gateway.virtual.style import PlayerStyle

Run = Callable[..., Result]


class Begun:
    """What was begun, instead of it."""

    job: InsoleJob
    options: RunOptions
    for_s: float | None
    simulation: Simulation


@pytest.fixture
def begun(monkeypatch) -> Begun:
    made = Begun()

    async def run(job: Any, options: Any, out: Any, stop: Any, for_s: Any) -> None:
        made.job, made.options, made.for_s = job, options, for_s

    async def run_until_stopped(simulation: Simulation, ready: Any) -> None:
        made.simulation = simulation
        ready([f"tcp-client:127.0.0.1:{k + 1}" for k in range(simulation.pairs)])

    monkeypatch.setattr(runner, "run", run)
    monkeypatch.setattr(process, "run_until_stopped", run_until_stopped)
    return made


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A store with a left-handed player of 66 kg."""
    path = tmp_path / "s.sqlite3"
    with Store.open(path) as opened, Register(opened) as register:
        register.add(name="Mira (invented)", handedness="left", mass_kg=66.0)
    return path


@pytest.fixture
def run(store: Path) -> Run:
    def made(*words: str, code: int = 0) -> Result:
        result = CliRunner().invoke(main, [*words, "--store", str(store)])
        assert result.exit_code == code, result.output
        return result

    return made


def test_a_run_without_options_is_of_the_remembered_pair_with_sound_and_a_page(begun, run, store):
    run("run")
    insoles, settings = begun.job._options, begun.job._settings
    assert (insoles.simulation, insoles.radio, insoles.pair, insoles.place) == (
        *(None, None, ""),
        None,
    )
    # the insoles' own rate, two frames for live work (wire_format.md §3)
    assert (insoles.stream.period_us, insoles.stream.frames) == (None, 2)
    assert (settings.handed, settings.mass_kg) == ("right", None)
    options = begun.options
    assert options.sound and options.wav is None and options.sound_device is None
    assert options.store == store and options.player_id is None and options.ear is None
    assert options.page is not None and options.page.pair == "" and options.part is None
    assert begun.for_s is None


def test_a_run_takes_what_is_said_of_it(begun, run, tmp_path):
    run(
        *("run", "--player", "Mira", "--rate", "200", "--frames", "4", "--no-sound", "--for", "90"),
        *("--radio", "hci1", "--pair", "blue", "--microphone", "2.5", "--no-page"),
        *("--wav", str(tmp_path / "a.wav"), "--sound-device", "Headset"),
    )
    insoles, options = begun.job._options, begun.options
    assert (insoles.stream.period_us, insoles.stream.frames) == (5000, 4)  # 1 / 200 Hz
    assert (insoles.radio, insoles.pair, options.pair) == ("hci1", "blue", "blue")
    assert (begun.job._settings.handed, begun.job._settings.mass_kg) == ("left", 66.0)
    assert not options.sound and options.page is None and begun.for_s == 90.0
    assert options.wav == tmp_path / "a.wav" and options.sound_device == "Headset"
    assert options.ear is not None and options.ear.distance_m == 2.5
    assert options.player_id is not None


def test_what_is_said_of_the_day_stands_before_what_is_registered(begun, run):
    run("run", "--player", "Mira", "--mass", "70", "--handed", "right")
    assert (begun.job._settings.handed, begun.job._settings.mass_kg) == ("right", 70.0)


def test_a_virtual_run_has_a_player_who_swings_as_the_settings_say(begun, run):
    run("run", "--virtual")
    assert begun.job._options.simulation == Simulation(handed=("right",))
    run(
        *("run", "--virtual", "--seed", "5", "--style", "holds", "--log", "--player", "Mira"),
        *("--fault", "3:left:stall:2", "--fault", "4:right:restart"),
    )
    faults = (Fault(3.0, Foot.LEFT, "stall", 2.0), Fault(4.0, Foot.RIGHT, "restart", 5.0))
    assert begun.job._options.simulation == Simulation(
        seed=5, style=PlayerStyle.HOLDS, log=True, handed=("left",), faults=faults
    )


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--fault", "3:left:stall"), "--fault: happens to virtual insoles only, add --virtual"),
        (("--seed", "0"), "--seed: makes a virtual player, add --virtual"),
        (("--style", "skips"), "--style: makes a virtual player, add --virtual"),
        (("--log",), "--log: makes a virtual player, add --virtual"),
        (("--virtual", "--radio", "hci0"), "--virtual starts its own radio: leave --radio out"),
        (("--virtual", "--fault", "soon"), "fault 'soon': expected SECONDS:FOOT:KIND"),
        (("--for", "0"), "--for: is 0 s, expected more than 0"),
        (("--for", "-1"), "--for: is -1 s, expected more than 0"),
        (("--rate", "15"), "--rate"),
        (("--frames", "9"), "--frames"),
        (("--microphone", "31"), "--microphone"),
        (("--player", "Nobody"), "Nobody"),
    ],
)
def test_what_cannot_be_run_is_one_sentence_and_nothing_is_begun(begun, run, words, said):
    assert said in run("run", *words, code=2).stderr
    assert not hasattr(begun, "job")


def test_a_player_of_no_store_is_nobody_and_no_store_is_asked_for(begun, tmp_path):
    """A session is being begun: "record a session first" would lead in a circle."""
    store = tmp_path / "none.sqlite3"
    done = CliRunner().invoke(main, ["run", "--player", "Mira", "--store", str(store)])
    assert done.exit_code == 2 and "player 'Mira': is not registered" in done.stderr
    assert not store.exists()


def test_a_shortest_run_is_more_than_no_time(begun, run):
    run("run", "--for", "0.5")
    assert begun.for_s == 0.5


def test_a_pair_of_several_is_told_its_place_and_its_page(begun, run):
    part = {"usual_port": 8123, "place": 1, "silent": "It is pair A's.", "live_fd": None}
    run("run", "--pair", "B", "--part", json.dumps(part))
    assert begun.job._options.place == 1
    assert begun.options.page is not None
    assert (begun.options.page.usual, begun.options.page.pair) == (8123, "B")
    assert begun.options.part is not None and begun.options.part.order.silent == "It is pair A's."


def test_virtual_insoles_are_on_the_air_as_they_are_told_and_say_how_to_use_them(begun, run):
    told = run("simulate").stdout.splitlines()
    assert begun.simulation == Simulation()
    assert told[0].startswith("Virtual insoles of an invented player are on the air")
    assert [line.strip() for line in told[1:]] == [
        f"plantigrade {command} --radio tcp-client:127.0.0.1:1"
        for command in ("scan", "pair", "run")
    ]
    words = "--rate 50 --frames 3 --loss 0.02 --delay 0.03 --retry 0.1 --drift 5 -6 --battery 40 "
    words += "--speed 2 --seed 9 --style early --log --calibrates --companion --pairs 3 "
    words += "--port 12345 --fault 1:left:hangup"
    told = run("simulate", *words.split()).stdout.splitlines()
    assert begun.simulation == Simulation(
        rate_hz=50.0,
        frames=3,
        loss=0.02,
        interval_s=0.03,
        retry=0.1,
        drift_ppm=(5.0, -6.0),
        battery_percent=40.0,
        speed=2.0,
        seed=9,
        style=PlayerStyle.EARLY,
        faults=(Fault(1.0, Foot.LEFT, "hangup", 5.0),),
        port=12345,
        calibrates=True,
        companion=True,
        log=True,
        pairs=3,
    )
    assert len(told) == 1 + 3 * 3
