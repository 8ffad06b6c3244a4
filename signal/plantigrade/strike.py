"""The strike: which of the clicks that a microphone heard is club on ball, or that none is.

Takes a swing's moments and the clicks about it, on the feet's time line (`plantigrade.stamps`), and
how this club sounds in this bay; gives the strike with its uncertainty, or why there is none.
Without it no moment of a swing is called impact: pressure does not show it.

A strike is a click between the shift and 0.4 s after the lead peak, as loud and of the spectrum of
five strikes that were confirmed with this club in this bay. The first such click counts. One that
follows it at the delay learnt for the club is the ball's, on net, screen or wall. While the program
itself is heard, only what lies over 3.5 kHz is looked at. A rule for each doubt, and none guesses.

Limits without a source are ours.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from plantigrade.block import FloatArray
from plantigrade.errors import SampleError
from plantigrade.events import Swing
from plantigrade.sampling import time_error_s
from plantigrade.transients import Transient

AFTER_LEAD_PEAK_S = 0.4
"""A strike comes at the latest so long after the lead peak (definition)."""

CONFIRMED_NEEDED = 5
"""Strikes confirmed with a club before one is told by itself (definition)."""

UNDER_DB = 6.0
"""A click this far under the club's median is not this bay's: a neighbour's, or a topped ball."""
OVER_DB = 10.0
"""A click this far over it is something else, nearer."""
_LEAST_SD_DB = 2.0  # of five strikes' bands: fewer dB are chance
_ALIKE = 2.5  # root mean square of the bands' distances, in SD
_TOP_BAND = 3  # the first band over 3.5 kHz
_LEAST_BAND_DB = -20.0  # fainter parts of a spectrum are those of the room

_BALL_S = (0.015, 0.4)  # when a ball may be heard after its strike
_BALL_NEAR_S = 0.012  # delays within this of each other are one
_ECHO_S = 0.012  # a second click sooner than this is the first one's echo


class StrikeState(StrEnum):
    """Whether a strike was heard."""

    HEARD = "heard"
    NOT_HEARD = "not_heard"
    UNCLEAR = "unclear"


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of the feet's time line, s."""

    start_s: float
    end_s: float

    def holds(self, t_s: float) -> bool:
        """Whether a moment lies in it."""
        return self.start_s <= t_s <= self.end_s


@dataclass(frozen=True, slots=True)
class ClubSound:
    """How a club's strikes sound in this bay.

    Attributes
    ----------
    count : int
        Strikes it was learnt from.
    level_db, top_level_db : float
        Medians of their levels over 2 and over 3.5 kHz, dB re full scale.
    bands_db, bands_sd_db : tuple of float
        Mean and SD of each band's part of the energy, dB; an SD is at least 2 dB.
    ball_delay_s, ball_spread_s : float or None
        When the ball is heard after the strike, and the SD of that; None where it is not.
    """

    count: int
    level_db: float
    top_level_db: float
    bands_db: tuple[float, ...]
    bands_sd_db: tuple[float, ...]
    ball_delay_s: float | None
    ball_spread_s: float | None

    def is_like(self, click: Transient, *, top: bool = False) -> bool:
        """Whether a click has the spectrum of this club's strikes.

        Parameters
        ----------
        click : Transient
        top : bool
            Only over 3.5 kHz.
        """
        heard, known = _features(click.bands_db), _features(self.bands_db)
        sd = np.array(self.bands_sd_db)
        if top:  # what else sounds is part of the whole: these bands against each other
            heard, known, sd = heard[_TOP_BAND:], known[_TOP_BAND:], sd[_TOP_BAND:]
            heard, known = heard - heard.max(), known - known.max()
        away = (heard - known) / sd
        return math.sqrt(float(np.square(away).mean())) <= _ALIKE

    def is_loud(self, click: Transient, *, top: bool = False) -> bool:
        """Whether a click is as loud as this club's strikes are in this bay."""
        over = click.top_level_db - self.top_level_db if top else click.level_db - self.level_db
        return -UNDER_DB <= over <= OVER_DB

    def is_balls(self, delay_s: float) -> bool:
        """Whether a click so long after a strike is the ball's."""
        if self.ball_delay_s is None or self.ball_spread_s is None:
            return False
        return abs(delay_s - self.ball_delay_s) <= max(_BALL_NEAR_S, 3.0 * self.ball_spread_s)


def learn_club(confirmed: Sequence[tuple[Transient, Sequence[Transient]]]) -> ClubSound | None:
    """Learn how a club sounds from strikes that somebody confirmed.

    Parameters
    ----------
    confirmed : sequence of (Transient, sequence of Transient)
        Each strike and what was heard after it.

    Returns
    -------
    ClubSound or None
        None under `CONFIRMED_NEEDED` strikes.
    """
    if len(confirmed) < CONFIRMED_NEEDED:
        return None
    bands = np.array([_features(strike.bands_db) for strike, _ in confirmed])
    delays = [
        [later.t_s - strike.t_s for later in after if _can_be_ball(later.t_s - strike.t_s)]
        for strike, after in confirmed
    ]
    ball = _common_delay(delays)
    return ClubSound(
        count=len(confirmed),
        level_db=float(np.median([strike.level_db for strike, _ in confirmed])),
        top_level_db=float(np.median([strike.top_level_db for strike, _ in confirmed])),
        bands_db=tuple(bands.mean(0).tolist()),
        bands_sd_db=tuple(np.maximum(bands.std(0, ddof=1), _LEAST_SD_DB).tolist()),
        ball_delay_s=None if ball is None else ball[0],
        ball_spread_s=None if ball is None else ball[1],
    )


def _features(bands_db: Sequence[float]) -> FloatArray:
    bands: FloatArray = np.maximum(np.array(bands_db), _LEAST_BAND_DB)
    return bands


def _can_be_ball(delay_s: float) -> bool:
    return _BALL_S[0] <= delay_s <= _BALL_S[1]


def _common_delay(delays: Sequence[Sequence[float]]) -> tuple[float, float] | None:
    """Return the delay that most strikes share and its SD; None where not three in five do."""
    best: list[float] = []
    for guess in (delay for of_one in delays for delay in of_one):
        near = [min(of_one, key=lambda d: abs(d - guess)) for of_one in delays if of_one]
        shared = [delay for delay in near if abs(delay - guess) <= _BALL_NEAR_S]
        if len(shared) > len(best):
            best = shared
    if len(best) < 0.6 * len(delays):
        return None
    return float(np.median(best)), float(np.std(best, ddof=1))


@dataclass(frozen=True, slots=True)
class Strike:
    """What was heard of a swing's strike.

    Attributes
    ----------
    state : StrikeState
    t_s, error_s : float or None
        When, on the feet's time line, and the half width of its 95 % interval, s; None unless
        heard.
    reason : str
        Why it is not heard or unclear; empty when heard.
    ball_s : float or None
        When the ball was heard after it, s.
    source : str
        What told it: ``"microphone"``, ``"mark"`` or ``"import"``.
    """

    state: StrikeState
    t_s: float | None
    error_s: float | None
    reason: str
    ball_s: float | None = None
    source: str = "microphone"


def strike_window(swing: Swing, error_s: float) -> Span | None:
    """Return where a swing's strike is looked for: None without shift and lead peak.

    Parameters
    ----------
    swing : Swing
    error_s : float
        How far the sound's time may be off, s: both ends are moved outwards by it.
    """
    if swing.shift_s is None or swing.lead_peak_s is None:
        return None
    return Span(swing.shift_s - error_s, swing.lead_peak_s + AFTER_LEAD_PEAK_S + error_s)


def find_strike(
    window: Span | None,
    heard: Sequence[Transient],
    own: Sequence[Span],
    club: ClubSound | None,
    error_s: float,
) -> Strike:
    """Tell which click is a swing's strike.

    Parameters
    ----------
    window : Span or None
        `strike_window`.
    heard : sequence of Transient
        Clicks in order of time, `t_s` on the feet's time line, those about the window included.
    own : sequence of Span
        When the program itself was heard at the microphone, on the same line.
    club : ClubSound or None
    error_s : float
        Half width of the 95 % interval of a click's time, s.
    """
    if window is None:
        return _none(StrikeState.UNCLEAR, "the swing's shift or lead peak is not known")
    if club is None:
        return _none(
            StrikeState.UNCLEAR, f"fewer than {CONFIRMED_NEEDED} strikes confirmed with this club"
        )
    inside = [click for click in heard if window.holds(click.t_s)]
    under = [any(span.holds(click.t_s) for span in own) for click in inside]
    clicks = [
        (click, top)
        for click, top in zip(inside, under, strict=True)
        if (click.is_top_click if top else click.is_click)
    ]
    alike = [(click, top) for click, top in clicks if club.is_like(click, top=top)]
    own_strikes = [click for click, top in alike if club.is_loud(click, top=top)]
    if not own_strikes:
        if any(s.start_s <= window.end_s and s.end_s >= window.start_s for s in own):
            return _none(StrikeState.UNCLEAR, "the program's own sound covers it")
        if any(club.is_loud(click, top=top) for click, top in clicks):
            return _none(StrikeState.UNCLEAR, "a click, but not of this club's sound")
        return _none(StrikeState.NOT_HEARD, "no click as loud as this bay's")
    first = own_strikes[0]
    if any(club.is_balls(first.t_s - faint.t_s) for faint, _ in alike if faint.t_s < first.t_s):
        return _none(StrikeState.UNCLEAR, "a faint click before it: it may be the ball's")
    ball_s = None
    for later in own_strikes[1:]:
        if club.is_balls(later.t_s - first.t_s):
            ball_s = later.t_s if ball_s is None else ball_s
        elif later.t_s - first.t_s > _ECHO_S:
            return _none(StrikeState.UNCLEAR, "two clicks that may be the strike")
    return Strike(StrikeState.HEARD, first.t_s, error_s, "", ball_s)


def _none(state: StrikeState, reason: str) -> Strike:
    return Strike(state, None, None, reason)


@dataclass(frozen=True, slots=True)
class AgainstStrike:
    """A swing's moments against its strike.

    Attributes
    ----------
    shift_s, fore_take_s, lead_peak_s : float or None
        The moment less the strike, s: negative is before it.
    moment_error_s : float
        Uncertainty of each: the strike's and half a sample spacing of the moment's.
    lead_share, lead_share_low, lead_share_high : float or None
        Lead share at the strike, and its lowest and highest within the strike's uncertainty; None
        where samples are missing there.
    """

    shift_s: float | None
    fore_take_s: float | None
    lead_peak_s: float | None
    moment_error_s: float
    lead_share: float | None
    lead_share_low: float | None
    lead_share_high: float | None


def against_strike(
    swing: Swing, strike: Strike, t_s: FloatArray, lead_share: FloatArray
) -> AgainstStrike | None:
    """Hold a swing against its strike.

    Parameters
    ----------
    swing : Swing
    strike : Strike
    t_s, lead_share : ndarray of float64, shape (n,)
        The lead foot's part of the load about the swing, at regular times; NaN is missing.

    Returns
    -------
    AgainstStrike or None
        None unless the strike was heard (or marked, or imported).
    """
    if strike.t_s is None or strike.error_s is None:
        return None
    if t_s.shape != lead_share.shape or len(t_s) < 2:
        raise SampleError(f"shares of shape {lead_share.shape} at times of shape {t_s.shape}")
    at = strike.t_s
    rate_hz = (len(t_s) - 1) / float(t_s[-1] - t_s[0])
    low_s, high_s = at - strike.error_s, at + strike.error_s
    first, stop = np.searchsorted(t_s, (low_s, high_s))
    about = np.interp((low_s, at, high_s), t_s, lead_share, left=np.nan, right=np.nan)
    around = np.concatenate((about, lead_share[first:stop]))
    known = not bool(np.isnan(around).any())
    push = swing.push
    return AgainstStrike(
        shift_s=None if swing.shift_s is None else swing.shift_s - at,
        fore_take_s=None if push.fore_take_s is None else push.fore_take_s - at,
        lead_peak_s=None if swing.lead_peak_s is None else swing.lead_peak_s - at,
        moment_error_s=math.hypot(strike.error_s, 0.5 * time_error_s(rate_hz)),
        lead_share=float(about[1]) if known else None,
        lead_share_low=float(around.min()) if known else None,
        lead_share_high=float(around.max()) if known else None,
    )
