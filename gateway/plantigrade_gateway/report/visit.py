"""What people said of a session, its club speeds, and the coach's eye: as text and as JSON.

Takes what `people.visits` and `coach` give; computes no measure.
"""

from collections.abc import Sequence
from typing import Any

from rich.console import Console

from plantigrade_gateway import formats, words
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.coach.case import Visit
from plantigrade_gateway.coach.eye import (
    LEAST_FOR_KAPPA,
    LEAST_OF_EACH,
    NO_TAPS,
    NONE_COMPARED,
    TAP_BLIND,
    Agreement,
    was_tapped,
)
from plantigrade_gateway.coach.speed import (
    LEAST_RELATED,
    NO_CAUSE,
    Preview,
    Relation,
    by_set,
    relations,
)
from plantigrade_gateway.coach.speedfile import SpeedFile
from plantigrade_gateway.converter import plain
from plantigrade_gateway.people.said import Said
from plantigrade_gateway.report.console import heading, item, items, paragraph, put, table

_TOLD = ("questions", "hold_taken_back", "conditions", "notes")


def said_json(session_id: str, said: Said) -> dict[str, Any]:
    """Return what is shown of a session as JSON values; swings are counted from 1."""
    told = {name: plain(getattr(said, name)) for name in _TOLD}
    return {
        "schema": 1,
        "session": session_id,
        **told,
        "is_unchanged": said.is_unchanged,
        "swings": [
            {
                "swing": place + 1,
                **plain(note),
                "excluded": plain(said.exclusions.get(place)),
            }
            for place, note in sorted(said.swings.items())
        ],
        "no_swing_there_now": plain(said.strays),
        "joins": plain(said.joins),
        "sets": plain(said.sets),
    }


def show_said(said: Said, out: Console) -> None:
    """Print what was said of a session."""
    asked = said.questions
    text = "not asked"
    if asked is not None:
        text = f"{f'stopped: {asked.hold}' if asked.hold else 'no hold'}, by the {asked.by}"
    item(out, "questions", text)
    if (back := said.hold_taken_back) is not None:
        item(out, "taken back", back.text)
    worn = said.conditions
    stiff = {None: "", True: "stiff sole", False: "soft sole"}[worn.is_shoe_stiff]
    for name, told in (
        ("shoe", ", ".join(part for part in (worn.shoe, stiff) if part)),
        ("footbed", worn.footbed),
        ("club", worn.club),
        ("player", "unchanged since the visit before" if said.is_unchanged else ""),
    ):
        if told:
            item(out, name, told)
    for edit in said.sets.values():
        club = f", {edit.club}" if edit.club else ""
        item(out, "set", f"{edit.intent}{club} in place of the record's ({edit.by})")
    for note in said.notes:
        item(out, f"note {formats.clock(note.t_s)}", f"{note.text} ({note.by}; {note.note_id})")
    for place, swing in sorted(said.swings.items()):
        parts = [
            f"counts nowhere: {said.exclusions[place].text}" if swing.excluded else "",
            *(
                f"eye: {what} {tap.answer}{'' if tap.is_blind else ', the answer was known'}"
                for what, tap in (("push", swing.eye_push), ("heel", swing.eye_heel))
                if tap is not None
            ),
            "" if swing.club_speed_m_s is None else f"club {swing.club_speed_m_s:.1f} m/s",
        ]
        item(out, f"swing {place + 1}", "; ".join(part for part in parts if part))
    for stray in said.strays:
        paragraph(
            out,
            f"No swing there now, at {formats.clock(stray.t_s)}: {stray.what} {stray.text} "
            f"({stray.by}, {formats.moment(stray.when)}).",
            "  ",
        )


def show_preview(preview: Preview, found: SpeedFile, analysis: Analysis, out: Console) -> None:
    """Print what would be joined, and what is left over on both sides."""
    if preview.offset_s is not None:
        paragraph(out, f"Clocks: {preview.offset_s:+.2f} s added to the file's times.")
    if preview.pairs:
        made = table("swing", "at", "line", "club speed, m/s", "apart, s", numbers_from=0)
        for pair in preview.pairs:
            swing = analysis.swings[pair.place]
            apart = formats.NONE if pair.apart_s is None else f"{pair.apart_s:+.2f}"
            made.add_row(
                str(pair.place + 1),
                formats.clock(swing.lead_peak_s),
                str(pair.row.line),
                f"{pair.row.m_s:.1f}",
                apart,
            )
        put(out, made)
    left = ", ".join(f"line {row.line} ({row.m_s:.1f} m/s)" for row in preview.rows_left)
    item(out, "rows left", left or "none")
    swings = ", ".join(str(place + 1) for place in preview.swings_left)
    item(out, "swings left", swings or "none")
    for line, text in found.left_out:
        item(out, f"line {line}", f"no club speed: {text}")
    if preview.doubt:
        paragraph(out, f"In doubt: {preview.doubt}.")


def speeds_json(visit: Visit) -> dict[str, Any]:
    """Return a session's club speeds by set, and what they go with, as JSON values."""
    return {
        "schema": 1,
        "session": visit.session_id,
        "sets": plain(by_set(visit)),
        "relations": plain(relations(visit)),
        "says": NO_CAUSE,
    }


def show_speeds(visit: Visit, out: Console) -> None:
    """Print a session's club speeds by set, and what they go with within intents."""
    rows = by_set(visit)
    if not any(one.speed.count for one in rows):
        paragraph(
            out,
            "No club speed is kept of this session. plantigrade speed SESSION FILE takes those of "
            "a file, plantigrade visit speed SESSION SWING VALUE one.",
        )
        return
    heading(out, "Club speed", "m/s; mean ± SD (count)")
    made = table("set", "swings", "club speed", "best")
    for one in rows:
        made.add_row(
            formats.printable(one.name),
            str(one.swings),
            words.spread(one.speed, 1),
            formats.number(one.best, 1),
        )
    put(out, made)
    heading(out, "Beside the feet", "an intent's mean taken off both")
    items(out, [(found.title, relation_text(found)) for found in relations(visit)])
    paragraph(out, NO_CAUSE)


def relation_text(found: Relation) -> str:
    """Return how club speed goes with a foot measure, as people read it."""
    if found.n < LEAST_RELATED:
        return f"{found.n} swings, told from {LEAST_RELATED}"
    if found.slope is None:
        return f"{found.n} swings, all alike"
    return (
        f"{words.difference(found.slope)} m/s for one more {found.unit}, 95 % interval; "
        f"{found.n} swings, {', '.join(found.intents)}"
    )


def show_eye(made: Sequence[Agreement], out: Console) -> None:
    """Print how the coach's eye and the program agree; where nothing was tapped, how it is done."""
    if not any(map(was_tapped, made)):
        paragraph(
            out,
            f"{NO_TAPS}: on a session's page {TAP_BLIND} Or say: "
            "plantigrade visit tap SESSION SWING push good",
        )
        return
    for one in made:
        heading(out, f"Eye and program: {one.what}", "blind taps")
        if not one.agreed.n:
            paragraph(out, NONE_COMPARED, "  ")
            _show_apart(one, out)
            continue
        first, second = one.answers
        rows = table("eye", f"program: {first}", second)
        for answer, counts in zip(one.answers, one.counts, strict=True):
            rows.add_row(answer, *map(str, counts))
        put(out, rows)
        item(out, "agree", f"{words.proportion(one.agreed)}, 95 % interval")
        item(out, "kappa", kappa_text(one))
        _show_apart(one, out)


def _show_apart(one: Agreement, out: Console) -> None:
    if one.unclear:
        item(out, "not compared", f"{one.unclear}: the program cannot tell")
    if one.seen:
        item(out, "kept apart", f"{one.seen}: the program's answer was known")


def kappa_text(one: Agreement) -> str:
    """Return kappa as people read it, or why there is none."""
    if one.kappa is not None:
        return f"{one.kappa:.2f}"
    return (
        f"told from {LEAST_FOR_KAPPA} taps, each answer {LEAST_OF_EACH} times by both; "
        f"{one.agreed.n} so far"
    )
