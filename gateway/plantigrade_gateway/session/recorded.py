"""Running a recording as if the insoles were live."""

from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager

from plantigrade_gateway.session.sessions import Sessions
from plantigrade_gateway.session.stage import Stage
from plantigrade_gateway.session.visit import WholeRecording
from plantigrade_gateway.sources.recording import ReplaySource
from plantigrade_gateway.store.store import Store

INVENTED = (
    "The player and the place in this recording are invented: a synthetic player on a practice "
    "ground that does not exist. No person was measured."
)


class ReplayJob:
    """Replays a recording into one session (a `Job`).

    Parameters
    ----------
    source : ReplaySource
    intro : str
        Said first.
    stays : bool
        Keep the page up when the recording has ended, until Ctrl-C or another run of it.
    """

    def __init__(self, source: ReplaySource, intro: str, *, stays: bool = False) -> None:
        self._source = source
        self._intro = intro
        self._stays = stays

    @asynccontextmanager
    async def opened(self, store: Store, say: Callable[[str], None]) -> AsyncIterator[ReplaySource]:
        """Give the recording."""
        yield self._source

    def intro(self) -> Iterable[str]:
        """Return what it is."""
        return [self._intro]

    def work(self, stage: Stage) -> Sessions:
        """Return what records, analyses and shows it."""
        about = self._source.about
        return Sessions(
            stage,
            self._source,
            about.settings,
            lambda begin, end: WholeRecording(begin, end),
            about.duration_s,
            self._stays,
        )

    def greeting(self) -> Iterable[str]:
        """Return how it is stopped."""
        return [STOPS]


STOPS = "Ctrl-C stops; everything up to then is kept."
