"""The status of a gateway: whose file it is, how fresh, and what people read of it."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.store.status import (
    NO_INSOLE,
    FootStatus,
    Latency,
    ServiceStatus,
    StatusFile,
    interval_said,
    lines,
    path_for,
    read,
    read_all,
    write,
)

LEFT = FootStatus(
    name="PG-0042",
    state="streaming",
    battery_percent=81,
    rssi_dbm=-58,
    links=2,
    packets=990,
    lost_packets=10,
    insole_dropped=0,
    silent_s=0.04,
    drift_ppm=-12.34,
    clock_error_s=0.0031,
    clock_locked=True,
    firmware="firmware 1.2",
    interval_ms=15.0,
)


def status(**changes) -> ServiceStatus:
    now = datetime.now(UTC)
    return replace(ServiceStatus(now, True, "s1", {"left": LEFT}, (3.21, 12.96)), **changes)


def test_what_people_read():
    assert lines(status()) == [
        "left (PG-0042): streaming, data 0.0 s ago",
        "battery 81 %, signal -58 dBm when last heard; connected 2 times; 990 packets, 1.00 % lost",
        "clock drift -12.3 ppm, times within 3 ms",
        interval_said(15.0),
        "firmware 1.2",
        "from arrival to result: 3.2 ms (median), 13.0 ms (99 %)",
    ]


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"has_log": False}, "no log: what it samples out of reach is lost"),
        ({}, "its log owes nothing"),
        ({"catching_up_s": 0.9, "late_s": 0.04, "not_logged_s": 0.04}, "its log owes nothing"),
        ({"catching_up_s": 1.1}, "catching up 1 s from its log"),
        ({"late_s": 12.34}, "its log owes nothing; 12.3 s came late"),
        (
            {"catching_up_s": 62.0, "late_s": 0.06, "not_logged_s": 2.34},
            "catching up 62 s from its log; 0.1 s came late; 2.3 s were not in it and are lost",
        ),
    ],
)
def test_what_an_insole_s_log_owes_and_has_not_is_read_after_its_firmware(more, said):
    told = lines(status(feet={"left": replace(LEFT, **{"has_log": True, **more})}))
    assert told[-2:] == [said, "from arrival to result: 3.2 ms (median), 13.0 ms (99 %)"]
    assert len(told) == len(lines(status())) + 1  # of which nothing is known, nothing is said


def test_the_share_that_is_lost_is_of_all_that_was_sent():
    """10 of 990 + 10."""
    assert LEFT.lost_share == 0.01
    assert NO_INSOLE.lost_share is None


def test_what_is_not_known_is_said_to_be_so():
    assert lines(status(feet={"right": NO_INSOLE}, latency_ms=None)) == [
        "right (): no insole",
        "battery –, signal – when last heard; connected 0 times; 0 packets",
        "clock drift –, times within –, not settled yet",
    ]


def test_a_connection_interval_says_what_a_packet_waits():
    """Half of it on average, all of it at most; an insole asks for 15 ms (`gatt_profile.md` §5)."""
    assert interval_said(15.0) == (
        "connection interval 15.00 ms: a packet waits 8 ms on average and up to 15 ms for the radio"
    )
    assert interval_said(30.0).endswith(
        "15 ms on average and up to 30 ms for the radio, 8 ms more on average than at 15 ms"
    )
    assert "more on average" not in interval_said(7.5)


def test_latency_is_told_by_its_middle_and_its_hundredth():
    """Of 1 to 101 ms the median is 51 ms and the 99th percentile 100 ms."""
    found = Latency()
    assert found.summary() is None
    now_ns = 10_000_000_000
    found.note([now_ns - k * 1_000_000 for k in range(1, 102)], now_ns)
    assert found.summary() == (51.0, 100.0)
    found.note([now_ns - 5_004_000] * 1_899, now_ns)
    found.note([now_ns - 5_004_000] * 101, now_ns)  # 2,000 are kept: the first are gone
    assert found.summary() == (5.0, 5.0)
    odd = Latency()
    odd.note([now_ns - 1_234_567], now_ns)
    assert odd.summary() == (1.23, 1.23)


def test_a_status_is_live_for_five_seconds_while_its_service_runs():
    now = datetime.now(UTC)
    assert status().is_live
    assert not status(running=False).is_live
    assert not status(written=now - timedelta(seconds=5.1)).is_live
    assert status(written=now + timedelta(seconds=4)).is_live
    assert not status(written=now + timedelta(hours=1)).is_live, "the clock was set back since"


@pytest.mark.parametrize(
    "written",
    ["2026-03-02T09:00:00", "9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00+14:00"],
)
def test_a_time_that_cannot_be_told_from_now_is_refused(tmp_path: Path, written):
    path = path_for(tmp_path / "store.sqlite3")
    write(path, status())
    table = json.loads(path.read_text())
    path.write_text(json.dumps({**table, "written": written}))
    with pytest.raises(InputError, match="not a status of this version"):
        read(path)


def test_it_lies_beside_the_store_and_comes_back(tmp_path: Path):
    path = path_for(tmp_path / "store.sqlite3")
    assert path == tmp_path / "store.sqlite3-status.json"
    assert read(path) is None
    made = status()
    write(path, made)
    assert read(path) == made
    path.write_text(json.dumps({"running": 1}))
    with pytest.raises(InputError, match="not a status of this version"):
        read(path)
    write(tmp_path / "no folder" / "status.json", made)  # a disk that refuses costs nothing


@pytest.mark.parametrize("yields", [False, True])
def test_one_that_replays_leaves_the_file_to_one_with_insoles(tmp_path: Path, yields):
    store = tmp_path / "store"
    path = path_for(store)
    mine = StatusFile(store, yields=yields)
    mine.end()
    assert read(path) is None  # it said nothing
    first = status(session_id="mine")
    mine.put(first)
    assert read(path) == first
    second = replace(first, written=first.written + timedelta(milliseconds=1))
    mine.put(second)
    assert read(path) == second
    other = status(session_id="other", written=second.written + timedelta(milliseconds=1))
    write(path, other)
    mine.put(replace(second, session_id="mine again"))
    mine.end()
    kept = read(path)
    assert kept is not None
    assert (kept.session_id, kept.running) == (("other", True) if yields else ("mine again", False))


def test_a_status_of_a_program_that_has_ended_gives_way(tmp_path: Path):
    store = tmp_path / "store"
    write(path_for(store), status(session_id="other", running=False))
    mine = StatusFile(store, yields=True)
    mine.put(status(session_id="mine"))
    found = read(path_for(store))
    assert found is not None and found.session_id == "mine"
    path_for(store).write_text("{")
    mine.put(status(session_id="over what nobody can read"))
    found = read(path_for(store))
    assert found is not None and found.session_id == "over what nobody can read"


def test_each_pair_has_a_file_and_all_are_read_the_usual_one_first(tmp_path: Path):
    store = tmp_path / "store[1].sqlite3"  # no pattern to look for
    for pair in ("B", "", "A"):
        posted = StatusFile(store, yields=False, pair=pair)
        posted.put(status(pair=pair, session_id=f"of {pair}"))
    other = tmp_path / "store1.sqlite3"
    StatusFile(other, yields=False, pair="C").put(status(pair="C"))
    assert [(one.pair, one.session_id) for one in read_all(store)] == [
        ("", "of "),
        ("A", "of A"),
        ("B", "of B"),
    ]
    assert [one.pair for one in read_all(other)] == ["C"]
    assert read_all(tmp_path / "none.sqlite3") == []
    assert path_for(store, "Tee-1") == path_for(store, "tee-1")  # they are one pair
