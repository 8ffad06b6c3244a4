"""Whether a standing foot's midfoot bears, from its share of the foot's load (design §5, Stand).

Takes shares and loads, gives a `Bearing`; its limits are those of `plantigrade.limits`. Footbed and
shoe change it. Published area cut-offs (arch index) do not apply to load shares.
"""

import math
from collections.abc import Sequence

from plantigrade.block import Column
from plantigrade.change import RepeatError
from plantigrade.events import Bearing, FootStand
from plantigrade.interval import t95
from plantigrade.limits import Limits, Setup
from plantigrade.stat import stat_of


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
