"""A record → `Analysis`, at once or while it comes."""

import dataclasses
from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import pairwise
from typing import TypeVar

import numpy as np

from plantigrade.block import Foot
from plantigrade.events import Step, Swing
from plantigrade.limits import setup_for
from plantigrade_gateway import words
from plantigrade_gateway.analysis.late import made_whole
from plantigrade_gateway.analysis.pipeline import Pipeline, Tap
from plantigrade_gateway.analysis.practice import MARK, Practice, read_entry, read_mark, said_of
from plantigrade_gateway.analysis.quality import FOOT_CHANGED, FootQuality, LinkQuality, Quality
from plantigrade_gateway.analysis.result import (
    CHECK,
    CHECK_END,
    SET,
    SET_END,
    WEIGHT_DIFFERS,
    Analysis,
    Mark,
    SetSpan,
    SwingStrike,
    Trial,
    check_mass,
    quality_of,
    set_name,
)
from plantigrade_gateway.analysis.spans import SpanLog
from plantigrade_gateway.analysis.strikes import StrikeLog
from plantigrade_gateway.analysis.timeline import Output, Tallies, measured
from plantigrade_gateway.drills.model import Choice
from plantigrade_gateway.drills.run import DrillOutput
from plantigrade_gateway.errors import RecordError
from plantigrade_gateway.formats import clock, plural
from plantigrade_gateway.record.entries import Batch, Entry, Kind, is_lost
from plantigrade_gateway.record.heard import HeardSound, Listening, ToldStrike
from plantigrade_gateway.record.settings import ASSUMED_MASS_KG, SessionSettings, with_settings
from plantigrade_gateway.record.tables import CueState, SetStart, TrialName
from plantigrade_gateway.wire.stream import Counts, StreamEventKind

_NOTED = (
    *(Kind.END, Kind.MARK, Kind.SET, Kind.SET_END),
    *(Kind.CUES, Kind.DRILL, Kind.CHECK, Kind.CHECK_END),
    *(Kind.HEARD, Kind.LISTEN, Kind.STRIKE),
)
_TOLD = 5
"""So many stretches that came late are told of one by one (ours)."""
_CUT_AT = (*_NOTED, Kind.SETTINGS)
"""Entries before which a batch is cut: what comes before one never depends on it."""
Made = TypeVar("Made")


class RecordAnalysis:
    """Analyses a record while it comes: the pipeline, and what stands beside its results.

    Parameters
    ----------
    source : str
    tap : callable, optional
        As for `Pipeline`.
    heard : bool
        Whether cues and tone are wanted.

    Attributes
    ----------
    pipeline : Pipeline
    practice : Practice
        The session's drills.
    reply : DrillOutput
        What the last `push` or `flush` let be heard.
    marks : list of Mark
        So far.
    spans : SpanLog
        The sets and trials so far.
    ended : bool
        The record's end was among what came.
    """

    def __init__(
        self,
        source: str,
        tap: Tap | None = None,
        heard: bool = False,
    ) -> None:
        self._tallies = Tallies()
        self.pipeline = Pipeline(tap, self._tallies)
        self.practice = Practice(heard)
        self.reply = DrillOutput()
        self.marks: list[Mark] = []
        self.spans = SpanLog()
        self.ended = False
        self._strikes = StrikeLog()
        self._source = source
        self._last_ns: int | None = None

    def push(self, batch: Batch) -> Output:
        """Take consecutive entries; return what the pipeline decided."""
        self.reply = DrillOutput()
        if len(batch) and not batch.kind.any():  # notifications alone
            output = self.pipeline.push(batch)
            self._take(output)
            self._last_ns = int(batch.arrival_ns[-1])
            return output
        whole = Output()
        ends = np.flatnonzero(np.isin(batch.kind, _CUT_AT)).tolist()
        for start, stop in pairwise(sorted({0, *ends, len(batch)})):
            piece = batch if stop - start == len(batch) else batch.slice(start, stop)
            output = self.pipeline.push(piece)
            self._note_entries(piece)
            self._take(output)
            whole.events.extend(output.events)
            whole.facts.extend(output.facts)
            whole.rows.extend(output.rows)
            whole.net.extend(output.net)
        if len(batch):
            self._last_ns = int(batch.arrival_ns[-1])
        return whole

    def flush(self) -> Output:
        """End the record; return what could still be decided."""
        self.reply = DrillOutput()
        output = self.pipeline.flush()
        self._take(output)
        return output

    def result(self) -> Analysis:
        """Return everything, after `flush`."""
        found = self._tallies.found
        return Analysis(
            self._source,
            self.rate_hz,
            self.now_s,
            tuple(found.stands),
            tuple(found.steps),
            tuple(found.swings),
            tuple(self.marks),
            self._quality(),
            self.practice.results(self.now_s),
            self.trials,
            tuple(self._with_missing(span) for span in self.spans.sets()),
            strikes=self._found_strikes(),
        )

    def _found_strikes(self) -> tuple[SwingStrike, ...]:
        errors_s = [clock.error_s for clock in self.pipeline.clocks().values()]
        return self._strikes.strikes(
            self._tallies.found.swings,
            self.spans.sets(),
            self.pipeline.settings.body_weight_n,
            self.rate_hz or 100.0,
            max(errors_s, default=0.0),
        )

    def _with_missing(self, span: SetSpan) -> SetSpan:
        """Return a set with how many of its samples are missing."""
        share = self._tallies.missing_share(span.start_s, span.end_s)
        return dataclasses.replace(span, missing_share=share)

    @property
    def trials(self) -> tuple[Trial, ...]:
        """The trials so far with what was measured of each, the one under way ended now."""
        trials, prompts = self.spans.trials(self.now_s), self._tallies.prompts
        return tuple(measured(t, p) for t, p in zip(trials, prompts, strict=True))

    @property
    def steps(self) -> list[Step]:
        """The steps found so far."""
        return self._tallies.found.steps

    @property
    def swings(self) -> list[Swing]:
        """The swings found so far."""
        return self._tallies.found.swings

    @property
    def rate_hz(self) -> float | None:
        """Rows per second of the time line, the first one's where the insoles change theirs.

        None before the first row.
        """
        return self._tallies.rate_hz

    @property
    def now_s(self) -> float:
        """Session time of the last entry, s."""
        return 0.0 if self._last_ns is None else self._session_s(self._last_ns)

    @property
    def is_silent(self) -> bool:
        """Whether the player is told nothing now: by the feedback's choice, or in a silent set."""
        return self.practice.is_silent or self.spans.is_silent

    def _take(self, output: Output) -> None:
        self.practice.settle(self.pipeline.settings)
        self.reply.add(self.practice.push(output, self.rate_hz))
        swings = [event for event in output.events if isinstance(event, Swing)]
        self._strikes.take(output.net, swings)

    def _note_entries(self, batch: Batch) -> None:
        for at in np.flatnonzero(np.isin(batch.kind, _NOTED)).tolist():
            (entry,) = batch.slice(at, at + 1)
            t_s = self._session_s(entry.arrival_ns)
            text = self._note(entry, t_s)
            if text is not None:
                self.marks.append(Mark(t_s, text))

    def _note(self, entry: Entry, t_s: float) -> str | None:
        """Take an entry that is noted; return the text of the mark that tells of it."""
        data = entry.data
        match entry.kind:
            case Kind.END:
                self.ended = True
            case Kind.SET:
                begun = _read(SetStart.from_json, data)
                text = f"{SET} {'' if begun is None else begun.name}"
                self.spans.begin_set(set_name(Mark(t_s, text)) or "", t_s, begun)
                return text
            case Kind.SET_END:
                self.spans.end_set(t_s)
                return SET_END
            case Kind.CHECK:
                trial = _read(TrialName.from_json, data)
                self.spans.begin_trial(trial, t_s)
                return CHECK if trial is None else f"{CHECK} {trial.step} {trial.number}"
            case Kind.CHECK_END:
                self.spans.end_trial(t_s)
                return CHECK_END
            case Kind.CUES:
                state = _read(CueState.from_json, data)
                self.spans.cues(None if state is None else state.on, t_s)
            case Kind.HEARD:
                self._strikes.heard(_read(HeardSound.from_json, data), t_s)
            case Kind.LISTEN:
                self._strikes.listen(_read(Listening.from_json, data), t_s)
            case Kind.STRIKE:
                self._strikes.told(_read(ToldStrike.from_json, data), t_s)
            case Kind.DRILL:
                choice = _read(read_entry, data)
                self._choose(t_s, choice)
                return f"{MARK} ?" if choice is None else said_of(choice)
            case _:
                text = data.decode("utf-8", errors="replace")
                choice = read_mark(text)
                if choice is not None:
                    text = text.split("\n", 1)[0]  # the rest is for this program
                self._choose(t_s, choice)
                self.spans.mark(Mark(t_s, text))
                return text
        return None

    def _choose(self, t_s: float, choice: Choice | None) -> None:
        if choice is not None:
            self.practice.settle(self.pipeline.settings)
            self.practice.choose(t_s, choice)

    def _session_s(self, arrival_ns: int) -> float:
        origin_ns = self.pipeline.origin_ns
        assert origin_ns is not None  # the first entry began it
        return (arrival_ns - origin_ns) / 1e9

    # ---- quality ----

    def _quality(self) -> Quality:
        settings = self.pipeline.settings
        layout = settings.zone_layout()
        rate_hz = self.rate_hz or 100.0  # without samples it decides nothing
        setup = setup_for(layout, rate_hz, settings.body_weight_n, settings.lead, settings.limits)
        own_n = self._tallies.weight_n()
        feet = {foot: self._foot_quality(foot) for foot in Foot}
        notes = (*_weight_notes(settings, own_n), *self._notes())
        return quality_of(
            setup, layout, settings.mass_kg, settings.body_weight_from, own_n, feet, notes
        )

    def _foot_quality(self, foot: Foot) -> FootQuality:
        insole = next((k for k, f in self.pipeline.feet().items() if f is foot), None)
        baseline, baseline_age_s = self._tallies.baseline(foot)
        counts = self.pipeline.counts().get(insole, Counts()) if insole is not None else Counts()
        used = None if insole is None else self.pipeline.calibrations().get(insole)
        samples = self._tallies.samples[foot]
        late = (0, ()) if insole is None else self.pipeline.late()[insole]
        return FootQuality(
            samples=samples.samples,
            missing_samples=samples.missing,
            gaps=samples.gaps(),
            saturated_samples=None if insole is None else self.pipeline.saturated().get(insole, 0),
            unused_zones=() if insole is None else self.pipeline.stuck().get(insole, ()),
            baseline_n=baseline.load_n,
            baseline_error_n=baseline.error_n,
            baseline_age_s=baseline_age_s,
            link=None if insole is None else self._link(insole, counts),
            calibration=None if used is None else words.calibration(used),
            gain=None if used is None else used.gain,
            late_samples=late[0],
            late_spans=late[1],
        )

    def _link(self, insole: int, counts: Counts) -> LinkQuality:
        clock = self.pipeline.clocks()[insole]
        return LinkQuality(
            packets=counts.packets,
            lost_packets=counts.lost_packets,
            late=counts.facts[StreamEventKind.LATE],
            repeated=counts.facts[StreamEventKind.REPEAT],
            overlapping=counts.facts[StreamEventKind.OVERLAP],
            malformed=counts.facts[StreamEventKind.MALFORMED],
            restarts=counts.facts[StreamEventKind.RESTART],
            ignored=self.pipeline.ignored()[insole],
            battery_low=counts.facts[StreamEventKind.BATTERY] > 0,
            clock_drift_ppm=clock.drift_ppm,
            clock_error_s=clock.error_s,
            clock_locked=clock.locked,
        )

    def _late_notes(self) -> Iterator[str]:
        rate_hz = self.rate_hz
        for insole, foot in self.pipeline.feet().items():
            samples, spans = self.pipeline.late()[insole]
            if foot is not None and spans and rate_hz:
                yield (
                    f"{samples / rate_hz:.1f} s of the {foot} foot came late, from the insole's "
                    f"log ({', '.join(f'{clock(a)} to {clock(b)}' for a, b in spans[:_TOLD])}"
                    f"{', …' if len(spans) > _TOLD else ''}): no cue was made of them"
                )
        for insole, boots in self.pipeline.boots_unheard().items():
            foot = self.pipeline.feet()[insole]
            if foot is not None and boots:
                yield (
                    f"{plural(boots, 'start')} of the {foot} insole lay wholly out of reach: what "
                    "it sampled then is left out, for nothing tells when that was"
                )

    def _notes(self) -> Iterator[str]:
        heard = {foot for foot in self.pipeline.feet().values() if foot is not None}
        for foot in Foot:
            if foot not in heard:
                yield f"the {foot} foot's insole was never heard"
        yield from self._late_notes()
        yield from self._tallies.notes()
        for mark in self.marks:
            if is_lost(mark.text):
                yield f"at {clock(mark.t_s)} {mark.text}"
        for insole, ignored in self.pipeline.ignored().items():
            if ignored:
                yield (
                    f"{ignored} packets of insole {insole} were left out: the other insole says it "
                    "is that foot, their zones are not those of the layout, or their samples are "
                    "too far apart"
                )
        for insole, counts in self.pipeline.counts().items():
            if counts.facts[StreamEventKind.RATE]:
                yield f"insole {insole} changed its sample rate during the session"
            if counts.facts[StreamEventKind.FOOT]:
                yield f"insole {insole} {FOOT_CHANGED}"


def analyse_record(
    batches: Iterable[Batch],
    source: str,
    mass_kg: float | None = None,
    handed: str | None = None,
    installation: Mapping[str, float] | None = None,
    limits: Mapping[str, float] | None = None,
) -> Analysis:
    """Analyse a whole record.

    Parameters
    ----------
    batches : iterable of Batch
        The record in order, however it is cut.
    source : str
    mass_kg, handed
        In place of what the record's own settings say, where given.
    installation, limits : mapping of str to float, optional
        Limits by name: those usual here, which give way to the record's, and those in place of all.

    Returns
    -------
    Analysis
        Times are session times: 0 is the arrival of the first entry.

    Raises
    ------
    InputError
        A mass that nobody has, or limits that cannot be used together.
    RecordError, CalibrationError
        The record cannot be read; what was whole before is not returned either.
    """
    check_mass(mass_kg)
    analysis = RecordAnalysis(source)
    if mass_kg is not None or handed is not None or installation or limits:

        def change(settings: SessionSettings) -> SessionSettings:
            if mass_kg is not None:
                settings = dataclasses.replace(settings, mass_kg=mass_kg, bw_n=None)
            if handed is not None:
                settings = dataclasses.replace(settings, handed=handed)
            return settings.with_limits(installation or {}, limits or {})

        batches = with_settings(batches, change)
    held = list(batches)
    for batch in made_whole(lambda: held):
        analysis.push(batch)
    analysis.flush()
    return analysis.result()


def _read(read: Callable[[bytes], Made], data: bytes) -> Made | None:
    """Return what an entry's data say; None where another version wrote what is not understood."""
    try:
        return read(data)
    except RecordError:
        return None


def _weight_notes(settings: SessionSettings, own_n: float | None) -> Iterator[str]:
    """Say what is doubtful about a record's body weight."""
    bw_n = settings.body_weight_n
    if settings.body_weight_from == "assumed":
        yield f"no mass was given: {ASSUMED_MASS_KG:g} kg are assumed"
    if own_n is not None and abs(own_n - bw_n) > WEIGHT_DIFFERS * bw_n:
        yield (
            f"body weight is set to {bw_n:.0f} N, and the insoles carry about {own_n:.0f} N: "
            "check the mass, or calibrate each foot's gain by one-leg stands"
        )
