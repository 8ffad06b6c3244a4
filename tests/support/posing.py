"""A synthetic player in the poses of a calibration, as counts: for tests of what judges them."""

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import FloatArray, Foot
from plantigrade.calibrate import Calibration, default_calibration
from plantigrade.fitting import FITTING, Fitting, Held, Refused, Step, Taken
from plantigrade.poses import Pose
from plantigrade.synth import Mishap, Player, SensorModel, calibration_visit, perform
from plantigrade.zones import eighteen

LAYOUT = eighteen()
LEFT, RIGHT = Foot.LEFT, Foot.RIGHT
GAINS = {LEFT: 0.80, RIGHT: 0.90}
SENSOR = SensorModel(gain_left=0.80, gain_right=0.90, lacing_n=15.0, dead_kpa=0.0)
Start = dict[Foot, Calibration]


def never() -> Start:
    """Both feet's calibration before there is one."""
    return {foot: default_calibration(LAYOUT, foot) for foot in Foot}


@dataclass(frozen=True)
class Posing:
    """A visit, as the insoles count it."""

    player: Player
    t_s: FloatArray
    counts: dict[Foot, NDArray[np.uint16]]

    def swapped(self) -> "Posing":
        return replace(self, counts={foot: self.counts[foot.other] for foot in Foot})


@cache
def posing(
    poses: tuple[Pose, ...] = FITTING,
    mishap: Mishap | None = None,
    sensor: SensorModel = SENSOR,
    player: Player | None = None,
    seed: int = 1,
    hold_s: float = 8.0,
) -> Posing:
    player = player or Player()
    done = perform(player, calibration_visit(poses, hold_s, mishap), 100.0, seed)
    read = sensor.read(done, seed)
    counts = {
        foot: default_calibration(LAYOUT, foot).counts(kpa)
        for foot, kpa in zip(Foot, read, strict=True)
    }
    return Posing(player, done.t_s, counts)


def run(fitting: Fitting, posed: Posing, rows: int = 50) -> list[Step]:
    """Push a visit, so many samples of each foot in turn."""
    steps: list[Step] = []
    for at in range(0, len(posed.t_s), rows):
        for foot in Foot:
            part = slice(at, at + rows)
            steps += fitting.push(foot, posed.t_s[part], posed.counts[foot][part])
    return steps


def taken(steps: list[Step]) -> list[Pose]:
    return [step.pose for step in steps if isinstance(step, Taken)]


def refused(steps: list[Step]) -> list[Refused]:
    return [step for step in steps if isinstance(step, Refused)]


def held(steps: list[Step]) -> list[Held]:
    return [step for step in steps if isinstance(step, Held)]
