"""Which of the insoles that are near is chosen, and what is listed of them."""

import contextlib
import json
import sys
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import click
import pytest
from bleak.backends.device import BLEDevice
from click.testing import CliRunner, Result

from plantigrade.block import Foot
from plantigrade_gateway.cli.insoles import _choose, _line, _serial
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.sources.bluetooth import Sighting
from plantigrade_gateway.sources.meeting import Met
from plantigrade_gateway.store import status as linkstatus
from plantigrade_gateway.wire.gatt import Announcement


def heard(serial: int, rssi: int, battery: int | None = 80, foot: Foot = Foot.LEFT) -> Sighting:
    address = f"C0:00:00:00:00:{serial:02X}"
    said = Announcement(foot, 270, battery, serial)
    return Sighting(said, address, "an insole", rssi, BLEDevice(address, None, None))


FAR, NEAR, NEXT = heard(0x0A, -90), heard(0x0B, -40), heard(0x0C, -60, None)
RIGHT = heard(0x1A, -50, foot=Foot.RIGHT)


def test_one_that_is_near_alone_is_chosen():
    assert _choose("left", [], None) is None
    assert _choose("left", [FAR], None) is FAR


def test_one_is_chosen_by_its_number_however_far_it_is():
    assert _choose("left", [NEAR, FAR], 0x0A) is FAR
    with pytest.raises(InputError, match="left insole 0000000D: was not heard, see plantigrade s"):
        _choose("left", [NEAR, FAR], 0x0D)
    with pytest.raises(InputError, match=r"--left 0000001A: is a right insole; name it by --right"):
        _choose("left", [NEAR, RIGHT], 0x1A)
    assert _serial("0000000D") == 13
    with pytest.raises(InputError, match="serial number 'blue': expected hexadecimal digits"):
        _serial("blue")


def test_where_nobody_can_be_asked_several_are_refused_and_listed_by_their_strength(capsys):
    with pytest.raises(InputError, match="3 left insoles are near: choose one with --left SERIAL"):
        _choose("left", [FAR, NEAR, NEXT], None)
    assert capsys.readouterr().out.splitlines() == [
        "1  left  0000000B  270 mm, battery 80 %, -40 dBm, C0:00:00:00:00:0B",
        "2  left  0000000C  270 mm, battery –, -60 dBm, C0:00:00:00:00:0C",
        "3  left  0000000A  270 mm, battery 80 %, -90 dBm, C0:00:00:00:00:0A",
    ]
    assert _line(FAR).startswith("left  0000000A")


@pytest.mark.parametrize(("answer", "chosen"), [("", NEAR), ("1", NEAR), ("2", NEXT), ("3", FAR)])
def test_of_several_the_strongest_is_offered_first(answer, chosen, monkeypatch):
    asked: list[str] = []

    def reply(text: str) -> object:
        asked.append(text)
        return answer

    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(click.termui, "visible_prompt_func", reply)
    assert _choose("left", [FAR, NEAR, NEXT], None) is chosen
    assert len(asked) == 1


# ---- the commands, with a radio that hears what is said here


class Radio:
    """What is heard, and whom `pair` met."""

    def __init__(self) -> None:
        self.heard: list[Sighting] = []
        self.met: list[tuple[int, bool]] = []

    async def scan(self, _: object, seconds: float) -> list[Sighting]:
        assert seconds == 1.0
        return self.heard

    async def meet(self, sighting: Sighting, _: object, bond: bool = False) -> Met:
        self.met.append((sighting.announcement.serial, bond))
        return Met(firmware=0x0100)


@pytest.fixture
def radio(monkeypatch: pytest.MonkeyPatch) -> Radio:
    made = Radio()

    @contextlib.asynccontextmanager
    async def opened(_: str | None) -> AsyncIterator[None]:
        yield

    monkeypatch.setattr("plantigrade_gateway.session.insoles.opened_radio", opened)
    monkeypatch.setattr("plantigrade_gateway.sources.bluetooth.scan", made.scan)
    monkeypatch.setattr("plantigrade_gateway.sources.meeting.meet", made.meet)
    return made


@pytest.fixture
def run(tmp_path: Path) -> Callable[..., Result]:
    def made(*words: str, code: int = 0) -> Result:
        store = ["--store", str(tmp_path / "s.sqlite3")]
        if words[0] != "status":
            store += ["--seconds", "1"]
        result = CliRunner().invoke(main, [*words, *store], env={"COLUMNS": "200"})
        assert result.exit_code == code, result.output
        return result

    return made


def test_a_pair_is_remembered_and_known_again_in_a_scan(radio, run):
    radio.heard = [NEAR, RIGHT]
    assert run("pair", "--left-name", " blue ").stdout.splitlines() == [
        "Remembered: left insole (blue), 0000000B, 270 mm.",
        "Remembered: right insole (0000001A), 0000001A, 270 mm.",
    ]
    assert radio.met == [(0x0B, False), (0x1A, False)]
    radio.heard = [FAR, NEAR]
    assert [line.endswith(", remembered") for line in run("scan").stdout.splitlines()] == [
        False,
        True,
    ]
    table = json.loads(run("scan", "--json").stdout)
    assert table["schema"] == 1
    rows = table["insoles"]
    assert [(row["serial"], row["remembered"]) for row in rows] == [
        ("0000000A", False),
        ("0000000B", True),
    ]


def test_a_scan_that_hears_nothing_changes_nothing_and_says_what_to_do(radio, run, tmp_path):
    assert run("scan").stdout.startswith("No insole was heard: charge them")
    assert list(tmp_path.iterdir()) == []
    assert "no insole was heard: charge them" in run("pair", code=2).stderr


def test_insoles_that_are_named_for_the_wrong_foot_are_refused_as_what_they_are(radio, run):
    """They were heard: to say that they were not would send people to look for a fault."""
    radio.heard = [NEAR, RIGHT]
    refused = run("pair", "--left", "0000001A", "--right", "0000000B", code=2).stderr
    assert refused == "Error: --left 0000001A: is a right insole; name it by --right\n"
    refused = run("pair", "--right", "0000000B", code=2).stderr
    assert refused == "Error: --right 0000000B: is a left insole; name it by --left\n"
    assert radio.met == []


def test_the_foot_that_was_not_heard_is_named_where_both_were_wanted(radio, run):
    radio.heard = [NEAR]
    assert run("pair").stdout.splitlines()[-1] == "No right insole was heard."
    assert run("pair", "--left", "0000000B", "--bond").stdout.splitlines() == [
        "Remembered: left insole (0000000B), 0000000B, 270 mm."
    ]
    assert radio.met == [(0x0B, False), (0x0B, True)]


def test_an_insole_of_another_pair_is_taken_by_its_number_alone(radio, run):
    radio.heard = [NEAR, RIGHT]
    assert "Remembered for pair A: left insole" in run("pair", "--pair", "A").stdout
    refused = run("pair", "--pair", "B", code=2).stderr
    assert "those of other pairs are chosen by --left and --right alone" in refused
    run("pair", "--pair", "a")  # its own, by whatever case
    assert "for pair B: left" in run("pair", "--pair", "B", "--left", "0000000B").stdout


# ---- the command status


def status_of(run: Callable[..., Result]) -> list[str]:
    return run("status").stdout.splitlines()


def test_the_status_tells_each_pair_s_insoles_and_its_gateway_as_it_is_or_was(radio, run, tmp_path):
    radio.heard = [NEAR, replace(RIGHT, announcement=Announcement(Foot.RIGHT, 260, 80, 0x1A))]
    run("pair", "--left-name", "blue")
    radio.heard = [NEXT]
    run("pair", "--pair", "B")
    store, was = tmp_path / "s.sqlite3", datetime(2026, 3, 12, 9, 30, tzinfo=UTC)
    foot = {"left": linkstatus.NO_INSOLE}
    ended = linkstatus.ServiceStatus(was, False, None, foot, None)
    now = replace(ended, written=datetime.now(UTC), running=True, pair="B", page="http://x/")
    for one in (ended, now):
        linkstatus.write(linkstatus.path_for(store, one.pair), one)
    lines = status_of(run)
    assert lines[:2] == [
        "Remembered: left insole (blue), 0000000B, 270 mm, firmware 1.0; never calibrated.",
        "Remembered: right insole (0000001A), 0000001A, 260 mm, firmware 1.0; never calibrated.",
    ]
    assert "270 mm" in lines[2] and "260 mm" in lines[2]
    assert lines[3].startswith("Remembered, pair B: left insole (0000000C), 0000000C, 270 mm, f")
    local = was.astimezone().strftime("%Y-%m-%d %H:%M:%S %z")
    assert f"The gateway is not running. As it was on {local}:" in lines
    at = lines.index("Pair B is running, page http://x/:")
    assert lines[at + 1].startswith("  left (): no insole")
    table = json.loads(run("status", "--json").stdout)
    assert (table["running"], table["status"]["running"]) == (True, False)
    assert [(one["pair"], one["is_live"]) for one in table["pairs"]] == [("B", True)]
    assert [(row["serial"], row["pair"]) for row in table["insoles"]] == [
        ("0000000B", ""),
        ("0000001A", ""),
        ("0000000C", "B"),
    ]
    assert (table["forward"], table["hub"]) == (None, None)


def test_a_forgotten_insole_is_said_to_be(radio, run):
    radio.heard = [NEAR, RIGHT]
    run("pair")
    lacks = "No left insole is remembered: see plantigrade pair."
    assert lacks not in run("status").stdout
    assert run("pair", "--forget", "left").stdout == "The left insole is forgotten.\n"
    assert lacks in run("status").stdout
    assert status_of(run)[0].startswith("Remembered: right insole")
