"""Strikes of a session: entries, rows and swings joined; the truth is written here."""

from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from tests.support.records import swing

from plantigrade.block import Foot, PairBlock
from plantigrade.events import Swing
from plantigrade.transients import Transient, TransientKind
from plantigrade_gateway.analysis.record import RecordAnalysis
from plantigrade_gateway.analysis.result import Analysis, SetSpan, SwingStrike
from plantigrade_gateway.analysis.strikes import StrikeLog
from plantigrade_gateway.errors import RecordError
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.heard import HeardSound, Listening, Purpose, ToldStrike
from plantigrade_gateway.sources.replay import demo_file, read_replay

BW_N, RATE_HZ, CLOCK_S = 750.0, 100.0, 0.004
OFFSET_S, DISTANCE_M = 0.120, 3.43  # 3.43 m at 343 m/s are 10 ms
STAMPED_S = {
    Foot.LEFT: [5.0, 6.9, 9.1, 11.0, 13.2],
    Foot.RIGHT: [15.1, 17.0, 19.2, 21.1, 23.0],
}
SWINGS_S = [40.0 + 10.0 * k for k in range(7)]  # shifts; lead peaks 0.2 s, strikes 0.3 s later
BANDS = (-25.0, -20.0, -6.0, -2.0, -8.0, -20.0)
SET = SetSpan("full, driver", 0.0, 300.0, club="driver")


def sound(kind: TransientKind, level_db: float = -18.0) -> Transient:
    return Transient(kind, 0.0, level_db, 0.0005, level_db - 2.0, 0.0005, 0.95, BANDS, -8.0)


def rows() -> list[PairBlock]:
    """Heels that are stamped; then a lead share that rises from .2 to 1 in 0.4 s at each shift."""
    t_s = np.arange(0.0, 120.0, 1.0 / RATE_HZ)
    columns = {foot: np.zeros((len(t_s), 8)) for foot in Foot}
    for foot, moments in STAMPED_S.items():
        for at_s in moments:
            columns[foot][(t_s >= at_s) & (t_s < at_s + 0.8), 0] = 500.0
    share = np.full(len(t_s), 0.2)
    for at_s in SWINGS_S:
        rising = (t_s >= at_s) & (t_s < at_s + 2.0)
        share[rising] = np.minimum(0.2 + 2.0 * (t_s[rising] - at_s), 1.0)
    later = t_s > 30.0
    columns[Foot.LEFT][later, 2] = (BW_N * share)[later]
    columns[Foot.RIGHT][later, 2] = (BW_N * (1.0 - share))[later]
    return [PairBlock(0, t_s, columns[Foot.LEFT], columns[Foot.RIGHT])]


def swings() -> list[Swing]:
    return [
        replace(
            swing(k),
            address_s=at_s - 3.0,
            start_s=at_s - 1.0,
            shift_s=at_s,
            lead_peak_s=at_s + 0.2,
            confirmed_s=at_s + 0.35,
            lead=Foot.LEFT,
        )
        for k, at_s in enumerate(SWINGS_S)
    ]


def joined(
    cuts: Iterable[int] = (),
    confirmed: int = 5,
    *,
    stamps: bool = True,
    asks: bool = False,
    own_s: float | None = None,
    last: Transient | None = None,
    beside: Transient | None = None,
    sets: tuple[SetSpan, ...] = (SET,),
) -> list[SwingStrike]:
    """Join the strikes: one is confirmed five times, then one is told, then none is hit."""
    strike = sound(TransientKind.CLICK)
    last = strike if last is None else last
    log = StrikeLog()
    log.listen(Listening(Purpose.ON, DISTANCE_M, 0.3), 0.0)
    if stamps:
        log.listen(Listening(Purpose.STAMPS), 2.0)
        log.listen(Listening(Purpose.STAMPS_END), 26.0)
        for at_s in (at_s for moments in STAMPED_S.values() for at_s in moments):
            heard = HeardSound(1_000_000, sound(TransientKind.THUMP))
            log.heard(heard, at_s - 0.005 + OFFSET_S + 0.001)
    for k, at_s in enumerate(SWINGS_S):
        if k != 6:  # the last one is a practice swing
            late_s = 0.04  # told so long after it was heard
            if k < confirmed:  # something fainter comes first
                faint = sound(TransientKind.CLICK, -31.0)
                log.heard(HeardSound(0, faint), at_s + 0.15 + 0.01 + OFFSET_S)
            heard_s = at_s + 0.3 + 0.01 + OFFSET_S
            log.heard(HeardSound(round(1e9 * late_s), last if k == 5 else strike), heard_s + late_s)
            if beside is not None and k < confirmed:
                log.heard(HeardSound(0, beside), at_s + 0.9 + 0.01 + OFFSET_S)
        if k < confirmed:
            log.listen(Listening(Purpose.CONFIRMED), at_s + 4.0)
    if own_s is not None:
        log.listen(Listening(Purpose.OWN, lasts_s=0.1), SWINGS_S[5] + own_s)
    (whole,) = rows()
    so_far: list[Swing] = []
    for start, stop in pairwise(sorted({0, len(whole), *cuts})):
        part = whole.slice(start, stop)
        done = [one for one in swings() if part.t_s[0] <= one.confirmed_s < part.t_s[-1] + 0.01]
        log.take([part], done)
        so_far += done
        if asks:
            log.strikes(so_far, sets, BW_N, RATE_HZ, CLOCK_S)
    return list(log.strikes(swings(), sets, BW_N, RATE_HZ, CLOCK_S))


def test_a_strike_is_told_against_the_moments_of_its_swing():
    strikes = joined()
    heard = strikes[5]
    assert (heard.state, heard.source) == ("heard", "microphone")
    assert heard.t_s == pytest.approx(SWINGS_S[5] + 0.3, abs=0.003)
    assert heard.error_s is not None
    assert 0.004 < heard.error_s < 0.012
    assert heard.shift_s == pytest.approx(-0.3, abs=0.003)
    assert heard.lead_peak_s == pytest.approx(-0.1, abs=0.003)
    assert heard.lead_share == pytest.approx(0.8, abs=0.01)
    low, high = heard.lead_share_low, heard.lead_share_high
    assert low is not None
    assert high is not None
    assert low < 0.8 < high
    assert strikes[6].state == "not_heard"
    assert strikes[6].t_s is None
    assert strikes[6].lead_share is None


@pytest.mark.parametrize(
    ("own_s", "state"),
    [
        (None, "not_heard"),
        (0.45, "heard"),  # it is heard 0.05 s sooner than it plays: the strike is at 0.43
        (0.10, "heard"),  # and 0.3 s longer
        (0.60, "unclear"),  # and here it covers a part of the window alone
    ],
)
def test_under_the_programs_own_sound_a_strike_is_known_by_its_top(own_s, state):
    covered = replace(sound(TransientKind.CLICK), high_share=0.1, rise_s=0.01)
    assert joined(own_s=own_s, last=covered)[5].state == state


def test_a_louder_strike_in_the_next_bay_soon_after_is_no_part_of_how_the_club_sounds():
    """A swing's strike is at most 0.4 s after the lead peak (`AFTER_LEAD_PEAK_S`); this one 0.7."""
    other = replace(sound(TransientKind.CLICK, -9.0), bands_db=BANDS[::-1])
    assert joined(beside=other) == joined()


def test_another_club_is_not_known_by_the_first_ones_strikes():
    iron = SetSpan("full, 7 iron", SWINGS_S[5] - 5.0, 300.0, club="7 iron")
    driver = replace(SET, end_s=SWINGS_S[5] - 5.0)
    strikes = joined(sets=(driver, iron))
    assert [one.state for one in strikes[:5]] == ["heard"] * 5
    assert strikes[5].state == "unclear" and "confirmed with this club" in strikes[5].reason


def test_how_the_rows_are_cut_changes_nothing():
    whole = joined()
    rng = np.random.default_rng(1)
    for many in (3, 400):
        assert joined(rng.integers(1, 12_000, many).tolist()) == whole


def test_asking_while_it_goes_on_changes_nothing():
    """A speed block asks for the results so far before each of its parts."""
    soon = [round(RATE_HZ * (at_s + 0.4)) for at_s in SWINGS_S]  # the rows about them yet to come
    assert joined(soon, asks=True) == joined()


def test_without_stamps_or_confirmed_strikes_nothing_is_told():
    assert {one.state for one in joined(confirmed=4)} == {"unclear"}
    bare = joined(stamps=False)
    assert {one.state for one in bare} == {"unclear"}
    assert "no stamps" in bare[0].reason


def test_entries_come_back_as_they_were_written():
    heard = HeardSound(-5, sound(TransientKind.CLICK))
    assert HeardSound.from_json(heard.to_json()) == heard
    listening = Listening(Purpose.OWN, lasts_s=0.7)
    assert Listening.from_json(listening.to_json()) == listening
    told = ToldStrike(200_000_000, 0.1, "mark")
    assert ToldStrike.from_json(told.to_json()) == told
    assert b"t_s" not in heard.to_json()


@pytest.mark.parametrize(
    "data",
    [
        b"?",
        b"{}",
        b'{"schema": 1, "before_ns": 1.5, "error_s": 1, "source": "mark"}',
        b'{"schema": 1, "before_ns": 1, "error_s": 0, "source": "mark"}',
        b'{"schema": 1, "before_ns": 1, "error_s": 1, "source": "guess"}',
        b'{"schema": 1, "before_ns": 99999999999999, "error_s": 1, "source": "mark"}',
        b'{"schema": 1, "purpose": "on", "distance_m": -1}',
        b'{"schema": 1, "purpose": "on", "distance_m": "far"}',
    ],
)
def test_what_cannot_be_read_is_an_error_of_ours(data):
    for read in (HeardSound.from_json, Listening.from_json, ToldStrike.from_json):
        with pytest.raises(RecordError):
            read(data)


# ---- on a recorded session ----


@pytest.fixture(scope="module")
def practice() -> list[Entry]:
    """Return the invented session's first minutes."""
    entries = [entry for batch in read_replay(demo_file()) for entry in batch]
    end_ns = entries[0].arrival_ns + 150_000_000_000
    return [entry for entry in entries if entry.arrival_ns < end_ns]


def analysed(entries: list[Entry], *more: tuple[float, Kind, bytes]) -> Analysis:
    zero_ns = entries[0].arrival_ns
    added = [Entry(zero_ns + round(t * 1e9), SESSION, kind, data) for t, kind, data in more]
    analysis = RecordAnalysis("x")
    analysis.push(Batch.of(sorted([*entries, *added], key=lambda entry: entry.arrival_ns)))
    analysis.flush()
    return analysis.result()


@pytest.mark.dear
def test_a_mark_tells_a_strike_with_its_own_uncertainty_and_nothing_else_does(practice):
    bare = analysed(practice)
    assert len(bare.swings) >= 2
    assert bare.strikes == ()
    peak_s = bare.swings[1].lead_peak_s
    assert peak_s is not None
    told = ToldStrike(500_000_000, 0.15, "mark")
    found = analysed(
        practice,
        (peak_s + 0.1 + 0.5, Kind.STRIKE, told.to_json()),
        (peak_s + 5.0, Kind.HEARD, b"not understood"),
    )
    assert found.swings == bare.swings
    assert [one.state for one in found.strikes[:2]] == ["unclear", "heard"]
    strike = found.strikes[1]
    assert (strike.source, strike.error_s) == ("mark", 0.15)
    assert strike.t_s == pytest.approx(peak_s + 0.1, abs=1e-6)
    assert strike.lead_peak_s == pytest.approx(-0.1, abs=1e-6)
