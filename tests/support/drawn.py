"""What the synthetic player draws, in numbers that any change of it changes.

`python -m tests.support.drawn` writes them to `tests/plantigrade/drawn.json`: after a change of
what is drawn that is meant, and never to get a test green. They say nothing of whether a movement
is drawn well (`test_movements.py`, `test_drawn.py`); they hold that no change goes unnoticed, since
the demo's figures, the invented players and the pictures all rest on it.
"""

import json
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from enum import Enum
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from plantigrade.block import Foot
from plantigrade.events import Manner, Timing
from plantigrade.synth import (
    Bend,
    Finish,
    HalfSwing,
    HeelHabit,
    Mishap,
    OneLeg,
    Player,
    Rock,
    Segment,
    SensorModel,
    SessionPlan,
    Shuffle,
    SlowShift,
    Stand,
    StuckZone,
    Style,
    Swing,
    TrailRest,
    Waggle,
    Walk,
    calibration_visit,
    perform,
    random_player,
    random_sensor,
    random_session,
)

Numbers = list[float | str]

KEPT = Path(__file__).parents[1] / "plantigrade" / "drawn.json"


def plans() -> Iterator[tuple[str, Player, SessionPlan]]:
    right, left = Player(), Player(lead=Foot.RIGHT, style=Style.REVERSE, mass_kg=60.0)
    flat = Player(midfoot_share_left=0.25, midfoot_share_right=0.0, asymmetry=0.05, body_seed=7)
    pairs = (("right", right), ("left", left))
    between: tuple[Segment, ...] = (
        *(Stand(3.0), OneLeg(Foot.LEFT, 4.0), OneLeg(Foot.RIGHT, 4.0, taps=3)),
        *(Rock(), Rock(along=False, times=2), Waggle(), Waggle(2), Waggle(large=True)),
        *(HalfSwing(), HalfSwing(0.7, 0.05), TrailRest(), SlowShift(), Bend()),
        *(Bend(one_leg=True), Bend(one_leg=False), Shuffle(), Shuffle(4)),
    )
    for segment, (who, player) in product(between, pairs):
        yield f"{_named(segment)} {who}", player, SessionPlan((Stand(1.0), segment, Stand(1.0)))
    walks = [Walk(), Walk(5, 0.6, Foot.RIGHT), Walk(12, 1.9, Foot.LEFT, turn_after=5), Walk(2)]
    for walk, (who, player) in product(walks, (("right", right), ("flat", flat))):
        yield f"{_named(walk)} {who}", player, SessionPlan((walk,))
    ways = [
        *(Swing(manner=one) for one in (Manner.ROLLED, Manner.SKIPPED, Manner.HELD)),
        *(Swing(timing=one) for one in Timing if one is not Timing.UNCLEAR),
        *(Swing(heel=one) for one in HeelHabit),
        *(Swing(finish=one) for one in Finish),
        *(Swing(press=one, waggles=n) for one, n in ((True, 0), (False, 3))),
        Swing(backswing_s=1.2, downswing_s=0.4, hold_s=0.3, address_s=2.0),
        Swing(backswing_s=0.5, downswing_s=0.2, hold_s=0.0, address_s=0.5),
        Swing(lead_peak_bw=1.4),
        Swing(style=Style.REVERSE, high_share=0.6),
    ]
    for swing, (who, player) in product(ways, pairs):
        yield f"{_named(swing)} {who}", player, SessionPlan((swing,))
    for mishap in (None, *Mishap):
        yield f"calibration {mishap}", flat, calibration_visit(hold_s=3.0, mishap=mishap)
    for seed in range(6):
        rng = np.random.default_rng(seed)
        yield f"random {seed}", random_player(rng), random_session(rng, 2, 10, 3.0)


def _named(segment: Segment) -> str:
    """Return a segment's kind and what of it is not as by default."""
    usual = {field.name: field.default for field in fields(segment)}
    odd = {k: v for k in usual if (v := getattr(segment, k)) != usual[k]}
    told = (f"{k}={v.name if isinstance(v, Enum) else v}" for k, v in odd.items())
    return " ".join((type(segment).__name__, *told))


def flat(value: object) -> Iterator[float | str]:
    """Give the numbers and words of a dataclass, in order."""
    if is_dataclass(value):
        for field in fields(value):
            yield from flat(getattr(value, field.name))
    elif isinstance(value, tuple):
        yield float(len(value))
        for one in value:
            yield from flat(one)
    elif isinstance(value, Enum):
        yield value.name
    elif value is None or isinstance(value, str):
        yield str(value)
    else:
        yield float(value)  # type: ignore[arg-type]


def _sums(values: Any) -> list[float]:
    """Return sums of columns and rows, each with its own weight: what moves changes one."""
    rows = np.sin(0.37 * np.arange(len(values)))
    lost = np.isnan(values)
    values = np.where(lost, 0.0, values)
    return [float(lost.sum()), *values.sum(0).tolist(), *(rows @ values).tolist()]


def drawn() -> dict[str, Numbers]:
    """Return the numbers and words of each performance, and of what sensors read of some."""
    made: dict[str, Numbers] = {}
    for n, (name, player, plan) in enumerate(plans()):
        done = perform(player, plan, rate_hz=100.0, seed=n)
        loads = (*_sums(done.left_n), *_sums(done.right_n), *_sums(done.left), *_sums(done.right))
        made[name] = [*loads, *done.segments_s, *flat(done.truth)]
        if not n % 16:
            sensor = random_sensor(np.random.default_rng(n), loss=0.02)
            stuck = StuckZone(Foot.RIGHT, 4, 30.0, 1.5)
            for which, model in (
                ("drawn", sensor),
                ("as set", SensorModel()),
                ("stuck", replace(sensor, stuck=(stuck,), packet_frames=5)),
            ):
                left, right = model.read(done, seed=n)
                made[f"{name}, sensor {which}"] = [*_sums(left), *_sums(right)]
    return made


def check_same(now: Numbers, was: Numbers) -> None:
    """Hold words to the letter, numbers to a millionth: processors round last digits otherwise."""
    words, numbers = _parted(now)
    were_words, were_numbers = _parted(was)
    assert words == were_words
    assert numbers == pytest.approx(were_numbers, rel=1e-6, abs=1e-6)


def _parted(row: Numbers) -> tuple[list[str], list[float]]:
    words = [one for one in row if isinstance(one, str)]
    return words, [one for one in row if not isinstance(one, str)]


def write(path: Path, made: dict[str, Numbers]) -> None:
    """Write one line for each name, numbers to nine digits."""
    rounded = {
        name: [one if isinstance(one, str) else float(f"{one:.9g}") for one in row]
        for name, row in made.items()
    }
    rows = (f"{json.dumps(name)}: {json.dumps(row)}" for name, row in rounded.items())
    path.write_text("{\n" + ",\n".join(rows) + "\n}\n", "utf-8")


if __name__ == "__main__":
    write(KEPT, drawn())
