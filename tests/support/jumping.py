"""The wall clock of this process, set forward or back while it runs."""

import sys
import time
from datetime import datetime, timedelta, tzinfo


class _OfAnyKind(type):
    def __instancecheck__(cls, one: object) -> bool:
        return isinstance(one, datetime)


class WallClock:
    """The program's wall clock; monotonic clocks go on as they did.

    It is made with this module, which is imported before the program: some modules of that take
    the functions of `time` by name. Call `hold` when the program is there.

    Attributes
    ----------
    ahead_s : float
        How far it is ahead of the machine's.
    """

    def __init__(self) -> None:
        self.ahead_s = 0.0
        ns, s = time.time_ns, time.time
        time.time_ns = lambda: ns() + round(1e9 * self.ahead_s)
        time.time = lambda: s() + self.ahead_s

    def hold(self) -> None:
        """Have the modules of the program that are there read this clock for `datetime`, too."""
        clock = self

        class Shifted(datetime, metaclass=_OfAnyKind):
            @classmethod
            def now(cls, tz: tzinfo | None = None) -> datetime:  # type: ignore[override]
                return datetime.now(tz) + timedelta(seconds=clock.ahead_s)

        for name, module in list(sys.modules.items()):
            if name.startswith("plantigrade_gateway") and vars(module).get("datetime") is datetime:
                module.datetime = Shifted  # type: ignore[attr-defined]


CLOCK = WallClock()
