"""How one foot spreads its load: over its regions, and each region's load over the zones.

Two models of the regions. `Sole.placed` is a foot resting on the ground with its load's centre put
somewhere along it: a lever on heel and ball, whose arch sinks onto the midfoot by the player's own
share. `Sole.rolled` is a walking stance: heel rocker, foot flat, heel-off near 60 % of stance,
ball, toes (phases of walking under a plate: forefoot contact from 7 %, whole forefoot down at 12 %,
heel-off at 61 %; abstract of Chiu et al. 2013, Gait Posture).
"""

import numpy as np
from scipy.interpolate import PchipInterpolator

from plantigrade.block import FloatArray, Foot
from plantigrade.synth.player import Player
from plantigrade.zones import REGIONS, ZoneLayout

HEEL, MIDFOOT, FOREFOOT, TOES = range(4)
CENTRE_Y = np.array([0.12, 0.40, 0.66, 0.85])
"""Where the regions' loads lie along a foot, fractions of its length."""

_BALANCE = np.linspace(0.0, 1.5, 301)
_PHASE = np.linspace(0.0, 1.0, 401)


class Sole:
    """One foot's way of spreading load.

    Parameters
    ----------
    player : Player
    foot : Foot
    """

    def __init__(self, player: Player, foot: Foot) -> None:
        rng = np.random.default_rng([player.body_seed, foot is Foot.RIGHT, 1])
        self.foot = foot
        self._placed = self._placing(player, player.midfoot_share(foot))
        self._placed_y = self._placed @ CENTRE_Y
        self.neutral_y = float(np.interp(player.front_balance, _BALANCE, self._placed_y))
        walking = min(0.36, player.midfoot_share(foot) * player.walk_midfoot)
        self._rolled = self._rolling(player, walking, rng)
        self._rng_zones = [player.body_seed, foot is Foot.RIGHT, 2]

    @staticmethod
    def _placing(player: Player, midfoot_share: float) -> FloatArray:
        """Regional shares, shape (301, 4), for each balance: 0 all heel, 1 no heel, more: toes."""
        front = np.clip(_BALANCE, 0.0, 1.0)
        sink = np.clip(4.0 * front * (1.0 - front), 0.0, 1.0) ** 0.8
        own = (4.0 * player.front_balance * (1.0 - player.front_balance)) ** 0.8
        midfoot = midfoot_share * sink / own
        toes = player.toe_share + (0.4 - player.toe_share) * front**4
        toes = toes + 0.9 * np.clip(_BALANCE - 1.0, 0.0, 0.5)
        rest = 1.0 - midfoot
        return np.stack(
            [rest * (1 - front), midfoot, rest * front * (1 - toes), rest * front * toes], axis=1
        )

    @staticmethod
    def _rolling(player: Player, midfoot_share: float, rng: np.random.Generator) -> FloatArray:
        """Regional shares, shape (401, 4), against progress through a walking stance."""
        heel_off = 0.61 - 0.06 * (player.walk_speed_m_s - 1.3) + rng.uniform(-0.03, 0.03)
        span = heel_off - 0.06
        lean = rng.uniform(-0.04, 0.04)
        knots_t = [
            0.0,
            0.06,
            0.06 + 0.1 * span,
            0.06 + 0.4 * span,
            0.06 + 0.75 * span,
            heel_off,
            1.0,
        ]
        knots_f = [0.0, 0.0, 0.06, 0.25 + lean, 0.60 + lean, 1.0, 1.0]
        front = PchipInterpolator(knots_t, knots_f)(_PHASE)
        z = np.clip((_PHASE - 0.045) / (heel_off + 0.04 - 0.045), 0.0, 1.0)
        sink = np.sin(np.pi * z) ** rng.uniform(0.6, 0.9)
        # The load is low at both ends of a stance, so the middle counts for more than its time.
        weight = np.interp(_PHASE, [0.0, 0.17, 0.83, 1.0], [0.0, 1.0, 1.0, 0.0])
        sink *= weight.sum() / (weight * sink).sum()
        midfoot = np.minimum(midfoot_share * sink, 0.85)
        push = player.toe_share + rng.uniform(0.1, 0.2)
        toes = PchipInterpolator(
            [0.0, 0.35, heel_off, 0.85, 1.0], [0.02, 0.04, 0.5 * push, push + 0.05, 0.85]
        )(_PHASE)
        rest = 1.0 - midfoot
        return np.stack(
            [rest * (1 - front), midfoot, rest * front * (1 - toes), rest * front * toes], axis=1
        )

    def placed(self, y: FloatArray) -> FloatArray:
        """Return regional shares, shape (n, 4), of a resting foot whose load centres at `y`."""
        return _rows(y, self._placed_y, self._placed)

    def rolled(self, phase: FloatArray) -> FloatArray:
        """Return regional shares, shape (n, 4), at progress `phase` 0…1 through a stance."""
        return _rows(phase, _PHASE, self._rolled)

    def zones(self, layout: ZoneLayout, region_n: FloatArray, lean: FloatArray) -> FloatArray:
        """Spread regional loads over a layout's zones.

        Parameters
        ----------
        layout : ZoneLayout
            Where it has no toes, their load presses the front of the forefoot.
        region_n : ndarray of float64, shape (n, 4)
            Load on each region, N.
        lean : ndarray of float64, shape (n,)
            −1 on the medial edge … 1 on the lateral edge.

        Returns
        -------
        ndarray of float64, shape (n, n_zones)
            In the layout's unit; weighted by N they sum to the regional loads exactly.
        """
        rng = np.random.default_rng(self._rng_zones)
        total = np.maximum(region_n.sum(axis=1), 1e-9)
        ahead = (region_n[:, FOREFOOT] + region_n[:, TOES] - region_n[:, HEEL]) / total
        load = region_n.copy()
        if not np.any(layout.region == TOES):
            load[:, FOREFOOT] += load[:, TOES]
        out = np.zeros((len(region_n), layout.n_zones))
        for r in range(len(REGIONS)):
            zones = np.flatnonzero(layout.region == r)
            if not len(zones):
                continue
            own = layout.area_mm2[zones] * rng.lognormal(0.0, 0.12, len(zones))
            across = layout.x[zones] - layout.x[zones].mean()
            along = layout.y[zones] - layout.y[zones].mean()
            weight = own * np.exp(2.5 * lean[:, None] * across + 8.0 * ahead[:, None] * along)
            weight /= weight.sum(axis=1, keepdims=True)
            out[:, zones] = load[:, r, None] * weight / layout.newtons_per_unit[zones]
        return out


def _rows(at: FloatArray, grid: FloatArray, table: FloatArray) -> FloatArray:
    return np.stack([np.interp(at, grid, table[:, k]) for k in range(table.shape[1])], axis=1)
