"""An invented player who does what a calibration asks for, well or badly: for virtual insoles.

No Bluetooth in here; `virtual.py` puts it on the air.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import FloatArray, Foot
from plantigrade.calibrate import DEFAULT_TOP_KPA, default_calibration
from plantigrade.fitting import FITTING
from plantigrade.poses import Pose
from plantigrade.synth import (
    Mishap,
    Player,
    SensorModel,
    SessionPlan,
    Stand,
    StuckZone,
    perform,
    segment_of,
)
from plantigrade.zones import eighteen
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.virtual.player import GAINS

HOLD_S = 8.0
RATE_HZ = 100
"""At which the body is played; an insole takes the nearest of its samples. Nobody here is quick."""
_KINDS = "gain:FOOT:VALUE, dead:FOOT:ZONE, full:FOOT:ZONE, swapped, moved, short, wrong_foot, timid"


@dataclass(frozen=True, slots=True)
class Flaws:
    """What is wrong with the insoles, or with how the player does it.

    Attributes
    ----------
    gains : dict of Foot to float
        What an insole reads of a load.
    stuck : tuple of StuckZone
    swapped : bool
        Each insole is in the other shoe.
    mishap : Mishap or None
    """

    gains: dict[Foot, float] = field(default_factory=lambda: dict(GAINS))
    stuck: tuple[StuckZone, ...] = ()
    swapped: bool = False
    mishap: Mishap | None = None

    @classmethod
    def parse(cls, texts: tuple[str, ...]) -> "Flaws":
        """Read flaws as the command line has them.

        Raises
        ------
        InputError
            One that is none.
        """
        made = cls()
        for text in texts:
            made = made._with(text)
        return made

    def _with(self, text: str) -> "Flaws":
        try:
            match text.split(":"):
                case ["gain", foot, value] if 0.3 <= float(value) <= 2.0:
                    return replace(self, gains={**self.gains, Foot(foot): float(value)})
                case ["dead" | "full" as kind, foot, zone] if 1 <= int(zone) <= 18:
                    reads = 0.0 if kind == "dead" else DEFAULT_TOP_KPA
                    stuck = StuckZone(Foot(foot), int(zone) - 1, reads)
                    return replace(self, stuck=(*self.stuck, stuck))
                case ["swapped"]:
                    return replace(self, swapped=True)
                case [kind] if kind in list(Mishap):
                    return replace(self, mishap=Mishap(kind))
        except ValueError:
            pass
        raise InputError(f"flaw {text!r}: expected one of {_KINDS}")


class Follower:
    """Stands quietly until told a pose, then performs it, from standing to standing.

    Parameters
    ----------
    player : Player
    sensor : SensorModel
        Gains and stuck zones are the flaws'.
    flaws : Flaws
    seed : int

    Attributes
    ----------
    player : Player
    """

    def __init__(
        self,
        player: Player | None = None,
        sensor: SensorModel | None = None,
        flaws: Flaws | None = None,
        seed: int = 1,
    ) -> None:
        self.player = player or Player()
        flaws = flaws or Flaws()
        poses = tuple(dict.fromkeys(FITTING))
        plan = SessionPlan(
            (Stand(HOLD_S), *(segment_of(p, HOLD_S, flaws.mishap) for p in poses), Stand(1.0))
        )
        done = perform(self.player, plan, float(RATE_HZ), seed)
        model = replace(
            sensor or SensorModel(),
            gain_left=flaws.gains[Foot.LEFT],
            gain_right=flaws.gains[Foot.RIGHT],
            stuck=flaws.stuck,
            loss=0.0,
        )
        read = dict(zip(Foot, model.read(done, seed), strict=True))
        self._counts = {
            foot: default_calibration(eighteen(), foot).counts(
                read[foot.other if flaws.swapped else foot]
            )
            for foot in Foot
        }
        edges = [round(s * RATE_HZ) for s in done.segments_s]
        self._idle = edges[1]
        self._clips = {pose: (edges[k + 1], edges[k + 2]) for k, pose in enumerate(poses)}
        self._played: list[tuple[int, int, int]] = []  # begins at row, its clip's first and last

    def duration_s(self, pose: Pose) -> float:
        """Return how long a pose takes, from standing to standing, s."""
        first, last = self._clips[pose]
        return (last - first) / RATE_HZ

    def do(self, pose: Pose, t_s: float) -> None:
        """Perform a pose from a time of the body's on, or from the end of the one under way."""
        first, last = self._clips[pose]
        begin = round(t_s * RATE_HZ)
        if self._played:
            at, a, b = self._played[-1]
            begin = max(begin, at + b - a)
        self._played.append((begin, first, last))

    def at(self, foot: Foot, t_s: FloatArray) -> NDArray[np.uint16]:
        """Return a foot's counts at times of the body, s, shape (n, 18)."""
        rows = np.rint(t_s * RATE_HZ).astype(np.int64)
        where = rows % self._idle
        for begin, first, last in self._played[-2:]:
            during = (rows >= begin) & (rows < begin + last - first)
            where[during] = rows[during] - begin + first
        return self._counts[foot][where]
