"""Make the demo recording, `practice.pgr`: an invented player on an invented practice ground.

Run ``python replay_data/make_practice.py`` from the repository's root. The seed is fixed: the same
library versions on the same kind of processor make the same bytes. Beside the recording it writes
`practice.truth.json`, what the invented player did, and `practice.made_with.json`, what it was made
with. Nothing in it comes from a person.
"""

import hashlib
import json
import platform
import sys
import zlib
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import scipy

from plantigrade.block import Foot
from plantigrade.calibrate import default_calibration
from plantigrade.events import Manner, Timing
from plantigrade.synth import (
    Bend,
    Finish,
    HalfSwing,
    HeelHabit,
    OneLeg,
    Performance,
    Player,
    Segment,
    SensorModel,
    SessionPlan,
    Shuffle,
    Stand,
    Swing,
    Waggle,
    Walk,
    perform,
)
from plantigrade.zones import eighteen
from plantigrade_gateway.record.entries import SESSION, Entry, Kind
from plantigrade_gateway.sources.replay import write_replay
from plantigrade_gateway.virtual.recorded import RadioChannel, RecordedInsole, merged

SEED = 20_260_401
START_NS = 1_000_000_000_000
RATE_HZ = 100
NOTE = (
    "Invented: a synthetic player (74 kg, right-handed) in bay 3 of Nowhere Meadow, a practice "
    "ground that does not exist. No person was measured."
)

PLAYER = Player(
    mass_kg=74.0,
    lead=Foot.LEFT,
    midfoot_share_left=0.10,
    midfoot_share_right=0.09,
    left_share=0.51,
    walk_speed_m_s=1.3,
    backswing_s=0.85,
    tempo=3.0,
    body_seed=SEED,
)
SENSOR = SensorModel(
    gain_left=0.87,
    gain_right=0.84,
    gain_spread=0.02,
    hysteresis=0.12,
    drift_n=6.0,
    lacing_n=9.0,
    noise_kpa=0.5,
    dead_kpa=1.5,
)
GAINS = {Foot.LEFT: 1.15, Foot.RIGHT: 1.19}
"""As a one-leg stand before the session would have given them, to 0.1 %."""

ROLLED, SKIPPED, HELD = Manner.ROLLED, Manner.SKIPPED, Manner.HELD
EARLY, WITH = Timing.EARLY, Timing.WITH_SHIFT
DOWN, LIFTED, LATE, LIGHT = HeelHabit

Repetition = tuple[Manner, Timing, HeelHabit]
SMOOTH: list[Repetition] = [
    (SKIPPED, EARLY, DOWN),
    (SKIPPED, WITH, DOWN),
    (ROLLED, EARLY, DOWN),
    (SKIPPED, EARLY, LIFTED),
    (ROLLED, WITH, LIFTED),
    (HELD, WITH, DOWN),
    (ROLLED, WITH, LIFTED),
    (ROLLED, WITH, LIFTED),
    (SKIPPED, WITH, LIFTED),
    (ROLLED, WITH, LATE),
    (ROLLED, WITH, LIFTED),
]
FULL: list[Repetition] = [
    (ROLLED, WITH, LIFTED),
    (SKIPPED, EARLY, DOWN),
    (ROLLED, WITH, LIFTED),
    (ROLLED, EARLY, LIFTED),
    (HELD, WITH, DOWN),
    (ROLLED, WITH, LIFTED),
    (ROLLED, WITH, LIFTED),
    (SKIPPED, WITH, LATE),
    (ROLLED, WITH, LIFTED),
    (ROLLED, WITH, LIGHT),
    (ROLLED, WITH, LIFTED),
    (ROLLED, WITH, LIFTED),
]
FAST: list[Repetition] = [
    (SKIPPED, EARLY, DOWN),
    (SKIPPED, WITH, DOWN),
    (ROLLED, WITH, LIFTED),
    (SKIPPED, EARLY, LIFTED),
    (ROLLED, WITH, LIFTED),
    (HELD, WITH, LIFTED),
    (ROLLED, WITH, LIFTED),
    (ROLLED, EARLY, LIFTED),
    (ROLLED, WITH, LATE),
    (ROLLED, WITH, LIFTED),
]
SETS = {
    "smooth": (SMOOTH, 1.00, 0.34),
    "full": (FULL, 0.85, 0.28),
    "fast": (FAST, 0.70, 0.22),
}
BETWEEN = {
    ("smooth", 2): (Waggle(3),),
    ("smooth", 4): (Bend(one_leg=False), Walk(3)),
    ("smooth", 7): (HalfSwing(),),
    ("full", 1): (Shuffle(2),),
    ("full", 4): (Walk(4), Bend(one_leg=True)),
    ("full", 8): (HalfSwing(), Waggle(2)),
    ("fast", 2): (Waggle(2), Shuffle(1)),
    ("fast", 5): (Bend(one_leg=False),),
    ("fast", 8): (HalfSwing(),),
}
"""What happens before a repetition (counted from 0) of a set."""


def scenario() -> tuple[SessionPlan, dict[int, str]]:
    """Return the plan, and the marks by the segment they stand before."""
    segments: list[Segment] = [
        Stand(14.0),
        OneLeg(Foot.LEFT, 5.0),
        OneLeg(Foot.RIGHT, 5.0),
        Stand(3.0),
    ]
    marks = {0: "check: stand", len(segments): "check: walk"}
    segments += [Walk(14), Stand(1.5), Walk(16, turn_after=7), Stand(3.0)]
    rng = np.random.default_rng(SEED)
    for name, (repetitions, back_s, down_s) in SETS.items():
        marks[len(segments)] = f"set: {name}"
        for k, (manner, timing, heel) in enumerate(repetitions):
            segments += BETWEEN.get((name, k), ())
            segments.append(
                Swing(
                    manner=manner,
                    timing=timing,
                    heel=heel,
                    finish=Finish.STEPS if (name, k) == ("full", 6) else None,
                    backswing_s=float(back_s * rng.normal(1.0, 0.03)),
                    downswing_s=float(down_s * rng.normal(1.0, 0.03)),
                )
            )
        segments += [Walk(5), Stand(2.0)]
    return SessionPlan(tuple(segments)), marks


def insoles() -> list[RecordedInsole]:
    """Return the pair; the right insole's clock wraps some minutes into the session."""
    link = RadioChannel(interval_s=0.015, retry=0.06, stall_every_s=45.0, stall_s=0.18, loss=0.007)
    return [
        RecordedInsole(
            foot,
            number,
            replace(
                default_calibration(eighteen(), foot), gain=GAINS[foot], note=f"invented, {foot}"
            ),
            drift_ppm=ppm,
            clock_us=clock_us,
            phase_s=phase_s,
            link=link,
        )
        for number, (foot, ppm, clock_us, phase_s) in enumerate(
            [(Foot.LEFT, 32.0, 51_000_000, 0.0031), (Foot.RIGHT, -41.0, 2**32 - 2 * 10**8, 0.0074)]
        )
    ]


def said(done: Performance, marks: dict[int, str], pair: list[RecordedInsole]) -> list[Entry]:
    """Return the entries that are no insole's doing: settings, calibrations and marks."""
    settings = {
        "schema": 1,
        "mass_kg": PLAYER.mass_kg,
        "handed": "right",
        "layout": "eighteen",
        "rate_hz": RATE_HZ,
        "note": "invented",
    }
    out = [
        Entry(START_NS, SESSION, Kind.SETTINGS, json.dumps(settings).encode()),
        Entry(START_NS, SESSION, Kind.MARK, NOTE.encode()),
    ]
    out += [
        Entry(START_NS, insole.insole, Kind.CALIBRATION, insole.calibration.to_json().encode())
        for insole in pair
    ]
    out += [
        Entry(START_NS + round(1e9 * done.segments_s[k]), SESSION, Kind.MARK, text.encode())
        for k, text in marks.items()
    ]
    return out


def entries() -> tuple[list[Entry], Performance, dict[int, str]]:
    """Return the whole record, and what it is of."""
    plan, marks = scenario()
    done = perform(PLAYER, plan, 2.0 * RATE_HZ, SEED)
    duration = float(done.t_s[-1])
    pair = insoles()
    sent = [
        insole.entries(insole.read(done, SENSOR, SEED), duration, START_NS, SEED) for insole in pair
    ]
    record = merged(said(done, marks, pair), *sent)
    record.append(Entry(record[-1].arrival_ns, SESSION, Kind.END, b""))
    return record, done, marks


def truth(done: Performance, marks: dict[int, str]) -> str:
    """Return what the invented player did, as JSON; times are s from `start_ns`."""
    table = {
        "schema": 1,
        "note": NOTE,
        "start_ns": START_NS,
        "marks": [{"t_s": done.segments_s[k], "text": text} for k, text in marks.items()],
        **asdict(done.truth),
    }

    def rounded(value: object) -> object:
        if isinstance(value, float):
            return round(value, 4)
        if isinstance(value, dict):
            return {key: rounded(item) for key, item in value.items()}
        return [rounded(item) for item in value] if isinstance(value, list | tuple) else value

    rows = rounded(table)
    assert isinstance(rows, dict)
    parts = []
    for key, value in rows.items():
        if isinstance(value, list):
            lines = ",\n  ".join(json.dumps(row) for row in value)
            parts.append(f'"{key}": [\n  {lines}\n ]')
        else:
            parts.append(f'"{key}": {json.dumps(value)}')
    return "{\n " + ",\n ".join(parts) + "\n}\n"


def made_with(recording: bytes) -> dict[str, str]:
    """Return the recording's digest and what decides its bytes besides this script.

    Numpy takes the processor's widest instructions, whose last bits may differ.
    """
    simd = np.show_config(mode="dicts")["SIMD Extensions"]
    return {
        "sha256": hashlib.sha256(recording).hexdigest(),
        "machine": f"{sys.platform} {platform.machine()}",
        "simd": " ".join(simd.get("found", [])),
        "libc": " ".join(platform.libc_ver()),
        "numpy": np.__version__,
        "scipy": scipy.__version__,
        "zlib": zlib.ZLIB_RUNTIME_VERSION,
    }


def make(folder: Path) -> None:
    """Write the recording, its truth and what it was made with into `folder`."""
    record, done, marks = entries()
    write_replay(folder / "practice.pgr", record)
    (folder / "practice.truth.json").write_text(truth(done, marks), "utf-8")
    about = made_with((folder / "practice.pgr").read_bytes())
    (folder / "practice.made_with.json").write_text(json.dumps(about, indent=1) + "\n", "utf-8")


if __name__ == "__main__":
    make(Path(__file__).resolve().parent)
