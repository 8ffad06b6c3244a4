"""What a session's page shows."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from plantigrade_gateway import words
from plantigrade_gateway.analysis.result import other_mass
from plantigrade_gateway.coach.eye import NO_TAPS, NONE_COMPARED, TAP_BLIND
from plantigrade_gateway.people.profile import TOPICS, Decision
from plantigrade_gateway.people.said import Note, Said
from plantigrade_gateway.report.export import FRAMES, file_names
from plantigrade_gateway.web.desk import judging
from plantigrade_gateway.web.desk.frame import Desk
from plantigrade_gateway.web.desk.overview import overview
from plantigrade_gateway.web.desk.reads import Opened
from plantigrade_gateway.web.desk.sets import proportions_of

MOST_NOTES = 200
"""Notes that are shown of a session, those that were noted last (ours): each has a form, and a page
of 100,000 takes most of a minute."""


@dataclass(frozen=True, slots=True)
class Worn:
    """What was worn at a visit, as its form shows it.

    Attributes
    ----------
    said : str
        What was noted, for people; empty where nothing was.
    shoe, footbed : str
        Noted; else what the player usually wears.
    sole : str
        ``"soft"``, ``"stiff"`` or empty.
    unchanged : bool
        Nothing was changed in the player since the visit before.
    seen : str
        All that is noted now: the form sends it, so that what another device noted meanwhile shows.
    is_usual : bool
        Shoe or footbed is the usual one, which nobody noted of this visit.
    """

    said: str
    shoe: str
    footbed: str
    sole: str
    unchanged: bool
    seen: str
    is_usual: bool = False


def session_view(
    desk: Desk,
    opened: Opened,
    refused: str = "",
    typed: Mapping[str, str] | None = None,
    about: str = "",
) -> dict[str, Any]:
    """Return what the template of a session's page is made with.

    Parameters
    ----------
    desk : Desk
    opened : Opened
    refused : str
        Why what was typed is not kept; empty: nothing was.
    typed : mapping of str to str, optional
        Its fields, to be shown again.
    about : str
        What it is: ``"note"``, or ``"worn"``.
    """
    said = judging.said_of(desk.reads, opened)
    problem, share = None, 0.0
    if opened.kept is None and opened.line.session.state != "open":
        progress = desk.preparing.ask(opened.session_id, again=True)
        problem, share = progress.problem, progress.share
    return {
        "opened": opened,
        "sets": [(k, run, dict(proportions_of(run))) for k, run in enumerate(opened.sets, 1)],
        "sets_with_swings": [(k, run) for k, run in enumerate(opened.sets, 1) if run.swings],
        "numbers": opened.numbers,
        "loose": _in_no_set(opened),
        "files": [name for name in file_names(with_frames=True) if name != FRAMES],
        "frames": FRAMES,
        "problem": problem,
        "share": share,
        "names": desk.reads.names_but(opened.line.session.player_id),
        "overview": overview(opened.found),
        "doubts": _doubts(desk, opened),
        "worn": _worn(desk, opened, said) if about != "worn" else _typed(typed or {}, said),
        "decisions": _decided(desk, opened.line.session.player_id),
        "notes": (shown := newest(said.notes)),
        "more_notes": len(said.notes) - len(shown),
        "stopped": said.questions.hold if said.questions else "",
        "taken_back": said.hold_taken_back,
        "refused": refused,
        "about": about,
        "typed": typed or {},
        "agreements": judging.agreements(judging.spoken_of(opened, said)),
        "no_taps": f"{NO_TAPS}: {TAP_BLIND}",
        "none_compared": NONE_COMPARED,
        "to_judge": judging.next_to_judge(opened, said),
    }


def newest(notes: Sequence[Note]) -> list[Note]:
    """Return the `MOST_NOTES` that were noted last, in order of session time."""
    last = sorted(notes, key=lambda note: note.when)[-MOST_NOTES:]
    return sorted(last, key=lambda note: note.t_s)


def _doubts(desk: Desk, opened: Opened) -> list[str]:
    """Say where a session was recorded for another hand, or is of another body's weight."""
    quality, player_id = opened.found.quality, opened.line.session.player_id
    if quality is None or player_id is None or opened.player is None:
        return []
    player, name = desk.reads.player(player_id), opened.player or "the player"
    hand = words.wrong_hand(quality.handed, player.handedness, name)
    return [said for said in (hand, other_mass(quality, player.mass_kg, name)) if said]


def _worn(desk: Desk, opened: Opened, said: Said) -> Worn:
    worn, player_id = noted(said), opened.line.session.player_id
    if worn.said or player_id is None:
        return worn
    usual = desk.reads.player(player_id)
    is_usual = bool(usual.shoe or usual.footbed)
    return replace(worn, shoe=usual.shoe, footbed=usual.footbed, is_usual=is_usual)


def noted(said: Said) -> Worn:
    """Return what was noted of a visit's wear."""
    worn = said.conditions
    sole = {None: "", False: "soft", True: "stiff"}[worn.is_shoe_stiff]
    texts = (worn.shoe, worn.footbed, f"{sole} sole" if sole else "")
    seen = json.dumps([worn.shoe, worn.footbed, sole, said.is_unchanged])
    told = ", ".join(text for text in texts if text)
    return Worn(told, worn.shoe, worn.footbed, sole, said.is_unchanged, seen)


def _typed(form: Mapping[str, str], said: Said) -> Worn:
    shoe, footbed, sole = (form.get(name, "") for name in ("shoe", "footbed", "sole"))
    return Worn("", shoe, footbed, sole, "unchanged" in form, noted(said).seen)


def _decided(desk: Desk, player_id: str | None) -> list[tuple[str, Decision | None]]:
    """Return the decision in force on each topic; nothing of nobody."""
    decisions = () if player_id is None else desk.reads.register.decisions(player_id)
    made = {one.topic: one for one in decisions}
    return [(topic, made.get(topic)) for topic in TOPICS] if made else []


def _in_no_set(opened: Opened) -> list[int]:
    elsewhere = {*opened.set_names, *opened.left_out}
    return [n for first, n in opened.numbers.items() if first not in elsewhere]
