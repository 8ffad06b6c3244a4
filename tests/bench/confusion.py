"""Where the detectors break down: scores over a grid of players and sensors.

Prints, for each value of each axis with the rest drawn, how well steps and swings are found and
every class recognised; then a grid of all the main axes at once, with the cells that went wrong;
then the confusion tables, the errors of the times, and how long a push's outcome takes. No packet
is lost but where that is the axis. Some five minutes.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np
from tests.support.scoring import Tally, analyse_performance

from plantigrade.events import Event, Phase, PhaseKind, Swing
from plantigrade.synth import (
    Performance,
    Player,
    SensorModel,
    perform,
    random_player,
    random_sensor,
    random_session,
)

SESSIONS = 8

CLASSES = {
    "roll": ("through", "skipped"),
    "heel": ("lifted", "down"),
    "manner": ("rolled", "skipped", "held"),
    "timing": ("early", "with_shift"),
}


@dataclass(frozen=True, slots=True)
class Axis:
    """One thing that is varied, and how a session is changed by its value."""

    name: str
    values: tuple[float, ...]
    change: "Change"


Change = Callable[[Player, SensorModel, float], tuple[Player, SensorModel]]


def _body(name: str) -> Change:
    def change(player: Player, sensor: SensorModel, value: float) -> tuple[Player, SensorModel]:
        changes: dict[str, Any] = {name: value}
        return replace(player, **changes), sensor

    return change


def _part(name: str) -> Change:
    def change(player: Player, sensor: SensorModel, value: float) -> tuple[Player, SensorModel]:
        changes: dict[str, Any] = {name: value}
        return player, replace(sensor, **changes)

    return change


def _midfoot(player: Player, sensor: SensorModel, value: float) -> tuple[Player, SensorModel]:
    return replace(player, midfoot_share_left=value, midfoot_share_right=value), sensor


AXES = (
    Axis("mass, kg", (25.0, 40.0, 60.0, 90.0, 120.0), _body("mass_kg")),
    Axis("midfoot share standing", (0.0, 0.02, 0.04, 0.05, 0.08, 0.15, 0.30), _midfoot),
    Axis("walking speed, m/s", (0.6, 0.9, 1.3, 1.7, 2.1), _body("walk_speed_m_s")),
    Axis("backswing, s", (0.45, 0.6, 0.9, 1.3), _body("backswing_s")),
    Axis("tempo (backswing : downswing)", (2.0, 3.0, 4.0), _body("tempo")),
    Axis("drift, N", (0.0, 5.0, 10.0, 20.0), _part("drift_n")),
    Axis("lacing, N", (0.0, 10.0, 20.0, 40.0), _part("lacing_n")),
    Axis("hysteresis", (0.0, 0.1, 0.2, 0.3), _part("hysteresis")),
    Axis("noise, kPa", (0.0, 0.5, 1.0, 2.0), _part("noise_kpa")),
    Axis("dead zone, kPa", (0.0, 2.0, 4.0, 8.0), _part("dead_kpa")),
    Axis("packets lost", (0.0, 0.01, 0.03, 0.10), _part("loss")),
)


def draw(seed: int) -> tuple[Player, SensorModel, np.random.Generator]:
    rng = np.random.default_rng([31, seed])
    return random_player(rng), random_sensor(rng, loss=0.0), rng


def session(
    seed: int, changes: Sequence[tuple[Change, float]] = ()
) -> tuple[Performance, list[Event]]:
    """Perform and analyse one session, with some things changed."""
    player, sensor, rng = draw(seed)
    for change, value in changes:
        player, sensor = change(player, sensor, value)
    plan = random_session(rng, swings=4, steps=10, stand_s=3.0)
    done = perform(player, plan, (100.0, 200.0)[seed % 2], seed)
    return done, analyse_performance(done, sensor, seed)


def line(tally: Tally) -> str:
    """Scores of a cell in one line; a class is left out where no session has it."""
    out = [f"steps {tally.f1('step'):.3f}", f"swings {tally.f1('swing'):.3f}"]
    if tally.extra["swing"]:
        out.append(f"({tally.extra['swing']} false)")
    for name, classes in CLASSES.items():
        if name not in tally.confusion:
            continue
        recall = tally.recall(name)
        parts = [f"{c} {recall[c]:.2f}" for c in classes if c in recall]
        out.append(f"| {' '.join(parts)}")
    return " ".join(out)


def push_delays(events: list[Event]) -> Iterator[tuple[float, bool]]:
    """Seconds from the lead peak to each push's outcome; whether it came before the swing's."""
    swings = [e for e in events if isinstance(e, Swing)]
    for event in events:
        if isinstance(event, Phase) and event.kind is PhaseKind.PUSH:
            swing = next((s for s in swings if s.push == event.push), None)
            if swing is not None and swing.lead_peak_s is not None:
                before = event.confirmed_s < swing.confirmed_s
                yield event.confirmed_s - swing.lead_peak_s, before


def examples(tally: Tally, most: int = 1) -> None:
    for example in tally.examples[:most]:
        print(f"          {example}")
    if len(tally.examples) > most:
        print(f"          and {len(tally.examples) - most} more")


def print_axis(axis: Axis) -> None:
    print(f"\n{axis.name}")
    for value in axis.values:
        tally = Tally()
        for seed in range(SESSIONS):
            tally.add(*session(seed, [(axis.change, value)]), label=f"seed {seed}")
        print(f"  {value:>6g}  {line(tally)}")
        examples(tally)


GRID: tuple[tuple[str, Change, tuple[float, ...]], ...] = (
    ("mass", _body("mass_kg"), (25.0, 60.0, 120.0)),
    ("drift", _part("drift_n"), (0.0, 10.0)),
    ("hysteresis", _part("hysteresis"), (0.10, 0.20)),
    ("midfoot", _midfoot, (0.0, 0.08, 0.30)),
    ("speed", _body("walk_speed_m_s"), (0.7, 1.3, 2.0)),
)


def print_grid() -> None:
    """Every combination of the grid once; the cells in which something was missed or invented."""
    whole, cells = Tally(), list(product(*(values for *_, values in GRID)))
    print(f"\n{len(cells)} cells of {' × '.join(name for name, *_ in GRID)}, one session each")
    for seed, cell in enumerate(cells):
        changes = [(change, value) for (_, change, _), value in zip(GRID, cell, strict=True)]
        done, events = session(1000 + seed, changes)
        tally = Tally()
        label = ", ".join(f"{name} {v:g}" for (name, *_), v in zip(GRID, cell, strict=True))
        tally.add(done, events, label)
        whole.add(done, events, label)
        if tally.examples:
            print(f"  {label}\n          {line(tally)}")
            examples(tally)
    print(f"all cells\n{whole.report()}")


def main() -> None:
    """Print the whole report."""
    print(f"{SESSIONS} sessions a cell, everything else drawn; F1, then recall of each class")
    for axis in AXES:
        print_axis(axis)
    print_grid()
    tally = Tally()
    delays: list[tuple[float, bool]] = []
    for seed in range(4 * SESSIONS):
        done, events = session(seed)
        tally.add(done, events, f"seed {seed}")
        delays += push_delays(events)
    print(f"\nall drawn, {4 * SESSIONS} sessions\n{tally.report()}")
    examples(tally, 9)
    for before, name in ((True, "that the trail foot let go"), (False, "decided by the finish")):
        found = [1e3 * d for d, b in delays if b is before]
        if found:
            q = np.quantile(found, [0.05, 0.5, 0.95]).round()
            print(f"push outcome after the lead peak, {len(found)} {name}: p5, 50, 95 {q} ms")


if __name__ == "__main__":
    main()
