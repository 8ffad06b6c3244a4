"""A player on virtual insoles who does a guided check as it asks, with time only as it is recorded.

The player's movements are planned with the presses they follow, and the insoles' bytes are pushed
into a real session up to each press: so a check of ten minutes takes as long as its analysis does.
"""

import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from tests.support.waiting import HANG_S

from plantigrade.block import Foot
from plantigrade.calibrate import default_calibration
from plantigrade.events import Manner, Timing
from plantigrade.synth import (
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
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.drills.files import Drilling, shelf
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.session.checkpeople import CheckPeople
from plantigrade_gateway.session.commands import CommandHandler
from plantigrade_gateway.session.feed import LiveFeed
from plantigrade_gateway.session.session import LiveSession
from plantigrade_gateway.sound.output import Silence, Sound
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.virtual.recorded import RadioChannel, RecordedInsole, merged

Message = dict[str, Any]
Segments = tuple[Segment, ...]
LEAD_IN_S = 4.3
"""Stood still after a press until the trial has begun."""
GOOD = Swing(Manner.ROLLED, Timing.WITH_SHIFT)
LIFTS: Segments = (Stand(LEAD_IN_S), OneLeg(Foot.RIGHT, 4.0), OneLeg(Foot.LEFT, 4.0), Stand(3.0))
STOOD: Segments = (Stand(LEAD_IN_S + 21.0),)
WALKED: Segments = (Walk(24), Walk(24), Walk(26), Walk(26), Stand(4.0))
PRACTISED: Segments = (Stand(LEAD_IN_S), *[GOOD] * 6, Stand(4.0))


def swung(n: int, swing: Swing = GOOD, rest_s: float = 5.0) -> tuple[Segment, ...]:
    """Swings of a set, with rests."""
    each = [part for _ in range(n) for part in (Stand(rest_s), swing)]
    return (Stand(LEAD_IN_S), *each, Stand(4.0))


@dataclass(frozen=True, slots=True)
class Do:
    """Something that is pressed, and what the player does from then on."""

    press: str
    segments: tuple[Segment, ...] = (Stand(1.0),)


FIRST_LOOK = (
    Do("start", LIFTS),
    *[Do("start", STOOD)] * 3,
    Do("skip"),
    Do("start", WALKED),
    Do("start", PRACTISED),
    Do("start", swung(8)),
    Do("start", swung(8)),
)
"""A whole first look, from the answered questions on, the insoles on the floor left out."""


class Told:
    """Stands for the pages: keeps what they are told."""

    viewers = 1
    dropped = 0

    def __init__(self) -> None:
        self.messages: list[Message] = []

    def send(self, message: Message) -> None:
        self.messages.append(message)


def entries_of(
    player: Player,
    script: Sequence[Do],
    sensor: SensorModel | None,
    seed: int,
    calibrated: str | None = None,
) -> tuple[list[Entry], list[float]]:
    """Return what the insoles send, and when each thing is pressed, session time, s."""
    segments: list[Segment] = [Stand(3.0)]
    places = []
    for do in script:
        places.append(len(segments))
        segments += do.segments
    done = perform(player, SessionPlan((*segments, Stand(3.0))), 100.0, seed)
    records, told = [], []
    duration_s = float(done.t_s[-1])
    for number, foot in enumerate(Foot):
        calibration = default_calibration(eighteen(), foot)
        if calibrated is not None:
            calibration = replace(calibration, note=calibrated)
            told.append(Entry(0, number, Kind.CALIBRATION, calibration.to_json().encode()))
        insole = RecordedInsole(foot, number, calibration, link=RadioChannel.steady())
        zones = insole.read(done, sensor or SensorModel(), seed)
        records.append(insole.entries(zones, duration_s, 0, seed))
    settings = SessionSettings(mass_kg=player.mass_kg)
    first = Entry(0, SESSION, Kind.SETTINGS, settings.to_json())
    return [first, *told, *merged(*records)], [done.segments_s[place] for place in places]


@dataclass
class CheckBay:
    """A session into which a player's insoles send, and its check.

    Parameters
    ----------
    store : Store
    page : Told or the gateway's own page
    player : Player
    script : sequence of Do
    """

    store: Store
    page: Any
    player: Player
    script: Sequence[Do]
    sensor: SensorModel | None = None
    player_id: str | None = None
    seed: int = 1
    voice: Any = None
    calibrated: str | None = None  # what the record says of both insoles' calibration
    commands: deque[Message] = field(default_factory=deque)

    def __post_init__(self) -> None:
        drilling, sound = Drilling(shelf(None)), Sound(Silence(), "Sound is off.")
        self.feed = LiveFeed(self.page, sound, drilling.shelf)
        people = CheckPeople(self.store)
        self.handler = CommandHandler(self.feed, sound, drilling, people)
        self.live = LiveSession(
            self.store,
            "virtual insoles",
            Silence(),
            print,
            tap=self.feed.tap,
            voice=self.voice,
            player_id=self.player_id,
        )
        self.handler.begin(self.live)
        self.feed.set_player(self.player_id)
        self.feed.begin(self.live, "virtual insoles")
        entries, self.presses_s = entries_of(
            self.player, self.script, self.sensor, self.seed, self.calibrated
        )
        self._batch, self._at = Batch.of(entries), 0
        self.push_until(2.0)

    def push_until(self, t_s: float) -> None:
        """Push what the insoles send until a session time."""
        while self._at < len(self._batch) and self._batch.arrival_ns[self._at] <= 1e9 * t_s:
            stop = min(self._at + 20, len(self._batch))
            self.live.hear(True)
            batch = self._batch.slice(self._at, stop)
            self.handler.take(batch)
            step = self.live.push(batch)
            self._at = stop
            self.feed.show(step, self.live.analysis.pipeline)
            self.handler.advance(self.live)

    def command(self, **message: Any) -> None:
        """Ask for something as a page does."""
        self.handler.handle({"type": "check", **message}, self.live)

    def obey_next(self, idle: Callable[[], object]) -> None:
        """Wait for what a page asks for next, and do it."""
        end_s = time.monotonic() + HANG_S
        while True:
            while not self.commands:
                assert time.monotonic() < end_s, "no command comes"
                idle()
            message = self.commands.popleft()
            if message["type"] != "viewers":
                self.handler.handle(message, self.live)
                return

    def through(self) -> Iterator[str]:
        """Go to each press of the script in turn; whoever iterates presses it."""
        for do, at_s in zip(self.script, self.presses_s, strict=True):
            self.push_until(at_s + 0.2)
            yield do.press
        self.push_until(1e9)

    @property
    def check(self) -> Message:
        """Where the check stands."""
        under_way = self.handler.check
        assert under_way is not None
        return under_way.message()

    def close(self) -> Analysis:
        """End the session; return its results."""
        self.handler.end()
        return self.live.close()
