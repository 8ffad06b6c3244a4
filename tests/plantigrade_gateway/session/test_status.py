"""The status of a session under way, of links and packets made by hand."""

from types import SimpleNamespace
from typing import Any

from plantigrade.block import Foot
from plantigrade_gateway.session.status import measure
from plantigrade_gateway.store.status import Latency
from plantigrade_gateway.wire.stream import Counts

NOW_NS = 50_000_000_000


def pipeline(**changes: Any) -> Any:
    clock = SimpleNamespace(drift_ppm=12.345, error_s=0.00316, locked=True)
    given = {
        "counts": lambda: {1: Counts(packets=90, lost_packets=10)},
        "clocks": lambda: {1: clock},
        "feet": lambda: {0: None, 1: Foot.RIGHT},
    }
    return SimpleNamespace(**(given | changes))


def link(foot: Foot, last_ns: int | None) -> Any:
    return SimpleNamespace(
        insole=SimpleNamespace(foot=foot, name=f"PG {foot}"),
        state="streaming",
        battery_percent=80,
        rssi=-60,
        reconnection=SimpleNamespace(links=3),
        dropped=7,
        last_ns=last_ns,
        calibration="calibrated",
        firmware="1.2",
        interval_ms=15.0,
        has_log=True,
        catching_up_s=2.04,
        late_s=1.26,
        not_logged_s=0.0,
    )


def test_links_tell_their_own_and_their_packets():
    links: Any = {Foot.LEFT: link(Foot.LEFT, None), Foot.RIGHT: link(Foot.RIGHT, 48_766_000_000)}
    latency = Latency()
    latency.note([NOW_NS - 4_000_000], NOW_NS)
    found = measure(links, pipeline(), "s1", latency, NOW_NS)
    assert (found.running, found.session_id, found.latency_ms) == (True, "s1", (4.0, 4.0))
    left, right = found.feet["left"], found.feet["right"]
    assert (left.name, left.state, left.battery_percent) == ("PG left", "streaming", 80)
    assert (left.rssi_dbm, left.links, left.insole_dropped) == (-60, 3, 7)
    assert (left.silent_s, right.silent_s) == (None, 1.23)
    assert (left.catching_up_s, left.late_s) == (2.0, 1.3)
    # the left insole is number 0 of the record: nothing came of it
    assert (left.packets, left.lost_packets, left.drift_ppm) == (0, 0, None)
    assert (left.clock_error_s, left.clock_locked) == (None, False)
    assert (right.packets, right.lost_packets) == (90, 10)
    assert (right.drift_ppm, right.clock_error_s, right.clock_locked) == (12.3, 0.0032, True)
    assert (right.calibration, right.firmware, right.interval_ms) == ("calibrated", "1.2", 15.0)


def test_without_links_a_recording_s_packets_tell():
    found = measure({}, pipeline(), None, Latency(), NOW_NS)
    (right,) = found.feet.values()
    assert list(found.feet) == ["right"] and found.latency_ms is None
    assert (right.name, right.state, right.links) == ("recording", "replayed", 1)
    assert (right.packets, right.insole_dropped, right.silent_s) == (90, 0, None)
    assert measure({}, None, None, Latency(), NOW_NS).feet == {}
    links: Any = {Foot.RIGHT: link(Foot.RIGHT, NOW_NS)}
    alone = measure(links, None, None, Latency(), NOW_NS).feet["right"]
    assert (alone.packets, alone.drift_ppm, alone.silent_s) == (0, None, 0.0)
