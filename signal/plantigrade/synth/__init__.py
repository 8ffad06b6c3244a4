"""A synthetic player: ideal pressure under both feet, the truth about it, and a sensor's reading.

>>> from plantigrade.synth import Player, SensorModel, SessionPlan, Stand, Swing, perform
>>> done = perform(Player(), SessionPlan((Stand(3.0), Swing())), rate_hz=100.0, seed=1)
>>> left_kpa, right_kpa = SensorModel().read(done, seed=1)
>>> len(done.truth.swings), left_kpa.shape[1]
(1, 18)
"""

from plantigrade.synth.plan import (
    Bend,
    Finish,
    HalfSwing,
    Mishap,
    OneLeg,
    Rock,
    Segment,
    SessionPlan,
    Shuffle,
    SlowShift,
    Stand,
    Swing,
    TrailRest,
    Waggle,
    Walk,
    calibration_visit,
    random_session,
    segment_of,
)
from plantigrade.synth.player import Player, Style, random_player
from plantigrade.synth.sensor import SensorModel, StuckZone, random_sensor
from plantigrade.synth.session import Performance, perform
from plantigrade.synth.truth import (
    HeelHabit,
    NotSwing,
    NotSwingKind,
    StanceTruth,
    StandTruth,
    SwingTruth,
    Truth,
)

__all__ = [
    "Bend",
    "Finish",
    "HalfSwing",
    "HeelHabit",
    "Mishap",
    "NotSwing",
    "NotSwingKind",
    "OneLeg",
    "Performance",
    "Player",
    "Rock",
    "Segment",
    "SensorModel",
    "SessionPlan",
    "Shuffle",
    "SlowShift",
    "StanceTruth",
    "Stand",
    "StandTruth",
    "StuckZone",
    "Style",
    "Swing",
    "SwingTruth",
    "TrailRest",
    "Truth",
    "Waggle",
    "Walk",
    "calibration_visit",
    "perform",
    "random_player",
    "random_sensor",
    "random_session",
    "segment_of",
]
