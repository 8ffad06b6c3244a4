"""A microphone's blocks as they arrive: what is heard, and when on the host's clock."""

from functools import cache

import numpy as np
import pytest
from tests.support import soundbay
from tests.support.soundbay import CLUBS, RATE, Tape

from plantigrade.transients import TransientDetector, TransientKind
from plantigrade_gateway.sound.listening import Heard, Listener

ORIGIN_NS = 5_000_000_000_000
STRIKES_S = tuple(1.0 + 0.9 * k for k in range(30))
DELAY_S = 0.021
DRIFT = 30e-6


@cache
def tape() -> Tape:
    rng = np.random.default_rng(3)
    made = Tape(rng, 0.0, 29.0)
    for at_s in STRIKES_S:
        made.add(at_s, soundbay.strike(rng, CLUBS["7 iron"]))
    return made


def listen(block: int, jitter_s: float) -> list[Heard]:
    """Blocks arrive `DELAY_S` after their last sample or later, from a clock that is too slow."""
    rng, listener, found, last_ns = np.random.default_rng(4), Listener(ORIGIN_NS), [], 0
    samples = tape().samples.astype(np.float32)
    for at in range(0, len(samples) - block, block):
        end_s = (at + block) / RATE * (1.0 + DRIFT) + DELAY_S + rng.exponential(jitter_s)
        last_ns = max(last_ns, ORIGIN_NS + round(1e9 * end_s))
        found += listener.push(last_ns, samples[at : at + block])
    return found


@pytest.mark.dear
@pytest.mark.slow
def test_blocks_give_what_the_whole_sound_gives():
    whole = TransientDetector().push(tape().samples.astype(np.float32))
    assert len(whole) == len(STRIKES_S)
    assert [heard.transient for heard in listen(480, 0.002)] == whole
    assert [heard.transient for heard in listen(100, 0.0)] == whole, "smaller than is looked at"


@pytest.mark.dear
@pytest.mark.slow
def test_host_times_follow_the_hosts_clock():
    """The delay is there and steady, the drift is not; arrivals jitter by 2 ms and more."""
    found = listen(480, 0.002)[10:]  # a clock's first ten seconds it corrects itself quickly
    late_s = [
        1e-9 * (heard.host_ns - ORIGIN_NS) - at_s * (1.0 + DRIFT)
        for heard, at_s in zip(found, STRIKES_S[10:], strict=True)
    ]
    assert abs(np.median(late_s) - DELAY_S) < 0.002
    assert np.ptp(late_s) < 0.002


@pytest.mark.dear
@pytest.mark.slow
def test_lost_samples_are_noticed_and_times_come_right_again():
    rng, listener, found = np.random.default_rng(7), Listener(ORIGIN_NS), []
    samples = tape().samples.astype(np.float32)
    for at in range(0, len(samples) - 480, 480):
        if not 12.30 < at / RATE < 12.42:  # 120 ms of it never come
            arrival_s = (at + 480) / RATE + DELAY_S + rng.exponential(0.001)
            found += listener.push(ORIGIN_NS + round(1e9 * arrival_s), samples[at : at + 480])
    assert listener.losses == 1
    late_s = [
        1e-9 * (heard.host_ns - ORIGIN_NS) - at_s
        for heard, at_s in zip(found, STRIKES_S, strict=True)
        if at_s < 12.0 or at_s > 20.0
    ]
    assert np.abs(np.array(late_s[8:]) - DELAY_S).max() < 0.004


def test_thumps_are_told_only_while_heels_are_stamped():
    rng = np.random.default_rng(5)
    made = Tape(rng, 0.0, 4.0)
    for at_s in (1.0, 3.0):
        made.add(at_s, soundbay.heel(rng, -10.0))
    listener, found = Listener(0), []
    for at in range(0, len(made.samples), 480):
        listener.stamping = at > 2 * RATE
        found += listener.push(
            round(1e9 * (at + 480) / RATE), made.samples[at : at + 480].astype(np.float32)
        )
    (one,) = found
    assert one.transient.kind is TransientKind.THUMP
    assert abs(one.transient.t_s - 3.0) < 0.005


@pytest.mark.parametrize("block", [480, 100])
def test_a_strike_is_told_at_its_own_time_and_the_way_here(block):
    """Blocks of 480 or, gathered first, of 100 samples, 21 ms after their last."""
    made = Tape(np.random.default_rng(8), 0.0, 1.4)
    made.add(1.0, soundbay.strike(np.random.default_rng(9), CLUBS["7 iron"]))
    listener, found = Listener(ORIGIN_NS), []
    assert not listener.stamping
    samples = made.samples.astype(np.float32)
    for at in range(0, len(samples), block):
        arrival_ns = ORIGIN_NS + round(1e9 * ((at + block) / RATE + DELAY_S))
        found += listener.push(arrival_ns, samples[at : at + block])
    (one,) = found
    assert one.transient.kind is TransientKind.CLICK
    assert one.transient.t_s == pytest.approx(1.0, abs=0.002)
    assert 1e-9 * (one.host_ns - ORIGIN_NS) == pytest.approx(1.0 + DELAY_S, abs=0.003)
    assert listener.clock.drift_ppm == pytest.approx(0.0, abs=20.0)


@pytest.mark.dear
def test_what_is_heard_is_told_at_the_host_s_time():
    """Blocks come 21 ms after their last sample; the strike's own time is counted in samples."""
    rng, made, strikes_s = (
        np.random.default_rng(9),
        Tape(np.random.default_rng(8), 0.0, 4.0),
        (1, 3),
    )
    for at_s in strikes_s:
        made.add(float(at_s), soundbay.strike(rng, CLUBS["7 iron"]))
    listener, found = Listener(ORIGIN_NS), []
    samples = made.samples.astype(np.float32)
    for at in range(0, len(samples), 480):
        arrival_ns = ORIGIN_NS + round(1e9 * ((at + 480) / RATE + DELAY_S))
        found += listener.push(arrival_ns, samples[at : at + 480])
    assert [heard.transient.kind for heard in found] == [TransientKind.CLICK] * 2
    for heard, at_s in zip(found, strikes_s, strict=True):
        assert heard.transient.t_s == pytest.approx(at_s, abs=0.002)
        told_s = 1e-9 * (heard.host_ns - ORIGIN_NS)
        assert told_s - heard.transient.t_s == pytest.approx(DELAY_S, abs=0.0005)
    assert listener.losses == 0
    assert listener.clock.drift_ppm == pytest.approx(0.0, abs=5.0)


@pytest.mark.dear
@pytest.mark.parametrize(("lost", "losses"), [(0, 0), (175, 0), (210, 1), (5760, 1)])
def test_more_than_4_ms_that_never_come_are_noticed_once(lost, losses):
    """Of silence: 175 samples are 3.6 ms, 210 are 4.4 ms."""
    listener, sent, come = Listener(ORIGIN_NS), 0, 0
    while sent < 9 * RATE:
        if come == 5 * RATE // 960 * 960:
            sent += lost
        sent, come = sent + 960, come + 960
        listener.push(ORIGIN_NS + round(1e9 * (sent / RATE + DELAY_S)), np.zeros(960, np.float32))
    assert listener.losses == losses


@pytest.mark.parametrize(
    ("late_s", "losses", "restarts"),
    [
        ((0.0, 0.0, 0.0, 0.0), 0, 0),
        ((0.0, 0.0039, 0.0039, 0.0039), 0, 0),
        ((0.0, 0.0041, 0.0041, 0.0041), 1, 1),  # from then on all are late: lost once
        ((0.0, 0.010, 0.020, 0.020), 2, 2),
        ((0.050, 0.0, 0.0, 0.0), 0, 0),  # one that was late comes in time again: nothing is lost
    ],
)
def test_samples_are_lost_where_all_of_two_seconds_are_later_than_all_before(
    late_s, losses, restarts, monkeypatch
):
    """Twenty blocks of a tenth of a second for each window, all but one of them 30 ms later."""
    listener = Listener(ORIGIN_NS)
    begun: list[bool] = []
    monkeypatch.setattr(listener._clock, "restart", lambda: begun.append(True))
    last = -1
    for late in (*late_s, late_s[-1]):
        for k in range(20):
            last += RATE // 10
            jitter_s = 0.0 if k == 7 else 0.030  # one of them comes without delay
            listener._look_for_losses(
                ORIGIN_NS + round(1e9 * (last / RATE + DELAY_S + late + jitter_s)), last
            )
    assert listener.losses == losses and len(begun) == restarts
