"""Which of the insoles that are near is chosen, and what is listed of them."""

import click
import pytest
from bleak.backends.device import BLEDevice

from plantigrade.block import Foot
from plantigrade_gateway.cli import insoles
from plantigrade_gateway.cli.insoles import _choose, _line, _serial
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.sources.bluetooth import Sighting
from plantigrade_gateway.wire.gatt import Announcement


def heard(serial: int, rssi: int, battery: int | None = 80) -> Sighting:
    address = f"C0:00:00:00:00:{serial:02X}"
    said = Announcement(Foot.LEFT, 270, battery, serial)
    return Sighting(said, address, "an insole", rssi, BLEDevice(address, None, None))


FAR, NEAR, NEXT = heard(0x0A, -90), heard(0x0B, -40), heard(0x0C, -60, None)


def test_one_that_is_near_alone_is_chosen():
    assert _choose("left", [], None) is None
    assert _choose("left", [FAR], None) is FAR


def test_one_is_chosen_by_its_number_however_far_it_is():
    assert _choose("left", [NEAR, FAR], 0x0A) is FAR
    with pytest.raises(InputError, match="left insole 0000000D: was not heard, see plantigrade s"):
        _choose("left", [NEAR, FAR], 0x0D)
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

    def reply(text: str) -> str:
        asked.append(text)
        return answer

    monkeypatch.setattr(insoles.sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(click.termui, "visible_prompt_func", reply)
    assert _choose("left", [FAR, NEAR, NEXT], None) is chosen
    assert len(asked) == 1
