"""Two gateways of one name, who throw each other off a broker: when that is so, and who waits.

A broker lets in one client of a name. Not every broker says why it ends the other's connection
(mosquitto 2.0 does not): then it shows by how often that happens.
"""

from collections.abc import Callable

FIRST_WAIT_S, LONGEST_WAIT_S = 30.0, 480.0
"""How long a bay waits whose place another takes (ours): where the broker says so, doubled from one
to the other; where it only seems so, the first, which is no longer than after any other outage."""
TAKEN_OVER = 0x8E
"""MQTT 5 §3.14.2.1: another connection uses the same client identifier."""
_SHORT_S = 60.0  # a connection that was kept for less broke soon (ours)
_OFTEN = 3  # that often soon, and let in again at once: no restart of a broker's (ours)


class Rivals:
    """Counts connections that break soon after they were taken.

    Parameters
    ----------
    now_s : callable
        A monotonic clock, s.
    """

    def __init__(self, now_s: Callable[[], float]) -> None:
        self._now_s = now_s
        self._opened_s: float | None = None
        self._soon = 0
        self._wait_s = 0.0

    def opened(self) -> None:
        """Note that the broker has let this bay in."""
        self._opened_s = self._now_s()

    def refused(self) -> None:
        """Note that it has not: who was thrown off by another would be let in again."""
        self._opened_s, self._soon, self._wait_s = None, 0, 0.0

    def broke(self, *, is_told: bool) -> float | None:
        """Note that the connection broke.

        Parameters
        ----------
        is_told : bool
            Whether the broker said that another has taken it.

        Returns
        -------
        float or None
            How long to wait for the other, s; None where there seems to be none.
        """
        if self._opened_s is not None:  # else it is known already
            if self._now_s() - self._opened_s > _SHORT_S + 2 * self._wait_s:
                self.refused()
            self._opened_s = None
            self._soon += 1
            if is_told:
                self._wait_s = min(2 * self._wait_s or FIRST_WAIT_S, LONGEST_WAIT_S)
            elif self._soon >= _OFTEN:
                self._wait_s = FIRST_WAIT_S
        return self._wait_s or None
