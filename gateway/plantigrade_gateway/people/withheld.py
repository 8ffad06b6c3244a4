"""The players of whom nothing is sent on any more: their consent to it has ended."""

from collections import defaultdict
from datetime import date

from plantigrade_gateway.people.change import Change
from plantigrade_gateway.people.players import PLAYER, Register
from plantigrade_gateway.people.profile import SEND_ON, consent_of


def withheld(register: Register, today: date) -> frozenset[str]:
    """Return the ids of players whose consent to be sent on was withdrawn or has run out.

    One who was never asked is not among them: that a database or a broker is set is the coach's own
    word (`hardware_notes/coaching.md`).

    Raises
    ------
    StoreError
        What people said cannot be read.
    """
    said: defaultdict[str, list[Change]] = defaultdict(list)
    with register.explained():
        for change in register.log.changes(PLAYER, field=f"consent:{SEND_ON}"):
            said[change.entity_id].append(change)
    return frozenset(
        player_id
        for player_id, changes in said.items()
        if consent_of(SEND_ON, changes, today).state != "given"
    )
