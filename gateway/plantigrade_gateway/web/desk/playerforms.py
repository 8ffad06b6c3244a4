"""What the forms of a player's page say, as the register is told it."""

from collections.abc import Iterator, Mapping
from datetime import date, datetime
from typing import Any

from fastapi import Request

from plantigrade.errors import shown
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.profile import (
    FINDINGS,
    TOPICS,
    Consent,
    Decision,
    Finding,
    Profile,
    check_to_come,
    folded,
    one_of,
)
from plantigrade_gateway.web.door.pages import read_form

Form = Mapping[str, str]
AGREED = {
    "record": "measure and keep, at the hub of the site too",
    "send on": "send on to a database or broker",
    "speed": "train for speed",
}
"""What each consent is to, in words."""
_MOST_BYTES, _MOST_FIELDS, _LONGEST = 16_384, 24, 500


async def form_of_request(request: Request) -> dict[str, str]:
    """Return what a form of the players' pages says.

    Raises
    ------
    InputError
        As `read_form`, or a field is longer than any of ours.
    """
    form = await read_form(request, _MOST_BYTES, _MOST_FIELDS)
    if any(len(text) > _LONGEST for text in form.values()):
        raise InputError(f"form: a field has more than {_LONGEST} characters")
    return form


def today() -> date:
    """Return the day by the clock of this place."""
    return datetime.now().astimezone().date()


def profile_fields(form: Form) -> dict[str, Any]:
    """Return the fields of a player that a form gives.

    Raises
    ------
    InputError
        The mass is no number.
    """
    texts = ("name", "handedness", "shoe", "footbed", "size", "guardian", "next_check")
    given: dict[str, Any] = {name: form.get(name, "") for name in texts}
    pair = [form.get("left", "").strip(), form.get("right", "").strip()]
    return {
        **given,
        "mass_kg": _mass(form.get("mass_kg", "").strip()),
        "insoles": pair if any(pair) else None,
        "is_minor": "is_minor" in form,
    }


def changed_fields(form: Form) -> dict[str, Any]:
    """Return the fields of a player that a form gives otherwise than it showed them.

    So of two devices that change different fields neither takes back what the other changed.

    Raises
    ------
    InputError
        As `profile_fields`.
    """
    same = {name for name in _EMPTY if form.get(f"was_{name}") == form.get(name, "")}
    if {"left", "right"} <= same:
        same.add("insoles")
    return {name: value for name, value in profile_fields(form).items() if name not in same}


def was_shown(form: Form) -> dict[str, str]:
    """Return what a player's form that is typed again showed before anything was typed."""
    return {name: form[f"was_{name}"] for name in _EMPTY if f"was_{name}" in form}


def _mass(text: str) -> float | None:
    if not text:
        return None
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise InputError(f"mass: {shown(text)}, expected a number of kg as 74.5") from None


def form_of(profile: Profile) -> dict[str, str]:
    """Return the form that says what a profile holds."""
    left, right = profile.insoles or ("", "")
    return {
        "name": profile.name,
        "handedness": profile.handedness,
        "mass_kg": "" if profile.mass_kg is None else f"{profile.mass_kg:g}",
        "shoe": profile.shoe,
        "footbed": profile.footbed,
        "size": profile.size,
        "left": left,
        "right": right,
        "guardian": profile.guardian,
        "next_check": profile.next_check,
        "is_minor": "yes" if profile.is_minor else "",
    }


_EMPTY = dict.fromkeys(form_of(Profile("", "", "")), "")


def filled(form: Form) -> dict[str, str]:
    """Return a player's form as it was typed, what is missing empty."""
    return {**_EMPTY, **form}


def note_consent(register: Register, player_id: str, form: Form, today: date) -> None:
    """Note a consent that is given or withdrawn.

    One that says again what stands, as a second press does, is not noted twice.

    Raises
    ------
    InputError
        As `Register.grant`, or the last day is no day, or past; or the consent was given or
        withdrawn since the form was shown.
    """
    what, by = form.get("what", ""), form.get("by", "")
    is_withdrawn = form.get("do") == "withdraw"
    until = None if is_withdrawn else day_of(form.get("until", ""), "until")
    for one in register.consents(player_id, today):
        if one.what == what and "seen" in form and form["seen"] != seen_of_consent(one):
            state = "withdrawn" if is_withdrawn else "given"
            if (one.state, one.by, one.until) == (state, by, until):
                return
            by_whom = f" by the {one.by}" if one.by else ""
            raise InputError(
                f"consent to {AGREED[what]}: is {one.state}{by_whom} since this page was shown; "
                "look at it, and press again"
            )
    if is_withdrawn:
        register.withdraw(player_id, what, by)
        return
    if until is not None:
        check_to_come(until, today)
    register.grant(player_id, what, by, until)


def seen_of_consent(consent: Consent) -> str:
    """Return what tells how a consent stands from how it stood before."""
    return "" if consent.when is None else consent.when.isoformat()


NOT_LOOKED = ("not looked", "")
"""What a form shows of a finding that nothing was said of."""


def note_findings(register: Register, player_id: str, form: Form) -> None:
    """Note what was found, of all that is not as it was, nor as the form showed it.

    Raises
    ------
    InputError
        As `Register.note_finding`; or one that was typed was found otherwise since the form was
        shown: then none is noted.
    """
    before = {one.what: (one.state, one.text) for one in register.findings(player_id)}
    new = {}
    for what in FINDINGS:
        typed, was = _finding_typed(form, what), _finding_shown(form, what)
        if not any(typed) or typed in (was, before.get(what)):
            continue
        stands = before.get(what, NOT_LOOKED)
        if was not in (None, stands):
            said = ": ".join(filter(None, stands))
            raise InputError(
                f"{what}: was found otherwise ({said}) since this page was shown; look at it, "
                "and press again"
            )
        new[what] = typed
    for what, (state, text) in new.items():
        register.note_finding(player_id, what, state, text)


def findings_form(
    form: Form, found: Mapping[str, Finding]
) -> Iterator[tuple[str, tuple[str, str], tuple[str, str]]]:
    """Yield of each finding what its form shows, and what that is held against when it is sent.

    What was typed and refused is shown again, and held against what stands by now: that has been
    seen with the refusal.
    """
    for what in FINDINGS:
        one = found.get(what)
        stands = NOT_LOOKED if one is None else (one.state, one.text)
        typed, was = _finding_typed(form, what), _finding_shown(form, what)
        if not any(typed):
            yield what, stands, stands
        else:
            yield what, typed, typed if typed == was else stands


def _finding_typed(form: Form, what: str) -> tuple[str, str]:
    return form.get(what, ""), form.get(f"{what}_text", "").strip()


def _finding_shown(form: Form, what: str) -> tuple[str, str] | None:
    if f"was_{what}" not in form:
        return None  # of a program, which was shown nothing
    return form[f"was_{what}"], form.get(f"was_{what}_text", "")


def decide(
    register: Register,
    player_id: str,
    form: Form,
    today: date,
    sheet: tuple[str, str] | None = None,
) -> None:
    """Note a decision, and the sheet that it was made on, or that it is taken back.

    One that says again what was decided last, as a second press does, is not noted twice.

    Raises
    ------
    InputError
        As `Register.decide` and `Register.take_back`, or the day is no day; or the topic was
        decided otherwise since the form was shown.
    """
    topic = one_of(form.get("topic", ""), TOPICS, "decision")
    answer, cue, plan = (form.get(name, "") for name in ("answer", "cue", "plan"))
    day = day_of(form.get("day", ""), "day") or today
    is_taken_back = form.get("do") == "take back"
    last = last_of(register, player_id).get(topic)
    if "seen" in form and form["seen"] != _seen(last):
        stands = last and (last.answer, last.cue, last.plan, last.day)
        if stands == (None if is_taken_back else (answer, cue.strip(), plan, day)):
            return
        now = f"decided otherwise ({last.answer})" if last else "taken back"
        raise InputError(
            f"{topic}: was {now} since this page was shown; look at it, and press again"
        )
    if is_taken_back:
        register.take_back(player_id, topic, today)
        return
    register.decide(player_id, topic, answer, day, cue, plan, sheet)


def last_of(register: Register, player_id: str) -> dict[str, Decision]:
    """Return the last decision on each topic that is decided."""
    return {one.topic: one for one in register.decisions(player_id)}


def seen_by_topic(last: Mapping[str, Decision]) -> dict[str, str]:
    """Return what tells each topic's last decision from others; empty: nothing is decided."""
    return {topic: _seen(last.get(topic)) for topic in TOPICS}


def _seen(decision: Decision | None) -> str:
    return "" if decision is None else decision.when.isoformat()


def check_typed_name(profile: Profile, typed: str) -> None:
    """Refuse a deletion that was not confirmed by the player's name.

    Raises
    ------
    InputError
        Another name was typed, or none.
    """
    if folded(typed) != folded(profile.name):
        raise InputError(
            "delete: the name that was typed is not this player's, so nothing was deleted"
        )


def day_of(text: str, what: str) -> date | None:
    """Return a day that a form gives; None of an empty one.

    Raises
    ------
    InputError
        It is no day.
    """
    try:
        return date.fromisoformat(text.strip()) if text.strip() else None
    except ValueError:
        raise InputError(f"{what}: {shown(text)}, expected a day as 2026-12-31") from None
