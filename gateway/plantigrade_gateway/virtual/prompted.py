"""A virtual player who does what a check asks for while one is under way, else as they like.

The run tells its virtual player which step is on; all that is done then is invented, as the rest.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import FloatArray, Foot
from plantigrade.fitting import FITTING
from plantigrade.synth import OneLeg, Segment, SessionPlan, Stand, Swing, Walk, segment_of
from plantigrade_gateway.virtual.player import (
    HOLD_S,
    drawn_pushes,
    invented_session,
    invented_steps,
    pressed,
)
from plantigrade_gateway.virtual.style import PlayerStyle

_SMOOTH_S, _FULL_S, _FAST_S = (1.00, 0.34), (0.85, 0.28), (0.72, 0.23)
"""Load's way to the trail foot, and from there to the lead foot (ours, as of `visits.py`)."""
_REST_S, _FAST_REST_S = 2.5, 13.0
"""Between two swings: with a swing's own time more than a check wants (ours)."""
_SWINGS = {
    "practice": (_SMOOTH_S, _REST_S),
    "warm_up": (_SMOOTH_S, _REST_S),
    "smooth": (_SMOOTH_S, _REST_S),
    "full": (_FULL_S, _REST_S),
    "fast": (_FAST_S, _FAST_REST_S),
    "again": (_SMOOTH_S, _REST_S),
    "closing": (_SMOOTH_S, _REST_S),
}
"""Steps of a check and parts of a speed block that are swung."""
_LIFTS = (Stand(5.0), OneLeg(Foot.RIGHT, 4.0), OneLeg(Foot.LEFT, 4.0), Stand(8.0))
_WALK: tuple[Segment, ...] = (Stand(1.0), *[Walk(18)] * 6)
_LEAD_IN_S = 5.0
LEADS = {"right-handed": Foot.LEFT, "left-handed": Foot.RIGHT}
"""The lead foot by how a player is asked to swing from now on."""
_POSES = {str(pose): pose for pose in FITTING}


class PromptedPlayer:
    """Stands, walks and swings as invented, and does over and over what was asked for last.

    Parameters
    ----------
    seed : int
    style : PlayerStyle
        What the pushes are like, in a check too.
    lead : Foot
        The lead foot at first.
    """

    def __init__(
        self,
        seed: int = 1,
        style: PlayerStyle = PlayerStyle.MIXED,
        lead: Foot = Foot.LEFT,
    ) -> None:
        self._seed, self._style = seed, style
        self._lead, self._what = lead, ""
        self._moves = {(lead, ""): invented_steps(seed, style, lead)}
        self._begins_s = [0.0]
        self._doing = [self._moves[lead, ""]]

    def learn(self, what: str) -> None:
        """Make up how something is done: seconds of work, once."""
        lead, what = self._meant(what)
        if (lead, what) in self._moves:
            return
        if not what:
            self._moves[lead, what] = invented_steps(self._seed, self._style, lead)
            return
        player, _ = invented_session(self._seed, self._style, lead)
        seed = self._seed + 1000 * len(self._moves)
        self._moves[lead, what] = pressed(player, SessionPlan(tuple(self._segments(what))), seed)

    def do(self, what: str, t_s: float) -> None:
        """Do something from a time of the body's on, s.

        Parameters
        ----------
        what : str
            A step of a check, a part of a speed block, a pose of a calibration; one of `LEADS`: the
            same as now, by another lead foot; anything else: stand; empty: as they like.
        t_s : float
            Not before that of the last call.
        """
        if what in LEADS and LEADS[what] is self._lead:
            return
        self.learn(what)
        self._lead, self._what = self._meant(what)
        self._begins_s.append(t_s)
        self._doing.append(self._moves[self._lead, self._what])

    def at(self, foot: Foot, t_s: FloatArray) -> NDArray[np.uint16]:
        """Return a foot's counts at times of the body, s, shape (n, 18)."""
        asked = np.maximum(np.searchsorted(self._begins_s, t_s, side="right") - 1, 0)
        read = np.empty((len(t_s), self._doing[0].counts[foot].shape[1]), np.uint16)
        for k in np.unique(asked):
            during = asked == k
            read[during] = self._doing[k].at(foot, t_s[during] - self._begins_s[k])
        return read

    def _meant(self, what: str) -> tuple[Foot, str]:
        """Return by which lead foot something is to be done, and what."""
        return (LEADS[what], self._what) if what in LEADS else (self._lead, what)

    def _segments(self, what: str) -> Sequence[Segment]:
        if what == "lift":
            return _LIFTS
        if what == "walk":
            return _WALK
        if what in _SWINGS:
            (back_s, down_s), rest_s = _SWINGS[what]
            rng = np.random.default_rng([self._seed, list(_SWINGS).index(what)])
            made: list[Segment] = [Stand(_LEAD_IN_S)]
            for manner, timing in drawn_pushes(self._style, rng):
                back, down = rng.normal((back_s, down_s), (0.03 * back_s, 0.03 * down_s))
                swing = Swing(
                    manner, timing, backswing_s=float(back), downswing_s=float(down), waggles=0
                )
                made += [swing, Stand(rest_s)]
            return made
        if what in _POSES:
            return (segment_of(_POSES[what], HOLD_S),)
        return (Stand(20.0),)
