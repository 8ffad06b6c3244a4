"""A synthetic player who does a guided check: samples and instants → `Analysis`, without a record.

What a record adds (packets, clocks, entries) is tested where it is.
"""

from collections.abc import Sequence

import numpy as np

from plantigrade.block import FloatArray, Foot, PressureBlock
from plantigrade.limits import setup_for
from plantigrade.load import LoadReducer
from plantigrade.prompted import LiftPrompt, StandPrompt
from plantigrade.synth import Player, Segment, SensorModel, SessionPlan, perform
from plantigrade.zones import eighteen
from plantigrade_gateway.analysis.quality import FootQuality, Gaps
from plantigrade_gateway.analysis.result import Analysis, Trial, quality_of
from plantigrade_gateway.analysis.timeline import Tallies, TimeLine

RATE_HZ = 100.0
Told = tuple[str, float, float]
"""A trial: its step, its start and its end, s."""


def feet_of(
    player: Player, segments: Sequence[Segment], sensor: SensorModel | None = None, seed: int = 1
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return times and both feet's zones of a player who does these segments."""
    done = perform(player, SessionPlan(tuple(segments)), RATE_HZ, seed)
    left, right = (sensor or SensorModel()).read(done, seed)
    return done.t_s, left, right


def analysed(
    player: Player,
    t_s: FloatArray,
    left: FloatArray,
    right: FloatArray,
    told: Sequence[Told],
    rows: int = 50,
) -> Analysis:
    """Analyse samples in which trials were told, some rows at a time."""
    layout = eighteen()
    setup = setup_for(layout, RATE_HZ, player.weight_n, player.lead)
    tallies, reducer = Tallies(), LoadReducer(layout)
    line = TimeLine(tallies)
    line.begin(setup)
    edges = sorted(
        [(at, "begin", step) for step, at, _ in told] + [(e, "end", "") for *_, e in told]
    )
    at = 0
    for when_s, what, step in [*edges, (np.inf, "", "")]:
        stop = int(np.searchsorted(t_s, when_s))
        while at < stop:
            upto = min(at + rows, stop)
            for foot, zones in ((Foot.LEFT, left), (Foot.RIGHT, right)):
                line.push(reducer.reduce(PressureBlock(foot, t_s[at:upto], zones[at:upto])))
            at = upto
        if what == "begin":
            line.begin_trial(step, when_s)
        elif what == "end":
            line.end_trial(when_s)
    line.end()
    nothing = FootQuality(0, 0, Gaps(0, 0.0, 0.0), None, (), 0.0, None, None, None)
    feet = dict.fromkeys(Foot, nothing)
    quality = quality_of(setup, layout, player.mass_kg, "mass", None, feet, ())
    trials = []
    for k, ((step, start_s, end_s), prompt) in enumerate(
        zip(told, tallies.prompts, strict=True), 1
    ):
        stand = prompt.result if isinstance(prompt, StandPrompt) else None
        lift = prompt.result if isinstance(prompt, LiftPrompt) else None
        trials.append(Trial(step, k, start_s, end_s, stand, lift))
    found = tallies.found
    return Analysis(
        "synthetic",
        RATE_HZ,
        float(t_s[-1]),
        tuple(found.stands),
        tuple(found.steps),
        tuple(found.swings),
        (),
        quality,
        trials=tuple(trials),
    )


def check_of(
    player: Player,
    segments: Sequence[Segment],
    told: Sequence[Told],
    sensor: SensorModel | None = None,
    seed: int = 1,
) -> Analysis:
    """Analyse a player who does these segments while trials are told."""
    return analysed(player, *feet_of(player, segments, sensor, seed), told)
