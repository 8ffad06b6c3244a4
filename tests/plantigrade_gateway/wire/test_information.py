"""The profile's values: known answers in the code and in the firmware companion, and every refusal.

The vectors were made by the tables of `hardware_notes/gatt_profile.md` alone, with nothing of the
code under test.
"""

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.support.firmware import driver, toolchain
from tests.support.firmware_model import Config
from tests.support.vectors import by_name, read_vectors

from plantigrade.block import Foot
from plantigrade.calibrate import Calibration
from plantigrade.zones import REGIONS, eighteen
from plantigrade_gateway.errors import WireError
from plantigrade_gateway.wire.gatt import Announcement, Status, read_announcement, read_status
from plantigrade_gateway.wire.information import (
    EIGHTEEN,
    KPA_STEPS,
    PLACES,
    Information,
    ZoneTable,
    read_curve,
    read_information,
    write_curve,
)

__all__ = ["driver", "toolchain"]

ROOT = Path(__file__).resolve().parents[3]
BLOCKS = read_vectors(ROOT / "hardware_notes" / "profile_vectors.txt")
BY_NAME = {block["name"]: block for block in BLOCKS}
GOOD = [block for block in BLOCKS if "error" not in block]
BAD = [block for block in BLOCKS if "error" in block]


def of_kind(blocks: list[dict[str, str]], *kinds: str) -> list[dict[str, str]]:
    return [block for block in blocks if block["kind"] in kinds]


def number(block: dict[str, str], *names: str) -> list[int]:
    return [int(block[name]) for name in names]


def rows(text: str) -> list[list[int]]:
    return [[int(word) for word in row.split()] for row in text.split("/")]


def level(block: dict[str, str]) -> int | None:
    return None if block["battery"] == "255" else int(block["battery"])


def announcement_of(block: dict[str, str]) -> Announcement:
    return Announcement(
        Foot(block["foot"]), int(block["length_mm"]), level(block), int(block["serial"])
    )


def status_of(block: dict[str, str]) -> Status:
    streaming, charging, low = number(block, "streaming", "charging", "battery_low")
    counts = number(block, "resets", "packets_lost", "uptime_s")
    return Status(bool(streaming), bool(charging), bool(low), level(block), *counts)


def information_of(block: dict[str, str]) -> Information:
    zones, bits, layout = number(block, "zones", "bits", "layout")
    table = None
    if layout != EIGHTEEN:
        zone_rows = [(r, x, y, area) for r, x, y, area in rows(block["table"])]
        length_mm, width_mm = number(block, "length_mm", "width_mm")
        table = ZoneTable(length_mm, width_mm, tuple(zone_rows))
    rest = number(block, "hardware", "firmware", "calibration", "points")
    return Information(zones, bits, table, *rest)


def curve_of(block: dict[str, str], foot: Foot = Foot.LEFT) -> Calibration:
    (counts,), (zeros,) = rows(block["counts"]), rows(block["zeros"])
    pressure = np.array(rows(block["pressures"])) / 50.0
    bits = int(BY_NAME[block["of"]]["bits"])
    return Calibration(
        foot,
        np.array([0, *counts], dtype=np.float64),
        np.hstack((np.zeros((len(zeros), 1)), pressure)),
        np.array(zeros, dtype=np.float64),
        full_scale=2**bits - 1,
    )


def data_of(block: dict[str, str]) -> bytes:
    return bytes.fromhex(block["hex"])


# ---- the code of the gateway


@pytest.mark.parametrize("block", of_kind(GOOD, "service_data"), ids=by_name)
def test_service_data(block):
    assert announcement_of(block).encode() == data_of(block)
    assert read_announcement(data_of(block)) == announcement_of(block)


@pytest.mark.parametrize("block", of_kind(GOOD, "status"), ids=by_name)
def test_status(block):
    assert status_of(block).encode() == data_of(block)
    assert read_status(data_of(block)) == status_of(block)


@pytest.mark.parametrize("block", of_kind(BAD, "service_data", "status"), ids=by_name)
def test_wrong_service_data_and_statuses_are_not_taken(block):
    read = read_status if block["kind"] == "status" else read_announcement
    assert read(data_of(block)) is None


@pytest.mark.parametrize("block", of_kind(GOOD, "information"), ids=by_name)
def test_information(block):
    made = information_of(block)
    assert made.encode() == data_of(block)
    assert read_information(data_of(block)) == made
    layout = made.zone_layout()
    assert layout.n_zones == int(block["zones"])
    if made.table is not None:
        table = np.array(rows(block["table"]))
        assert layout.region.tolist() == table[:, 0].tolist()
        assert (layout.x * PLACES).tolist() == pytest.approx(table[:, 1].tolist())
        assert (layout.y * PLACES).tolist() == pytest.approx(table[:, 2].tolist())
        assert layout.area_mm2.tolist() == table[:, 3].tolist()
        assert (layout.length_mm, layout.width_mm) == (made.table.length_mm, made.table.width_mm)


@pytest.mark.parametrize("block", of_kind(BAD, "information"), ids=by_name)
def test_wrong_information_is_refused_with_its_reason(block):
    with pytest.raises(WireError) as caught:
        read_information(data_of(block))
    assert caught.value.reason == block["error"]


@pytest.mark.parametrize("block", of_kind(GOOD, "curve"), ids=by_name)
def test_stored_curve(block):
    expected, said = curve_of(block), information_of(BY_NAME[block["of"]])
    got = read_curve(data_of(block), said, Foot.LEFT)
    for name in ("knots", "pressure", "zero"):
        assert getattr(got, name).tolist() == getattr(expected, name).tolist()
    assert (got.full_scale, got.gain) == (expected.full_scale, 1.0)
    assert block["calibration"] in got.note or f"{int(block['calibration']):08X}" in got.note
    assert write_curve(int(block["calibration"]), expected) == data_of(block)


@pytest.mark.parametrize("block", of_kind(BAD, "curve"), ids=by_name)
def test_a_wrong_curve_is_refused_with_its_reason(block):
    with pytest.raises(WireError) as caught:
        read_curve(data_of(block), information_of(BY_NAME[block["of"]]), Foot.LEFT)
    assert caught.value.reason == block["error"]


@given(st.binary(max_size=600))
def test_any_bytes_are_read_or_refused(data):
    try:
        said = read_information(data)
    except WireError:
        return
    assert said.encode() == data


@given(st.binary(max_size=40))
def test_any_tail_of_the_usual_block_is_read_or_refused(tail):
    try:
        said = read_information(data_of(BY_NAME["information_usual"])[:2] + tail)
    except WireError:
        return
    assert said.encode()[2:] == tail


def test_the_built_in_layout_survives_as_a_table():
    """Its numbers are round ones: .36 of the width is 3600 of the block's parts."""
    made = dataclasses.replace(
        information_of(BY_NAME["information_usual"]), table=ZoneTable.of(eighteen())
    )
    back = read_information(made.encode()).zone_layout()
    for name in ("region", "x", "y", "area_mm2"):
        assert getattr(back, name).tolist() == getattr(eighteen(), name).tolist()


def test_every_kind_of_value_has_known_answers_and_refusals():
    kinds = {"service_data", "status", "information", "curve"}
    assert {block["kind"] for block in GOOD} == kinds == {block["kind"] for block in BAD}
    assert [name for name, n in {n: list(BY_NAME).count(n) for n in BY_NAME}.items() if n > 1] == []
    assert len(BY_NAME) == len(BLOCKS)


# ---- the firmware companion


def lines_of(block: dict[str, str], room: int) -> list[str]:
    match block["kind"]:
        case "service_data":
            foot, length_mm, battery, serial = (
                block[k] for k in ("foot", "length_mm", "battery", "serial")
            )
            config = Config(foot=Foot(foot), length_mm=int(length_mm), serial=int(serial))
            return [config.init, f"battery {battery} 0", "announcement"]
        case "status":
            streaming, charging, low, battery, resets, lost, uptime = (
                block[k]
                for k in (
                    *("streaming", "charging", "battery_low", "battery"),
                    *("resets", "packets_lost", "uptime_s"),
                )
            )
            begin = "control 0 011000" if streaming == "1" else "charging 0"
            script = [f"battery {battery} {low}", begin, f"charging {charging}", f"given_up {lost}"]
            return [Config().init, *script, f"status {resets} {uptime}"]
        case "information":
            names = ("zones", "bits", "layout", "hardware", "firmware", "calibration", "points")
            words = [str(n) for n in number(block, *names)]
            if "table" in block:
                words += [block["length_mm"], block["width_mm"], block["table"].replace("/", " ")]
            return [f"information {room} " + " ".join(words)]
        case _:
            words = [block[k] for k in ("calibration", "points", "zones", "counts", "zeros")]
            return [f"curve {room} {' '.join(words)} {block['pressures'].replace('/', ' ')}"]


@pytest.mark.dear
@pytest.mark.parametrize("block", GOOD, ids=by_name)
def test_the_companion_writes_the_known_answers(driver, block):
    data = data_of(block)
    assert driver(lines_of(block, 512))[-1] == data.hex()
    if block["kind"] in ("information", "curve"):  # into exactly as much room, and into less
        assert driver(lines_of(block, len(data))) == [data.hex()]
        assert driver(lines_of(block, len(data) - 1)) == ["-"]


@pytest.mark.dear
def test_the_companion_writes_no_information_that_the_gateway_would_refuse(driver):
    """Of the numbers it can tell by itself; where zones lie is the maker's business."""
    words = {
        "zones": "0 12 1 0 0 0 0",
        "bits 7": "18 7 1 0 0 0 0",
        "bits 17": "18 17 1 0 0 0 0",
        "built-in": "16 12 1 0 0 0 0",
        "no curve": "18 12 1 0 0 5 0",
        "no number": "18 12 1 0 0 0 7",
        "too long": "18 12 1 0 0 5 13",
    }
    assert driver([f"information 512 {text}" for text in words.values()]) == ["-"] * len(words)
    assert driver(["curve 512 1 0 1 0", "curve 512 1 1 0 5"]) == ["-", "-"]
    assert driver(["information 512 18 12 1 0 0 5 12"]) != ["-"]


@pytest.mark.dear
def test_the_companion_and_the_gateway_write_the_same_of_random_insoles(driver):
    rng = np.random.default_rng(13)
    for _ in range(40):
        zones = int(rng.integers(3, 65))
        regions = [0, 1, 2, *rng.integers(0, len(REGIONS), zones - 3).tolist()]
        table = ZoneTable(
            int(rng.integers(50, 501)),
            int(rng.integers(20, 251)),
            tuple(
                (r, int(rng.integers(PLACES + 1)), int(rng.integers(PLACES + 1)), int(area))
                for r, area in zip(regions, rng.integers(1, 65536, zones), strict=True)
            ),
        )
        made = Information(
            zones,
            int(rng.integers(8, 17)),
            table,
            hardware=int(rng.integers(65536)),
            firmware=int(rng.integers(65536)),
            calibration=int(rng.integers(1, 2**32)),
            knots=1,
        )
        block = {
            "kind": "information",
            "zones": str(zones),
            "bits": str(made.bits),
            "layout": "0",
            "hardware": str(made.hardware),
            "firmware": str(made.firmware),
            "calibration": str(made.calibration),
            "points": "1",
            "length_mm": str(table.length_mm),
            "width_mm": str(table.width_mm),
            "table": " ".join(str(n) for row in table.zones for n in row),
        }
        assert driver(lines_of(block, 512)) == [made.encode().hex()]


def test_pressures_go_up_to_more_than_any_foot_presses():
    """16 bits of 1/50 kPa, over the default curve's 800 kPa."""
    assert 65535 / KPA_STEPS > 800.0
