"""Sessions in a synthetic bay of sound: swings of the synthetic player, strikes, and the truth.

The player's load goes through the sensor's model and the program's detectors; the sound through the
program's transients, stamps and rule. Between them lie two clocks that drift, a delay of the sound
device, the way of the sound, and the insoles' clock errors: all drawn, all known here.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
from tests.support import soundbay
from tests.support.scoring import analyse_performance
from tests.support.soundbay import CLUBS, Tape

from plantigrade.block import FloatArray, Foot
from plantigrade.events import Swing
from plantigrade.stamps import SOUND_M_S, Stamping, Sync, heel_stamps, stamping_of
from plantigrade.strike import (
    ClubSound,
    Span,
    Strike,
    find_strike,
    learn_club,
    strike_window,
)
from plantigrade.synth import Player, SensorModel, SessionPlan, Stand, perform, random_player
from plantigrade.synth import Swing as SwingSegment
from plantigrade.transients import Transient, TransientDetector, TransientKind

RATE_HZ = 100.0
CLOCK_ERROR_S = 0.004
"""What a gateway states of an insole that exchanges times (`ClockModel`)."""
GAP_S = 25.0
"""Between two swings, beside the swings themselves: a session is ten minutes and longer."""


@dataclass(frozen=True)
class Bay:
    """What a bay is like.

    Attributes
    ----------
    ball : str
        What stops the ball: ``"net"``, ``"screen"`` or ``"none"``.
    neighbours : int
        Bays from which a strike comes every 15 s.
    neighbour_db : float
        Their level against this bay's.
    struck : bool
        A ball is hit; else the swings are practice swings.
    topped : float
        Part of the strikes that are.
    restamped : bool
        Stamped once more at the end.
    """

    ball: str = "net"
    neighbours: int = 0
    neighbour_db: float = -10.0
    struck: bool = True
    topped: float = 0.0
    restamped: bool = True


@dataclass(frozen=True)
class Try:
    """One swing: what was true and what was said.

    Attributes
    ----------
    truth_s : float or None
        The strike on the feet's time line; None where no ball was hit.
    level_db : float
        Of the strike, against the bay's mean.
    strike : Strike
    swing : Swing
    """

    truth_s: float | None
    level_db: float
    strike: Strike
    swing: Swing


@dataclass
class World:
    """The clocks, delays and distances of one session."""

    rng: np.random.Generator
    offset_s: float = field(init=False)
    drift: float = field(init=False)
    clock_s: dict[Foot, float] = field(init=False)
    distance_m: float = field(init=False)
    stated_m: float = field(init=False)

    def __post_init__(self) -> None:
        rng = self.rng
        self.offset_s = float(rng.uniform(0.01, 0.25))
        self.drift = float(rng.uniform(-20e-6, 20e-6))
        self.clock_s = {
            foot: float(rng.uniform(-CLOCK_ERROR_S, CLOCK_ERROR_S))
            for foot in (Foot.LEFT, Foot.RIGHT)
        }
        self.distance_m = float(rng.uniform(1.0, 4.0))
        self.stated_m = max(self.distance_m + float(rng.uniform(-0.4, 0.4)), 0.0)

    def sound_s(self, t_s: float) -> float:
        """The sound's clock at a moment of true time, beside the microphone."""
        return t_s * (1.0 + self.drift) + self.offset_s


def stamp(world: World, at_s: float, jitter_s: float = 0.0) -> Stamping:
    """Five stamps of each heel, loads at 100 Hz and thumps heard, about `at_s`.

    `jitter_s` is the SD by which the sound device's delay wanders from stamp to stamp.
    """
    rng, bw_n = world.rng, 750.0
    contacts = {
        Foot.LEFT: at_s - 12.0 + 2.2 * np.arange(5) + rng.uniform(-0.3, 0.3, 5),
        Foot.RIGHT: at_s + 1.0 + 2.2 * np.arange(5) + rng.uniform(-0.3, 0.3, 5),
    }
    loaded = {}
    tape = Tape(rng, world.sound_s(at_s - 14.0), 28.0)
    for foot, moments in contacts.items():
        t_s = np.arange(at_s - 14.0, at_s + 14.0, 1.0 / RATE_HZ) + rng.uniform(0.0, 1.0 / RATE_HZ)
        heel_n = heel_load(rng, t_s, moments, bw_n)
        loaded[foot] = heel_stamps(t_s + world.clock_s[foot], heel_n, bw_n)
        for moment in moments:
            away_s = rng.uniform(0.2, 0.6) / SOUND_M_S
            heard_s = world.sound_s(moment + away_s) + rng.normal(0.0, jitter_s)
            tape.add(heard_s, soundbay.heel(rng, rng.normal(-12.0, 2.0)))
    return stamping_of(loaded[Foot.LEFT], loaded[Foot.RIGHT], times(tape, TransientKind.THUMP))


def heel_load(
    rng: np.random.Generator, t_s: FloatArray, contacts: FloatArray, bw_n: float
) -> FloatArray:
    """A heel's load: hanging, put down within 6 to 20 ms, held for a second, lifted again."""
    load = np.zeros(len(t_s))
    for contact_s in contacts:
        since = t_s - contact_s
        top_n, rise_s = bw_n * rng.uniform(0.4, 1.0), rng.uniform(0.006, 0.020)
        down = np.clip(since / rise_s, 0.0, 1.0) * (since < 1.0)
        load += top_n * np.where(
            since < 0.0, 0.0, down * (0.5 + 0.5 * np.exp(-since.clip(0) / 0.1))
        )
    noisy: FloatArray = np.maximum(load + rng.normal(4.0, 2.0, len(t_s)), 0.0)
    return noisy


def listen(tape: Tape, kind: TransientKind = TransientKind.CLICK) -> list[Transient]:
    """What is heard on a tape, on the sound's clock."""
    found = TransientDetector(kind).push(tape.samples)
    return [replace(one, t_s=one.t_s + tape.start_s) for one in found]


def times(tape: Tape, kind: TransientKind) -> list[float]:
    return [one.t_s for one in listen(tape, kind)]


@cache
def swings(player: Player, n: int, seed: int) -> tuple[tuple[Swing, float], ...]:
    """Swings as the program finds them, each with the truth's lead peak, on the same line."""
    plan = SessionPlan((Stand(2.0), *(SwingSegment() for _ in range(n))))
    done = perform(player, plan, RATE_HZ, seed)
    found = [e for e in analyse_performance(done, SensorModel(), seed) if isinstance(e, Swing)]
    return tuple(
        (swing, truth.lead_peak_s)
        for truth in done.truth.swings
        for swing in found
        if swing.lead_peak_s is not None and abs(swing.lead_peak_s - truth.lead_peak_s) < 0.5
    )


def session(
    seed: int,
    bay: Bay,
    n: int = 20,
    add: Callable[[np.random.Generator, Tape, Span], Sequence[Span]] | None = None,
    club: ClubSound | None = None,
) -> list[Try]:
    """Swing `n` times in a bay; the first five strikes are confirmed and not among the answers.

    Parameters
    ----------
    add : callable, optional
        Adds other sounds to a swing's tape, where the strike may lie; returns when the program's
        own were heard, on the sound's clock.
    """
    rng = np.random.default_rng([14, seed])
    world, name = World(rng), list(CLUBS)[seed % len(CLUBS)]
    pairs = swings(random_player(rng), n + 6, seed)
    span_s = 60.0 + GAP_S * len(pairs) + pairs[-1][1]
    stampings = [stamp(world, 40.0)]
    if bay.restamped:
        stampings.append(stamp(world, 60.0 + span_s))
    sync = Sync(stampings, RATE_HZ, world.stated_m)
    assert sync.refused is None, sync.refused
    screen_m = float(rng.uniform(3.0, 5.0))
    speed_m_s = {"driver": 65.0, "7 iron": 50.0, "sand wedge": 36.0}[name]
    confirmed: list[tuple[Transient, list[Transient]]] = []
    tries = []
    for k, (swing, peak_s) in enumerate(pairs):
        at_s = 60.0 + GAP_S * k  # where the swing's own line lies on that of the session
        learning = club is None
        lead_s = world.clock_s[swing.lead]
        hit_s = peak_s + at_s + float(rng.uniform(0.0, 0.16))
        first = strike_window(swing, 0.0)
        assert first is not None
        window_s = Span(first.start_s + at_s, first.end_s + at_s)
        start_s = world.sound_s(window_s.start_s - 0.5)
        tape = Tape(rng, start_s, window_s.end_s - window_s.start_s + 1.2, rng.uniform(-60, -45))
        is_topped = not learning and rng.random() < bay.topped
        level_db = rng.uniform(-14.0, -5.5) if is_topped else rng.normal(0.0, 1.3)
        own: Sequence[Span] = ()
        if bay.struck or learning:
            away_s = world.distance_m / SOUND_M_S
            tape.add(world.sound_s(hit_s + away_s), soundbay.strike(rng, CLUBS[name], level_db))
            ball_s = screen_m / (speed_m_s * rng.normal(1.0, 0.04)) + screen_m / SOUND_M_S + away_s
            if bay.ball == "screen":
                slap = soundbay.on_screen(rng, level_db + rng.uniform(-8.0, 0.0))
                tape.add(world.sound_s(hit_s + ball_s), slap)
            elif bay.ball == "net":
                tape.add(world.sound_s(hit_s + ball_s), soundbay.in_net(rng, rng.uniform(-15, -5)))
        for _ in range(0 if learning else bay.neighbours):
            when_s = start_s + rng.uniform(-7.5, 7.5)  # one in fifteen seconds
            other = CLUBS[str(rng.choice(list(CLUBS)))]
            tape.add(when_s, soundbay.strike(rng, other, bay.neighbour_db + rng.normal(0.0, 1.3)))
        if add is not None and not learning:
            own = add(
                rng, tape, Span(*(world.sound_s(t) for t in (window_s.start_s, window_s.end_s)))
            )
        heard, error_s = [], 0.0
        for one in listen(tape):
            load_s, error_s = sync.on_load_time(one.t_s, CLOCK_ERROR_S)
            heard.append(replace(one, t_s=load_s))
        if learning:
            near = [one for one in heard if abs(one.t_s - hit_s) < 0.03]
            if near:  # the coach confirms
                confirmed.append((near[0], [one for one in heard if one.t_s > near[0].t_s]))
            club = learn_club(confirmed)
            continue
        own_load = [
            Span(sync.on_load_time(one.start_s)[0], sync.on_load_time(one.end_s)[0]) for one in own
        ]
        window = Span(window_s.start_s + lead_s - error_s, window_s.end_s + lead_s + error_s)
        found = find_strike(window, heard, own_load, club, error_s)
        truth_s = hit_s + lead_s if bay.struck else None
        tries.append(Try(truth_s, level_db, found, swing))
    return tries
