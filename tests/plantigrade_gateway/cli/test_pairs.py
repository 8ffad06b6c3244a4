"""What `plantigrade run` says of several pairs: which values are whose, and what is refused."""

from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from plantigrade.block import Foot
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.cli.pairs import _silent, alone, hands_of, values_of
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.session import several
from plantigrade_gateway.session.several import PairOrder
from plantigrade_gateway.store.insoles import remember
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.gatt import KnownInsole

AB = ("A", "B")


@pytest.fixture
def path(tmp_path):
    """A store with a pair A, a left insole of a pair B, and a player."""
    made = tmp_path / "store.sqlite3"
    with Store.open(made) as store, Register(store) as register:
        for serial, foot, pair in ((1, "left", "A"), (2, "right", "A"), (3, "left", "B")):
            address = f"C0:00:00:00:00:0{serial}"
            remember(store, KnownInsole(serial, Foot(foot), f"no {serial}", address, 270), pair)
        register.add(name="Mira (invented)", handedness="right", mass_kg=66.0)
    return made


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--pair", "A", "--pair", "C"], "pair C: no insole of it is remembered"),
        (["--pair", "C"], "pair C: no insole of it is remembered"),
        ([], "no insole is remembered: put the insoles near"),
        (["--pair", "A", "--pair", "a"], "one pair is named twice"),
        (["--pair", "A B"], "pair 'A B': expected up to 16 letters"),
        ([f"--pair={k}" for k in range(5)], "5 pairs, expected up to 4"),
        (["--pair", "A", "--pair", "B", "--player", "Mira"], "--player Mira: which pair's?"),
        (["--pair", "A", "--pair", "B", "--player", "A=Nobody"], "Nobody"),
        (
            ["--pair", "A", "--pair", "B", "--player", "A=Mira", "--player", "b=Mira"],
            "--player Mira: plays with pair A already",
        ),
        (["--player", "Mira", "--player", "Mira"], "--player: is given twice"),
        (["--pair", "A", "--pair", "B", "--mass", "80"], "--mass: is one player's"),
        (["--pair", "A", "--pair", "B", "--handed", "left"], "--handed: is one player's"),
        (["--pair", "A", "--pair", "B", "--microphone", "2"], "--microphone: is one player's"),
        (
            ["--pair", "A", "--pair", "B", "--wav", "A=no/x.wav"],
            "--wav no/x.wav: there is no folder",
        ),
        (["--wav", "no/x.wav"], "--wav no/x.wav: there is no folder"),
        (["--virtual", "--pair", "A", "--pair", "B", "--radio", "A=hci1"], "leave --radio out"),
        (["--pair", "A", "--pair", "B", "--seed", "2"], "--seed: makes a virtual player"),
    ],
)
def test_what_cannot_be_run_is_one_sentence(path, options, said):
    result = CliRunner().invoke(main, ["run", *options, "--no-page", "--store", str(path)])
    assert result.exit_code == 2
    assert said in result.output
    assert "Traceback" not in result.output


def test_a_value_is_a_pairs_by_the_name_before_it():
    assert values_of(AB, "--radio", ["a=hci1", "B=tcp:1=2"]) == {"A": "hci1", "B": "tcp:1=2"}
    assert values_of(("A",), "--player", ["Mira"]) == {"A": "Mira"}
    assert values_of(("A",), "--player", ["A=Mira"]) == {"A": "Mira"}
    assert values_of((), "--player", ["A=Mira"]) == {"": "A=Mira"}  # there is no pair: a name
    assert values_of(AB, "--wav", []) == {}
    with pytest.raises(InputError, match="C=x: which pair's"):
        values_of(AB, "--wav", ["C=x"])
    with pytest.raises(InputError, match="given twice for pair A"):
        values_of(AB, "--wav", ["A=x", "a=y"])


@pytest.mark.dear
def test_each_pairs_virtual_player_swings_as_its_session_is_read(path):
    """A session is read by its player's handedness, without a player as right-handed."""
    with Store.open(path) as store, Register(store) as register:
        register.add(name="Jonah (invented)", handedness="left", mass_kg=81.0)
    pairs = ("A", "B", "C")
    assert hands_of(path, pairs, {"A": "Jonah", "B": "Mira"}) == ("left", "right", "right")
    assert hands_of(path, pairs, {"C": "Jonah"}) == ("right", "right", "left")


def test_one_pair_is_given_its_values_as_ever(tmp_path):
    given = {"player": ("Mira",), "sound_device": (), "wav": (f"{tmp_path}/x.wav",), "radio": ()}
    found = alone((), {**given, "mass": 80.0})
    assert found == {
        "player": "Mira",
        "sound_device": None,
        "wav": tmp_path / "x.wav",
        "radio": None,
        "mass": 80.0,
    }


@pytest.mark.parametrize(
    ("devices", "wavs", "sound", "silent"),
    [
        ({}, {}, True, {"B"}),  # the first has the usual one
        ({"B": "Headset"}, {}, True, {"A"}),  # which may be the usual one
        ({"A": "x", "B": "x"}, {}, True, set()),  # asked for
        ({}, {"B": "b.wav"}, True, set()),
        ({}, {"A": "a.wav"}, True, {"B"}),
        ({}, {}, False, set()),  # nobody is to be heard
    ],
)
def test_two_pairs_are_never_mixed_unasked(devices, wavs, sound, silent):
    assert set(_silent(AB, {"sound_device": devices, "wav": wavs}, sound)) == silent


def test_status_shows_whose_insoles_they_are(path):
    shown = CliRunner().invoke(main, ["status", "--store", str(path)])
    assert "Remembered, pair A: left insole (no 1), 00000001, 270 mm" in shown.output
    assert "Remembered, pair B: left insole (no 3), 00000003, 270 mm" in shown.output


def test_forgetting_is_of_one_pair(path):
    forget = ["pair", "--forget", "left", "--store", str(path)]
    refused = CliRunner().invoke(main, forget)
    assert refused.exit_code == 2 and "left insole: none is remembered" in refused.output
    assert CliRunner().invoke(main, [*forget, "--pair", "b"]).exit_code == 0
    shown = CliRunner().invoke(main, ["status", "--store", str(path)])
    assert "pair A: left" in shown.output and "pair B" not in shown.output


# ---- what each pair's program is asked for


class Asked:
    """What several pairs were run with."""

    orders: tuple[PairOrder, ...] = ()
    simulation: Any = None
    store: Any = None


@pytest.fixture
def asked(monkeypatch) -> Asked:
    made = Asked()

    async def run_several(
        orders: Any, store: Any, config: Any, simulation: Any, out: Any, stop: Any
    ) -> None:
        made.orders, made.simulation, made.store = tuple(orders), simulation, store.path

    monkeypatch.setattr(several, "run_several", run_several)
    return made


def ran(path: Path, *options: str) -> None:
    pairs = ["--pair", "A", "--pair", "B"]
    result = CliRunner().invoke(main, ["run", *pairs, *options, "--store", str(path)])
    assert result.exit_code == 0, result.output


def of(order: PairOrder, option: str) -> list[str]:
    """The values of an option among a pair's arguments."""
    words = order.arguments
    return [words[k + 1] for k, word in enumerate(words) if word == option]


def test_each_pair_s_program_is_given_its_own_values_and_what_is_everybody_s(path, asked, tmp_path):
    wav = f"b={tmp_path}/b.wav"
    own = ["--player", "A=Mira", "--wav", wav, "--radio", "A=tcp-client:127.0.0.1:1"]
    ran(path, *own, "--rate", "200", "--frames", "4", "--drill", "push", "--no-sound")
    first, second = asked.orders
    assert (first.name, second.name) == ("A", "B") and asked.simulation is None
    assert Path(asked.store) == path
    for order in asked.orders:
        assert of(order, "--pair") == [order.name]
        assert of(order, "--store") == [str(path)]
        assert of(order, "--rate") == ["200.0"] and of(order, "--frames") == ["4"]
        assert of(order, "--drill") == ["push"] and "--no-sound" in order.arguments
        # what was not given is each program's own to choose
        assert not {"--for", "--seed", "--mass", "--virtual"} & set(order.arguments)
        assert order.part.silent is None  # nobody is to be heard
    assert of(first, "--player") == ["Mira"] and of(second, "--player") == []
    assert of(first, "--radio") == ["tcp-client:127.0.0.1:1"] and of(second, "--radio") == []
    assert of(first, "--wav") == [] and of(second, "--wav") == [f"{tmp_path}/b.wav"]


def test_pages_are_one_port_apart_where_one_is_named_or_usual(path, asked):
    ran(path, "--port", "9000")
    assert [of(order, "--port") for order in asked.orders] == [["9000"], ["9001"]]
    assert [order.part.usual_port for order in asked.orders] == [0, 0]
    ran(path)
    assert [of(order, "--port") for order in asked.orders] == [[], []]
    first, second = (order.part.usual_port for order in asked.orders)
    assert first > 0 and second == first + 1
    ran(path, "--port", "0")  # any free one
    assert [of(order, "--port") for order in asked.orders] == [[], []] or [
        of(order, "--port") for order in asked.orders
    ] == [["0"], ["0"]]


def test_the_second_pair_is_silent_and_told_why(path, asked):
    ran(path)
    first, second = asked.orders
    assert first.part.silent is None
    assert second.part.silent == (
        "No sound device is pair B's: name one with --sound-device B=DEVICE, or let its live page "
        "play the sound."
    )


def test_virtual_pairs_need_no_insoles_and_have_one_simulation(asked, tmp_path):
    path = tmp_path / "new.sqlite3"
    ran(path, "--virtual", "--seed", "4", "--style", "skips")
    assert (asked.simulation.pairs, asked.simulation.seed) == (2, 4)
    assert asked.simulation.style == "skips"
    for order in asked.orders:  # the simulation is begun once, for all
        assert not {"--virtual", "--seed", "--style"} & set(order.arguments)
