"""The firmware's application on a make-believe board, whose time is its own.

What must come is said by `gatt_profile.md` (its sections are named) and by `plantigrade_app.h`.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import pytest
from tests.plantigrade_gateway.wire.test_codec import ANSWERS
from tests.support.firmware import APPLICATION, BOARD, SANITIZED, build, run, toolchain
from tests.support.vectors import by_name

from plantigrade_gateway.record.entries import Batch, Entry, Kind
from plantigrade_gateway.wire.codec import MessageKind, decode, encode
from plantigrade_gateway.wire.decoder import Decoder
from plantigrade_gateway.wire.gatt import Status, read_announcement, read_status
from plantigrade_gateway.wire.messages import (
    Ack,
    AckStatus,
    Clock,
    DataPacket,
    Frames,
    Identify,
    Identity,
    Message,
    Rate,
    Start,
    Stop,
    Time,
)
from plantigrade_gateway.wire.stream import StreamEvent, StreamEventKind

pytestmark = pytest.mark.dear

__all__ = ["toolchain"]

DATA, POINT, STATUS, BATTERY, LOG = range(5)
FAULT, WOKEN = range(2)
CHARGED_S, HOUR_MS = 16, 3_600_000
MARK = 0x5047_0000


@dataclass(frozen=True)
class Line:
    ms: int
    what: str
    said: str

    @property
    def data(self) -> bytes:
        return bytes.fromhex(self.said.split()[-1])


@dataclass(frozen=True)
class Told:
    """What the application had the board do."""

    lines: list[Line]

    def of(self, *kinds: str) -> list[Line]:
        return [line for line in self.lines if line.what in kinds]

    def when(self, what: str) -> list[tuple[int, str]]:
        return [(line.ms, line.said) for line in self.of(what)]

    def packets(self) -> list[DataPacket]:
        return [p for line in self.of("data") if isinstance(p := decode(line.data), DataPacket)]

    def statuses(self) -> list[tuple[int, Status]]:
        return [(line.ms, s) for line in self.of("status") if (s := read_status(line.data))]

    def resets(self) -> list[int]:
        """What the status says of resets, at each beginning and where it was asked for."""
        read = [read_status(line.data) for line in self.of("begin", "value")]
        return [status.resets for status in read if status is not None]

    def facts(self) -> tuple[list[StreamEvent], Decoder]:
        rows = [Entry(x.ms * 1_000_000, 0, Kind.NOTIFICATION, x.data) for x in self.of("data")]
        batch = Batch.of(rows)
        decoder = Decoder(0)
        out = decoder.feed(batch.arrival_ns, batch.length, batch.payload)
        return [x for x in out if isinstance(x, StreamEvent)], decoder


Board = Callable[[list[str]], Told]


def played(program: Path, script: list[str]) -> Told:
    """Have a board live through a script."""
    lines = run(program, text="\n".join([*script, ""])).splitlines()
    parts = [line.split(" ", 2) for line in lines]
    return Told([Line(int(p[0]), p[1], p[2] if len(p) > 2 else "") for p in parts])


@pytest.fixture(scope="module")
def board(toolchain, tmp_path_factory) -> Board:
    folder = tmp_path_factory.mktemp("board")
    program = build(folder, "board", *SANITIZED, BOARD, sources=APPLICATION)
    return partial(played, program)


def write(at_ms: int, message: Message | bytes) -> str:
    data = message if isinstance(message, bytes) else encode(message)
    return f"{at_ms} write {data.hex() or '-'}"


def link(at_ms: int, interval: int = 12, mtu: int = 247) -> list[str]:
    """A host connects and subscribes to all."""
    script = [f"{at_ms} connect {interval}", f"{at_ms + 1} mtu {mtu}"]
    return script + [f"{at_ms + 2} subscribe {c} 1" for c in (POINT, STATUS, BATTERY, DATA)]


BEGIN = ["0 reset 0"]
STREAM = [*BEGIN, *link(10), write(20, Start(1))]
"""It streams from 20 ms on, and samples every 10 ms."""


def test_a_session_as_a_host_sees_it(board):
    """Requests, rates, a full link, a lost one, and the charger; the clock wraps meanwhile."""
    script = ["0 clock 4293918720", *BEGIN, *link(5, mtu=23)]
    script += [write(10, Identify(7, 3)), "12 mtu 247", write(30, Start(8))]
    script += [write(1000, Rate(9, 5000)), "1200 battery 15 3900", "1400 battery 16 3900"]
    script += [write(1500, Frames(10, 4)), write(1700, Time(14)), "2000 room 0"]
    script += ["2500 room 100000", "3000 drop", *link(3200), write(3300, Start(11))]
    script += [write(4000, Frames(12, 99)), "4500 charger 1", write(4600, Start(13))]
    told = board([*script, "5000 nothing"])
    answers = [(line.ms, decode(line.data)) for line in told.of("answer")]
    assert [
        (at, type(m), m.token) for at, m in answers if isinstance(m, Ack | Identity | Clock)
    ] == [
        (10, Identity, 7),
        (30, Ack, 8),
        (1000, Ack, 9),
        (1500, Ack, 10),
        (1700, Clock, 14),
        (3300, Ack, 11),
        (4000, Ack, 12),
        (4600, Ack, 13),
    ]
    assert [m.status.name for _, m in answers if isinstance(m, Ack)] == [
        *["DONE"] * 4,
        "VALUE_NOT_POSSIBLE",
        "NOT_NOW",
    ]
    # The clock of the write's arrival, 0.3 ms before the loop's turn; it began at 0xFFF00000.
    clocks = [m.clock_us for _, m in answers if isinstance(m, Clock)]
    assert clocks == [(4_293_918_720 + 1_700_000) % (1 << 32)]
    assert told.when("show") == [(10, "3")]
    facts, _ = told.facts()
    assert [f.kind for f in facts] == [
        StreamEventKind.RATE,
        StreamEventKind.CLOCK_WRAP,
        StreamEventKind.BATTERY,  # low at 15 %, and still at 16 %
        StreamEventKind.SAMPLES_DROPPED,
        StreamEventKind.START,
    ]
    # 500 ms at 200 Hz, less eight packets of four frames, and a packet's worth either way.
    assert facts[3].frames == pytest.approx(100 - 32, abs=4)
    assert [line.said for line in told.of("cells")] == ["0", "1", "0", "1", "0"]


@pytest.mark.parametrize("block", ANSWERS, ids=by_name)
def test_known_writes_get_the_known_answers(board, block):
    """Through the application: what came in by a callback is answered by the loop's turn."""
    script = ["0 battery 87 3900", f"0 charger {block.get('charging', '0')}", *BEGIN, *link(5)]
    if block.get("subscribed") == "0":
        script.append("8 subscribe 0 0")
    at_ms = 16_909  # and 60 µs: the vectors' clock reads 16 909 060 µs
    script[0:0] = ["0 clock 60"]
    told = board([*script, write(at_ms, bytes.fromhex(block["hex"])), f"{at_ms + 100} nothing"])
    assert "".join(line.said for line in told.of("answer")) == block["answer"].replace(" ", "")


def test_requests_in_a_row_are_answered_one_indication_at_a_time(board):
    """A confirmation takes 15 ms here; four requests wait, a fifth is not heard."""
    script = [*BEGIN, *link(5)] + [write(100, Time(k)) for k in range(6)]
    told = board([*script, "300 nothing"])
    said = [(line.ms, decode(line.data)) for line in told.of("answer")]
    assert [(at, m.token) for at, m in said if isinstance(m, Clock)] == [
        (101, 0),
        (116, 1),
        (131, 2),
        (146, 3),
    ]


def test_a_write_without_a_subscription_to_the_control_point_is_an_error(board):
    """§1: its only error."""
    script = [
        *BEGIN,
        "5 connect 12",
        "5 mtu 247",
        "6 subscribe 0 1",
        write(7, Start(1)),
        "8 subscribe 1 1",
    ]
    told = board([*script, write(9, Start(2)), "100 nothing"])
    assert told.when("refused") == [(7, "fd")]
    assert [decode(line.data) for line in told.of("answer")] == [
        Ack(2, MessageKind.START, AckStatus.DONE)
    ]


def test_a_start_without_a_subscription_to_data_is_not_now(board):
    """Wire format §4; and the subscription's end ends the stream."""
    script = [*BEGIN, "5 connect 12", "6 mtu 247", "7 subscribe 1 1", write(20, Start(1))]
    script += ["50 subscribe 0 1", write(60, Start(2)), "200 subscribe 0 0", "400 nothing"]
    told = board(script)
    answers = [decode(line.data) for line in told.of("answer")]
    assert [a.status for a in answers if isinstance(a, Ack)] == [AckStatus.NOT_NOW, AckStatus.DONE]
    assert 60 < told.of("data")[0].ms < 100 and 170 < told.of("data")[-1].ms <= 200
    assert told.when("cells") == [(0, "0"), (60, "1"), (200, "0")]


# ---- never from a callback


def test_a_turn_from_the_stack_s_callback_sends_nothing_twice(board):
    """The worked example of the firmware's README, broken on purpose."""
    told = board([*STREAM, "21 calls_back 1", "2000 nothing"])
    facts, decoder = told.facts()
    assert facts == []
    assert [p.counter for p in told.packets()] == list(range(len(told.packets())))
    assert decoder.counts.facts[StreamEventKind.REPEAT] == 0
    assert len(told.packets()) > 90


def test_pumping_packets_from_the_callback_would_repeat_them(toolchain, tmp_path):
    """The same mistake without the application: the packet is done only after notify returned."""
    source = tmp_path / "pump.c"
    source.write_text(
        '#include <stdio.h>\n#include "plantigrade_insole.h"\n'
        "static pg_insole insole;\nstatic unsigned int depth, sent;\n"
        "static const pg_config CONFIG = {.zones = 1u, .frames = 1u, .period_us = 10000u};\n"
        "static void pump(void);\n"
        "static void notify(const uint8_t *bytes)\n"
        "{ (void)bytes; sent++; if (depth < 9u) { depth++; pump(); depth--; } }\n"
        "static void pump(void)\n"
        "{ size_t n; const uint8_t *p = pg_packet(&insole, &n);\n"
        "  while (p != NULL)\n"
        "  { notify(p); pg_packet_done(&insole); p = pg_packet(&insole, &n); } }\n"
        "int main(void)\n{ const uint16_t counts[1] = {7u}; (void)pg_init(&insole, &CONFIG);\n"
        "  pg_start(&insole); (void)pg_push_frame(&insole, 0u, counts); pump();\n"
        '  printf("%u\\n", sent); return 0; }\n'
    )
    program = build(tmp_path, "pump", source)
    assert run(program) == "10\n"  # one packet, ten times: once for each level of the recursion


# ---- finding it, status, battery


def test_it_advertises_fast_at_first_and_slowly_after_half_a_minute(board):
    """§2: 100 ms for 30 s, then 417.5 ms, in units of 625 µs; the level is in the service data."""
    told = board([*BEGIN, "60000 battery 86 3900", "90000 nothing"])
    said = [(line.ms, *line.said.split()) for line in told.of("advertise")]
    assert [(at, interval) for at, interval, _ in said] == [
        (0, "160"),
        (32_000, "668"),
        (60_000, "668"),
    ]
    levels = []
    for *_, data in said:
        announced = read_announcement(bytes.fromhex(data))
        assert announced is not None and announced.serial == 1 and announced.length_mm == 270
        levels.append(announced.battery_percent)
    assert levels == [87, 87, 86]


def test_after_a_lost_link_it_advertises_at_once_and_fast(board):
    """§4.6, and where a link came and went between two turns."""
    told = board([*STREAM, "40000 drop", "90000 nothing"])
    assert [(x.ms, x.said.split()[0]) for x in told.of("advertise")] == [
        (0, "160"),
        (40_000, "160"),
        (72_000, "668"),
    ]
    told = board([*BEGIN, "5000 connect 12", "5000 drop", "6000 nothing"])
    assert [(x.ms, x.said.split()[0]) for x in told.of("advertise")] == [(0, "160"), (5000, "160")]


def test_a_lost_link_leaves_nothing_for_the_next_host(board):
    """Answers, packets and subscriptions end with it (wire format §3, rule 6)."""
    script = [*STREAM, "100 room 0", write(200, Time(9)), "200 drop", "201 room 1000"]
    told = board([*script, *link(300), write(400, Start(2)), "600 nothing"])
    late = [
        p
        for line in told.of("data")
        if line.ms > 200 and isinstance(p := decode(line.data), DataPacket)
    ]
    assert (late[0].counter, late[0].first, late[0].dropped) == (0, True, False)
    assert [m.token for x in told.of("answer") if isinstance(m := decode(x.data), Ack | Clock)] == [
        1,
        2,
    ]
    told = board([*STREAM, "200 drop", "300 connect 12", write(310, Start(2)), "400 nothing"])
    assert told.when("refused") == [(310, "fd")]


def test_status_is_told_when_it_changes_and_every_ten_seconds(board):
    """§3; and the level by the Battery Service."""
    script = [*STREAM, "12000 battery 80 3900", "25000 battery 10 3900", write(32_000, Stop(2))]
    told = board([*script, "33000 charger 1", "60000 nothing"])
    said = told.statuses()
    assert [(s.streaming, s.charging, s.battery_low) for _, s in said] == [
        (True, False, False),
        (True, False, False),
        (True, False, False),
        (True, False, True),
        (False, False, True),
        (False, True, True),
    ]
    assert [at // 1000 for at, _ in said] == [0, 10, 20, 25, 32, 33]
    assert [s.battery_percent for _, s in said] == [87, 87, 80, 10, 10, 10]
    assert [(line.ms // 1000, line.data[0]) for line in told.of("battery")] == [(12, 80), (25, 10)]
    assert [s.uptime_s for _, s in said] == [0, 10, 20, 25, 32, 33]


def test_what_the_stack_has_no_room_for_is_told_later(board):
    told = board(
        [
            *BEGIN,
            *link(10),
            "15 room 0",
            "16 battery 80 3900",
            "500 charger 1",
            "900 room 9",
            "2500 nothing",
        ]
    )
    assert [s.charging for _, s in told.statuses()] == [True]
    assert [line.data for line in told.of("battery")] == [bytes([80])]


# ---- the connection's interval


@pytest.mark.parametrize(
    ("events", "asked"),
    [
        # §5: units of 1.25 ms; the timeout 2 s in units of 10 ms
        (["1500 interval 12"], [(1030, "12 12 0 200")]),
        (["1500 refuse", "1700 interval 36"], [(1030, "12 12 0 200"), (1500, "24 36 0 200")]),
        ([], [(1030, "12 12 0 200"), (6030, "24 36 0 200")]),
        (["1500 refuse", "1700 refuse"], [(1030, "12 12 0 200"), (1500, "24 36 0 200")]),
    ],
)
def test_it_asks_for_15_ms_then_for_30_to_45_then_not_again(board, events, asked):
    script = [*BEGIN, *link(10, interval=40), write(20, Start(1)), *events]
    told = board([*script, "20000 nothing"])
    said = [(line.ms, line.said) for line in told.of("ask")]
    assert [what for _, what in said] == [what for _, what in asked]
    for (at, _), (expected, _) in zip(said, asked, strict=True):
        assert expected - 10 <= at <= expected + 20


def test_it_does_not_ask_for_what_it_has(board):
    assert not board([*STREAM, "9000 nothing"]).of("ask")


def test_after_a_stop_it_asks_for_a_slow_link_and_after_a_start_for_a_fast_one(board):
    script = [*STREAM, write(3000, Stop(2)), "4500 interval 96", write(9000, Start(3))]
    told = board([*script, "10500 interval 12", "20000 nothing"])
    assert [(at // 1000, what) for at, what in told.when("ask")] == [
        (4, "72 96 0 200"),
        (10, "12 12 0 200"),
    ]


def test_after_two_refusals_it_asks_again_only_on_another_link(board):
    script = [*BEGIN, *link(10, interval=40), write(20, Start(1)), "2000 refuse", "2500 refuse"]
    script += [write(4000, Stop(2)), write(6000, Start(3))]
    told = board(
        [*script, "9000 drop", *link(9100, interval=40), write(9200, Start(4)), "12000 nothing"]
    )
    assert [at // 1000 for at, _ in told.when("ask")] == [1, 2, 10]


# ---- resets, watchdog, supply


def kept(resets: int) -> str:
    return f"0 kept {MARK | (~resets & 0xFF) << 8 | resets}"


def test_resets_are_counted_since_the_last_charge(board):
    """§3: since the last charge, stays at 255. Memory of a first power-up is no count."""
    script = [*BEGIN, "100 reset 0", "200 reset 0", "300 charger 1", "310 status", "400 charger 0"]
    assert board([*script, "500 reset 0", "600 reset 1"]).resets() == [0, 1, 2, 0, 1, 1]
    assert board([kept(254), *BEGIN, "1 reset 0", "2 reset 0"]).resets() == [255, 255, 255]
    assert board([f"0 kept {MARK | 0x0707}", *BEGIN]).resets() == [0]
    assert board(["0 kept 4294967295", *BEGIN]).resets() == [0]


def test_the_watchdog_bites_where_sampling_hangs_and_it_is_a_reset(board):
    """A loop that turns while no sample comes is not well; the board's dog waits 16 s."""
    told = board([*STREAM, "5000 ticks 0", "30000 status", "30000 nothing"])
    ((bitten, _),) = told.when("bite")
    assert 5 + 16 <= bitten / 1000 <= 5 + 16 + 3
    assert told.resets() == [0, 1, 1]


def test_the_watchdog_does_not_bite_what_is_well(board):
    """Streaming, idle, asleep, and held by a weak supply."""
    script = ["0 sleep_after 60", *STREAM, *(f"{5000 + 500 * k} failing" for k in range(40))]
    told = board([*script, "40000 drop", f"{HOUR_MS} nothing"])
    assert not told.of("bite")
    assert told.of("asleep")


def test_a_weak_supply_costs_a_second_of_samples_and_says_so(board):
    """100 samples at 100 Hz, to within the packet's two and the tick's one."""
    told = board([*STREAM, "5000 failing", "5300 nothing", "9000 nothing"])
    cells = told.when("cells")
    assert [on for _, on in cells] == ["0", "1", "0", "1"]
    assert cells[2][0] == pytest.approx(5000, abs=10)
    assert cells[3][0] == pytest.approx(6000, abs=20)
    facts, decoder = told.facts()
    assert [f.kind for f in facts] == [StreamEventKind.SAMPLES_DROPPED]
    assert facts[0].frames == pytest.approx(100, abs=3)
    assert decoder.counts.lost_packets == 0


def test_an_empty_cell_ends_it_before_it_is_hurt(board):
    """Under 3000 mV for 10 s: hang up, be quiet, all off; what only sags, or charges, goes on."""
    told = board([*STREAM, "5000 battery 3 2900", "60000 nothing"])
    assert [x.what for x in told.lines if x.what in ("hang_up", "quiet", "off")] == [
        *("hang_up", "quiet", "off")
    ]
    off = told.of("off")[0].ms
    assert 14_000 <= off <= 16_100
    assert told.when("cells")[-1] == (off, "0")
    assert all(line.ms <= off for line in told.lines)
    assert not board([*STREAM, "5000 battery 3 2900", "12000 battery 3 3100", "60000 nothing"]).of(
        "off"
    )
    assert not board([*BEGIN, "5000 charger 1", "5001 battery 0 2500", "60000 nothing"]).of("off")
    assert not board([*STREAM, "5000 battery 3 0", "60000 nothing"]).of("off")  # unknown


# ---- sleep, ship mode, idle budget


def test_it_sleeps_when_nobody_comes_and_wakes_when_stepped_on(board):
    told = board(["0 sleep_after 600", *BEGIN, "1000000 wake", "1100000 nothing"])
    assert [(x.ms // 1000, x.what) for x in told.lines if x.what in ("quiet", "asleep")] == [
        (600, "quiet"),
        (600, "asleep"),
    ]
    assert [(x.ms // 1000, x.said.split()[0]) for x in told.of("advertise")] == [
        (0, "160"),
        (32, "668"),
        (1000, "160"),
        (1032, "668"),
    ]
    charged = board(["0 sleep_after 60", *BEGIN, "70000 charger 1", "140000 nothing"])
    assert [x.said.split()[0] for x in charged.of("advertise")][2:] == ["160", "668"]
    assert not board(["0 sleep_after 60", *STREAM, "140000 nothing"]).of("asleep")


def test_ship_mode_is_left_by_the_charger_only(board):
    told = board(
        [*STREAM, "1000 ship", "2000 wake", "2000 connect 12", "60000 reset 1", "61000 nothing"]
    )
    off = [x.ms for x in told.of("off")]
    assert off == [1000]
    assert not [x for x in told.lines if 1000 < x.ms < 60_000]
    assert told.resets() == [0, 0]
    assert told.of("advertise")[-1].ms == 60_000
    assert not board([*BEGIN, "500 charger 1", "1000 ship", "9000 nothing"]).of("off")


@pytest.mark.parametrize("sleep_after_s", [0, 60])
def test_idle_it_stays_within_its_budget(board, sleep_after_s):
    """README: eight turns a minute when nothing happens, cells and amplifiers off throughout."""
    hours = 3
    told = board([f"0 sleep_after {sleep_after_s}", *BEGIN, f"{hours * HOUR_MS} turns"])
    (turns,) = told.of("turns")
    assert int(turns.said) <= 8 * 60 * hours
    assert [line.said for line in told.of("cells")] == ["0"]
    assert not re.findall("ask|data|status", " ".join(line.what for line in told.lines))
