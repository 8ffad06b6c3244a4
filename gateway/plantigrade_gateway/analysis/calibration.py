"""The guided calibration as a function of a record: its bytes → what is asked, taken and refused.

Pure, like the pipeline: entries are taken one by one in order, so that how they are grouped into
batches never changes anything. Time passes only with the next entry.
"""

from plantigrade.block import Foot
from plantigrade.calibrate import Calibration
from plantigrade.clock import ClockModel
from plantigrade.evidence import FootFit
from plantigrade.fitting import Asked, Fitting, Refused, Step
from plantigrade.poses import Pose
from plantigrade.zones import ZoneLayout
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.record.entries import Batch, Entry, Kind, read_exchange
from plantigrade_gateway.wire.decoder import Decoder
from plantigrade_gateway.wire.stream import PacketRun, StreamEventKind

TRIES = 3
"""A pose that was refused so often ends the calibration (ours)."""
INSOLES = (0, 1)


class Guide:
    """Guide through a calibration, or its check.

    Parameters
    ----------
    layout : ZoneLayout
    start : dict of Foot to Calibration
    bw_n : float or None
    is_check : bool
    poses : tuple of Pose, optional
        As `plantigrade.fitting.Fitting`.

    Attributes
    ----------
    refused : Refused or None
        Why it ended without a result.
    """

    def __init__(
        self,
        layout: ZoneLayout,
        start: dict[Foot, Calibration],
        bw_n: float | None,
        *,
        is_check: bool = False,
        poses: tuple[Pose, ...] | None = None,
    ) -> None:
        self.refused: Refused | None = None
        self._layout = layout
        self._fitting = Fitting(layout, start, bw_n, is_check=is_check, poses=poses)
        self._decoders = {k: Decoder(k) for k in INSOLES}
        self._clocks: dict[int, ClockModel] = {}
        self._feet: dict[Foot, int] = {}
        self._tries = self._asked = 0

    @property
    def done(self) -> bool:
        """Whether nothing more is to come: it has a result, or was refused for good."""
        return self._fitting.done or self.refused is not None

    @property
    def need_s(self) -> float:
        """How long a pose must be good, s."""
        return self._fitting.need_s

    def result(self) -> dict[Foot, FootFit]:
        """Return what it came to; only when it is `done` and not `refused`."""
        return self._fitting.result()

    def push(self, batch: Batch) -> list[Step]:
        """Take consecutive entries; return what followed.

        Raises
        ------
        InputError
            An insole has other zones than the layout, or both say they are the same foot.
        """
        steps: list[Step] = []
        if len(batch) and not self._clocks:
            origin_ns = int(batch.arrival_ns[0])  # one time line for both
            self._clocks = {k: ClockModel(origin_ns) for k in INSOLES}
        for entry in batch:
            if self.done:
                break
            if entry.insole in INSOLES:
                steps += self._entry(entry)
        return steps

    def _entry(self, entry: Entry) -> list[Step]:
        k = entry.insole
        clock = self._clocks[k]
        if entry.kind is Kind.EXCHANGE and (exchange := read_exchange(entry.data)):
            clock.exchange(*exchange)
        if entry.kind is not Kind.NOTIFICATION:
            return []
        one = Batch.of([entry])
        steps: list[Step] = []
        for item in self._decoders[k].feed(one.arrival_ns, one.length, one.payload):
            if isinstance(item, PacketRun):
                steps += self._run(clock, item)
            elif item.kind is StreamEventKind.RESTART:
                clock.restart()
        return steps

    def _run(self, clock: ClockModel, run: PacketRun) -> list[Step]:
        if run.zones != self._layout.n_zones:
            raise InputError(
                f"{run.foot} insole: sends {run.zones} zones, expected the {self._layout.n_zones} "
                f"of layout {self._layout.name}"
            )
        if self._feet.setdefault(run.foot, run.insole) != run.insole:
            raise InputError(
                f"both insoles say that they are the {run.foot} one: see plantigrade pair"
            )
        t_s = clock.map_frames(run.arrival_ns, run.clock_us, run.period_us, run.frames)
        taken: list[Step] = []
        for step in self._fitting.push(run.foot, t_s, run.counts):
            if self.refused is not None:
                break  # the pose that it would ask for again
            if isinstance(step, Refused):
                self._tries += 1
                self.refused = step if self._tries == TRIES else None
            elif isinstance(step, Asked) and step.number > self._asked:
                self._asked, self._tries = step.number, 0
            taken.append(step)
        return taken


_PROMPTS = {
    Pose.LIFT_LEFT: "Lift the left foot off the ground, or hold its shoe in the air, and keep it "
    "still",
    Pose.LIFT_RIGHT: "Lift the right foot off the ground, or hold its shoe in the air, and keep it "
    "still",
    Pose.BOTH: "Stand still on both feet",
    Pose.ON_LEFT: "Stand still on the left foot alone, the right one in the air",
    Pose.ON_RIGHT: "Stand still on the right foot alone, the left one in the air",
    Pose.ROCK_LENGTH: "Rock on both feet from the heels up onto the toes and back, slowly, again "
    "and again",
    Pose.ROCK_WIDTH: "Rock on both feet from the outer edges to the inner ones and back, slowly, "
    "again and again",
}
_NAMES = {
    Pose.LIFT_LEFT: "left foot in the air",
    Pose.LIFT_RIGHT: "right foot in the air",
    Pose.BOTH: "standing on both feet",
    Pose.ON_LEFT: "standing on the left foot",
    Pose.ON_RIGHT: "standing on the right foot",
    Pose.ROCK_LENGTH: "rocking heel to toe",
    Pose.ROCK_WIDTH: "rocking edge to edge",
}


def pose_prompt(pose: Pose, need_s: float) -> str:
    """Return what to do, and for how long it must be good."""
    return f"{_PROMPTS[pose]}: {need_s:.0f} s."


def pose_name(pose: Pose) -> str:
    """Return what a pose is called."""
    return _NAMES[pose]
