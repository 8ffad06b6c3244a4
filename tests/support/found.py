"""What is found in what the synthetic player draws: any change of a detector changes its numbers.

`python -m tests.support.found` writes them to `tests/plantigrade/found.json`: after a change of
what is found that is meant, and never to get a test green. They say nothing of whether it is right
(the tests of each detector hold that to the truth of what was drawn); they hold that no number of a
stored result changes unseen, since a change of one raises `ANALYSIS_VERSION`.
"""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from tests.support.drawn import Numbers, flat, plans, write
from tests.support.scoring import analyse_performance

from plantigrade.synth import (
    Player,
    SensorModel,
    SessionPlan,
    perform,
    random_player,
    random_sensor,
    random_session,
)

KEPT = Path(__file__).parents[1] / "plantigrade" / "found.json"
SESSIONS = range(100, 116)


def _performed() -> Iterator[tuple[str, Player, SessionPlan]]:
    yield from plans()
    for seed in SESSIONS:
        rng = np.random.default_rng(seed)
        yield f"random {seed}", random_player(rng), random_session(rng, 2, 12, 3.0)


def found() -> dict[str, Numbers]:
    """Return the events of each performance: every other one read by a sensor with its faults."""
    made: dict[str, Numbers] = {}
    for n, (name, player, plan) in enumerate(_performed()):
        done = perform(player, plan, rate_hz=(100.0, 50.0, 200.0)[n % 3], seed=n)
        sensor = random_sensor(np.random.default_rng(n), loss=0.02) if n % 2 else SensorModel()
        row: Numbers = []
        for event in analyse_performance(done, sensor, n):
            row += [type(event).__name__, *_short(list(flat(event)))]
        made[name] = row
    return made


def _short(values: Numbers) -> Numbers:
    """Return an event's words, and two sums of its numbers: what moves changes one.

    Each number has a weight of its own, and counts by its logarithm: a share beside a force, too.
    """
    words: Numbers = [one for one in values if isinstance(one, str)]
    numbers = np.array([one for one in values if not isinstance(one, str)])
    size = np.arcsinh(1000.0 * numbers)
    return [*words, float(size.sum()), float(np.sin(0.37 * np.arange(len(size))) @ size)]


if __name__ == "__main__":
    write(KEPT, found())
