"""Which swings of a guided check count, when a set is complete, and what keeps fast ones back."""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from plantigrade.events import HeelLiftState, Swing
from plantigrade.reliability import proportion_of
from plantigrade_gateway.analysis.result import Analysis, MarkedSet, Trial, is_good, swing_time
from plantigrade_gateway.check.steps import (
    APART_S,
    FAST,
    FAST_APART_S,
    LEAST_SWINGS,
    MOST_SWINGS,
    SWINGS,
)
from plantigrade_gateway.check.verdict import Verdict, Why

LOST, OF_LAST = 3, 5
"""Fast swings end when so many of the last so many, unclear ones left out, are no good pushes
(common practice, no published source)."""
_GAP, _SOON, _UNCLEAR = "missing samples", "too soon after the one before", "unclear"


@dataclass(frozen=True, slots=True)
class SetCount:
    """How far a set has come.

    Attributes
    ----------
    counted : tuple of Swing
        Those that count.
    made : int
        Swings found in the set.
    left_out : mapping of str to int
        Why the others do not count, and how many.
    wanted, most : int
        Swings that are to count, and that are made at most.
    apart_s : float
        Swings lie at least so far apart, s.
    """

    counted: tuple[Swing, ...]
    made: int
    left_out: Mapping[str, int] = field(default_factory=dict)
    wanted: int = SWINGS
    most: int = MOST_SWINGS
    apart_s: float = APART_S

    @property
    def is_over(self) -> bool:
        """Whether no more is swung: enough count, or the most were made."""
        return len(self.counted) >= self.wanted or self.made >= self.most

    @property
    def verdict(self) -> Verdict:
        """Whether enough swings count for a set."""
        n = len(self.counted)
        out = "; ".join(f"{many} {why}" for why, many in self.left_out.items())
        if n >= LEAST_SWINGS:
            return Verdict(None, f"{n} swings count" + (f" ({out})." if out else "."), n)
        if not self.made:
            return Verdict(
                Why.EMPTY, "No swing was seen. Stand still at address before each swing."
            )
        advice = _ADVICE[max(self.left_out, key=lambda why: self.left_out[why])] if out else ""
        advice = advice.format(apart=f"{self.apart_s:.0f}")
        reasons = f" ({out})" if out else ""
        return Verdict(
            Why.FEW_SWINGS,
            f"{n} of {LEAST_SWINGS} swings count{reasons}. {advice or 'Swing on.'}",
            n,
        )


_ADVICE = {
    _GAP: "Bring the insoles nearer to the receiver, and swing the set again.",
    _SOON: "Wait {apart} seconds between swings, and swing the set again.",
    _UNCLEAR: "Lift each foot once more, see that the shoes are laced alike, and swing again.",
}


def count_set(
    swings: Sequence[Swing],
    apart_s: float,
    before: Sequence[Swing] = (),
    wanted: int = SWINGS,
    most: int = MOST_SWINGS,
) -> SetCount:
    """Count a set's swings.

    Parameters
    ----------
    swings : sequence of Swing
        Of the set, in order of time.
    apart_s : float
        Each begins at least so long after the one before it, s.
    before : sequence of Swing
        Those before the set: the first swing has to wait too.
    wanted, most : int
        As `SetCount` has them.
    """
    last_s = swing_time(before[-1]) if before else None
    counted, left_out = [], Counter[str]()
    for swing in swings:
        at_s = swing_time(swing)
        if last_s is not None and at_s - last_s < apart_s:
            left_out[_SOON] += 1
        elif swing.touches_gap:
            left_out[_GAP] += 1
        elif not is_clear(swing):
            left_out[_UNCLEAR] += 1
        else:
            counted.append(swing)
        last_s = at_s
    return SetCount(tuple(counted), len(swings), dict(left_out), wanted, most, apart_s)


def is_clear(swing: Swing) -> bool:
    """Whether a swing's push and lead heel can be told."""
    return swing.push.is_good is not None and swing.heel_lift.state is not HeelLiftState.UNCLEAR


def count_practice(trial: Trial, analysis: Analysis) -> int:
    """Return how many practice swings were made."""
    return sum(trial.start_s <= swing_time(s) < trial.end_s for s in analysis.swings)


def count_of(run: MarkedSet, analysis: Analysis) -> SetCount:
    """Count a set of a session by the rules of a check."""
    apart_s = FAST_APART_S if run.intent == FAST else APART_S
    before = tuple(s for s in analysis.swings if swing_time(s) < run.start_s)
    return count_set(run.swings, apart_s, before)


ANSWERS: tuple[tuple[str, Callable[[Swing], bool | None]], ...] = (
    ("push", is_good),
    ("lead heel", lambda swing: swing.heel_lift.state is HeelLiftState.LIFTED),
    ("trail heel", lambda swing: swing.push.heel_loaded),
)
"""What a set answers, and how one swing does."""


def mixed(swings: Sequence[Swing]) -> tuple[str, ...]:
    """Return the answers that swings leave mixed: Wilson's 95 % interval holds one half.

    Parameters
    ----------
    swings : sequence of Swing
        Those that count.
    """
    found = []
    for name, holds in ANSWERS:
        if proportion_of(map(holds, swings)).beside_half == 0:
            found.append(name)
    return tuple(found)


def is_push_lost(swings: Sequence[Swing]) -> bool:
    """Whether the last fast swings say that the push is lost: then they end for today."""
    known = [swing.push.is_good for swing in swings if swing.push.is_good is not None]
    return known[-OF_LAST:].count(False) >= LOST


def was_push_lost(analysis: Analysis) -> bool:
    """Whether a set of fast swings of a session ended so, withdrawn ones too."""
    fast = (run for run in analysis.sets if run.intent == FAST)
    return any(is_push_lost(count_of(run, analysis).counted) for run in fast)


def no_speed(
    hold: str | None,
    *,
    is_minor: bool,
    is_decided: bool,
    has_consent: bool,
    is_block: bool = False,
    is_of_another: bool = False,
) -> str | None:
    """Return why no fast swings are made, in a sentence with what to do; None: they may be.

    Parameters
    ----------
    hold : str or None
        Of this visit's questions: empty, a reason group, or None where nobody was asked.
    is_minor : bool
    is_decided : bool
        The coach decided on speed: go.
    has_consent : bool
        The guardian agreed to fast swings.
    is_block : bool
        Of a speed block, which everybody needs the decision for; a look at a few fast swings comes
        before it.
    is_of_another : bool
        It was decided so on the sheet of a visit that is another player's now: that is no decision.
    """
    if hold is None:
        return "No fast swings: today's questions are not answered. Ask them first."
    if hold:
        return f"No fast swings today: {hold}."
    if is_of_another and (is_block or is_minor):
        return (
            f"No {'speed block' if is_block else 'fast swings'}: speed was decided on a visit that "
            "is another player's now. Decide again, on this player's own sheet."
        )
    if is_minor and not is_decided:
        return "No fast swings: for a minor the coach decides first. Put the decision down."
    if is_block and not is_decided:
        return "No speed block: the coach has not decided on speed: go. Put the decision down."
    if is_minor and not has_consent:
        return "No fast swings: the guardian has not agreed to them. Ask, and put it down."
    return None
