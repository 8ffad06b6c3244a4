"""Missing samples and gaps: one count, from the times of the samples that are there."""

from dataclasses import replace
from itertools import groupby, pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plantigrade.block import Foot
from plantigrade.calibrate import default_calibration
from plantigrade.synth import Performance, Player, SensorModel, SessionPlan, Stand, perform
from plantigrade.zones import eighteen
from plantigrade_gateway.analysis.quality import FootQuality, SampleTally
from plantigrade_gateway.analysis.record import analyse_record
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.record.tables import Intent, SetStart
from plantigrade_gateway.virtual.recorded import RadioChannel, RecordedInsole, merged

START_NS = 5_000_000_000


def holes(gone: list[bool]) -> list[int]:
    """Return how long each stretch without samples is."""
    return [len(list(run)) for missing, run in groupby(gone) if missing]


@given(
    st.lists(st.tuples(st.booleans(), st.integers(1, 9)), min_size=1, max_size=12),
    st.lists(st.integers(0, 100), max_size=6),
    st.floats(-0.3, 0.3),
)
@settings(deadline=None, max_examples=100)
def test_samples_are_counted_whatever_the_cutting(runs, cuts, jitter):
    """At 100 Hz up to four missing samples, 40 ms, are bridged: missing, but no gap."""
    gone = [False, *(missing for missing, n in runs for _ in range(n)), False]
    at = np.flatnonzero(~np.array(gone))
    t_s = (at + jitter * (at % 2)) / 100.0
    tally = SampleTally()
    tally.begin(100.0, 0.04)
    edges = sorted({0, len(t_s), *(cut % (len(t_s) + 1) for cut in cuts)})
    for start, stop in pairwise(edges):
        tally.push(t_s[start:stop])
    tally.end(0.0, (len(gone) - 1) / 100.0)
    found, expected = tally.gaps(), holes(gone)
    assert (tally.samples, tally.missing) == (len(at), sum(expected))
    long = [n for n in expected if n > 4]
    assert found.count == len(long)
    assert found.total_s == pytest.approx(0.01 * sum(long))
    assert found.longest_s == pytest.approx(0.01 * max(long, default=0))
    due = len(gone)
    assert tally.missing_share(-1.0, 0.01 * due) == pytest.approx(sum(expected) / (due + 100))


def test_a_foot_that_comes_late_goes_early_or_never_comes_is_missing():
    late, never, near = SampleTally(), SampleTally(), SampleTally()
    for tally in (late, never, near):
        tally.begin(100.0, 0.04)
    late.push(np.arange(100, 301) / 100.0)
    near.push(np.arange(3, 398) / 100.0)
    for tally in (late, never, near):
        tally.end(0.0, 4.0)
    assert (late.samples, late.missing, late.gaps().count) == (201, 200, 2)
    assert (never.samples, never.missing, never.gaps().count) == (0, 401, 1)
    # it begins and stops between two of its packets: nothing of it is missing
    assert (near.samples, near.missing, near.gaps().count) == (395, 0, 0)


def test_a_stretch_that_begins_later_lacks_no_more_than_its_own_rows():
    """From 50 to 54 s at 100 Hz there are 401 rows; from 52 to 53 s there are 101 of these."""
    never, half = SampleTally(), SampleTally()
    never.begin(100.0, 0.04)
    never.end(50.0, 54.0)
    assert never.missing == 401
    assert never.gaps().total_s == pytest.approx(4.01)
    half.begin(100.0, 0.04)
    half.push(np.arange(5200, 5301) / 100.0)
    half.end(50.0, 54.0)
    assert (half.samples, half.missing, half.gaps().count) == (101, 300, 2)
    assert half.gaps().longest_s == pytest.approx(2.0)
    half.leave_out(54.0, 54.01)  # the next row: nothing lies between
    assert half.missing == 300
    half.leave_out(54.01, 54.03)
    assert (half.missing, half.gaps().count) == (301, 2)
    assert half.missing_share(51.0, 51.5) == 1.0
    assert half.missing_share(52.2, 52.7) == 0.0


def test_samples_older_than_the_rows_given_out_are_missing():
    tally = SampleTally()
    tally.begin(100.0, 0.04)
    tally.push(np.arange(0, 51) / 100.0)
    tally.not_before(2.0)
    tally.push(np.arange(51, 301) / 100.0)
    tally.end(0.0, 3.0)
    assert (tally.samples, tally.missing) == (151, 150)
    assert tally.gaps().total_s == pytest.approx(1.5)


def test_what_lies_between_two_stretches_is_missing():
    tally = SampleTally()
    tally.begin(100.0, 0.04)
    tally.push(np.arange(0, 101) / 100.0)
    tally.end(0.0, 1.0)
    tally.begin(50.0, 0.04)
    tally.leave_out(1.0, 3.0)
    tally.push(3.0 + np.arange(0, 51) / 50.0)
    tally.end(3.0, 4.0)
    assert (tally.samples, tally.missing) == (152, 99)
    assert tally.gaps().longest_s == pytest.approx(1.98)


def test_what_is_missing_between_two_times():
    tally = SampleTally()
    tally.begin(100.0, 0.04)
    tally.push(np.concatenate([np.arange(0, 201), np.arange(400, 1001)]) / 100.0)
    tally.end(0.0, 10.0)
    assert tally.missing_share(0.0, 2.0) == 0.0
    assert tally.missing_share(4.0, 10.0) == 0.0
    # 199 samples of 2 s are missing from 2 to 4 s
    assert tally.missing_share(0.0, 10.0) == pytest.approx(0.199)
    assert tally.missing_share(3.0, 5.0) == pytest.approx(0.4975)
    assert tally.missing_share(2.5, 3.5) == pytest.approx(0.995)


STANDING = perform(Player(mass_kg=80.0), SessionPlan((Stand(12.0),)), 200.0, seed=3)


def recorded(
    performance: Performance, left: RecordedInsole, stalled_s: tuple[float, float] = (0.0, 0.0)
) -> FootQuality:
    """Return what a record says of its left foot, whose link may stall and then bring all."""
    right = insole(Foot.RIGHT)
    begins = Entry(START_NS, SESSION, Kind.SETTINGS, SessionSettings(mass_kg=80.0).to_json())
    sent = [
        tuple(
            one.entries(
                one.read(performance, SensorModel(), 1), float(performance.t_s[-1]), START_NS, 1
            )
        )
        for one in (left, right)
    ]
    from_ns, to_ns = (START_NS + round(1e9 * t) for t in stalled_s)
    late = [replace(e, arrival_ns=to_ns) if from_ns <= e.arrival_ns < to_ns else e for e in sent[0]]
    found = analyse_record([Batch.of(merged([begins], late, sent[1]))], "x")
    assert found.quality is not None
    return found.quality.left


def test_a_set_says_how_many_of_its_samples_are_missing():
    """The left insole is away from 5 to 8 s: of neither a set before nor one after."""
    made = [insole(Foot.LEFT, (5.0,), 3.0), insole(Foot.RIGHT)]
    entries = [Entry(START_NS, SESSION, Kind.SETTINGS, SessionSettings(mass_kg=80.0).to_json())]
    for k, (from_s, to_s) in enumerate(((1.0, 4.0), (4.5, 8.5), (9.0, 11.0))):
        begun = SetStart(f"{k:032x}", Intent.FULL, None).to_json()
        entries.append(Entry(START_NS + round(from_s * 1e9), SESSION, Kind.SET, begun))
        entries.append(Entry(START_NS + round(to_s * 1e9), SESSION, Kind.SET_END, begun))
    sent = [
        tuple(
            one.entries(one.read(STANDING, SensorModel(), 1), float(STANDING.t_s[-1]), START_NS, 1)
        )
        for one in made
    ]
    found = analyse_record([Batch.of(merged(entries, *sent))], "x")
    shares = [one.missing_share for one in found.sets]
    assert shares[0] == shares[2] == 0.0
    assert shares[1] == pytest.approx(3.0 / 4.0, abs=0.03)
    assert [span.missing_share for span in found.spans] == shares


def insole(foot: Foot, resets_s: tuple[float, ...] = (), away_s: float = 2.0) -> RecordedInsole:
    steady = RadioChannel(retry=0.0, stall_every_s=0.0)
    number = [Foot.LEFT, Foot.RIGHT].index(foot)
    return RecordedInsole(
        foot,
        number,
        default_calibration(eighteen(), foot),
        link=steady,
        resets_s=resets_s,
        reset_away_s=away_s,
    )


@pytest.mark.dear
@pytest.mark.parametrize("away_s", [0.6, 1.6, 3.0])
def test_an_insole_that_begins_again_has_no_gap_beside_0_missing(away_s):
    """By its counter it lost nothing: the counter began again as well."""
    whole = recorded(STANDING, insole(Foot.LEFT))
    assert (whole.missing_samples, whole.gaps.count) == (0, 0)
    found = recorded(STANDING, insole(Foot.LEFT, (5.0,), away_s))
    assert found.link is not None
    assert (found.link.lost_packets, found.link.restarts) == (0, 1)
    assert found.gaps.count == 1
    assert found.missing_samples == pytest.approx(100 * away_s, abs=5)
    assert found.gaps.total_s == pytest.approx(found.missing_samples / 100)
    assert found.samples + found.missing_samples == pytest.approx(whole.samples, abs=2)


def test_samples_that_come_after_their_rows_were_given_out_are_missing():
    """A link stalls for 2.5 s, then brings everything: nothing is lost, and rows went without."""
    found = recorded(STANDING, insole(Foot.LEFT), (4.0, 6.5))
    assert found.link is not None and found.link.lost_packets == 0
    assert found.gaps.count == 1
    # away from 1 s on, all rows of the time are given out when the other foot's come
    assert found.missing_samples == pytest.approx(250, abs=10)
    assert found.gaps.total_s == pytest.approx(found.missing_samples / 100)


def test_people_read_both_from_the_same_count():
    found = recorded(STANDING, insole(Foot.LEFT, (5.0,), 1.6))
    missing, seconds = found.missing_samples, found.missing_samples / 100
    assert found.missing_text == f"{missing} of {found.samples + missing}"
    assert found.gaps.text == f"1, {seconds:.2f} s, longest {seconds:.2f} s"
    assert recorded(STANDING, insole(Foot.LEFT)).gaps.text == "none"
