"""A player's case: all that is known when something is to be decided, put together from the store.

`case_of` is what pages and commands call; `coach` reads what it gives.
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta

from plantigrade_gateway.analysis.result import other_mass
from plantigrade_gateway.coach.case import Case, Decided, Print, Visit, not_theirs
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.prints import Prints, indices
from plantigrade_gateway.people.profile import FEET, Profile
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.store import results
from plantigrade_gateway.store.rows import Session


def case_of(register: Register, player_id: str, upto_session: str | None = None) -> Case:
    """Return all that is known of a player.

    Parameters
    ----------
    register : Register
    player_id : str
    upto_session : str, optional
        The last visit that counts; all that ended unless one is named.

    Returns
    -------
    Case
        Visits in order of their beginning; a session that is still being recorded is none, unless
        it is named. Decisions are the last of each topic, of those before the next visit.

    Raises
    ------
    StoreError
        There is no such player, the session is not theirs, or a visit's results were made by
        another version.
    """
    profile = register.profile(player_id)
    sessions, upto = _sessions(register, player_id, upto_session)
    said = Visits(register)
    visits = tuple(
        _of_hand(said.visit(session.session_id), profile.handedness) for session in sessions
    )
    return Case(
        player_id,
        profile.name,
        profile.handedness,
        profile.is_minor,
        visits,
        {found.what: found.state for found in register.findings(player_id)},
        tuple(
            Decided(made.topic, made.answer, made.plan, made.cue, made.day)
            for made in register.decisions(player_id, upto)
        ),
        tuple(_prints(register, player_id)),
        profile.shoe,
        profile.mass_kg,
    )


def mass_doubts(register: Register, session_id: str, player: Profile) -> list[str]:
    """Say where a stored session's load is not that of a player, as `other_mass`."""
    try:
        quality = results.read(register.store, session_id).quality
    except StoreError:  # made by another version: the session's page says so
        return []
    said = other_mass(quality, player.mass_kg, player.name)
    return [said] if said else []


def _of_hand(visit: Visit, handedness: str) -> Visit:
    """Return a visit, and whether it was recorded for the other hand than the player's of now."""
    quality = visit.analysis.quality
    return replace(visit, is_other_hand=quality is not None and quality.handed != handedness)


def _prints(register: Register, player_id: str) -> Iterator[Print]:
    """Give what is known of the print of each foot: as measured, else as the coach calls it."""
    taken, called = Prints(register).of(player_id), register.prints(player_id)
    for foot in FEET:
        measured = indices(taken, foot)
        if measured:
            how, index = next(iter(measured.items()))
            yield Print(foot, index.arch.value, how, index)
        elif foot in called:
            yield Print(foot, called[foot])


def _sessions(
    register: Register, player_id: str, upto: str | None
) -> tuple[list[Session], date | None]:
    """Return the visits that count, and the last day whose decisions do (None: all)."""
    theirs = [one for one in register.store.sessions() if one.player_id == player_id]
    theirs.sort(key=lambda one: (one.started, one.number))
    if upto is None:
        return [one for one in theirs if one.state != "open"], None
    for place, one in enumerate(theirs):
        if one.session_id == upto:
            counting = [each for each in theirs[:place] if each.state != "open"]
            day = one.started.date()
            if place + 1 == len(theirs):
                return [*counting, one], None
            before_next = theirs[place + 1].started.date() - timedelta(days=1)
            return [*counting, one], max(day, before_next)
    raise StoreError(not_theirs(upto))
