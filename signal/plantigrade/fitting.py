"""Fitting a calibration: pose after pose, from both feet's counts as they come.

A pose is taken when its data were good for long enough without a break, and refused with a reason
when they were not within its time. It is judged piece by piece at fixed times, so that nothing
depends on how the samples are cut into calls: a piece is cut when both feet have samples after it,
or one is away.
"""

from collections import Counter
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import FloatArray, Foot
from plantigrade.calibrate import Calibration, zeroed
from plantigrade.evidence import Evidence, FootFit
from plantigrade.poses import Flaw, Pose, PoseChecker, Trouble, View, Views
from plantigrade.zones import ZoneLayout

Counts = NDArray[np.uint16]
Piece = dict[Foot, Counts]

PIECE_S = 0.5
"""Length of a piece."""
AWAY_S = 1.0
"""A foot this far behind the other is not waited for (as the pipeline's)."""
WHOLE = 0.6
"""A piece with fewer of its samples than this has a gap: means bear a few lost packets."""


class Pieces:
    """Cut both feet's samples into pieces.

    Parameters
    ----------
    n_zones : int

    Attributes
    ----------
    edge_s : float or None
        Host time at which the piece under way began; None before both feet were heard.
    """

    def __init__(self, n_zones: int) -> None:
        self.edge_s: float | None = None
        self._t_s = {foot: np.empty(0) for foot in Foot}
        self._counts = {foot: np.empty((0, n_zones), np.uint16) for foot in Foot}
        self._last_s = dict.fromkeys(Foot, -np.inf)

    def push(self, foot: Foot, t_s: FloatArray, counts: Counts) -> None:
        """Take consecutive samples of one foot, at least one."""
        self._t_s[foot] = np.concatenate((self._t_s[foot], t_s))
        self._counts[foot] = np.concatenate((self._counts[foot], counts))
        self._last_s[foot] = float(t_s[-1])

    def begin(self) -> bool:
        """Begin the first piece where both feet are heard; False where one is not heard yet."""
        firsts = [float(t_s[0]) for t_s in self._t_s.values() if len(t_s)]
        if len(firsts) == len(self._t_s):
            self.edge_s = max(firsts)
        return self.edge_s is not None

    def next(self) -> Piece | Trouble | None:
        """Return the next piece that is complete, or what is missing of it; None: it must wait."""
        assert self.edge_s is not None
        end_s, lasts = self.edge_s + PIECE_S, self._last_s.values()
        if min(lasts) <= end_s and max(lasts) <= end_s + AWAY_S:
            return None
        piece: Piece = {}
        trouble: Trouble | None = None
        for foot, t_s in self._t_s.items():
            first, last = np.searchsorted(t_s, (self.edge_s, end_s), side="right").tolist()
            piece[foot] = self._counts[foot][first:last]
            trouble = trouble or _gap(foot, t_s[first:last])
            self._t_s[foot], self._counts[foot] = t_s[last:], self._counts[foot][last:]
        self.edge_s = end_s
        return trouble or piece


def _gap(foot: Foot, t_s: FloatArray) -> Trouble | None:
    """Say what is missing of a piece's samples."""
    n = len(t_s)
    if n < 2:
        return Trouble(
            Flaw.GAP, f"no data came from the {foot} insole: is it on, charged and near?", foot
        )
    if n < WHOLE * PIECE_S / float(np.median(np.diff(t_s))):
        return Trouble(Flaw.GAP, f"samples of the {foot} insole are missing: bring it nearer", foot)
    return None


OTHER_PIECES = 4
"""The other foot did it for so many pieces, and for more than this foot: exchanged (2 s)."""
OFTEN = 4
"""Trouble of so many pieces is more than a way into the pose or out of it (2 s)."""
_TELLING = (Flaw.WEIGHT, Flaw.RANGE, Flaw.MOVED)
"""Troubles of one who is in the pose; they say more than that of one who is not."""

FITTING = (
    Pose.LIFT_LEFT,
    Pose.LIFT_RIGHT,
    Pose.BOTH,
    Pose.ON_LEFT,
    Pose.ON_RIGHT,
    Pose.ON_LEFT,
    Pose.ON_RIGHT,
    Pose.ROCK_LENGTH,
    Pose.ROCK_WIDTH,
)
"""The poses of a calibration: each foot is stood on twice, so that it is known how that repeats."""
CHECK = (Pose.BOTH, Pose.ON_LEFT, Pose.ON_RIGHT, Pose.ROCK_LENGTH, Pose.ROCK_WIDTH)
"""The poses of the daily check: a foot is in the air while the other is stood on."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A pose begins, or begins again."""

    pose: Pose
    number: int
    of: int


@dataclass(frozen=True, slots=True)
class Held:
    """A piece of it came.

    Attributes
    ----------
    pose : Pose
    held_s, need_s : float
        Good without a break so far, and needed.
    trouble : Trouble or None
        What is wrong now.
    """

    pose: Pose
    held_s: float
    need_s: float
    trouble: Trouble | None


@dataclass(frozen=True, slots=True)
class Taken:
    """A pose is done; `note` says what the check warns of, or nothing."""

    pose: Pose
    note: str = ""


@dataclass(frozen=True, slots=True)
class Refused:
    """A pose's data are not good; it begins again."""

    pose: Pose
    trouble: Trouble


Step = Asked | Held | Taken | Refused


def _rank(trouble: Trouble) -> int:
    """Return how telling a trouble is, the most telling 0."""
    return _TELLING.index(trouble.flaw) if trouble.flaw in _TELLING else len(_TELLING)


class Fitting:
    """Lead through the poses, from counts to calibrations.

    Parameters
    ----------
    layout : ZoneLayout
    start : dict of Foot to Calibration
        To be fitted (its curves stay), or to be checked.
    bw_n : float or None
        Body weight, N; a check may do without.
    is_check : bool
    poses : tuple of Pose, optional
        In place of `FITTING` or `CHECK`.

    Attributes
    ----------
    poses : tuple of Pose
    need_s, limit_s : float
        How long a pose must be good, and after how long it is refused.
    done : bool
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
        self.poses = poses or (CHECK if is_check else FITTING)
        self.need_s, self.limit_s = (3.0, 15.0) if is_check else (5.0, 30.0)
        self.done = False
        self._bw_n = bw_n
        self._is_check = is_check
        self._shown = {
            foot: Evidence(layout, start[foot] if is_check else replace(start[foot], gain=1.0))
            for foot in Foot
        }
        self._pieces = Pieces(layout.n_zones)
        self._at = 0
        self._restart()

    def push(self, foot: Foot, t_s: FloatArray, counts: Counts) -> list[Step]:
        """Take consecutive samples of one foot.

        Parameters
        ----------
        foot : Foot
        t_s : ndarray of float64, shape (n,)
            Host times, s, rising.
        counts : ndarray of uint16, shape (n, n_zones)

        Returns
        -------
        list of Step
        """
        steps: list[Step] = []
        if self.done or not len(t_s):
            return steps
        self._pieces.push(foot, t_s, counts)
        if self._pieces.edge_s is None:
            if not self._pieces.begin():
                return steps
            steps.append(self._asked())
        while not self.done and (piece := self._pieces.next()) is not None:
            steps += self._judge(piece)
        return steps

    def result(self) -> dict[Foot, FootFit]:
        """Return what it came to, once it is `done`."""
        if self._is_check:
            return {f: e.check(self._bw_n, self._shown[f.other]) for f, e in self._shown.items()}
        return {foot: shown.fit(self._bw_n) for foot, shown in self._shown.items()}

    # ---- one pose ----

    @property
    def _pose(self) -> Pose:
        return self.poses[self._at]

    def _asked(self) -> Asked:
        return Asked(self._pose, self._at + 1, len(self.poses))

    def _restart(self) -> None:
        """Begin the pose, or begin it again."""
        self._held: list[Piece] = []
        self._judged = self._longest = 0
        self._did: Counter[Foot | None] = Counter()
        self._troubles: Counter[Flaw] = Counter()
        self._latest: dict[Flaw, Trouble] = {}

    def _judge(self, piece: Piece | Trouble) -> list[Step]:
        """Take a piece into the pose; say how the pose stands."""
        self._judged += 1
        if isinstance(piece, Trouble):
            self._held = []
            trouble: Trouble | None = piece
        else:
            trouble = self._extend(piece)
        if trouble is not None:
            self._troubles[trouble.flaw] += 1
            self._latest.pop(trouble.flaw, None)
            self._latest[trouble.flaw] = trouble
        self._longest = max(self._longest, len(self._held))
        held_s = PIECE_S * len(self._held)
        steps: list[Step] = [Held(self._pose, held_s, self.need_s, trouble)]
        if trouble is None and held_s >= self.need_s:
            return steps + self._take()
        if PIECE_S * self._judged >= self.limit_s:
            why = self._reason()
            if self._is_check and why.flaw in (Flaw.DEAD, Flaw.SATURATED):
                return steps + self._take(why)  # a fault of the insole's: waiting does not mend it
            steps.append(Refused(self._pose, why))
            self._restart()
            steps.append(self._asked())
        return steps

    def _extend(self, piece: Piece) -> Trouble | None:
        """Add a piece to those held if they are good together; else keep it if it is good alone."""
        fitted = {foot: shown.calibration for foot, shown in self._shown.items()}
        checker = PoseChecker(self._bw_n, fitted, self._is_check)
        alone, together = self._views([piece]), self._views([*self._held, piece])
        self._did[checker.foot_in_pose(self._pose, alone)] += 1
        if not self._pose.is_lift:  # before, there is no zero to count from
            for foot, view in alone.items():
                self._shown[foot].note_peak(view)
        trouble = checker.trouble(self._pose, together)
        if trouble is not None:
            self._held = [] if checker.trouble(self._pose, alone) else [piece]
            return trouble
        self._held.append(piece)
        return self._further(checker, together)

    def _further(self, checker: PoseChecker, views: Views) -> Trouble | None:
        """Judge what needs more than one piece, and what earlier poses showed."""
        pose = self._pose
        if pose.is_rock:
            found = checker.rock_trouble(pose, views)
            if found is None and self._at == len(self.poses) - 1:
                found = next(filter(None, (shown.dead() for shown in self._shown.values())), None)
            return found
        if pose.is_one_leg and pose.foot is not None and not self._is_check:
            return self._shown[pose.foot].differs(views[pose.foot])
        return None

    def _views(self, pieces: list[Piece]) -> Views:
        return {
            foot: View.of(
                np.concatenate([piece[foot] for piece in pieces]), shown.calibration, shown.layout
            )
            for foot, shown in self._shown.items()
        }

    def _reason(self) -> Trouble:
        """Return why the pose is refused: the plainest thing, else what was seen most."""
        pose, foot = self._pose, self._pose.foot
        if foot is not None and self._did[foot.other] >= max(OTHER_PIECES, self._did[foot] + 1):
            did, asked = ("was in the air", "to lift") if pose.is_lift else ("stood", "to stand on")
            return Trouble(
                Flaw.SWAPPED,
                f"the {foot.other} insole {did} when you were asked {asked} the {foot} foot: it "
                "was the other foot, or the insoles are exchanged; then change them over",
            )
        last = list(self._latest.values())[-1] if self._latest else None
        if last is None:
            return Trouble(Flaw.SHORT, f"it took longer than {self.limit_s:.0f} s")
        if last.flaw in (Flaw.SATURATED, Flaw.DEAD):
            return last
        often = [t for t in reversed(self._latest.values()) if self._troubles[t.flaw] >= OFTEN]
        most = max(reversed(self._latest.values()), key=lambda t: self._troubles[t.flaw])
        telling = min(often, key=_rank, default=most)
        why = telling if telling.flaw in _TELLING else most
        if self._longest > 1 and not pose.is_rock:
            return Trouble(
                Flaw.SHORT,
                f"too short: good for {PIECE_S * self._longest:g} s, {self.need_s:g} s are needed; "
                f"else {why.text}",
                why.foot,
            )
        return why

    def _take(self, trouble: Trouble | None = None) -> list[Step]:
        """Keep what the pose showed, and go on to the next."""
        pose = self._pose
        for foot, view in self._views(self._held).items() if self._held else ():
            self._shown[foot].take(pose, view)
            if pose.is_lift and pose.foot is foot:
                self._shown[foot].calibration = zeroed(self._shown[foot].calibration, view.counts)
        note = "" if trouble is None else trouble.text
        if trouble is not None and trouble.foot is not None:
            self._shown[trouble.foot].notes.append(note)
        steps: list[Step] = [Taken(pose, note)]
        self._at += 1
        self.done = self._at == len(self.poses)
        if not self.done:
            self._restart()
            steps.append(self._asked())
        return steps
