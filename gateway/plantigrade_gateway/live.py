"""One session under way: its bytes go to the store first, then become events, then sound.

The same for a replay and for insoles: whatever has entries pushes them here.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade_gateway import stored
from plantigrade_gateway.analyserecord import RecordAnalysis
from plantigrade_gateway.analysis import Analysis
from plantigrade_gateway.audio import Silence, Speaker
from plantigrade_gateway.cues import Cue, CueMaker
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.forward.gather import Gather
from plantigrade_gateway.forward.outbox import Outbox
from plantigrade_gateway.pipeline import Output, Tap
from plantigrade_gateway.record import SESSION, Batch, Entry, Kind
from plantigrade_gateway.recorder import Recorder
from plantigrade_gateway.store import Store
from plantigrade_gateway.wavfile import WavFile


@dataclass(frozen=True, slots=True)
class Moment:
    """What entries came to.

    Attributes
    ----------
    output : Output
    cues : list of Cue
        Given to the sound already.
    """

    output: Output = field(default_factory=Output)
    cues: list[Cue] = field(default_factory=list)


class LiveSession:
    """Records, analyses and sounds one session.

    Parameters
    ----------
    store : Store
        Open sessions of a killed program are to be ended before (`Store.recover`).
    source : str
        Where the bytes come from; shown to people.
    sound : Speaker, WavFile or Silence
        Opened and closed by the caller.
    on_problem : callable
        Told, from another thread, what goes wrong with the store (`Recorder`).
    tap : callable, optional
        As for `Pipeline`.

    Attributes
    ----------
    session_id : str
    analysis : RecordAnalysis

    Raises
    ------
    StoreError
        The store cannot be written.
    """

    def __init__(
        self,
        store: Store,
        source: str,
        sound: Speaker | WavFile | Silence,
        on_problem: Callable[[StoreError], None],
        tap: Tap | None = None,
    ) -> None:
        self._store = store
        self._sound = sound
        self._cues = CueMaker()
        self._last_ns = 0
        self._result: Analysis | None = None
        self._gather = Gather(Outbox(store.database).active())
        self.analysis = RecordAnalysis(source, tap=tap)
        self.session_id = store.create_session(source, analysis_version=ANALYSIS_VERSION)
        self._recorder = Recorder(store, self.session_id, on_problem=on_problem)

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

    def push(self, batch: Batch) -> Moment:
        """Take the entries that came; return what they came to."""
        upto = self._recorder.put(batch)
        output = self.analysis.push(batch)
        cues = self._cues.push(output.events)
        for cue in cues:
            self._sound.play(cue)
        self._recorder.put_events(output.events, upto)
        if points := self._gather.push(cues, output.net):
            self._recorder.put_points(points, upto)
        if len(batch):
            self._last_ns = int(batch.arrival_ns[-1])
        return Moment(output, cues)

    def mark(self, text: str) -> Moment:
        """Note something at this instant, in the record."""
        return self.push(Batch.of([Entry(self._last_ns, SESSION, Kind.MARK, text.encode())]))

    def close(self, reason: str = "stop") -> Analysis:
        """End the session and return its results; closing again only returns them.

        Raises
        ------
        StoreError
            The store refuses the last of it.
        """
        if self._result is not None:
            return self._result
        if not self.analysis.ended:
            self.push(Batch.of([Entry(self._last_ns, SESSION, Kind.END, b"")]))
        upto = self._recorder.put(Batch.of(()))
        self._recorder.put_events(self.analysis.flush().events, upto)
        self._result = self.analysis.result()
        self._recorder.put_points(self._gather.ended(self._result), upto)
        self._recorder.close(reason)
        stored.keep(self._store, self.session_id, self._result)
        return self._result
