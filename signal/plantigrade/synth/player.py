"""Who moves: a synthetic player's body and habits."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from plantigrade.block import Foot
from plantigrade.errors import SignalError
from plantigrade.synth.shapes import near

GRAVITY = 9.80665
"""Standard gravity, m/s²."""


class Style(StrEnum):
    """Where the load goes after the shift to the lead foot (Ball & Best 2007, J Sports Sci 25)."""

    FRONT_FOOT = "front_foot"
    """It stays on the lead foot."""
    REVERSE = "reverse"
    """It goes back towards the trail foot by the strike."""


@dataclass(frozen=True, slots=True)
class Player:
    """A synthetic player.

    Attributes
    ----------
    mass_kg : float
    lead : Foot
        The lead foot: left for a right-handed player.
    midfoot_share_left, midfoot_share_right : float
        The midfoot's share of that foot's load in quiet standing; 0 is a high-arched foot that
        does not bear on its midfoot, 0.08 the published mean (Cavanagh et al. 1987, Foot Ankle
        7:262; from memory), 0.2 and more a flat foot.
    left_share : float
        Share of the load on the left foot in quiet standing.
    front_balance : float
        Share of the load off the midfoot that is borne in front in standing: 0.35 gives the
        published 60 / 8 / 28 / 4 % of heel, midfoot, forefoot and toes (same source).
    toe_share : float
        Share of the front's load on the toes in standing.
    walk_midfoot : float
        Midfoot share in walking over that in standing; above 1, as the arch index is greater in
        walking (direction only, 80 men on a pressure plate; abstract).
    sway_mm : float
        RMS of the front-to-back sway of the centre of pressure in standing, mm; 5.0 ± 2.5 in
        healthy adults (PMC3966255, table 3).
    walk_speed_m_s : float
        Own pace.
    asymmetry : float
        Relative difference of left from right step time.
    style : Style
    backswing_s : float
        Usual time of the load's way to the trail foot, s.
    tempo : float
        Usual backswing : downswing of the load; of order 3 (Grober & Cholewicki, "Towards a
        Biomechanical Understanding of Tempo in the Golf Swing").
    body_seed : int
        Fixes the details that stay with the player: how each sole presses within its regions.
    """

    mass_kg: float = 80.0
    lead: Foot = Foot.LEFT
    midfoot_share_left: float = 0.08
    midfoot_share_right: float = 0.08
    left_share: float = 0.5
    front_balance: float = 0.35
    toe_share: float = 0.125
    walk_midfoot: float = 1.15
    sway_mm: float = 5.0
    walk_speed_m_s: float = 1.3
    asymmetry: float = 0.0
    style: Style = Style.FRONT_FOOT
    backswing_s: float = 0.85
    tempo: float = 3.0
    body_seed: int = 0

    def __post_init__(self) -> None:
        limits = {
            "mass_kg": (15.0, 250.0),
            "midfoot_share_left": (0.0, 0.35),
            "midfoot_share_right": (0.0, 0.35),
            "left_share": (0.3, 0.7),
            "front_balance": (0.2, 0.6),
            "toe_share": (0.0, 0.4),
            "walk_speed_m_s": (0.3, 2.5),
            "asymmetry": (-0.3, 0.3),
        }
        for name, (low, high) in limits.items():
            value = getattr(self, name)
            if not low <= value <= high:
                raise SignalError(f"synthetic player: {name} is {value}, expected {low} to {high}")

    @property
    def weight_n(self) -> float:
        """Body weight, N."""
        return self.mass_kg * GRAVITY

    @property
    def contact_n(self) -> float:
        """Load that counts as ground contact, N: the larger of 20 N and 5 % body weight."""
        return max(20.0, 0.05 * self.weight_n)

    def midfoot_share(self, foot: Foot) -> float:
        """Return the standing midfoot share of one foot."""
        return self.midfoot_share_left if foot is Foot.LEFT else self.midfoot_share_right


def draw_midfoot_share(rng: np.random.Generator) -> float:
    """Draw a foot: high-arched (nothing), normal or flat."""
    kind = rng.random()
    if kind < 0.3:
        return float(rng.uniform(0.0, 0.015))
    if kind < 0.75:
        return float(rng.uniform(0.06, 0.13))
    return float(rng.uniform(0.15, 0.30))


def random_player(rng: np.random.Generator) -> Player:
    """Draw a player of 25 to 120 kg, of either hand and style; the two feet mostly alike."""
    first = draw_midfoot_share(rng)
    second = draw_midfoot_share(rng) if rng.random() < 0.25 else first * rng.uniform(0.85, 1.15)
    return Player(
        mass_kg=float(rng.uniform(25.0, 120.0)),
        lead=Foot.LEFT if rng.random() < 0.5 else Foot.RIGHT,
        midfoot_share_left=first,
        midfoot_share_right=min(0.30, float(second)),
        left_share=near(rng, 0.5, 0.02, 0.45, 0.55),
        front_balance=float(rng.uniform(0.3, 0.45)),
        toe_share=float(rng.uniform(0.05, 0.2)),
        walk_midfoot=float(rng.uniform(1.0, 1.25)),
        sway_mm=float(rng.uniform(3.0, 7.5)),
        walk_speed_m_s=float(rng.uniform(0.8, 1.9)),
        asymmetry=near(rng, 0.0, 0.02, -0.06, 0.06),
        style=Style.REVERSE if rng.random() < 0.3 else Style.FRONT_FOOT,
        backswing_s=float(rng.uniform(0.5, 1.3)),
        tempo=float(rng.uniform(2.5, 3.5)),
        body_seed=int(rng.integers(2**31)),
    )
