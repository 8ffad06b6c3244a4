"""A second, plainer player, so that the detectors are not tuned to the first.

Written apart from `plantigrade.synth` and from the detectors: key frames joined by one of four
courses, loads split over regions so that the CoP comes out right, white noise. Its truths are its
key frames; trail peak is the middle of the time in which its own share is within .02 of its lowest,
and the shift is when its own share has made 5 % of its rise.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest
from tests.support.scoring import analyse, pair_rows

from plantigrade.block import FloatArray, Foot
from plantigrade.events import HeelLiftState, Manner, Swing, Timing
from plantigrade.limits import G_M_S2, setup_for
from plantigrade.zones import eighteen

pytestmark = pytest.mark.dear

CENTRES = np.array([0.12, 0.39, 0.67, 0.86])
COURSES = {
    "line": lambda u: u,
    "smooth step": lambda u: u * u * (3 - 2 * u),
    "cosine": lambda u: 0.5 - 0.5 * np.cos(np.pi * u),
    "minimum jerk": lambda u: u**3 * (10 - 15 * u + 6 * u * u),
}


@dataclass
class Drawn:
    t_s: FloatArray
    lead: FloatArray
    trail: FloatArray
    rate_hz: float
    mass_kg: float
    start_s: float
    trail_peak_s: float
    shift_s: float
    lead_peak_s: float
    manner: Manner
    timing: Timing
    lifted: bool
    transfer_s: float | None


def frames(t: FloatArray, keys: list[tuple[float, float]], course: str) -> FloatArray:
    values = np.full(len(t), keys[0][1])
    for (t0, a), (t1, b) in pairwise(keys):
        u = np.clip((t - t0) / (t1 - t0), 0.0, 1.0)
        values = np.where(t >= t0, a + (b - a) * COURSES[course](u), values)
    return values


def regions(y: FloatArray) -> FloatArray:
    """Load shares of the regions with this CoP: split between the two centres around it."""
    y = np.clip(y, CENTRES[0], CENTRES[-1])
    k = np.clip(np.searchsorted(CENTRES, y, side="right") - 1, 0, 2)
    w = (y - CENTRES[k]) / (CENTRES[k + 1] - CENTRES[k])
    out = np.zeros((len(y), 4))
    out[np.arange(len(y)), k] = 1 - w
    out[np.arange(len(y)), k + 1] += w
    return out


def zones(load: FloatArray, rng: np.random.Generator, noise_kpa: float) -> FloatArray:
    layout = eighteen()
    area = np.array([layout.area_mm2[layout.region == k].sum() for k in range(4)])
    kpa = (load / area * 1000.0)[:, layout.region]
    noisy: FloatArray = np.maximum(kpa + rng.normal(0.0, noise_kpa, kpa.shape), 0.0)
    return noisy


def draw(rng: np.random.Generator) -> Drawn:
    course = str(rng.choice(list(COURSES)))
    manner = Manner(str(rng.choice(["rolled", "skipped", "held"])))
    timing = Timing(str(rng.choice(["early", "with_shift"])))
    lifted, reverse = bool(rng.random() < 0.5), bool(rng.random() < 0.5)
    mass, rate = float(rng.uniform(25, 120)), float(rng.choice([100.0, 200.0]))
    back, down = float(rng.uniform(0.55, 1.2)), float(rng.uniform(0.2, 0.4))
    hold = float(rng.choice([0.0, 0.0, 0.08, 0.15]))
    address, low = float(rng.uniform(0.42, 0.56)), float(rng.uniform(0.12, 0.3))
    high = float(rng.uniform(0.66, 0.8) if reverse else rng.uniform(0.75, 0.95))
    start = 2.0
    top, shift = start + back, start + back + hold
    peak = shift + down
    end = peak + 1.8
    t = np.arange(0.0, end + 1.5, 1 / rate)
    keys = [(0.0, address), (start, address), (top, low), (shift + 1e-9, low), (peak, high)]
    last = 0.8 if reverse else min(high + 0.04, 0.96)
    keys += [(peak + 0.25, high - 0.25), (peak + 0.8, 0.8)] if reverse else [(peak + 0.3, last)]
    s = frames(t, [*keys, (end, last), (end + 1.0, 0.5)], course)
    fine = np.arange(0.0, 1.0, 1e-4)
    shifted = shift + down * float(fine[np.argmax(COURSES[course](fine) >= 0.05)])
    bump = float(rng.choice([0.0, 0.2, 0.4]))
    total = 1 + bump * (np.exp(-0.5 * ((t - peak) / 0.08) ** 2))
    total -= 0.4 * bump * np.exp(-0.5 * ((t - shift) / 0.1) ** 2)
    rear, front = float(rng.uniform(0.25, 0.36)), float(rng.uniform(0.7, 0.84))
    path, transfer = [(0.0, 0.45), (start, 0.45), (top, 0.4), (end, 0.42), (end + 1.0, 0.45)], None
    if manner is not Manner.HELD:
        part = rng.uniform(0.9, 1.1) if manner is Manner.ROLLED else rng.uniform(0.02, 0.2)
        length = float(part) * down
        begin = shifted
        if timing is Timing.EARLY:
            begin = top - length - float(rng.uniform(0.05, 0.12))
        back_by = max(min(begin - 0.02, top - 0.3 * back), start + 0.05)
        path = [(0.0, 0.45), (start, 0.45), (back_by, rear), (begin, rear)]
        path += [(begin + length, front), (end, front), (end + 1.0, 0.45)]
        u = COURSES[course](fine)
        transfer = length * float(fine[np.argmax(u >= 0.7)] - fine[np.argmax(u >= 0.3)])
    up = [(0.0, 0.0), (start + 0.45 * back, 0.0), (start + 0.6 * back, 1.0)]
    up += [(shift + 0.3 * down, 1.0), (shift + 0.6 * down, 0.0)]
    raised = frames(t, up, course)[:, None] * lifted
    toes = np.array([0.0, 0.0, 0.8, 0.2])
    flat = np.array([0.5, 0.1, 0.3, 0.1])
    weight = mass * G_M_S2 * total
    lead = ((1 - raised) * flat + raised * toes) * (s * weight)[:, None]
    trail = regions(frames(t, path, course)) * ((1 - s) * weight)[:, None]
    before = t <= peak
    trough = t[before & (s <= s[before].min() + 0.02)]
    return Drawn(
        t, lead, trail, rate, mass, start, float(trough.mean()), shifted, peak,
        manner, timing, lifted, transfer,
    )  # fmt: skip


@pytest.fixture(scope="module")
def found() -> list[tuple[Drawn, list[Swing]]]:
    rng = np.random.default_rng(20)
    out = []
    for _ in range(160):
        one = draw(rng)
        noise = float(rng.choice([0.5, 1.0, 2.0]))
        feet = zones(one.lead, rng, noise), zones(one.trail, rng, noise)
        setup = setup_for(eighteen(), one.rate_hz, one.mass_kg * G_M_S2, Foot.LEFT)
        events = analyse(setup, pair_rows(one.t_s, *feet, eighteen(), one.rate_hz))
        out.append((one, [e for e in events if isinstance(e, Swing)]))
    return out


def test_each_swing_is_found_once(found):
    assert sum(len(swings) == 1 for _, swings in found) >= 0.99 * len(found)
    assert max(len(swings) for _, swings in found) == 1


@pytest.mark.parametrize(
    ("name", "median_s", "p95_s"),
    [
        ("start_s", 0.050, 0.120),
        ("trail_peak_s", 0.030, 0.080),
        ("shift_s", 0.030, 0.080),
        ("lead_peak_s", 0.030, 0.120),
    ],
)
def test_moments_are_where_the_key_frames_are(found, name, median_s, p95_s):
    errors = [abs(getattr(s[0], name) - getattr(one, name)) for one, s in found if s]
    assert np.median(errors) <= median_s
    assert np.quantile(errors, 0.95) <= p95_s


def test_transfer_is_the_key_frames(found):
    errors = [
        abs(s[0].push.transfer_s - one.transfer_s)
        for one, s in found
        if s and one.transfer_s is not None and s[0].push.transfer_s is not None
    ]
    assert len(errors) > 80
    assert np.median(errors) <= 0.010 and np.quantile(errors, 0.95) <= 0.025


def test_classes_are_told(found):
    held = [s[0].push.manner for one, s in found if s and one.manner is Manner.HELD]
    skipped = [s[0].push.manner for one, s in found if s and one.manner is Manner.SKIPPED]
    assert held.count(Manner.HELD) >= 0.9 * len(held)
    assert skipped.count(Manner.SKIPPED) >= 0.9 * len(skipped)
    for timing in (Timing.EARLY, Timing.WITH_SHIFT):
        told = [
            s[0].push.timing
            for one, s in found
            if s and one.manner is not Manner.HELD and one.timing is timing
        ]
        assert told.count(timing) >= 0.9 * len(told) > 20
    for lifted, state in ((True, HeelLiftState.LIFTED), (False, HeelLiftState.DOWN)):
        states = [s[0].heel_lift.state for one, s in found if s and one.lifted is lifted]
        assert states.count(state) >= 0.9 * len(states) > 20
