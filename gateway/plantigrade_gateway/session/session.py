"""One session under way: its bytes go to the store first, then become events, then sound.

The same for a replay and for insoles: whatever has entries pushes them here.
"""

import secrets
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade.transients import Transient
from plantigrade_gateway.analysis.pipeline import Tap
from plantigrade_gateway.analysis.practice import entry_of
from plantigrade_gateway.analysis.record import RecordAnalysis
from plantigrade_gateway.analysis.result import Analysis, Mark
from plantigrade_gateway.analysis.timeline import Output
from plantigrade_gateway.drills.model import Choice, Drill, Feedback
from plantigrade_gateway.drills.run import Score
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.forward.launch import Gather
from plantigrade_gateway.people.visits import with_said
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.heard import (
    LONGEST_NS,
    LONGEST_OWN_S,
    HeardSound,
    Listening,
    Purpose,
    ToldStrike,
)
from plantigrade_gateway.record.tables import CueState, Intent, SetStart, TrialName
from plantigrade_gateway.sound.cues import Cue, CueKind
from plantigrade_gateway.sound.motifs import SAMPLE_RATE_HZ
from plantigrade_gateway.sound.output import Outlet
from plantigrade_gateway.sound.pitch import TonePoint
from plantigrade_gateway.sound.speech import Announcer
from plantigrade_gateway.store import results
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.recorder import Recorder
from plantigrade_gateway.store.rows import NewSession
from plantigrade_gateway.store.store import Store, new_session_id

TAP_LATE_S, TAP_ERROR_S = 0.25, 0.2
"""How long after a strike somebody taps who sees and hears it, and how far that may be off, s: a
reaction of some 0.2 s and the way to here (common practice, no published source)."""
_TONE_S = 0.2  # a tone sounds on so long after its last point, and a little
_SAID_S, _SAID_LETTER_S = 1.5, 0.1
"""How long a page's own voice takes to begin, and for a letter, s: rather too long (ours)."""


@dataclass(frozen=True, slots=True)
class StepResult:
    """What entries came to.

    Attributes
    ----------
    output : Output
    cues, tone : list of Cue, list of TonePoint
        Given to the sound already.
    score : Score or None
        The drill's, where it has changed.
    marks : list of Mark
        What the record noted.
    is_silent, is_untold : bool
        The player is told no outcome: feedback or set is silent; of this one: it is left out.
    """

    output: Output = field(default_factory=Output)
    cues: list[Cue] = field(default_factory=list)
    tone: list[TonePoint] = field(default_factory=list)
    score: Score | None = None
    marks: list[Mark] = field(default_factory=list)
    is_silent: bool = False
    is_untold: bool = False

    def then(self, later: "StepResult") -> "StepResult":
        """Return what this and what came next came to, together."""
        a, b = self.output, later.output
        return StepResult(
            Output(a.events + b.events, a.facts + b.facts, a.rows + b.rows, a.net + b.net),
            self.cues + later.cues,
            self.tone + later.tone,
            self.score if later.score is None else later.score,
            self.marks + later.marks,
            self.is_silent or later.is_silent,
            self.is_untold or later.is_untold,
        )


class LiveSession:
    """Records, analyses and sounds one session.

    Parameters
    ----------
    store : Store
        Open sessions of a killed program are to be ended before (`Store.recover`).
    source : str
        Where the bytes come from; shown to people.
    sound : Outlet
        Opened and closed by the caller.
    on_problem : callable
        Told, from another thread, what goes wrong with the store (`Recorder`). A store that refuses
        holds nothing up: the session is heard and seen, and stored as soon as it can be.
    tap : callable, optional
        As for `Pipeline`.
    voice : Announcer, optional
        Says outcomes; opened and closed by the caller.
    player_id : str, optional
        Whose it is.
    pair : str
        Which of several pairs of insoles it is of.

    Attributes
    ----------
    session_id : str
    player_id : str or None
    analysis : RecordAnalysis
    end_reason : str or None
        Why it ended; None while it is under way.
    is_patched : bool
        Something came late: once it has ended, its results are made again of the whole record.
    """

    def __init__(
        self,
        store: Store,
        source: str,
        sound: Outlet,
        on_problem: Callable[[StoreError], None],
        tap: Tap | None = None,
        voice: Announcer | None = None,
        player_id: str | None = None,
        pair: str = "",
    ) -> None:
        self._store = store
        self._sound = sound
        self._voice = voice
        self._last_ns = 0
        self._told = 0  # marks
        self._score: Score | None = None  # as it was told last
        self._wanted: Choice | None = None  # before the first entry
        self._is_heard: bool | None = None  # nobody has said yet
        self._cues: CueState | None = None  # as the record has it
        self._trial: TrialName | None = None  # under way
        self._listens = False  # a microphone does
        self._played_s = 0.0  # until then the gateway itself sounds
        self._own_s = self._own_told_s = 0.0  # or a page may; and as the record says
        self._untold = StepResult()
        self._result: Analysis | None = None
        self.end_reason: str | None = None
        self.is_patched = False
        self._gather = Gather(_sinks(store))
        self.analysis = RecordAnalysis(source, tap=tap, heard=True)
        self.session_id = new_session_id()
        self.player_id = player_id
        begin = NewSession.now(source, ANALYSIS_VERSION, player_id, pair=pair)
        self._recorder = Recorder(store, self.session_id, on_problem=on_problem, begin=begin)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close("error" if kind is not None and issubclass(kind, Exception) else "stop")

    @property
    def store_problem(self) -> str | None:
        """Why the store refuses data at this moment; None while it takes them."""
        problem = self._recorder.problem
        return None if problem is None else str(problem)

    @property
    def score(self) -> Score | None:
        """The score of the drill under way."""
        return self.analysis.practice.score

    def push(self, batch: Batch, *, heard: bool = True) -> StepResult:
        """Take the entries that came; return what they came to.

        Parameters
        ----------
        batch : Batch
        heard : bool
            Whether that is heard: no sound is given to what was over long before.
        """
        before, self._untold = self._untold, StepResult()
        if self._wanted is not None and len(batch):
            wanted, self._wanted = self._wanted, None
            self._last_ns = int(batch.arrival_ns[0])
            before = before.then(self._take_one(Kind.DRILL, entry_of(wanted)))
        if self._last_ns and len(batch):
            before = before.then(self._tell_cues())
            before = before.then(self._tell_own())
        return before.then(self._take(batch, heard=heard))

    def _tell_cues(self) -> StepResult:
        """Write down whether cues can be heard, where that has changed."""
        if self._is_heard is None:
            return StepResult()
        practice = self.analysis.practice
        drill = None if practice.run is None else practice.run.drill.name
        cues = CueState(self._is_heard and not practice.is_silent, drill)
        if cues == self._cues:
            return StepResult()
        self._cues = cues
        return self._take_one(Kind.CUES, cues.to_json())

    def _tell_own(self) -> StepResult:
        """Write down how long the program itself sounds from here on, where that is new."""
        lasts_s = self._own_s - self.analysis.now_s
        if not self._listens or self._own_s <= self._own_told_s or lasts_s <= 0.0:
            return StepResult()
        self._own_told_s = self._own_s
        own = Listening(Purpose.OWN, lasts_s=min(lasts_s, LONGEST_OWN_S))
        return self._take_one(Kind.LISTEN, own.to_json())

    def _take(self, batch: Batch, *, heard: bool = True) -> StepResult:
        upto = self._recorder.put(batch)
        output = self.analysis.push(batch)
        reply = self.analysis.reply
        cues = [*reply.cues, *self._spoken(reply.spoken)] if heard else []
        tone = reply.tone if heard else []
        self._hear(cues, tone)
        self._own_until(cues, bool(tone))
        self._recorder.put_events(output.events, upto)
        if points := self._gather.push(cues, output.net):
            self._recorder.put_points(points, upto)
        if len(batch):
            self._last_ns = int(batch.arrival_ns[-1])
            self.is_patched = self.is_patched or bool((batch.kind == Kind.LOG).any())
        since, self._told = self._told, len(self.analysis.marks)
        marks = self.analysis.marks[since:]
        told = (self.analysis.is_silent, reply.is_untold)
        return StepResult(output, cues, tone, self._changed_score(), marks, *told)

    def mark(self, text: str) -> StepResult:
        """Note something at this instant, in the record."""
        return self._note(Kind.MARK, text.encode())

    def begin_set(self, intent: Intent, club: str | None) -> StepResult:
        """Begin a set at this instant, in the record; the set or trial before ends."""
        begun = SetStart(secrets.token_hex(16), intent, club)
        self._trial = None
        return self._note(Kind.SET, begun.to_json())

    def end_set(self) -> StepResult:
        """End the set under way, in the record."""
        return self._note(Kind.SET_END, b"")

    def begin_trial(self, step: str) -> int:
        """Begin a trial of a guided check, in the record; the set or trial before ends.

        What it came to is told with the next entries.

        Parameters
        ----------
        step : str
            A step of `check.steps`.

        Returns
        -------
        int
            Which try at this step it is in this session, from 1.

        Raises
        ------
        RecordError
            A step that is no short line of text.
        """
        trial = TrialName(step, self.analysis.spans.number_of(step) + 1)
        self._note_untold(Kind.CHECK, trial.to_json())
        self._trial = trial
        return trial.number

    def end_trial(self) -> None:
        """End the trial under way, in the record; nothing where none is.

        What it came to is told with the next entries.
        """
        trial, self._trial = self._trial, None
        if trial is not None:
            self._note_untold(Kind.CHECK_END, trial.to_json())

    def listen(self, listening: Listening) -> None:
        """Say in the record what the microphone is for from now on; nothing before it begins.

        What it came to is told with the next entries, as of `heard` and `strike`.
        """
        if not self._last_ns:
            return
        self._listens = self._listens or listening.purpose is Purpose.ON
        self._note_untold(Kind.LISTEN, listening.to_json())

    def heard(self, host_ns: int, transient: Transient) -> None:
        """Put a transient into the record; one of a minute ago or older is left out.

        Parameters
        ----------
        host_ns : int
            Monotonic host time at which it was heard, ns.
        transient : Transient
        """
        before_ns = self._last_ns - host_ns
        if self._last_ns and abs(before_ns) <= LONGEST_NS:
            self._note_untold(Kind.HEARD, HeardSound(before_ns, transient).to_json())

    def strike(self) -> None:
        """Put a strike that somebody taps at this instant into the record."""
        told = ToldStrike(round(1e9 * TAP_LATE_S), TAP_ERROR_S, "mark")
        self._note_untold(Kind.STRIKE, told.to_json())

    def hear(self, is_heard: bool) -> None:
        """Take whether anything sounds from here on: the gateway's own output, or a page.

        With that the record says when cues could be heard; without it, it does not.
        """
        self._is_heard = is_heard

    def _note(self, kind: Kind, data: bytes) -> StepResult:
        return self.push(self._one(kind, data))

    def _note_untold(self, kind: Kind, data: bytes) -> None:
        """Note it; what that came to, and was untold before, is told with the next entries."""
        self._untold = self._note(kind, data)

    def _take_one(self, kind: Kind, data: bytes) -> StepResult:
        return self._take(self._one(kind, data))

    def _one(self, kind: Kind, data: bytes) -> Batch:
        return Batch.of([Entry(self._last_ns, SESSION, kind, data)])

    def set_drill(self, drill: Drill | None, feedback: Feedback | None = None) -> StepResult:
        """Choose a drill, or none, in the record; one of which only the feedback changes goes on.

        Parameters
        ----------
        drill : Drill or None
        feedback : Feedback, optional
            Instead of the drill's own. Without a drill every push is heard, but for a silent one.
        """
        told = feedback or (Feedback.EVERY if drill is None else drill.feedback)
        run = self.analysis.practice.run
        choice = Choice(drill, told, run is not None and run.is_told_otherwise(drill, told))
        if self._last_ns:
            return self._note(Kind.DRILL, entry_of(choice))
        self._wanted = choice
        return StepResult()

    def recalibrate(self, calibrations: Mapping[int, bytes]) -> StepResult:
        """Go on by new calibrations, by insole, in the record; what is learnt begins afresh.

        The settings are written once more: with them a new stretch of rows begins, so that no
        baseline of the old calibration is taken off loads of the new one.
        """
        settings = self.analysis.pipeline.settings.to_json()
        new = [Entry(self._last_ns, k, Kind.CALIBRATION, d) for k, d in calibrations.items()]
        return self.push(Batch.of([*new, Entry(self._last_ns, SESSION, Kind.SETTINGS, settings)]))

    def announce(self, text: str) -> None:
        """Have something said that is no outcome, where there is a voice."""
        if self._voice is not None:
            self._voice.say(text)
        self._pages_say(text)

    def ask(self) -> StepResult:
        """Let the last repetition's outcome be heard and read now, unless the drill is silent."""
        reply = self.analysis.practice.ask(self.analysis.now_s)
        cues = [*reply.cues, *self._spoken(reply.spoken)]
        self._hear(cues, [])
        self._own_until(cues, toned=False)
        return StepResult(cues=cues, score=self._changed_score(), is_silent=self.analysis.is_silent)

    def _spoken(self, texts: list[str]) -> list[Cue]:
        """Have what is to be said made into sound; return what has been made meanwhile."""
        if self._is_heard:
            for text in texts:
                self._pages_say(text)
        if self._voice is None:
            return []
        for text in texts:
            self._voice.say(text)
        now_s = self.analysis.now_s
        return [Cue(CueKind.SPOKEN, now_s, now_s, 0.0, made) for made in self._voice.done()]

    def _hear(self, cues: list[Cue], tone: list[TonePoint]) -> None:
        """Give cues and tone to the sound, each at its time: a file is written in that order."""
        at = 0
        for cue in cues:
            due = at
            while due < len(tone) and tone[due].t_s <= cue.decided_s:
                due += 1
            if due > at:
                self._sound.follow(tone[at:due])
                at = due
            self._sound.play(cue)
        if at < len(tone):
            self._sound.follow(tone[at:])

    def _own_until(self, cues: list[Cue], toned: bool) -> None:
        """Remember until when the program itself is heard: the record says so next.

        Speech waits until nothing else sounds.
        """
        now_s, end_s = self.analysis.now_s, self._played_s
        if toned:
            end_s = max(end_s, now_s + _TONE_S)
        for cue in sorted(cues, key=lambda cue: cue.kind is CueKind.SPOKEN):
            waits_s = end_s - now_s if cue.kind is CueKind.SPOKEN else 0.0
            begins_s = now_s + max(cue.delay_s, waits_s)
            end_s = max(end_s, begins_s + len(cue.samples) / SAMPLE_RATE_HZ)
        self._played_s, self._own_s = end_s, max(self._own_s, end_s)

    def _pages_say(self, text: str) -> None:
        """Remember that a page's own voice may say a text: nobody tells how long that takes."""
        end_s = self.analysis.now_s + _SAID_S + _SAID_LETTER_S * len(text)
        self._own_s = max(self._own_s, end_s)

    def _changed_score(self) -> Score | None:
        score = self.score
        if score is self._score:
            return None
        self._score = score
        return score

    def flush(self) -> None:
        """Wait until everything that came is on the disk.

        Raises
        ------
        StoreError
            The store refuses; what came is kept and tried again.
        """
        self._recorder.flush()

    @property
    def lingers(self) -> bool:
        """Whether the session has ended, and the store has not taken the last of it yet."""
        return self._recorder.lingers

    def give_up(self) -> None:
        """Stop trying to store the last of a session that lingers.

        Raises
        ------
        StoreError
            What is lost.
        """
        self._recorder.give_up()

    def close(self, reason: str = "stop", *, linger: bool = False) -> Analysis:
        """End the session and return its results; closing again only returns them.

        Parameters
        ----------
        reason : str
            Kept with the session.
        linger : bool
            Where the store refuses, go on trying in the background until `give_up`.

        Raises
        ------
        StoreError
            The store refuses the last of it.
        """
        if self._result is not None:
            return self._result
        try:
            if not self.analysis.ended:
                self.push(Batch.of([Entry(self._last_ns, SESSION, Kind.END, b"")]))
            upto = self._recorder.put(Batch.of(()))
            self._recorder.put_events(self.analysis.flush().events, upto)
            self._result = self._without_left_out(self.analysis.result())
            self._recorder.put_points(self._gather.ended(self._result), upto)
        except BaseException:
            self._recorder.close("error")  # an analysis that fails costs no recorded byte
            raise
        self._recorder.close(reason, results.beside(self._result), linger=linger)
        self.end_reason = reason
        return self._result

    def _without_left_out(self, result: Analysis) -> Analysis:
        """Leave out what people left out meanwhile; where the store refuses, nothing yet."""
        try:
            return with_said(self._store, self.session_id, result)
        except StoreError:
            return result


def _sinks(store: Store) -> Collection[str]:
    """Return who is to be sent something; nobody where the store does not answer."""
    try:
        return Outbox(store.database).active()
    except StoreError:
        return ()
