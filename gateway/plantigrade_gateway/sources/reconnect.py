"""How one insole's link is, and when to try again: no I/O, no clock of its own."""

from dataclasses import dataclass, field
from enum import StrEnum

from plantigrade_gateway.wire.gatt import KnownInsole

FIRST_PAUSE_S = 0.5
"""After the first failure: a link that broke by chance is back at once (ours)."""
LONGEST_PAUSE_S = 8.0
"""Pauses double up to this: a player who comes back waits no longer, and the radio of the other
insole is left alone in between (`gatt_profile.md` §4)."""
_MOST_DOUBLINGS = 16  # an insole that is off all day fails thousands of times in a row
HELD_S = 10.0
"""A link that held for so long was a good one: the pauses begin anew (ours)."""


class ConnectionState(StrEnum):
    """Where the way to one insole stands."""

    SEARCHING = "searching"
    CONNECTING = "connecting"
    STREAMING = "streaming"
    PAUSING = "pausing"
    """Between two tries."""
    STOPPED = "stopped"


class Reconnection:
    """The state of one insole's link, and how long to pause before the next try.

    Attributes
    ----------
    state : ConnectionState
    failures : int
        Tries in a row that came to nothing.
    links : int
        How often a link came up.
    """

    def __init__(self) -> None:
        self.state = ConnectionState.SEARCHING
        self.failures = 0
        self.links = 0
        self._since_s = 0.0

    def search(self) -> None:
        """Note that a search begins."""
        self.state = ConnectionState.SEARCHING

    def connect(self) -> None:
        """Note that the insole was heard and is connected to."""
        self.state = ConnectionState.CONNECTING

    def stream(self, now_s: float) -> None:
        """Note that the insole streams."""
        self.state = ConnectionState.STREAMING
        self.links += 1
        self._since_s = now_s

    def fail(self, now_s: float) -> float:
        """Note a try that came to nothing, or a link's end; return how long to pause, s."""
        if self.state is ConnectionState.STREAMING and now_s - self._since_s >= HELD_S:
            self.failures = 0
        self.state = ConnectionState.PAUSING
        doublings = min(self.failures, _MOST_DOUBLINGS)
        pause_s = min(FIRST_PAUSE_S * 2.0**doublings, LONGEST_PAUSE_S)
        self.failures += 1
        return pause_s

    def stop(self) -> None:
        """Note that there are no more tries."""
        self.state = ConnectionState.STOPPED


@dataclass(slots=True)
class LinkInfo:
    """How one insole's link is, for people.

    Attributes
    ----------
    insole : KnownInsole
    reconnection : Reconnection
    rssi : int or None
        When it was last heard before connecting, dBm.
    battery_percent : int or None
    dropped : int
        Packets the insole says it made and never sent.
    last_ns : int or None
        When data came last.
    calibration : str or None
        What is said of its calibration.
    firmware : str or None
        What is said of its firmware.
    interval_ms : float or None
        The connection interval as measured, ms.
    has_log : bool or None
        It keeps what it samples out of reach; None: it was not connected to yet.
    catching_up_s : float
        What is still to come of that, s.
    late_s, not_logged_s : float
        What came late so far, and what its log did not have, s.
    """

    insole: KnownInsole
    reconnection: Reconnection = field(default_factory=Reconnection)
    rssi: int | None = None
    battery_percent: int | None = None
    dropped: int = 0
    last_ns: int | None = None
    calibration: str | None = None
    firmware: str | None = None
    interval_ms: float | None = None
    has_log: bool | None = None
    catching_up_s: float = 0.0
    late_s: float = 0.0
    not_logged_s: float = 0.0

    @property
    def state(self) -> ConnectionState:
        """Where the way to it stands."""
        return self.reconnection.state
