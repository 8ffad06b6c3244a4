"""How much somebody may ask: so much at once, then so much a second."""

import time
from collections.abc import Callable


class Budget:
    """What is left of it.

    Parameters
    ----------
    burst : float
        How much may be asked at once.
    a_second : float
        How much comes back each second.
    clock : callable
        Monotonic time, s.
    """

    def __init__(
        self, burst: float, a_second: float, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._burst = self._left = burst
        self._a_second = a_second
        self._clock = clock
        self._at_s = clock()

    def take(self, cost: float = 1.0) -> bool:
        """Take a cost, if there is as much left; return whether there was."""
        now_s = self._clock()
        self._left = min(self._burst, self._left + (now_s - self._at_s) * self._a_second)
        self._at_s = now_s
        if self._left < cost:
            return False
        self._left -= cost
        return True
