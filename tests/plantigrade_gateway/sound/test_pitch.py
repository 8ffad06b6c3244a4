"""Tone points: the pitch of the CoP, only while it is wanted, the same however rows are cut."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from plantigrade.block import FloatArray, Foot, PairBlock
from plantigrade_gateway.sound.motifs import HEEL_HZ, TOE_HZ, pitch_hz
from plantigrade_gateway.sound.pitch import EVERY_S, CopSource, Tone, TonePoint

LEFT_Y, RIGHT_Y = 0.2, 0.8


def foot(load_n: FloatArray, y: FloatArray) -> FloatArray:
    values = np.zeros((len(load_n), 8))
    values[:, 0], values[:, 5] = load_n, load_n * y
    return values


def rows(
    n: int, rate_hz: float = 100.0, left_n: float = 500.0, right_n: float = 100.0
) -> PairBlock:
    return PairBlock(
        0,
        np.arange(n) / rate_hz,
        foot(np.full(n, left_n), np.full(n, LEFT_Y)),
        foot(np.full(n, right_n), np.full(n, RIGHT_Y)),
    )


def points(of: CopSource, block: PairBlock, wanted: bool = True) -> list[TonePoint]:
    made: list[TonePoint] = []
    Tone(of, Foot.LEFT, 30.0).push(block, wanted, made)
    return made


@pytest.mark.parametrize(
    ("of", "y"),
    [
        (CopSource.LEAD, LEFT_Y),
        (CopSource.TRAIL, RIGHT_Y),
        (CopSource.BOTH, 0.3),
        (CopSource.NONE, None),
    ],
)
def test_the_pitch_is_that_of_the_chosen_feet(of, y):
    """Both feet's CoP lies at (500 × .2 + 100 × .8) / 600 of their length."""
    made = points(of, rows(50))
    assert {round(p.hz, 6) for p in made} == ({round(float(pitch_hz(y)), 6)} if y else set())
    assert [p.gain for p in made] == [1.0] * (50 if y else 0)


def test_it_follows_the_foot_from_heel_to_toe():
    y = np.linspace(0.0, 1.0, 101)
    block = PairBlock(
        0, np.arange(101) / 100.0, foot(np.full(101, 400.0), y), foot(np.zeros(101), y)
    )
    made = points(CopSource.LEAD, block)
    assert made[0].hz == pytest.approx(HEEL_HZ) and made[-1].hz == pytest.approx(TOE_HZ)
    steps = np.diff(np.log2([p.hz for p in made]))
    assert steps == pytest.approx(np.full(100, 0.02))  # equal travel, equal interval


@pytest.mark.parametrize("rate_hz", [20.0, 100.0, 200.0, 1000.0])
def test_there_are_at_most_a_hundred_or_so_a_second(rate_hz):
    made = points(CopSource.LEAD, rows(round(2 * rate_hz), rate_hz))
    apart = np.diff([p.t_s for p in made])
    assert apart.min() >= EVERY_S - 1e-9
    assert apart.max() <= max(EVERY_S, 1.0 / rate_hz) + 1.0 / rate_hz


@pytest.mark.parametrize("load_n", [29.0, 0.0, float("nan")])
def test_a_foot_without_a_cop_is_silent_at_once_and_once(load_n):
    load = np.full(30, 400.0)
    load[10:20] = load_n
    block = PairBlock(
        0, np.arange(30) / 100.0, foot(load, np.full(30, 0.5)), foot(np.zeros(30), np.zeros(30))
    )
    made = points(CopSource.LEAD, block)
    assert [p.gain for p in made] == [1.0] * 10 + [0.0] + [1.0] * 10
    assert made[10].t_s == 0.10
    assert all(np.isfinite(p.hz) for p in made)


def test_it_is_silent_while_nobody_wants_it():
    tone, made = Tone(CopSource.LEAD, Foot.LEFT, 30.0), list[TonePoint]()
    block = rows(60)
    for start, wanted in ((0, False), (20, True), (40, False)):
        tone.push(block.slice(start, start + 20), wanted, made)
    assert [round(p.t_s, 3) for p in made] == [round(0.2 + k / 100, 3) for k in range(21)]
    assert [p.gain for p in made] == [1.0] * 20 + [0.0]


@given(st.sets(st.integers(1, 199), max_size=30), st.sampled_from([100.0, 230.0]))
def test_cutting_rows_changes_no_point(cuts, rate_hz):
    rng = np.random.default_rng(5)
    load = np.where(rng.random(200) < 0.05, np.nan, rng.uniform(0.0, 400.0, 200))
    block = PairBlock(
        0, np.arange(200) / rate_hz, foot(load, rng.random(200)), foot(load, rng.random(200))
    )
    whole = points(CopSource.BOTH, block)
    tone, cut = Tone(CopSource.BOTH, Foot.LEFT, 30.0), list[TonePoint]()
    edges = [0, *sorted(cuts), 200]
    for start, stop in pairwise(edges):
        tone.push(block.slice(start, stop), True, cut)
    assert cut == whole
