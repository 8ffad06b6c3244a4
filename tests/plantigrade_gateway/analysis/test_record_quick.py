"""What a record's quality says in words, of records of a few packets each."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from tests.support.records import swing

from plantigrade.block import Foot, PairBlock
from plantigrade_gateway.analysis.record import RecordAnalysis, analyse_record
from plantigrade_gateway.analysis.strikes import StrikeLog
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.heard import Listening, Purpose, ToldStrike
from plantigrade_gateway.wire.codec import encode
from plantigrade_gateway.wire.messages import DataPacket, SampleFormat

US_TO_NS = 1000


def packets(
    n: int, insole: int, foot: Foot, zones: int = 18, period_us: int = 10_000, first: int = 0
) -> list[Entry]:
    """Packets of two frames each, one after the other."""
    counts = np.full((2, zones), 500, np.uint16)
    step_us = 2 * period_us
    return [
        Entry(
            k * step_us * US_TO_NS + insole,
            insole,
            Kind.NOTIFICATION,
            encode(
                DataPacket(
                    *(foot, SampleFormat.U16, k == 0, False, False, k % 65536, step_us * k),
                    *(period_us, counts),
                )
            ),
        )
        for k in range(first, first + n)
    ]


def notes(entries: Sequence[Entry]) -> tuple[str, ...]:
    ordered = sorted(entries, key=lambda entry: entry.arrival_ns)
    quality = analyse_record([Batch.of(ordered)], "x").quality
    assert quality is not None
    return quality.notes


LEFT_OUT = (
    "{} packets of insole {} were left out: the other insole says it is that foot, their zones "
    "are not those of the layout, or their samples are too far apart"
)


def test_packets_of_other_zones_and_of_a_foot_that_is_taken_are_told_with_their_number():
    both = packets(20, 0, Foot.LEFT) + packets(20, 1, Foot.RIGHT)
    assert not any("left out" in note for note in notes(both))
    few = packets(20, 0, Foot.LEFT) + packets(7, 1, Foot.RIGHT, zones=8)
    assert LEFT_OUT.format(7, 1) in notes(few)
    twice = packets(20, 0, Foot.LEFT) + packets(5, 1, Foot.LEFT)
    assert LEFT_OUT.format(5, 1) in notes(twice)
    assert "the right foot's insole was never heard" in notes(twice)


def test_another_rate_is_told_of_its_insole():
    entries = packets(40, 0, Foot.LEFT)
    later = packets(20, 0, Foot.LEFT, period_us=20_000, first=20)
    assert not any("rate" in note for note in notes(entries))
    assert "insole 0 changed its sample rate during the session" in notes(entries[:40] + later[10:])


def test_a_session_begins_at_its_first_entry_whatever_that_is():
    analysis = RecordAnalysis("x")
    assert analysis.now_s == 0.0 and analysis.rate_hz is None
    analysis.push(Batch.of([Entry(7_000_000_000, SESSION, Kind.MARK, b"first")]))
    assert analysis.now_s == 0.0
    analysis.push(Batch.of([Entry(9_500_000_000, SESSION, Kind.MARK, b"second")]))
    assert analysis.now_s == 2.5
    assert [(mark.t_s, mark.text) for mark in analysis.marks] == [(0.0, "first"), (2.5, "second")]


def test_what_was_decided_around_a_mark_is_given_whole():
    """The batch is cut at the mark; what its pieces came to is that of all of it."""
    both = sorted(
        [*packets(300, 0, Foot.LEFT), *packets(300, 1, Foot.RIGHT)], key=lambda e: e.arrival_ns
    )
    mark = Entry(both[300].arrival_ns, SESSION, Kind.MARK, b"windy")
    given = RecordAnalysis("x").push(Batch.of(both))
    cut = RecordAnalysis("x").push(Batch.of([*both[:300], mark, *both[300:]]))
    for blocks, expected in ((cut.rows, given.rows), (cut.net, given.net)):
        t_s = [t for block in blocks for t in block.t_s.tolist()]
        assert len(t_s) > 500
        assert t_s == [t for block in expected for t in block.t_s.tolist()]
    assert cut.events == given.events and cut.facts == given.facts


def test_a_strike_that_was_told_is_so_long_before_its_entry():
    """Its entry comes 1.25 s after it: 0.1 s after the lead peak at 41.2 s."""
    log, told = StrikeLog(), ToldStrike(1_250_000_000, 0.15, "mark")
    assert not log.wanted
    log.listen(None, 1.0)
    log.told(None, 1.0)
    assert not log.wanted
    log.told(told, 41.3 + 1.25)
    assert log.wanted
    one = replace(
        swing(0),
        address_s=37.0,
        start_s=40.0,
        shift_s=41.0,
        lead_peak_s=41.2,
        confirmed_s=41.4,
    )
    t_s = np.arange(3600, 4800) / 100.0
    loads = np.zeros((len(t_s), 8))
    loads[:, 2] = 375.0
    log.take([PairBlock(0, t_s, loads, loads)], [one])
    (strike,) = log.strikes([one], (), 750.0, 100.0, 0.0)
    assert (strike.state, strike.source, strike.error_s) == ("heard", "mark", 0.15)
    assert strike.t_s == pytest.approx(41.3, abs=1e-9)
    assert strike.lead_peak_s == pytest.approx(-0.1, abs=1e-9)
    assert strike.shift_s == pytest.approx(-0.3, abs=1e-9)
    assert strike.lead_share == pytest.approx(0.5)


def test_a_microphone_is_wanted_once_it_is_on():
    log = StrikeLog()
    log.listen(Listening(Purpose.STAMPS), 1.0)
    assert not log.wanted
    log.listen(Listening(Purpose.ON, 2.5, 0.3), 2.0)
    assert log.wanted
