"""What virtual insoles measure: device settings, a player's feet, one who follows prompts.

No Bluetooth in here; `peripheral.py` puts it on the air.
"""

from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import FloatArray, Foot
from plantigrade.calibrate import DEFAULT_TOP_KPA, default_calibration
from plantigrade.events import Manner, Timing
from plantigrade.fitting import FITTING
from plantigrade.synth import (
    Bend,
    Mishap,
    Player,
    Segment,
    SensorModel,
    SessionPlan,
    Stand,
    StuckZone,
    Swing,
    Waggle,
    Walk,
    perform,
    segment_of,
)
from plantigrade.zones import eighteen
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.virtual.recorded import RadioChannel
from plantigrade_gateway.virtual.style import PlayerStyle
from plantigrade_gateway.wire.information import Information
from plantigrade_gateway.wire.messages import SampleFormat

BODY_HZ = 400
"""At which the synthetic body moves; an insole takes the nearest of its samples."""
SERIALS = {Foot.LEFT: 0x51A70001, Foot.RIGHT: 0x51A70002}
"""Serial numbers of the usual virtual pair."""
PAIRS_APART = 0x100
"""Between the serial numbers of one virtual pair and the next."""
LENGTH_MM = 270
GAINS = {Foot.LEFT: 0.80, Foot.RIGHT: 0.90}
"""What the usual virtual insoles read of a load: their true gains are 1.25 and 1.11."""
ZONES = 18
FIRMWARE = 0x0100
INFORMATION = Information(ZONES, 12, None, hardware=1, firmware=FIRMWARE)
"""What virtual insoles say of themselves."""
SHORTEST_PERIOD_US = round(1e6 / BODY_HZ)
"""The fastest they can sample: a shorter period is refused."""
CLOCK_WRAP = 1 << 32


class ZoneSource(Protocol):
    """What presses virtual insoles."""

    def at(self, foot: Foot, t_s: NDArray[np.float64]) -> NDArray[np.uint16]:
        """Return a foot's counts at times of the body, s, shape (n, 18)."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class GaitSource:
    """What both feet press, as counts, over and over.

    Attributes
    ----------
    counts : dict of Foot to ndarray of uint16, shape (n, 18)
        At `BODY_HZ`; after the last sample comes the first.
    """

    counts: dict[Foot, NDArray[np.uint16]]

    def at(self, foot: Foot, t_s: NDArray[np.float64]) -> NDArray[np.uint16]:
        """Return a foot's counts at times of the body, s, shape (n, 18)."""
        rows = self.counts[foot]
        return rows[np.rint(t_s * BODY_HZ).astype(np.int64) % len(rows)]


_Push = tuple[Manner, Timing]
_ROLL: _Push = (Manner.ROLLED, Timing.WITH_SHIFT)
_SKIP: _Push = (Manner.SKIPPED, Timing.WITH_SHIFT)
_HOLD: _Push = (Manner.HELD, Timing.WITH_SHIFT)
_EARLY_ROLL: _Push = (Manner.ROLLED, Timing.EARLY)
_EARLY_SKIP: _Push = (Manner.SKIPPED, Timing.EARLY)
_GROUPS: dict[PlayerStyle, tuple[tuple[_Push, ...], ...]] = {
    PlayerStyle.MIXED: (
        (_ROLL, _ROLL, _SKIP, _HOLD),
        (_ROLL, _ROLL, _EARLY_ROLL, _EARLY_SKIP),
        (_ROLL, _ROLL, _SKIP, _HOLD),
    ),
    PlayerStyle.ROLLS: 3 * ((_ROLL,) * 4,),
    PlayerStyle.SKIPS: 3 * ((_SKIP,) * 4,),
    PlayerStyle.HOLDS: 3 * ((_HOLD,) * 4,),
    PlayerStyle.EARLY: 4 * ((_EARLY_ROLL, _EARLY_ROLL, _EARLY_SKIP),),
}
"""The pushes of each style in groups (ours): a group's order is drawn, the groups' is fixed, so
that no player of the mixed style waits long for a success, whatever the seed."""


def drawn_pushes(style: PlayerStyle, rng: np.random.Generator) -> list[_Push]:
    """Return a style's twelve pushes in an order that is drawn."""
    return [group[k] for group in _GROUPS[style] for k in rng.permutation(len(group))]


def _drawn_player(rng: np.random.Generator, lead: Foot) -> Player:
    """Draw who plays. Mass and feet's size stay, so that a calibration of the pair stays true."""
    midfoot = float(rng.uniform(0.06, 0.13))
    return Player(
        lead=lead,
        midfoot_share_left=midfoot,
        midfoot_share_right=float(midfoot * rng.uniform(0.9, 1.1)),
        left_share=float(rng.uniform(0.48, 0.52)),
        sway_mm=float(rng.uniform(3.5, 6.0)),
        walk_speed_m_s=float(rng.uniform(1.1, 1.5)),
        backswing_s=float(rng.uniform(0.75, 1.0)),
        tempo=float(rng.uniform(2.7, 3.3)),
        body_seed=int(rng.integers(2**31)),
    )


def invented_steps(
    seed: int = 1, style: PlayerStyle = PlayerStyle.MIXED, lead: Foot = Foot.LEFT
) -> GaitSource:
    """Return two minutes of an invented player who stands, walks and swings twelve times.

    Parameters
    ----------
    seed : int
        Another one makes another player, who does it in another order.
    style : PlayerStyle
        What the pushes are like.
    lead : Foot
        The lead foot: left for a right-handed player.
    """
    return pressed(*invented_session(seed, style, lead), seed)


def invented_session(
    seed: int, style: PlayerStyle, lead: Foot = Foot.LEFT
) -> tuple[Player, SessionPlan]:
    """Return who plays, and what `invented_steps` has them do."""
    rng = np.random.default_rng(seed)
    player = _drawn_player(rng, lead)
    segments: list[Segment] = [Stand(6.0), Walk(10), Stand(3.0)]
    for k, (manner, timing) in enumerate(drawn_pushes(style, rng)):
        if k % 4 == 3:
            segments.append(Waggle(2) if k % 8 == 3 else Bend(one_leg=False))
        segments.append(Swing(manner=manner, timing=timing))
    return player, SessionPlan((*segments, Walk(4)))


def pressed(player: Player, plan: SessionPlan, seed: int) -> GaitSource:
    """Return what the usual pair reads of a session."""
    done = perform(player, plan, float(BODY_HZ), seed)
    sensor = SensorModel(gain_left=GAINS[Foot.LEFT], gain_right=GAINS[Foot.RIGHT])
    read = sensor.read(done, seed)
    layout = eighteen()
    return GaitSource(
        {
            foot: default_calibration(layout, foot).counts(pressure)
            for foot, pressure in zip((Foot.LEFT, Foot.RIGHT), read, strict=True)
        }
    )


@dataclass(frozen=True, slots=True)
class DeviceSettings:
    """What a virtual insole is like.

    Attributes
    ----------
    foot : Foot
    serial : int
        Announced; the address follows from it.
    answers_serial : int or None
        Said by *identify*; None: the announced one. Another makes it an impostor.
    period_us, frames, sample_format
        Until the host asks for others.
    drift_ppm : float
        How much its clock runs fast.
    clock_us : int
        Its clock when it is switched on.
    loss : float
        Fraction of packets that were made but never sent.
    battery_percent : float
    battery_hours : float
        A full battery lasts so long.
    speed : float
        How many seconds of the body pass in a second.
    information : Information or None
        What it says of itself; None: it has no such characteristic, as older ones.
    curve : bytes
        The stored curve's value, where the information says that there is one.
    has_battery : bool
        It offers the Battery Service; without it its status alone tells the level.
    slow_read_s : float
        How long it takes to answer a read of its status.
    public_address : bool
        Its address is a public one; else a static random one.
    needs_bond : bool
        It lets nobody write to its control point or read its status without encryption.
    log_pages : int
        It has a log of so many pages in a flash chip; 0: it has none.
    """

    foot: Foot
    serial: int
    answers_serial: int | None = None
    period_us: int = 10_000
    frames: int = 2
    sample_format: SampleFormat = SampleFormat.PACKED12
    drift_ppm: float = 0.0
    clock_us: int = 0
    loss: float = 0.0
    battery_percent: float = 87.0
    battery_hours: float = 12.0
    speed: float = 1.0
    information: Information | None = INFORMATION
    curve: bytes = b""
    has_battery: bool = True
    slow_read_s: float = 0.0
    public_address: bool = False
    needs_bond: bool = False
    log_pages: int = 0

    def __post_init__(self) -> None:
        if not 0 <= self.clock_us < CLOCK_WRAP:
            raise InputError(f"virtual insole: clock is {self.clock_us} µs, expected 32 bits")
        if not 0.0 <= self.battery_percent <= 100.0:
            raise InputError(
                f"virtual insole: battery is {self.battery_percent:g} %, expected 0 to 100"
            )
        if not 0.01 <= self.speed <= 1000.0:
            raise InputError(f"virtual insole: speed is {self.speed:g}, expected 0.01 to 1000")
        RadioChannel(loss=self.loss)  # checks it

    @property
    def zones(self) -> int:
        """Samples in a frame."""
        return ZONES if self.information is None else self.information.zones

    @property
    def firmware(self) -> int:
        """Its version, major × 256 + minor."""
        return FIRMWARE if self.information is None else self.information.firmware

    @property
    def address(self) -> str:
        """The address; of a static random one the two highest bits are set."""
        raw = ((0x00 if self.public_address else 0xC0) << 40) | self.serial
        return ":".join(f"{raw >> shift & 0xFF:02X}" for shift in range(40, -1, -8))


def usual_pair(
    place: int = 0,
    **settings: Any,  # noqa: ANN401
) -> tuple[DeviceSettings, DeviceSettings]:
    """Return a virtual pair, left and right, with some settings turned.

    Parameters
    ----------
    place : int
        Which of several: each has serial numbers and addresses of its own.
    **settings
        Of `DeviceSettings`.
    """
    number = {foot: serial + place * PAIRS_APART for foot, serial in SERIALS.items()}
    left = DeviceSettings(Foot.LEFT, number[Foot.LEFT], drift_ppm=32.0, clock_us=51_000_000)
    right = DeviceSettings(Foot.RIGHT, number[Foot.RIGHT], drift_ppm=-41.0, clock_us=7_000_000)
    return replace(left, **settings), replace(right, **settings)


HOLD_S = 8.0
RATE_HZ = 100
"""At which the body is played; an insole takes the nearest of its samples. Nobody here is quick."""
_KINDS = "gain:FOOT:VALUE, dead:FOOT:ZONE, full:FOOT:ZONE, swapped, moved, short, wrong_foot, timid"


@dataclass(frozen=True, slots=True)
class ScriptedFaults:
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
    def parse(cls, texts: tuple[str, ...]) -> "ScriptedFaults":
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

    def _with(self, text: str) -> "ScriptedFaults":
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


class ScriptedPlayer:
    """Stands quietly until told a pose, then performs it, from standing to standing.

    Parameters
    ----------
    player : Player
    sensor : SensorModel
        Gains and stuck zones are the flaws'.
    flaws : ScriptedFaults
    seed : int

    Attributes
    ----------
    player : Player
    """

    def __init__(
        self,
        player: Player | None = None,
        sensor: SensorModel | None = None,
        flaws: ScriptedFaults | None = None,
        seed: int = 1,
    ) -> None:
        self.player = player or Player()
        flaws = flaws or ScriptedFaults()
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
        self._clips = {str(pose): (edges[k + 1], edges[k + 2]) for k, pose in enumerate(poses)}
        self._played: list[tuple[int, int, int]] = []  # begins at row, its clip's first and last

    def duration_s(self, pose: str) -> float:
        """Return how long a pose takes, from standing to standing, s."""
        first, last = self._clips[pose]
        return (last - first) / RATE_HZ

    def learn(self, what: str) -> None:
        """Do nothing: every pose is known."""

    def do(self, what: str, t_s: float) -> None:
        """Perform a pose from a time of the body's on, or from the end of the one under way."""
        first, last = self._clips[what]
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
