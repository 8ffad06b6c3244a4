"""What hysteresis, drift and a dead zone do to each measure, on the synthetic player.

``python -m tests.bench sensing``. Not a timing: a measuring error, printed; the figures of
``hardware_notes/sensing.md``, ``calibration.md`` and ``wearing.md`` are its output. Each session is
read twice, by a sensor without fault and by one with a single fault, and both readings are
analysed; what is printed is the second's event less the first's. So it says what the fault does,
not how right the analysis is.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from tests.support.scoring import analyse, analyse_performance, pair_rows

from plantigrade.block import Foot, PressureBlock
from plantigrade.calibrate import default_calibration, with_gain
from plantigrade.events import Event, Stand, Step, Swing
from plantigrade.limits import setup_for
from plantigrade.load import LoadReducer
from plantigrade.synth import (
    OneLeg,
    Performance,
    SensorModel,
    SessionPlan,
    perform,
    random_player,
    random_session,
)

SESSIONS = 24
RATE_HZ = 100.0
LENGTH_MM = 270.0
CLEAN = SensorModel.clean()
FAULTS = {
    "hysteresis 10 %": replace(CLEAN, hysteresis=0.10),
    "hysteresis 20 %": replace(CLEAN, hysteresis=0.20),
    "drift 5 N": replace(CLEAN, drift_n=5.0),
    "drift 10 N": replace(CLEAN, drift_n=10.0),
    "lacing 20 N": replace(CLEAN, lacing_n=20.0),
    "dead zone 2 kPa": replace(CLEAN, dead_kpa=2.0),
    "zone gains ±5 %": replace(CLEAN, gain_spread=0.05),
}

Value = float | str | None
Measures = dict[str, Value]


def of_stand(stand: Stand, bw_n: float) -> Measures:
    """The left foot's part is as good as the right's; the split is of both."""
    foot = stand.left
    return {
        "load split, points": _times(stand.left_share, 100),
        "foot load, % BW": 100 * foot.load_n / bw_n,
        "midfoot share, points": _times(foot.midfoot_share, 100),
        "CoP y, mm": _times(foot.cop_y, LENGTH_MM),
        "sway RMS y, mm": foot.sway_rms_y_mm,
        "sway path, mm": foot.sway_path_mm,
        "bearing": foot.bearing.value,
    }


def of_step(step: Step, bw_n: float) -> Measures:
    """A stance's times, loads, and course."""
    return {
        "strike, ms": _times(step.strike_s, 1000),
        "toe-off, ms": _times(step.off_s, 1000),
        "stance, ms": _times(step.stance_s, 1000),
        "first peak, % BW": _times(step.peak1_n, 100 / bw_n),
        "midfoot impulse share, points": _times(step.midfoot_impulse_share, 100),
        "heel centre, % stance": step.heel.centre_pct,
        "forefoot centre, % stance": step.forefoot.centre_pct,
        "heel-off, % stance": step.heel_off_pct,
        "CoP y at mid-stance, mm": _times(step.cop_y[9], LENGTH_MM),
        "roll": step.roll.value,
    }


def of_swing(swing: Swing, bw_n: float) -> Measures:
    """A swing's moments and classes."""
    lift, push = swing.heel_lift, swing.push
    return {
        "start, ms": _times(swing.start_s, 1000),
        "trail peak, ms": _times(swing.trail_peak_s, 1000),
        "shift, ms": _times(swing.shift_s, 1000),
        "lead peak, ms": _times(swing.lead_peak_s, 1000),
        "lead peak, % BW": _times(swing.lead_peak_bw, 100),
        "share range, points": 100 * swing.share_range,
        "heel lift, ms": _times(lift.lift_s, 1000),
        "heel return, ms": _times(lift.return_s, 1000),
        "lowest heel load, % BW": _times(lift.lowest_load_bw, 100),
        "transfer, ms": _times(push.transfer_s, 1000),
        "trail CoP travel, mm": _times(swing.trail_cop_travel, LENGTH_MM),
        "heel lift": lift.state.value,
        "manner": push.manner.value,
        "timing": push.timing.value,
    }


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def spans(event: Event) -> tuple[float, float, object] | None:
    """When it happened and on which foot; None where a gap hides it."""
    if isinstance(event, Stand):
        return event.start_s, event.end_s, None
    if isinstance(event, Step) and event.strike_s is not None:
        return event.strike_s - 0.1, event.strike_s + 0.1, event.foot
    if isinstance(event, Swing) and event.lead_peak_s is not None:
        return event.lead_peak_s - 0.1, event.lead_peak_s + 0.1, None
    return None


def matched(clean: list[Event], faulty: list[Event], kind: type) -> list[tuple[Event, Event]]:
    """Pair the events of two readings of one session: those that overlap most."""
    rest = [(e, spans(e)) for e in faulty if isinstance(e, kind)]
    out = []
    for event in clean:
        mine = spans(event) if isinstance(event, kind) else None
        if mine is None:
            continue
        shared = [
            min(mine[1], its[1]) - max(mine[0], its[0]) if its and its[2] == mine[2] else 0.0
            for _, its in rest
        ]
        if shared and max(shared) > 0.0:
            out.append((event, rest.pop(int(np.argmax(shared)))[0]))
    return out


KINDS: tuple[tuple[str, type, Callable[..., Measures]], ...] = (
    ("stand", Stand, of_stand),
    ("step", Step, of_step),
    ("swing", Swing, of_swing),
)


class Effect:
    """What one fault did, over all sessions."""

    def __init__(self) -> None:
        self.clean: dict[str, list[float]] = {}
        self.difference: dict[str, list[float]] = {}
        self.agree: dict[str, list[bool]] = {}
        self.seen: dict[str, list[int]] = {}

    def add(self, done: Performance, clean: list[Event], faulty: list[Event]) -> None:
        """Compare two readings' events of a session."""
        bw_n = done.truth.weight_n
        for name, kind, measures in KINDS:
            pairs = matched(clean, faulty, kind)
            count = self.seen.setdefault(name, [0, 0, 0])
            count[0] += sum(isinstance(e, kind) for e in clean)
            count[1] += sum(isinstance(e, kind) for e in faulty)
            count[2] += len(pairs)
            for a, b in pairs:
                self._compare(name, measures(a, bw_n), measures(b, bw_n))

    def _compare(self, event: str, clean: Measures, faulty: Measures) -> None:
        for name, was in clean.items():
            now, key = faulty[name], f"{event}: {name}"
            if isinstance(was, str):
                self.agree.setdefault(key, []).append(was == now)
            elif was is not None and isinstance(now, float):
                self.clean.setdefault(key, []).append(was)
                self.difference.setdefault(key, []).append(now - was)


GAIN = 0.85
"""What a foot's zones read of its load, to be found again by the one-leg stand."""


def gain_error(done: Performance, sensor: SensorModel, seed: int) -> list[float]:
    """Return each foot's gain from its one-leg stand, zeroed while it was in the air, % of true."""
    readings = dict(zip(Foot, sensor.read(done, seed), strict=True))
    still = {
        stand.on: (done.t_s > stand.start_s + 0.5) & (done.t_s < stand.end_s - 0.5)
        for stand in done.truth.stands
        if stand.on is not None
    }
    out = []
    for foot, kpa in readings.items():
        net = kpa - np.median(kpa[still[foot.other]], axis=0)
        block = PressureBlock(foot, done.t_s, net)
        rows = LoadReducer(done.layout).reduce(block).values[still[foot]]
        found = with_gain(default_calibration(done.layout, foot), rows, done.truth.weight_n)
        out.append(100.0 * (found.gain * GAIN - 1.0))
    return out


def print_gains() -> None:
    """Print how far the gain of a one-leg stand is off, by fault."""
    print("\ngain of a 6 s one-leg stand, % off: median, 95th percentile of its size")
    plan = SessionPlan((OneLeg(Foot.LEFT), OneLeg(Foot.RIGHT)))
    errors: dict[str, list[float]] = {name: [] for name in FAULTS}
    for seed in range(SESSIONS):
        done = perform(random_player(np.random.default_rng([2027, seed])), plan, RATE_HZ, seed)
        for name, sensor in FAULTS.items():
            faulty = replace(sensor, gain_left=GAIN, gain_right=GAIN)
            errors[name] += gain_error(done, faulty, seed)
    for name, found in errors.items():
        size = np.percentile(np.abs(found), 95)
        print(f"  {name}: {np.median(found):+.1f}, {size:.1f}")


def swapped(done: Performance, seed: int) -> list[Event]:
    """Analyse a session whose left insole is taken for the right one, and the other way round."""
    right, left = SensorModel().read(done, seed)
    setup = setup_for(done.layout, done.rate_hz, done.truth.weight_n, done.player.lead)
    return analyse(setup, pair_rows(done.t_s, left, right, done.layout, done.rate_hz))


def main() -> None:
    """Print, for each measure and fault: median difference, and the 95th percentile of its size."""
    print_gains()
    effects = {name: Effect() for name in FAULTS}
    exchanged, right_way = Effect(), Effect()
    for seed in range(SESSIONS):
        rng = np.random.default_rng([2026, seed])
        done = perform(random_player(rng), random_session(rng), RATE_HZ, seed)
        clean = analyse_performance(done, CLEAN, seed)
        right_way.add(done, clean, analyse_performance(done, SensorModel(), seed))
        exchanged.add(done, clean, swapped(done, seed))
        for name, sensor in FAULTS.items():
            effects[name].add(done, clean, analyse_performance(done, sensor, seed))
    print(f"{SESSIONS} sessions of as many players, {RATE_HZ:g} Hz; found without, with, in both:")
    for name, effect in effects.items():
        print(f"  {name}: {effect.seen}")
    print(f"  the usual sensor: {right_way.seen}; with left and right exchanged: {exchanged.seen}")
    first = effects["hysteresis 10 %"]
    print("\n| measure | without fault | " + " | ".join(FAULTS) + " |")
    print("|--" * (len(FAULTS) + 2) + "|")
    for key in (*first.difference, *first.agree):
        typical = f"{np.median(first.clean[key]):.1f}" if _is_size(key) else ""
        cells = (_cell(effect, key) for effect in effects.values())
        print(f"| {key} | {typical} | " + " | ".join(cells) + " |")


def _is_size(key: str) -> bool:
    """Whether a measure's own value says something: a moment's does not."""
    return "," in key and not (key.endswith(", ms") and "stance" not in key and "tran" not in key)


def _cell(effect: Effect, key: str) -> str:
    if key in effect.agree:
        return f"{100 * np.mean(effect.agree[key]):.0f} %"
    d = np.array(effect.difference[key])
    return f"{np.median(d):+.1f}, {np.percentile(np.abs(d), 95):.1f}"
