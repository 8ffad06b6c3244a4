"""Visits of an invented player as records: what a guided check and its sets would have left.

Pure: it makes `record.Entry` rows; nobody was measured.
"""

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from hashlib import sha256

import numpy as np

from plantigrade.block import Foot
from plantigrade.calibrate import default_calibration
from plantigrade.events import Manner, Timing
from plantigrade.synth import (
    HeelHabit,
    OneLeg,
    Player,
    Segment,
    SensorModel,
    SessionPlan,
    Stand,
    Swing,
    Walk,
    perform,
)
from plantigrade.zones import eighteen
from plantigrade_gateway.record.entries import SESSION, Entry, Kind
from plantigrade_gateway.record.tables import CueState, Intent, SetStart, TrialName
from plantigrade_gateway.virtual.recorded import RadioChannel, RecordedInsole, merged

START_NS = 1_000_000_000_000
RATE_HZ = 100
_GAINS = {Foot.LEFT: 1.15, Foot.RIGHT: 1.19}
_SENSOR = SensorModel(
    gain_left=1 / 1.15,
    gain_right=1 / 1.19,
    gain_spread=0.02,
    drift_n=5.0,
    lacing_n=8.0,
    noise_kpa=0.5,
    dead_kpa=1.5,
)
_TIMES_S = {Intent.SMOOTH: (1.00, 0.34), Intent.FULL: (0.85, 0.28), Intent.FAST: (0.72, 0.23)}
"""Load's way to the trail foot, and from there to the lead foot (ours)."""
_REST_S = {Intent.SMOOTH: 5.0, Intent.FULL: 5.0, Intent.FAST: 16.0}


@dataclass(frozen=True, slots=True)
class Repetition:
    """A swing as the invented player makes it."""

    manner: Manner = Manner.ROLLED
    timing: Timing = Timing.WITH_SHIFT
    heel: HeelHabit = HeelHabit.DOWN


@dataclass(frozen=True, slots=True)
class Try:
    """A trial of a guided check."""

    step: str
    segments: tuple[Segment, ...]


@dataclass(frozen=True, slots=True)
class Drilled:
    """A drill as the record tells it: its name, and the entries with which it begins and ends."""

    name: str
    begin: bytes
    end: bytes


@dataclass(frozen=True, slots=True)
class Swings:
    """A set; with a drill the cues are heard, else it is silent."""

    intent: Intent
    repetitions: tuple[Repetition, ...]
    drill: Drilled | None = None


Part = Try | Swings

LIFTS = Try("lift", (Stand(2.0), OneLeg(Foot.LEFT, 4.0), OneLeg(Foot.RIGHT, 4.0), Stand(2.0)))
STAND = Try("stand", (Stand(20.0),))
FLAT = Try("flat", (Stand(20.0),))
WALK = Try("walk", (Walk(16), Stand(2.0), Walk(16), Stand(2.0), Walk(16), Stand(2.0)))
AGAIN = Try("between", (Walk(4),))
"""Stepped off and on; a step of this name is not kept."""
CHECK: tuple[Part, ...] = (LIFTS, STAND, AGAIN, STAND, AGAIN, STAND, WALK)


def visit_entries(player: Player, parts: Sequence[Part], calibrated: str, seed: int) -> list[Entry]:
    """Return the record of a visit.

    Parameters
    ----------
    player : Player
        The same body from visit to visit: what differs comes of the seed.
    parts : sequence of Try or Swings
    calibrated : str
        When the insoles were calibrated and checked, in the words of a calibration's note.
    seed : int
        The same seed gives the same bytes.
    """
    rng = np.random.default_rng(seed)
    segments: list[Segment] = [Stand(3.0)]
    told: list[tuple[int, Kind, bytes]] = [(0, Kind.CUES, CueState(False).to_json())]
    counts: dict[str, int] = {}
    for number, part in enumerate(parts):
        first = len(segments)
        if isinstance(part, Try):
            segments += part.segments
            if part is not AGAIN:
                counts[part.step] = counts.get(part.step, 0) + 1
                name = TrialName(part.step, counts[part.step]).to_json()
                told += [(first, Kind.CHECK, name), (len(segments), Kind.CHECK_END, name)]
        else:
            segments += _swings(part, rng)
            after, drill = len(segments), part.drill
            set_id = sha256(f"{seed} {number}".encode()).hexdigest()[:32]
            start = SetStart(set_id, part.intent, "7 iron").to_json()
            if drill is not None:
                cues = CueState(True, drill.name).to_json()
                told += [(first, Kind.DRILL, drill.begin), (first, Kind.CUES, cues)]
            told += [(first, Kind.SET, start), (after, Kind.SET_END, b"")]
            if drill is not None:
                cues = CueState(False).to_json()
                told += [(after, Kind.DRILL, drill.end), (after, Kind.CUES, cues)]
        segments.append(Stand(3.0))
    done = perform(player, SessionPlan(tuple(segments)), 2.0 * RATE_HZ, seed)
    duration_s = float(done.t_s[-1])
    pair = [_insole(number, foot, calibrated) for number, foot in enumerate(Foot)]
    sent = [i.entries(i.read(done, _SENSOR, seed), duration_s, START_NS, seed) for i in pair]
    own = [*_head(player, pair)]
    own += [
        Entry(START_NS + round(1e9 * done.segments_s[k]), SESSION, kind, data)
        for k, kind, data in told
    ]
    record = merged(own, *sent)
    record.append(Entry(record[-1].arrival_ns, SESSION, Kind.END, b""))
    return record


def _swings(part: Swings, rng: np.random.Generator) -> Iterator[Segment]:
    back_s, down_s = _TIMES_S[part.intent]
    for rep in part.repetitions:
        yield Swing(
            manner=rep.manner,
            timing=rep.timing,
            heel=rep.heel,
            backswing_s=float(back_s * rng.normal(1.0, 0.03)),
            downswing_s=float(down_s * rng.normal(1.0, 0.03)),
        )
        yield Stand(_REST_S[part.intent])


def _insole(number: int, foot: Foot, calibrated: str) -> RecordedInsole:
    return RecordedInsole(
        foot,
        number,
        replace(default_calibration(eighteen(), foot), gain=_GAINS[foot], note=calibrated),
        drift_ppm=(32.0, -41.0)[number],
        clock_us=51_000_000,
        phase_s=(0.0031, 0.0074)[number],
        link=RadioChannel(loss=0.002),
    )


def _head(player: Player, pair: Sequence[RecordedInsole]) -> Iterator[Entry]:
    settings = {
        "schema": 1,
        "mass_kg": player.mass_kg,
        "handed": "right" if player.lead is Foot.LEFT else "left",
        "layout": "eighteen",
        "rate_hz": RATE_HZ,
        "note": "invented",
    }
    yield Entry(START_NS, SESSION, Kind.SETTINGS, json.dumps(settings).encode())
    yield Entry(START_NS, SESSION, Kind.MARK, b"Invented: nobody was measured.")
    for insole in pair:
        yield Entry(
            START_NS, insole.insole, Kind.CALIBRATION, insole.calibration.to_json().encode()
        )
