"""Wrong passwords, counted: who must wait, and for how long. Pure but for the clock."""

import ipaddress
import math
import time
from collections.abc import Callable
from dataclasses import dataclass

FREE = 5
"""Wrong passwords from one address before it must wait; then twice as long after each (ours)."""
MOST_S = 300.0
FREE_ALL = 60
"""The same for all addresses together; a machine can take many addresses (ours)."""
MOST_ALL_S = 60.0
FORGET_S = 3600.0
"""After so long without a wrong one, an address begins anew, s (ours)."""
_FIRST_S = 2.0
_MOST_ADDRESSES = 4096  # kept; past that the one that was wrong longest ago is forgotten
_MOST_DOUBLINGS = 16


@dataclass(slots=True)
class _Count:
    """Wrong passwords of one address, or of all."""

    free: int
    most_s: float
    wrong: int = 0
    last_s: float = float("-inf")

    def wait_s(self, now_s: float) -> float:
        """Return how long until the next try is taken, s."""
        if now_s - self.last_s >= FORGET_S:
            self.wrong = 0
        if self.wrong < self.free:
            return 0.0
        pause_s = _FIRST_S * 2.0 ** min(self.wrong - self.free, _MOST_DOUBLINGS)
        return max(0.0, self.last_s + min(pause_s, self.most_s) - now_s)

    def add(self, now_s: float) -> None:
        self.wrong, self.last_s = self.wrong + 1, now_s


@dataclass(frozen=True, slots=True)
class Wait:
    """A try that is not taken.

    Attributes
    ----------
    seconds : float
        Until the next one is.
    everywhere : bool
        Whether the wrong ones came from many addresses, not from this one alone.
    """

    seconds: float
    everywhere: bool

    @property
    def said(self) -> str:
        """One sentence for the person who waits."""
        whole = math.ceil(self.seconds)
        time_ = f"{whole} s" if whole < 120 else f"{-(-whole // 60)} minutes"
        if self.everywhere:
            return (
                f"Too many wrong passwords from this network: try again in {time_}, "
                "or sign in on the gateway's own machine."
            )
        return f"Too many wrong passwords from this device: try again in {time_}."


class Attempts:
    """Who may try a password now.

    A try counts as wrong from its beginning, so that a hundred at once are not all taken before
    the first is found wrong.

    Parameters
    ----------
    clock : callable
        Monotonic time, s.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._by_place: dict[str, _Count] = {}
        self._all = _Count(FREE_ALL, MOST_ALL_S)

    def begin(self, address: str) -> Wait | None:
        """Take a try, or say how long to wait; one that is not taken changes nothing."""
        now_s, place = self._clock(), place_of(address)
        mine = self._by_place.get(place) or _Count(FREE, MOST_S)
        if (wait_s := mine.wait_s(now_s)) > 0:
            return Wait(wait_s, everywhere=False)
        # Strangers cannot shut out the person at the machine itself.
        if place != "here" and (wait_s := self._all.wait_s(now_s)) > 0:
            return Wait(wait_s, everywhere=True)
        mine.add(now_s)
        self._all.add(now_s)
        self._by_place.pop(place, None)
        self._by_place[place] = mine  # last in order: wrong most lately
        if len(self._by_place) > _MOST_ADDRESSES:
            del self._by_place[next(iter(self._by_place))]
        return None

    def was_right(self, address: str) -> None:
        """Take back a try that was right, and all wrong ones of its address."""
        self._by_place.pop(place_of(address), None)
        self._all.wrong = max(0, self._all.wrong - 1)


def place_of(address: str) -> str:
    """Return what counts as one place: "here" for this machine; of IPv6 a whole /64.

    One machine may take any address within its /64 (RFC 4291, RFC 8981).
    """
    try:
        ip = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return "unknown"
    if isinstance(ip, ipaddress.IPv6Address) and ip.ipv4_mapped is not None:
        ip = ip.ipv4_mapped
    if ip.is_loopback:
        return "here"
    if ip.version == 4:
        return str(ip)
    return str(ipaddress.ip_network((ip, 64), strict=False))
