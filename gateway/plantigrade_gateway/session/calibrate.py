"""The guided calibration: connect both insoles, lead the player through the poses, keep the result.

Nothing is stored before everything is there; whatever ends it earlier leaves the old calibration.
"""

import asyncio
import math
import time
from collections.abc import AsyncIterator, Callable, Iterable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.live import Live
from rich.text import Text

from plantigrade.block import Foot
from plantigrade.calibrate import Calibration
from plantigrade.evidence import FootFit
from plantigrade.fitting import Asked, Held, Refused, Step, Taken
from plantigrade.limits import G_M_S2
from plantigrade.poses import Pose
from plantigrade_gateway import words
from plantigrade_gateway.analysis.calibration import Guide, pose_name, pose_prompt
from plantigrade_gateway.errors import CalibrationRefused, InputError
from plantigrade_gateway.record.entries import Batch
from plantigrade_gateway.record.settings import zones_of
from plantigrade_gateway.report.console import paragraph
from plantigrade_gateway.session.insoles import VIRTUAL, InsoleOptions, opened_insoles
from plantigrade_gateway.session.runner import run
from plantigrade_gateway.session.stage import RunOptions, Stage
from plantigrade_gateway.sources.live import LiveSource, StreamConfig
from plantigrade_gateway.store import calibrations
from plantigrade_gateway.store.insoles import layout_of, size_notes
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.virtual.process import Simulation
from plantigrade_gateway.wire.gatt import KnownInsole

SILENT_S = 5.0
"""Without data for so long it is said (ours)."""
WISH = StreamConfig(period_us=20_000, frames=8)
"""50 Hz in few packets: whoever stands still is not quick, and nobody waits for a sound."""
_INDENT = " " * 8
KEPT = "No calibration was changed."


@dataclass(frozen=True, slots=True)
class CalibrationOptions:
    """What shall be done.

    Attributes
    ----------
    store : Path or None
    mass_kg : float or None
        Only a check may do without.
    is_check : bool
    footbed_mm : float or None
        Inner length of the player's shoe.
    simulation : Simulation or None
    radio : str or None
    poses : tuple of Pose or None
        In place of all of them.
    asked : asyncio.Queue of str or None
        Told each pose that is asked for, for a virtual player.
    now_ns : callable
        A monotonic clock, ns.
    pair : str
        Which of several pairs of insoles; empty: the usual one.
    """

    store: Path | None = None
    mass_kg: float | None = None
    is_check: bool = False
    footbed_mm: float | None = None
    simulation: Simulation | None = None
    radio: str | None = None
    poses: tuple[Pose, ...] | None = None
    asked: "asyncio.Queue[str] | None" = None
    now_ns: Callable[[], int] = time.monotonic_ns
    pair: str = ""


async def calibrate(request: CalibrationOptions, out: Console, stop: asyncio.Event) -> bool:
    """Calibrate, or check, both insoles.

    Returns
    -------
    bool
        False where `stop` ended it.

    Raises
    ------
    GatewayError
        Insoles, Bluetooth or store cannot be used, or the data stayed bad: one sentence.
    """
    if request.mass_kg is None and not request.is_check:
        raise InputError("a calibration needs the player's mass: give it with --mass KG")
    work = Calibrating(request)
    await run(work, RunOptions(sound=None, store=request.store), out, stop)
    return work.is_kept


class Calibrating:
    """Leads the player through the poses until every one is taken, or one refused (a `Job`).

    Parameters
    ----------
    request : CalibrationOptions

    Attributes
    ----------
    is_kept : bool
        Whether a result was stored.
    """

    _source: LiveSource
    _store: Store
    _guide: Guide
    _shown: "_Console"

    def __init__(self, request: CalibrationOptions) -> None:
        self.is_kept = False
        self._request = request
        self._asked = request.asked or asyncio.Queue[str]()
        self._came_s = time.monotonic()

    @asynccontextmanager
    async def opened(self, store: Store, say: Callable[[str], None]) -> AsyncIterator[LiveSource]:
        """Give the insoles."""
        self._store, request = store, self._request
        options = InsoleOptions(
            WISH, request.simulation, request.radio, request.now_ns, request.pair
        )
        async with opened_insoles(options, store, say, self._asked) as self._source:
            # Nobody swings, and the long packets are our own wish: there is nothing to warn of.
            self._source.bridged_s = math.inf
            self._guide = _guide(request, store, self._pair)
            yield self._source

    @property
    def _pair(self) -> list[KnownInsole]:
        return [info.insole for info in self._source.links.values()]

    def intro(self) -> Iterable[str]:
        """Return whether the insoles are real ones."""
        return [] if self._request.simulation is None else [VIRTUAL]

    def greeting(self) -> Iterable[str]:
        """Return what is known of the insoles, and what to do."""
        yield from size_notes(self._pair, self._request.footbed_mm)
        yield "Looking for " + " and ".join(k.label for k in self._pair) + "."
        yield "Lace as for play; hold on to something if you must. Ctrl-C changes nothing."

    @contextmanager
    def work(self, stage: Stage) -> Iterator["Calibrating"]:
        """Give what leads through the poses: this itself."""
        with _Console(stage.out, self._asked, self._guide.need_s) as self._shown:
            yield self

    @property
    def is_done(self) -> bool:
        """Whether every pose is taken, or one refused for good."""
        return self._guide.done

    def push(self, batch: Batch) -> None:
        """Take what came."""
        self._came_s = time.monotonic()
        for step in self._guide.push(batch):
            self._shown.show(step)

    async def tick(self) -> None:
        """Say when nothing has come for a while."""
        if time.monotonic() - self._came_s >= SILENT_S:
            self._came_s = time.monotonic()
            self._shown.say("No data come from the insoles; waiting for them.")

    def close(self, reason: str) -> None:
        """Keep the result, where there is one, and say it.

        Raises
        ------
        CalibrationRefused
            The data stayed bad.
        """
        if reason == "error":
            return
        if not self._guide.done:
            self._shown.say(f"Stopped. {KEPT}")
        elif self._guide.refused is not None:
            why = self._guide.refused.trouble.text
            name = pose_name(self._guide.refused.pose)
            raise CalibrationRefused(f"{name}: {why}. {KEPT}")
        else:
            _keep(self._request, self._store, self._pair, self._guide.result(), self._shown)
            self.is_kept = True

    async def wants_more(self, stop: asyncio.Event) -> bool:
        """Return False: once is enough."""
        return False


def _guide(request: CalibrationOptions, store: Store, pair: list[KnownInsole]) -> Guide:
    """Make the guide with what is known of the insoles."""
    feet = {insole.foot: insole for insole in pair}
    for foot in Foot:
        if foot not in feet:
            raise InputError(f"no {foot} insole is remembered: see plantigrade pair")
    layout = zones_of(layout_of(pair))
    start: dict[Foot, Calibration] = {}
    for foot, insole in feet.items():
        if request.is_check and calibrations.latest(store, insole) is None:
            raise InputError(f"{insole.label}: {words.NEVER_CALIBRATED}; run plantigrade calibrate")
        start[foot] = calibrations.start_of(store, insole)
    bw_n = None if request.mass_kg is None else request.mass_kg * G_M_S2
    return Guide(layout, start, bw_n, is_check=request.is_check, poses=request.poses)


def _keep(
    request: CalibrationOptions,
    store: Store,
    pair: list[KnownInsole],
    fits: dict[Foot, FootFit],
    shown: "_Console",
) -> None:
    """Keep the result, and say it."""
    by_serial = {insole.serial: fits[insole.foot] for insole in pair}
    if request.is_check:
        calibrations.keep_check(store, by_serial)
    else:
        calibrations.keep(store, by_serial)
    for insole in pair:
        fit = fits[insole.foot]
        gain = "" if request.is_check else f"gain {fit.calibration.gain:.2f}; "
        shown.say(f"{insole.label}: {gain}{calibrations.describe(store, insole)}.")
    if not request.is_check:
        shown.say("Both calibrations are stored.")
    elif any(fit.notes for fit in fits.values()):
        shown.say("The check warns: calibrate again, or look at the insole.")
    else:
        shown.say("The check is passed.")


class _Console:
    """What the player sees, and a virtual player is told."""

    def __init__(self, out: Console, asked: "asyncio.Queue[str]", need_s: float) -> None:
        self._out = out
        self._asked = asked
        self._need_s = need_s
        self._trouble = ""
        live = out.is_terminal and not out.is_dumb_terminal
        self._live = Live(console=out, auto_refresh=False, transient=True) if live else None

    def __enter__(self) -> "_Console":
        if self._live is not None:
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            self._live.stop()

    def say(self, text: str) -> None:
        """Print a sentence."""
        paragraph(self._out, text)

    def show(self, step: Step) -> None:
        """Show what followed from the data."""
        match step:
            case Asked():
                self._asked.put_nowait(step.pose)
                text = pose_prompt(step.pose, self._need_s)
                paragraph(self._out, text, _INDENT, f"{step.number} of {step.of}  ", "bold")
            case Held():
                self._hold(step)
            case Taken():
                self._line("")
                self._out.bell()
                said = "good" if not step.note else f"done, but {step.note}"
                paragraph(self._out, f"{said}.", _INDENT)
            case Refused():
                self._line("")
                paragraph(self._out, f"not good: {step.trouble.text}.", _INDENT)

    def _hold(self, step: Held) -> None:
        text = "" if step.trouble is None else step.trouble.text
        self._line(f"{_INDENT}held {step.held_s:.1f} of {step.need_s:.0f} s   {text}")

    def _line(self, text: str) -> None:
        if self._live is not None:
            self._live.update(Text(text, no_wrap=True, overflow="ellipsis"), refresh=True)
