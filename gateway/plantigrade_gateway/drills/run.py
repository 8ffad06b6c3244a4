"""A drill under way: events and rows in, cues, tone and score out.

A run is a function of what it is given in the order of the record: how rows and events are cut into
calls changes nothing. `practice.py` tells which run an event or a row belongs to.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from plantigrade.block import Foot, PairBlock
from plantigrade.events import Bearing, Event, Phase, PhaseKind, Push, Stand, Step, Swing
from plantigrade.limits import Limits
from plantigrade_gateway.drills.judge import (
    Balance,
    Rep,
    Verdict,
    by_push,
    in_window,
    judge_step,
    judge_swing,
    missed_sound,
)
from plantigrade_gateway.drills.model import (
    NONE,
    OUTCOME,
    BalanceTarget,
    Drill,
    DrillKind,
    Feedback,
    PushTarget,
    WalkTarget,
)
from plantigrade_gateway.sound.cues import Cue, CueKind, CueMaker
from plantigrade_gateway.sound.pitch import CopSource, Tone, TonePoint

_WHAT = {DrillKind.WALK_THROUGH: "step", DrillKind.BALANCE: "try"}
"""What one repetition is where it is no swing."""


@dataclass(frozen=True, slots=True)
class Score:
    """A drill's counters.

    Attributes
    ----------
    name, title, goal, counts : str
        Of the drill; `counts` says what counts.
    feedback : Feedback
    good : int
        Repetitions that counted.
    tried : int
        Good and missed ones.
    unclear : int
        Those nobody can judge: they are not among `tried` and end no streak.
    streak, best : int
        Good ones in a row: now, and the most in this run.
    last : Rep or None
    what : str
        What one repetition is: "swing", "step" or "try".
    line : str
        What the player reads of the last one, in the drill's own words.
    told : bool
        Whether the last one is among those that the player is told.
    """

    name: str
    title: str
    goal: str
    counts: str
    feedback: Feedback
    good: int = 0
    tried: int = 0
    unclear: int = 0
    streak: int = 0
    best: int = 0
    last: Rep | None = None
    what: str = "swing"
    line: str = ""
    told: bool = True

    def after(self, rep: Rep, line: str = "", told: bool = True) -> "Score":
        """Return the score with one more repetition, of which the player reads `line` if told."""
        if rep.verdict is Verdict.UNCLEAR:
            return replace(self, unclear=self.unclear + 1, last=rep, line=line, told=told)
        good = rep.verdict is Verdict.GOOD
        streak = self.streak + 1 if good else 0
        return replace(
            self,
            good=self.good + good,
            tried=self.tried + 1,
            streak=streak,
            best=max(self.best, streak),
            last=rep,
            line=line,
            told=told,
        )


@dataclass(frozen=True, slots=True)
class DrillResult:
    """One run of a drill, as it is kept with a session.

    Attributes
    ----------
    name, title, counts : str
    judge : str
    feedback : str
        As it was last.
    start_s, end_s : float
        Session time.
    good, tried, unclear, best : int
        As in `Score`.
    reps : tuple of Rep
    """

    name: str
    title: str
    counts: str
    judge: str
    feedback: str
    start_s: float
    end_s: float
    good: int
    tried: int
    unclear: int
    best: int
    reps: tuple[Rep, ...]

    def without(self, swings: Iterable[Swing]) -> "DrillResult":
        """Return it as if these swings had been no repetitions of it."""
        if self.judge in _WHAT:  # steps and tries
            return self
        gone = {swing.confirmed_s for swing in swings}
        reps = tuple(rep for rep in self.reps if rep.t_s not in gone)
        if len(reps) == len(self.reps):
            return self
        score = Score(self.name, self.title, "", self.counts, Feedback(self.feedback))
        for rep in reps:
            score = score.after(rep)
        return replace(
            self,
            good=score.good,
            tried=score.tried,
            unclear=score.unclear,
            best=score.best,
            reps=reps,
        )


@dataclass(slots=True)
class DrillOutput:
    """What rows and events came to.

    Attributes
    ----------
    cues : list of Cue
    tone : list of TonePoint
    reps : list of Rep
        Counted.
    spoken : list of str
        What a voice would say of those that are told.
    is_untold : bool
        A repetition in it is not among those that the player is told.
    """

    cues: list[Cue] = field(default_factory=list)
    tone: list[TonePoint] = field(default_factory=list)
    reps: list[Rep] = field(default_factory=list)
    spoken: list[str] = field(default_factory=list)
    is_untold: bool = False

    def add(self, later: "DrillOutput") -> None:
        """Put what came later behind."""
        self.cues += later.cues
        self.tone += later.tone
        self.reps += later.reps
        self.spoken += later.spoken
        self.is_untold = self.is_untold or later.is_untold


def spoken_text(rep: Rep, streak: int) -> str:
    """Return what a voice says of a repetition."""
    if rep.verdict is Verdict.GOOD:
        return f"Good, {streak} in a row." if streak > 1 else "Good."
    return rep.words if rep.verdict is Verdict.MISSED else "Unclear."


REST_S = 0.4
"""How long the tone of a balance that was held rests, so that what says so is heard alone: the
motif and a little (ours)."""


class DrillRun:
    """One run of a drill, from its choice to the next.

    Parameters
    ----------
    drill : Drill
    feedback : Feedback
    start_s : float
        Session time of the choice.
    lead : Foot
    bw_n : float
        Body weight as the insoles see it, N.
    maker : CueMaker or None
        None where nobody listens: neither cues nor tone are made.
    bears : mapping of Foot to bool
        Whether each foot bears on its midfoot, as far as the session's stands showed.
    limits : Limits, optional

    Attributes
    ----------
    score : Score
    reps : list of Rep
    """

    def __init__(
        self,
        drill: Drill,
        feedback: Feedback,
        start_s: float,
        lead: Foot,
        bw_n: float,
        maker: CueMaker | None = None,
        bears: dict[Foot, bool] | None = None,
        limits: Limits | None = None,
    ) -> None:
        self.drill = drill
        self.start_s = start_s
        self.score = Score(
            drill.name,
            drill.title,
            drill.goal,
            drill.counts,
            feedback,
            what=_WHAT.get(drill.kind, "swing"),
        )
        self.reps: list[Rep] = []
        self._bears = dict(bears or {})
        self._maker = maker
        self._answer: list[Cue] = []
        self._balance = Balance(drill.target) if isinstance(drill.target, BalanceTarget) else None
        self._swinging = False
        self._rests_until_s = start_s
        self.settle(lead, bw_n, limits or Limits())

    @property
    def needs_rows(self) -> bool:
        """Whether rows change anything; else they need not be given."""
        return self._balance is not None or self._tone.of is not CopSource.NONE

    def settle(self, lead: Foot, bw_n: float, limits: Limits) -> None:
        """Take the player's settings from here on."""
        self._lead, self._bw_n, self._limits = lead, bw_n, limits
        of = CopSource.NONE if self._maker is None else self.drill.cues.tone
        self._tone = Tone(of, lead, limits.cop_bw * bw_n)

    def is_told_otherwise(self, drill: Drill | None, feedback: Feedback) -> bool:
        """Whether a choice changes nothing of this run but its feedback."""
        return drill == self.drill and feedback is not self.score.feedback

    def tell(self, feedback: Feedback) -> None:
        """Tell the player as often as this from here on; the score goes on."""
        self.score = replace(self.score, feedback=feedback)

    def take(self, event: Event, reply: DrillOutput, rate_hz: float | None = None) -> None:
        """Take the next event; what is said of it has sampling errors where the rate is known."""
        is_walk = isinstance(self.drill.target, WalkTarget)
        if isinstance(event, Step) if is_walk else isinstance(event, (Phase, Swing)):
            reply.is_untold = reply.is_untold or not self._is_told()
        if isinstance(event, Phase):
            self._phase(event, reply)
        elif isinstance(event, Swing):
            self._swinging = False
            rep = judge_swing(event, self.drill, rate_hz)
            if rep is not None:
                self._count(rep, reply, event.push)
        elif isinstance(event, Step):
            if isinstance(self.drill.target, WalkTarget):
                bears = self._bears.get(event.foot, False)
                self._count(judge_step(event, self.drill.target, bears), reply)
        elif isinstance(event, Stand):
            note_bearing(self._bears, event)

    def follow(self, block: PairBlock, reply: DrillOutput) -> None:
        """Take the next rows, net of the baseline."""
        if self._balance is None:
            if self._tone.of is not CopSource.NONE:
                told = self._swinging and self._is_told()
                self._tone.push(block, told, reply.tone)
            return
        target = self.drill.target
        assert isinstance(target, BalanceTarget)
        inside = in_window(block, target, self._lead, self._bw_n, self._limits)
        for k, where in enumerate(inside):
            rep = self._balance.row(float(block.t_s[k]), where)
            if rep is not None:
                self._count(rep, reply)
                self._rests_until_s = rep.t_s + REST_S
            if self._tone.of is not CopSource.NONE:
                rests = float(block.t_s[k]) < self._rests_until_s
                told = self._balance.holding and self._is_told() and not rests
                self._tone.push(block.slice(k, k + 1), told, reply.tone)

    def ask(self, now_s: float) -> DrillOutput:
        """Return what is heard now of the last repetition; nothing where the drill is silent.

        From then on it is among those that the player is told.
        """
        if self.score.feedback is Feedback.SILENT:
            return DrillOutput()
        if self.score.last is not None and not self.score.told:
            self.score = replace(self.score, told=True)
        cues = [replace(cue, decided_s=now_s) for cue in self._answer]
        said = [spoken_text(rep, self.score.streak) for rep in self.reps[-1:]]
        return DrillOutput(cues=cues, spoken=said)

    def result(self, end_s: float) -> DrillResult:
        """Return the run as it is kept."""
        score = self.score
        return DrillResult(
            name=score.name,
            title=score.title,
            counts=score.counts,
            judge=str(self.drill.kind),
            feedback=str(score.feedback),
            start_s=self.start_s,
            end_s=end_s,
            good=score.good,
            tried=score.tried,
            unclear=score.unclear,
            best=score.best,
            reps=tuple(self.reps),
        )

    def _phase(self, phase: Phase, reply: DrillOutput) -> None:
        if phase.kind in (PhaseKind.BACKSWING, PhaseKind.SHIFT):
            self._swinging = True
        elif phase.kind in (PhaseKind.CANCELLED, PhaseKind.PUSH):
            self._swinging = False
        target, cues = self.drill.target, self.drill.cues
        ticks = [] if self._maker is None else self._maker.tick(phase)
        if ticks:
            if cues.heel_clicks and self._is_told():
                reply.cues += ticks
        elif phase.push is not None and (found := by_push(phase.push, target)) is not None:
            verdict, _ = found
            kind = self._kind(verdict)
            if verdict is Verdict.MISSED and isinstance(target, PushTarget):
                kind = missed_sound(phase.push, target) if cues.missed_sound == OUTCOME else kind
            if self._maker is not None:
                self._play(self._maker.echo(phase, kind, path=cues.replay_push), reply)

    def _count(self, rep: Rep, reply: DrillOutput, push: Push | None = None) -> None:
        """Count a repetition, a swing's with its push; let it be heard, unless it was already."""
        kind = self._kind(rep.verdict)
        # a push was heard when it happened
        play = push is None or by_push(push, self.drill.target) is None
        if play and self._maker is not None:
            self._play([] if kind is None else [self._maker.cue_of(kind, rep.t_s)], reply)
        told = self._is_told()
        self.score = self.score.after(rep, self._line(rep.verdict, push), told)
        if told:
            reply.spoken.append(spoken_text(rep, self.score.streak))
        self.reps.append(rep)
        reply.reps.append(rep)

    def _line(self, verdict: Verdict, push: Push | None) -> str:
        """Return what the player reads; of a push that missed, by the way it did."""
        say, target = self.drill.say, self.drill.target
        if verdict is Verdict.MISSED and push is not None and isinstance(target, PushTarget):
            return str(getattr(say, missed_sound(push, target))) or say.missed
        return str(getattr(say, verdict))

    def _kind(self, verdict: Verdict) -> CueKind | None:
        cues = self.drill.cues
        if verdict is Verdict.UNCLEAR:
            return CueKind.UNCLEAR
        name = cues.good_sound if verdict is Verdict.GOOD else cues.missed_sound
        return None if name in (NONE, OUTCOME) else CueKind(name)

    def _play(self, cues: Sequence[Cue], reply: DrillOutput) -> None:
        self._answer = list(cues)
        if self._is_told():
            reply.cues += cues

    def _is_told(self) -> bool:
        """Whether the repetition under way is one of those that are told."""
        feedback = self.score.feedback
        if feedback is Feedback.OTHER:
            return (self.score.tried + self.score.unclear) % 2 == 0
        return feedback is Feedback.EVERY


def note_bearing(bears: dict[Foot, bool], stand: Stand) -> None:
    """Keep what a stand shows of each foot's bearing; what moved or is unclear changes nothing."""
    for foot, found in ((Foot.LEFT, stand.left), (Foot.RIGHT, stand.right)):
        if found.bearing not in (Bearing.UNCLEAR, Bearing.MOVED):
            bears[foot] = found.bearing is not Bearing.NONE
