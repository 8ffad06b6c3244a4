"""A session's guided check in the terminal, and as JSON values."""

from typing import Any

from rich.console import Console

from plantigrade_gateway.analysis.result import Analysis, check_name
from plantigrade_gateway.check.judge import judge_set, judged
from plantigrade_gateway.check.verdict import Verdict
from plantigrade_gateway.formats import clock
from plantigrade_gateway.report.console import heading, items, paragraph

NO_CHECK = "There is no guided check in this session."


def check_json(session_id: str, found: Analysis) -> dict[str, Any]:
    """Return what became of each trial and set of a check as JSON values."""
    return {
        "schema": 1,
        "session": session_id,
        "trials": [
            {
                "step": each.trial.step,
                "number": each.trial.number,
                "start_s": each.trial.start_s,
                "end_s": each.trial.end_s,
                **_verdict(each.verdict),
            }
            for each in judged(found)
        ],
        "sets": [
            {
                "intent": run.intent,
                "club": run.club or None,
                "start_s": run.start_s,
                "made": len(run.swings),
                **_verdict(judge_set(run, found)),
            }
            for run in found.sets
        ],
    }


def _verdict(verdict: Verdict) -> dict[str, Any]:
    return {
        "taken": verdict.is_taken,
        "why": None if verdict.why is None else str(verdict.why),
        "count": verdict.count,
        "line": verdict.line,
    }


def show_check(found: Analysis, out: Console) -> None:
    """Print what became of each trial and set of a check."""
    if not found.trials:
        paragraph(out, NO_CHECK)
        by_hand = [step for mark in found.marks if (step := check_name(mark)) is not None]
        if by_hand:
            paragraph(out, f"Marked by hand, and not judged: {', '.join(by_hand)}.")
        return
    heading(out, "Guided check")
    trials = [
        (f"{clock(one.trial.start_s, 0)} {one.trial.step} {one.trial.number}", _said(one.verdict))
        for one in judged(found)
    ]
    sets = [
        (f"{clock(run.start_s, 0)} {run.intent or run.name}", _said(judge_set(run, found)))
        for run in found.sets
    ]
    items(out, trials + sets)


def _said(verdict: Verdict) -> str:
    return f"{'taken' if verdict.is_taken else 'not taken'}: {verdict.line}"
