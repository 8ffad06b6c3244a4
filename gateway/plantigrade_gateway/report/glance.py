"""Both feet at this moment: what is shown of the last row."""

import math
from dataclasses import dataclass

import numpy as np

from plantigrade.block import FloatArray, Foot, PairBlock
from plantigrade.load import centre_of_pressure, share, total_load

COP_LEAST_BW = 0.05
"""Load under which a foot's CoP is undefined, × body weight (design §5)."""


@dataclass(frozen=True, slots=True)
class FootGlance:
    """One foot now.

    Attributes
    ----------
    load_n, load_bw : float or None
        Net of the baseline, not under 0; None while the foot is away or in a gap.
    cop : tuple of float or None
        x, y as fractions of width and length; None where undefined.
    """

    load_n: float | None
    load_bw: float | None
    cop: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Glance:
    """Both feet now.

    Attributes
    ----------
    t_s : float
        Session time of the row, s.
    feet : dict of Foot to FootGlance
    lead_share : float or None
        None where a foot is missing or both together carry under 5 % of body weight.
    """

    t_s: float
    feet: dict[Foot, FootGlance]
    lead_share: float | None


def glance(rows: PairBlock, lead: Foot, body_weight_n: float) -> Glance:
    """Return the last row as it is shown.

    Parameters
    ----------
    rows : PairBlock
        At least one row, net of the baseline.
    lead : Foot
    body_weight_n : float
    """
    least_n = COP_LEAST_BW * body_weight_n
    net = {foot: rows.foot(foot)[-1:] for foot in Foot}
    lead_n, trail_n = total_load(net[lead]), total_load(net[lead.other])
    return Glance(
        float(rows.t_s[-1]),
        {foot: _foot(values, least_n, body_weight_n) for foot, values in net.items()},
        _number(share(lead_n, trail_n, least_n)[0]),
    )


def _foot(values: FloatArray, least_n: float, body_weight_n: float) -> FootGlance:
    load_n = _number(total_load(values)[0])
    if load_n is None:
        return FootGlance(None, None, None)
    load_n = max(load_n, 0.0)
    x, y = centre_of_pressure(values, least_n)[0].tolist()
    cop = None if math.isnan(x) else (float(x), float(y))
    return FootGlance(load_n, load_n / body_weight_n, cop)


def _number(value: np.float64) -> float | None:
    return None if np.isnan(value) else float(value)
