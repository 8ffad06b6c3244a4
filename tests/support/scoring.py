"""Score detector results against what a synthetic player truly did."""

from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from plantigrade.analyser import Analyser
from plantigrade.block import FloatArray, Foot, PairBlock, PressureBlock
from plantigrade.events import Event, HeelLiftState, Stand, Step, Swing
from plantigrade.limits import Setup, setup_for
from plantigrade.load import LoadReducer
from plantigrade.pairing import Pairing
from plantigrade.synth import Performance, SensorModel
from plantigrade.zones import ZoneLayout

MATCH_S = 0.25
"""An event and its truth belong together when they lie this close."""


def pair_rows(
    t_s: FloatArray, left: FloatArray, right: FloatArray, layout: ZoneLayout, rate_hz: float
) -> list[PairBlock]:
    """Zone samples of both feet → rows of the paired time line."""
    reducer, pairing = LoadReducer(layout), Pairing(rate_hz)
    return [
        pairing.push(reducer.reduce(PressureBlock(Foot.LEFT, t_s, left))),
        pairing.push(reducer.reduce(PressureBlock(Foot.RIGHT, t_s, right))),
        pairing.flush(),
    ]


def analyse(setup: Setup, blocks: list[PairBlock]) -> list[Event]:
    analyser = Analyser(setup)
    return [e for block in blocks for e in analyser.push(block)] + analyser.flush()


def analyse_performance(done: Performance, sensor: SensorModel, seed: int) -> list[Event]:
    left, right = sensor.read(done, seed)
    setup = setup_for(done.layout, done.rate_hz, done.truth.weight_n, done.player.lead)
    return analyse(setup, pair_rows(done.t_s, left, right, done.layout, done.rate_hz))


@dataclass
class Tally:
    """Sums over sessions; errors in seconds, confusion as (truth, found) counts."""

    hits: Counter[str] = field(default_factory=Counter)
    missed: Counter[str] = field(default_factory=Counter)
    extra: Counter[str] = field(default_factory=Counter)
    errors: dict[str, list[float]] = field(default_factory=dict)
    confusion: dict[str, Counter[tuple[str, str]]] = field(default_factory=dict)
    examples: list[str] = field(default_factory=list)

    def f1(self, kind: str) -> float:
        hit = self.hits[kind]
        return 2 * hit / max(2 * hit + self.missed[kind] + self.extra[kind], 1)

    def quantile(self, name: str, q: float) -> float:
        return float(np.quantile(np.abs(self.errors[name]), q))

    def recall(self, name: str) -> dict[str, float]:
        rows: dict[str, Counter[str]] = {}
        for (truth, found), n in self.confusion[name].items():
            rows.setdefault(truth, Counter())[found] += n
        return {truth: row[truth] / row.total() for truth, row in rows.items()}

    def unclear(self, name: str) -> float:
        table = self.confusion[name]
        return sum(n for (_, found), n in table.items() if found == "unclear") / table.total()

    def add_error(self, name: str, found: float | None, truth: float | None) -> None:
        if found is not None and truth is not None:
            self.errors.setdefault(name, []).append(found - truth)

    def add_class(self, name: str, truth: str, found: str) -> None:
        self.confusion.setdefault(name, Counter())[truth, found] += 1

    def add(self, done: Performance, events: list[Event], label: str = "") -> None:
        """Compare one session's events with its truth."""
        self._steps(done, [e for e in events if isinstance(e, Step)], label)
        self._swings(done, [e for e in events if isinstance(e, Swing)], label)
        self._stands(done, [e for e in events if isinstance(e, Stand)], label)

    def _steps(self, done: Performance, found: list[Step], label: str) -> None:
        left = list(found)
        for truth in done.truth.steps:
            near = [
                s
                for s in left
                if s.foot is truth.foot
                and s.strike_s is not None
                and abs(s.strike_s - truth.strike_s) < MATCH_S
            ]
            if not near:
                self.missed["step"] += 1
                self.examples.append(f"{label} missed step {truth.foot} {truth.strike_s:.2f}")
                continue
            step = min(near, key=lambda s: abs((s.strike_s or 0) - truth.strike_s))
            left.remove(step)
            self.hits["step"] += 1
            self.add_error("strike", step.strike_s, truth.strike_s)
            self.add_error("off", step.off_s, truth.off_s)
            if truth.roll != "unclear" and not truth.turning:
                self.add_class("roll", truth.roll, step.roll)
        self.extra["step"] += len(left)
        self.examples += [f"{label} extra step {s.foot} {s.strike_s}" for s in left]

    def _swings(self, done: Performance, found: list[Swing], label: str) -> None:
        left = list(found)
        for truth in done.truth.swings:
            near = [
                s
                for s in left
                if s.lead_peak_s is not None and abs(s.lead_peak_s - truth.lead_peak_s) < 0.5
            ]
            if not near:
                self.missed["swing"] += 1
                self.examples.append(f"{label} missed swing shift {truth.shift_s:.2f}")
                continue
            swing = min(near, key=lambda s: abs((s.lead_peak_s or 0) - truth.lead_peak_s))
            left.remove(swing)
            self.hits["swing"] += 1
            self.add_error("start", swing.start_s, truth.start_s)
            if truth.trough_sharp:
                self.add_error("trail_peak", swing.trail_peak_s, truth.trail_peak_s)
            self.add_error("shift", swing.shift_s, truth.shift_s)
            self.add_error("lead_peak", swing.lead_peak_s, truth.lead_peak_s)
            lift = swing.heel_lift
            self.add_class(
                "heel",
                HeelLiftState.LIFTED if truth.heel_lifted else HeelLiftState.DOWN,
                lift.state,
            )
            if truth.heel_lifted and lift.state is HeelLiftState.LIFTED:
                self.add_error("lift", lift.lift_s, truth.lift_s)
                self.add_error("return", lift.return_s, truth.return_s)
            push = swing.push
            self.add_class("manner", truth.manner, push.manner)
            if truth.timing is not None:
                self.add_class("timing", truth.timing, push.timing)
            if push.transfer_s is not None and truth.fore_take_s is not None:
                assert truth.heel_leave_s is not None
                self.add_error("transfer", push.transfer_s, truth.fore_take_s - truth.heel_leave_s)
                self.add_error("fore_take", push.fore_take_s, truth.fore_take_s)
        self.extra["swing"] += len(left)
        for s in left:
            at = s.shift_s or 0.0
            kind = [n.kind for n in done.truth.not_swings if n.start_s - 1 < at < n.end_s + 1]
            self.examples.append(f"{label} extra swing at {at:.2f} in {kind}")

    def _stands(self, done: Performance, found: list[Stand], label: str) -> None:
        for truth in done.truth.stands:
            if truth.on is not None or truth.end_s - truth.start_s < 11.0:
                continue
            near = [s for s in found if s.start_s < truth.end_s and s.end_s > truth.start_s]
            self.hits["stand"] += bool(near)
            self.missed["stand"] += not near
            for stand in near[:1]:
                self.add_error("left_share", stand.left_share, truth.left_share)

    def report(self) -> str:
        """Everything in a few lines."""
        lines = [
            f"{kind}: F1 {self.f1(kind):.4f} "
            f"({self.hits[kind]} hit, {self.missed[kind]} missed, {self.extra[kind]} extra)"
            for kind in ("step", "swing", "stand")
        ]
        lines += [
            f"{name}: n {len(e)} median |e| {1e3 * self.quantile(name, 0.5):.1f} "
            f"p95 {1e3 * self.quantile(name, 0.95):.1f} "
            f"bias {1e3 * float(np.median(e)):+.1f} (10^-3)"
            for name, e in self.errors.items()
        ]
        for name, table in self.confusion.items():
            lines.append(f"{name}: unclear {self.unclear(name):.3f}")
            lines += [f"   {t} -> {f}: {n}" for (t, f), n in sorted(table.items())]
        return "\n".join(lines)
