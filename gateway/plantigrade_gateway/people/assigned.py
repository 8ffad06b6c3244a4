"""Whose a session is, by the log: what was said last of it stands, at each place that has it.

A session begins as its bay says; a word of the log stands above that. So a session that was given
to another player at a hub's desk is that player's in its bay, too, and in any order of hearing.
"""

from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.people.players import PLAYER, SESSION, Register
from plantigrade_gateway.people.profile import TAKEN_BACK, TOPICS
from plantigrade_gateway.store import handedover

WHOSE = "player"
"""The field of a session: a player's id."""


def assign(register: Register, session_id: str, player_id: str, *, move: bool = False) -> None:
    """Give a stored session to a player.

    Parameters
    ----------
    register : Register
    session_id, player_id : str
    move : bool
        Whether it may be taken from another player.

    Raises
    ------
    InputError
        It is another player's and not to be moved.
    StoreError
        There is no such session or player, or it is being recorded.
    """
    register.profile(player_id)
    session = register.store.session(session_id)
    if session.state == "open":
        raise StoreError(f"session {session_id}: is still being recorded; stop it first")
    if session.player_id not in (None, player_id) and not move:
        raise InputError(
            f"session {session_id}: is of player {session.player_id} already; say --move"
        )
    said = assigned(register).get(session_id, session.player_id)
    if said != player_id:
        with register.explained():
            register.log.say(SESSION, session_id, {WHOSE: player_id}, register.author)
    _give(register, session_id, player_id)


def assigned(register: Register) -> dict[str, str]:
    """Return whose sessions are by the log, of those of which it says anything."""
    with register.explained():
        said = register.log.all_shown(SESSION, fields=(WHOSE,))
    return {key: shown[WHOSE] for key, shown in said.items() if WHOSE in shown}


def decided_elsewhere(register: Register, player_id: str) -> list[str]:
    """Return the topics that stand as decided on the sheet of a visit that is another player's now.

    A visit that is not kept here is taken for theirs: a bay has its own sessions alone.
    """
    last = {change.field: change.value for change in register.changes(player_id)}
    found = ((topic, last.get(f"decision:{topic}")) for topic in TOPICS)
    return [
        topic
        for topic, value in found
        if value is not None
        and value["answer"] != TAKEN_BACK
        and value.get("sheet") is not None
        and not _is_theirs(register, value["sheet"][0], player_id)
    ]


def _is_theirs(register: Register, session_id: str, player_id: str) -> bool:
    try:
        return register.store.session(session_id).player_id == player_id
    except StoreError:
        return True


def follow(register: Register) -> bool:
    """Give each session that is here to whom the log gives it; return whether one has to wait.

    One that is being recorded waits for its end, one of a player of whom nothing was heard yet for
    that. One that was given to a player who was deleted gets a tombstone: it goes with the player.
    """
    said = assigned(register)
    rows = register.store.database.read(
        "SELECT session_id, player_id, state FROM sessions LEFT JOIN players USING (player_no)"
    )
    others = [(key, state) for key, whose, state in rows if said.get(key, whose) != whose]
    if not others:
        return False
    waits, known = False, register.profiles()
    with register.explained():
        gone = register.log.deleted(PLAYER)
    for session_id, state in others:
        wanted = said[session_id]
        if state == "open" or (wanted not in known and wanted not in gone):
            waits = True
        elif wanted in gone:
            with register.explained():
                register.log.delete([(SESSION, session_id)], register.author)
        else:
            _give(register, session_id, wanted)
    return waits


def _give(register: Register, session_id: str, player_id: str) -> None:
    register.anchor(player_id)
    handedover.reassign(register.store, session_id, player_id)
