"""Invented players put together by hand: visits with prompted stands, walks and sets of swings."""

import dataclasses
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from tests.support import records

from plantigrade.block import Foot
from plantigrade.calibrate import default_calibration
from plantigrade.events import (
    Bearing,
    FootStand,
    HeelLiftState,
    Manner,
    Roll,
    Step,
    Swing,
    Timing,
)
from plantigrade.limits import Limits
from plantigrade.prompted import PromptedStand
from plantigrade.zones import eighteen
from plantigrade_gateway.analysis.quality import FootQuality, Gaps, Quality
from plantigrade_gateway.analysis.result import Analysis, MarkedSet, Trial
from plantigrade_gateway.coach.case import Case, Questions, SwingNote, Visit
from plantigrade_gateway.drills.run import DrillResult
from plantigrade_gateway.store.calibrations import Check, StoredCalibration

FIRST_DAY = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class MadeAnalysis(Analysis):
    """An analysis whose sets are given, not read from its record."""

    made_sets: tuple[MarkedSet, ...] = ()

    @property
    def sets(self) -> tuple[MarkedSet, ...]:
        return self.made_sets


def calibrated(day: datetime, check: datetime | None = None, *, passed: bool = True) -> str:
    """What is said of an insole that was calibrated on a day, by the store's own words."""
    made = None if check is None else Check(check, None, 0.1, 2.0, () if passed else ("drifts",))
    calibration = default_calibration(eighteen(), Foot.LEFT)
    return StoredCalibration(1, day, calibration, 1.2, 0.4, (), made).description


def foot_quality(calibration: str | None, missing: int = 0) -> FootQuality:
    return FootQuality(
        samples=10_000 - missing,
        missing_samples=missing,
        gaps=Gaps(0, 0.0, 0.0),
        saturated_samples=0,
        unused_zones=(),
        baseline_n=0.0,
        baseline_error_n=None,
        baseline_age_s=None,
        link=None,
        calibration=calibration,
        gain=1.0,
    )


def quality(
    said: tuple[str | None, str | None],
    limits: Limits | None = None,
    notes: tuple[str, ...] = (),
    missing: int = 0,
) -> Quality:
    return Quality(
        analysis_version=3,
        layout="eighteen",
        zones=18,
        handed="right",
        lead="left",
        mass_kg=70.0,
        body_weight_n=700.0,
        body_weight_from="mass",
        recording_weight_n=700.0,
        contact_n=35.0,
        heel_lift_n=21.0,
        floor_n=(1.0, 1.0, 1.0, 1.0),
        limits=limits or Limits(),
        left=foot_quality(said[0], missing),
        right=foot_quality(said[1]),
        notes=notes,
    )


def foot_stand(share: float | None, load_n: float = 350.0, *, moved: bool = False) -> FootStand:
    empty = records.stand(0).left
    bearing = Bearing.MOVED if moved else Bearing.UNCLEAR  # facts name it themselves
    return dataclasses.replace(empty, bearing=bearing, midfoot_share=share, load_n=load_n)


def step_at(t_s: float, foot: Foot, roll: Roll) -> Step:
    made = records.step(round(100 * t_s), foot)
    return dataclasses.replace(made, strike_s=t_s, off_s=t_s + 0.65, roll=roll)


def swing_at(
    t_s: float,
    *,
    good: bool | None = True,
    lifted: bool | None = True,
    lead: Foot = Foot.LEFT,
    **changed: Any,
) -> Swing:
    """A swing with a good push, one that skipped, or one nobody can tell; fields by name."""
    made = records.swing(round(100 * t_s), lead)
    manner = {True: Manner.ROLLED, False: Manner.SKIPPED, None: Manner.UNCLEAR}[good]
    timing = Timing.UNCLEAR if good is None else Timing.WITH_SHIFT
    state = {
        True: HeelLiftState.LIFTED,
        False: HeelLiftState.DOWN,
        None: HeelLiftState.UNCLEAR,
    }[lifted]
    # what an older analysis kept is not asked for
    push = dataclasses.replace(
        made.push, manner=manner, timing=timing, is_good=None, from_heel=None, heel_loaded=None
    )
    lift = dataclasses.replace(made.heel_lift, state=state, return_after_level_s=-0.02)
    parts = {
        "push": _changed(push, changed),
        "heel_lift": _changed(lift, changed),
    }
    own = {f.name for f in dataclasses.fields(Swing)}
    return dataclasses.replace(made, **parts, **{k: v for k, v in changed.items() if k in own})


def _changed(part: Any, changed: Mapping[str, Any]) -> Any:
    names = {f.name for f in dataclasses.fields(part)}
    return dataclasses.replace(part, **{k: v for k, v in changed.items() if k in names})


@dataclass
class VisitMaker:
    """Puts a visit together; times run on from part to part."""

    day: int = 0
    shoe: str = "Shoe A"
    footbed: str = ""
    hour: int = 10

    def __post_init__(self) -> None:
        self.started = FIRST_DAY.replace(hour=self.hour) + timedelta(days=self.day)
        self.t_s = 10.0
        self.steps: list[Step] = []
        self.swings: list[Swing] = []
        self.sets: list[MarkedSet] = []
        self.trials: list[Trial] = []
        self.drills: list[DrillResult] = []
        self.notes: dict[int, SwingNote] = {}

    def stood(
        self, left: Sequence[float | None], right: Sequence[float | None], step: str = "stand"
    ) -> "VisitMaker":
        """Prompted stands with these midfoot shares."""
        for a, b in zip(left, right, strict=True):
            self.tried(foot_stand(a), foot_stand(b), step)
        return self

    def tried(
        self, left: FootStand, right: FootStand, step: str = "stand", length_s: float = 20.0
    ) -> "VisitMaker":
        """A trial of a stand, which may be refused."""
        start_s, number = self.t_s, 1 + sum(trial.step == step for trial in self.trials)
        found = PromptedStand(start_s + 3.0, start_s + 18.0, 0.0, 0.5, left, right)
        self.trials.append(Trial(step, number, start_s, start_s + length_s, found))
        self.t_s += 30.0
        return self

    def walked(self, left: Iterable[Roll], right: Iterable[Roll]) -> "VisitMaker":
        """A prompted straight walk with these rolls, and a first and a last step beside them."""
        start_s = self.t_s
        pairs = [
            (Foot.RIGHT, Roll.UNCLEAR),
            *(
                one
                for a, b in zip(left, right, strict=True)
                for one in ((Foot.LEFT, a), (Foot.RIGHT, b))
            ),
            (Foot.LEFT, Roll.UNCLEAR),
        ]
        for foot, roll in pairs:
            self.t_s += 0.55
            self.steps.append(step_at(self.t_s, foot, roll))
        self.t_s += 5.0
        self.trials.append(Trial("walk", 1, start_s, self.t_s))
        return self

    def swung(
        self,
        intent: str,
        swings: Iterable[Mapping[str, Any]],
        *,
        silent: bool | None = True,
        club: str = "7 iron",
        missing: float | None = 0.0,
        notes: Mapping[int, SwingNote] | None = None,
    ) -> "VisitMaker":
        """A set of swings, each given by the words of `swing_at`."""
        start_s, made = self.t_s, []
        for k, given in enumerate(swings):
            self.t_s += 20.0
            if notes and k in notes:
                self.notes[len(self.swings)] = notes[k]
            made.append(swing_at(self.t_s, **given))
            self.swings.append(made[-1])
        self.t_s += 20.0
        name = f"{intent} {len(self.sets) + 1}"
        self.sets.append(
            MarkedSet(
                *(name, start_s, self.t_s, f"set-{len(self.sets)}"),
                *(intent, club, silent, missing),
                swings=tuple(made),
            )
        )
        return self

    def lifted(self) -> "VisitMaker":
        """Each foot lifted: the shoes were off."""
        self.trials.append(Trial("lift", 1, self.t_s, self.t_s + 18.0))
        self.t_s += 25.0
        return self

    def drilled(self) -> "VisitMaker":
        """A run of a drill."""
        self.drills.append(
            DrillResult("push", "Push", "", "", "every", self.t_s, self.t_s + 60.0, 5, 8, 0, 3, ())
        )
        self.t_s += 60.0
        return self

    def visit(
        self,
        *,
        limits: Limits | None = None,
        calibration: tuple[str | None, str | None] | None = None,
        notes: tuple[str, ...] = (),
        missing: int = 0,
        questions: Questions | None = None,
        **given: Any,
    ) -> Visit:
        said = calibrated(self.started)
        analysis = MadeAnalysis(
            source="invented",
            rate_hz=100.0,
            duration_s=self.t_s,
            stands=(),
            steps=tuple(self.steps),
            swings=tuple(self.swings),
            marks=(),
            quality=quality(calibration or (said, said), limits, notes, missing),
            drills=tuple(self.drills),
            trials=tuple(self.trials),
            made_sets=tuple(self.sets),
        )
        return Visit(
            session_id=f"visit-{self.day}",
            started=self.started,
            analysis=analysis,
            notes=self.notes,
            questions=questions,
            shoe=self.shoe,
            footbed=self.footbed,
            **given,
        )


def case(*visits: Visit, **given: Any) -> Case:
    return Case(
        **{
            "player_id": "p1",
            "name": "Iris Invented",
            "handedness": "right",
            **given,
            "visits": visits,
        }
    )


def pushes(good: int, not_good: int, unclear: int = 0) -> list[dict[str, Any]]:
    """Swings of which so many have a good push."""
    return [{"good": True}] * good + [{"good": False}] * not_good + [{"good": None}] * unclear


STANDS = np.array([[0.081, 0.090, 0.086], [0.110, 0.102, 0.115], [0.095, 0.099, 0.090]])
"""Mean midfoot share of three wearings on three visits, invented."""


def worn(row: list[float], day: int, **given: Any) -> Visit:
    """A visit with three stands of both feet in each wearing; the lead foot's mean is the row's."""
    maker = VisitMaker(day=day)
    for mean in row:
        maker.lifted().stood([mean - 0.004, mean, mean + 0.004], [0.1] * 3)
    return maker.visit(**given)


def two_way(table: np.ndarray) -> tuple[float, int]:
    """√ of the error mean square, by the residuals of rows and columns (Weir 2005), and df."""
    n, k = table.shape
    left = table - table.mean(1, keepdims=True) - table.mean(0) + table.mean()
    degrees = (n - 1) * (k - 1)
    return math.sqrt(float((left**2).sum()) / degrees), degrees
