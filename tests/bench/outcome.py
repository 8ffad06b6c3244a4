"""How soon after a swing its push is called: from the lead peak to the outcome, in recorded time.

Of drawn players and sensors of the synthetic player, 100 and 200 Hz in turn (`confusion` has how
right it is). No clock of this machine is in it.
"""

from collections.abc import Iterator

from tests.bench.confusion import push_delays, session
from tests.bench.table import Row, Spread, at_most

SESSIONS = 32
LIMIT_S = 0.35


def rows() -> Iterator[Row]:
    """Give the delay of all outcomes, and of those that the finish decides."""
    found = [one for seed in range(SESSIONS) for one in push_delays(session(seed)[1])]
    spread = Spread.of([delay_s for delay_s, _ in found])
    late = sum(not is_before for _, is_before in found)
    yield Row(
        "outcome after the lead peak",
        f"{spread.text('s', 2)}; {late} said with the swing's finish, not before",
        f"{SESSIONS} sessions of drawn players and sensors, in the recording's own time: what the "
        "rule waits for, not what the machine takes",
        (at_most("p95", spread.p95, LIMIT_S, "s"),),
    )
