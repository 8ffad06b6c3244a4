"""Quiet standing on both feet: load split, regional shares, bearing, sway of each foot's CoP.

Whether a midfoot bears is a class of its share of the foot's load (design §5, Stand). Footbed and
shoe change it. Published area cut-offs (arch index) do not apply to load shares.
"""

import math
from collections.abc import Sequence
from typing import cast

import numpy as np

from plantigrade.block import N_COLUMNS, Column, FloatArray, PairBlock
from plantigrade.change import RepeatError
from plantigrade.events import Bearing, Event, FootStand, Stand
from plantigrade.interval import t95
from plantigrade.limits import Limits, Setup
from plantigrade.load import centre_of_pressure, total_load
from plantigrade.rows import RowBuffer
from plantigrade.stat import stat_of
from plantigrade.sway import LOWPASS_HZ, Sway, lowpass, sway


def bearing_class(midfoot_share: float, limits: Limits) -> Bearing:
    """Return the class a midfoot's share of the foot's load lies in; each is closed below."""
    if midfoot_share < limits.bearing_none:
        return Bearing.NONE
    if midfoot_share < limits.bearing_full:
        return Bearing.SLIGHT
    return Bearing.BEARING if midfoot_share < limits.bearing_broad else Bearing.BROAD


def bearing_of(midfoot_n: float, foot_n: float, setup: Setup) -> Bearing:
    """Name the bearing of one quiet stand.

    The midfoot's load is known to within twice its floor: the class is `UNCLEAR` unless the load
    as read and that much more lie in one. So a midfoot under its floor has none only where the
    floor itself is small beside the foot's load.

    Parameters
    ----------
    midfoot_n, foot_n : float
        Mean loads of the midfoot and of the whole foot, N; the foot's above 0.
    setup : Setup
    """
    least = bearing_class(midfoot_n / foot_n, setup.limits)
    most = bearing_class((midfoot_n + _unknown_n(setup)) / foot_n, setup.limits)
    return least if least is most else Bearing.UNCLEAR


def bearing_over_stands(
    stands: Sequence[FootStand], setup: Setup, error: RepeatError | None = None
) -> Bearing:
    """Name the bearing of one foot over repeated stands.

    Parameters
    ----------
    stands : sequence of FootStand
        The same foot, standing alike. Those in which it moved, or has no share, do not count.
    setup : Setup
    error : RepeatError, optional
        The spread of one stand's share, where more stands than these tell it; else their own.

    Returns
    -------
    Bearing
        That of the only stand that counts, as it is: one has no interval. Of several, the class of
        their mean share; `UNCLEAR` where the mean's 95 % interval (Student's t) holds a limit, or
        where the mean and twice the midfoot's floor more lie in two classes. Without any that
        counts, `MOVED` where one moved, else `UNCLEAR`.
    """
    counted = [s for s in stands if s.bearing is not Bearing.MOVED and s.midfoot_share is not None]
    if len(counted) < 2:
        moved = any(s.bearing is Bearing.MOVED for s in stands)
        nothing = Bearing.MOVED if moved else Bearing.UNCLEAR
        return counted[0].bearing if counted else nothing
    share = stat_of(s.midfoot_share for s in counted)
    foot_n = stat_of(s.load_n for s in counted).mean
    assert share.mean is not None and share.sd is not None and foot_n is not None
    error = error or RepeatError(share.sd, share.count - 1, two_way=False)
    half = mean_half(error, share.count)
    limits = setup.limits
    for limit in (limits.bearing_none, limits.bearing_full, limits.bearing_broad):
        if share.mean - half <= limit <= share.mean + half:
            return Bearing.UNCLEAR
    return bearing_of(share.mean * foot_n, foot_n, setup)


def mean_half(error: RepeatError, count: int) -> float:
    """Return half the width of the 95 % interval of the mean of so many repeats (Student's t)."""
    return t95(error.degrees) * error.sem / math.sqrt(count)


def _unknown_n(setup: Setup) -> float:
    """Return how far the midfoot's load may be from what is read, N."""
    return 2.0 * float(setup.floor_n[Column.MIDFOOT])


PIECE_S = 0.5
"""Quiet is judged piece by piece, at fixed rows of the time line."""
_LEFT, _RIGHT = slice(1, 1 + N_COLUMNS), slice(1 + N_COLUMNS, None)


class StandDetector:
    """Find quiet stands of at least `stand_min_s` on both feet.

    A stand is confirmed by the piece that ends it, or when it reaches `stand_max_s`.

    Parameters
    ----------
    setup : Setup
    """

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self._piece = setup.samples(PIECE_S)
        self.reset()

    def reset(self) -> None:
        """Become as new."""
        self._rows: RowBuffer | None = None
        self._waiting: list[PairBlock] = []
        self._begun: int | None = None
        self._next = 0
        self._level = 0.0

    def push(self, block: PairBlock) -> list[Event]:
        """Take consecutive rows; return the stands that ended in them."""
        if len(block) == 0:
            return []
        self._waiting.append(block)
        if self._rows is not None and block.first + len(block) < self._next + self._piece:
            return []  # nothing is judged before the piece is whole
        self._take_waiting()
        stands: list[Stand] = []
        for level in self._levels():
            stands += self._judge(self._next, level)
            self._next += self._piece
        assert self._rows is not None
        self._rows.trim(self._next if self._begun is None else self._begun)
        return cast("list[Event]", stands)

    def _take_waiting(self) -> None:
        """Put the rows that wait into memory."""
        block = PairBlock.join(self._waiting)
        self._waiting = []
        if self._rows is None:
            self._rows = RowBuffer(1 + 2 * N_COLUMNS, block.first)
            self._next = -(-block.first // self._piece) * self._piece
        rows = self._rows.append(len(block))
        rows[:, 0] = block.t_s
        rows[:, _LEFT], rows[:, _RIGHT] = block.left, block.right

    def flush(self) -> list[Event]:
        """End the stream; a stand long enough by now is reported."""
        if self._waiting:
            self._take_waiting()
        if self._rows is None:
            return []
        return cast("list[Event]", self._end(self._next, self._rows.end - 1))

    def _levels(self) -> list[float]:
        """Mean left share of each piece that is complete now, NaN where it is not quiet."""
        assert self._rows is not None
        n = max(self._rows.end - self._next, 0) // self._piece
        if n == 0:
            return []
        rows = self._rows.rows(self._next, self._next + n * self._piece)
        left = total_load(rows[:, _LEFT]).reshape(n, self._piece)
        right = total_load(rows[:, _RIGHT]).reshape(n, self._piece)
        both = left + right
        bw, limits = self.setup.bw_n, self.setup.limits
        with np.errstate(invalid="ignore", divide="ignore"):
            share = left / both
            quiet = (
                (both.min(1) >= limits.stand_least_bw * bw)
                & (np.minimum(left, right).min(1) >= self.setup.contact_n)
                & (share.max(1) - share.min(1) <= limits.stand_quiet_share)
                & (both.max(1) - both.min(1) <= limits.stand_quiet_bw * bw)
            )
            levels: list[float] = np.where(quiet, share.sum(1) / self._piece, np.nan).tolist()
        return levels

    def _judge(self, start: int, level: float) -> list[Stand]:
        """Take the piece start…start + piece − 1 into the stand, or end the stand before it."""
        stop = start + self._piece
        quiet = level == level
        ended: list[Stand] = []
        if self._begun is not None and (
            not quiet
            or abs(level - self._level) > self.setup.limits.stand_quiet_share
            or stop - self._begun > self.setup.samples(self.setup.limits.stand_max_s)
        ):
            ended = self._end(start, stop - 1)
        if quiet:
            if self._begun is None:
                self._begun, self._level = start, level
            else:
                self._level += 0.5 * (level - self._level)
        return ended

    def _end(self, stop: int, decided: int) -> list[Stand]:
        """End the stand before row `stop`; return it if it was long enough."""
        begun, self._begun = self._begun, None
        least = self.setup.samples(self.setup.limits.stand_min_s)
        if begun is None or stop - begun < least:
            return []
        assert self._rows is not None
        rows = self._rows.rows(begun, stop)
        left, right = rows[:, _LEFT], rows[:, _RIGHT]
        left_n, right_n = float(total_load(left).mean()), float(total_load(right).mean())
        return [
            Stand(
                start_s=float(rows[0, 0]),
                end_s=float(rows[-1, 0]),
                left_share=left_n / (left_n + right_n),
                left=foot_stand(left, self.setup),
                right=foot_stand(right, self.setup),
                touches_gap=False,
                first_index=begun,
                confirmed_s=float(self._rows.rows(decided, decided + 1)[0, 0]),
            )
        ]


def foot_stand(values: FloatArray, setup: Setup) -> FootStand:
    """Measure one foot's part of a stand, and whether it was quiet in both directions.

    Parameters
    ----------
    values : ndarray of float64, shape (n, 8)
        The foot's load columns, none missing.
    setup : Setup
    """
    load = total_load(values)
    mean_n = float(load.mean())
    if mean_n < setup.cop_n:
        return FootStand(Bearing.UNCLEAR, *(None,) * 6, mean_n, *(None,) * 9, None)
    shares = [float(values[:, k].mean()) / mean_n for k in range(4)]
    midfoot_n = float(values[:, Column.MIDFOOT].mean())
    width = setup.samples(1.0)
    pieces = values[: len(values) // width * width].reshape(-1, width, values.shape[1]).mean(1)
    spread = np.std(pieces[:, Column.MIDFOOT] / total_load(pieces), ddof=1)
    x, y = (float(values[:, c].mean()) / mean_n for c in (Column.MOMENT_X, Column.MOMENT_Y))
    size = np.array([setup.width_mm, setup.length_mm])
    cop_mm = centre_of_pressure(values, setup.cop_n) * size
    whole = not np.isnan(cop_mm).any()
    if whole and setup.rate_hz > 2.0 * LOWPASS_HZ:  # else there is nothing above the cutoff
        cop_mm = lowpass(cop_mm, setup.rate_hz)
    s = sway(cop_mm, setup.rate_hz) if whole else None
    return FootStand(
        bearing=_bearing(s, midfoot_n, mean_n, setup),
        heel_share=shares[0],
        midfoot_share=shares[Column.MIDFOOT],
        forefoot_share=shares[2],
        toes_share=shares[3] if setup.has_toes else None,
        midfoot_share_sd=float(spread),
        midfoot_zones=round(float(np.median(values[:, Column.MIDFOOT_ZONES]))),
        load_n=mean_n,
        cop_x=x,
        cop_y=y,
        sway_range_x_mm=None if s is None else s.range_x_mm,
        sway_range_y_mm=None if s is None else s.range_y_mm,
        sway_rms_x_mm=None if s is None else s.rms_x_mm,
        sway_rms_y_mm=None if s is None else s.rms_y_mm,
        sway_path_mm=None if s is None else s.path_mm,
        sway_speed_mm_s=None if s is None else s.speed_mm_s,
        sway_ellipse_mm2=None if s is None else s.ellipse_mm2,
        midfoot_medial_share=_medial_share(values, midfoot_n, setup),
    )


def _bearing(found: Sway | None, midfoot_n: float, foot_n: float, setup: Setup) -> Bearing:
    """Name the bearing; none comes of a foot that moved, or whose quiet cannot be judged."""
    if found is None or found.rms_x_mm is None or found.rms_y_mm is None:
        return Bearing.UNCLEAR
    if max(found.rms_x_mm, found.rms_y_mm) > setup.limits.stand_quiet_mm:
        return Bearing.MOVED
    return bearing_of(midfoot_n, foot_n, setup)


def _medial_share(values: FloatArray, midfoot_n: float, setup: Setup) -> float | None:
    """Return the medial part of the midfoot's load; None where that is under its floor."""
    if midfoot_n < max(float(setup.floor_n[Column.MIDFOOT]), 1e-9):
        return None
    return float(values[:, Column.MIDFOOT_MEDIAL].mean()) / midfoot_n
