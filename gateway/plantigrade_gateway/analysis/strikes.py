"""A session's strikes: what the microphone heard, joined to the swings.

Takes the record's HEARD, LISTEN and STRIKE entries, the rows and the swings as they come; gives, at
the end, each swing with its strike or why there is none. That is the end's to give: stamps at the
end say how far the clocks have drifted before.
"""

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field, replace

import numpy as np

from plantigrade.block import Column, FloatArray, Foot, PairBlock
from plantigrade.events import Swing
from plantigrade.stamps import Stamping, Sync, heel_stamps, stamping_of
from plantigrade.strike import (
    ClubSound,
    Span,
    Strike,
    StrikeState,
    against_strike,
    find_strike,
    learn_club,
    strike_window,
)
from plantigrade.transients import Transient, TransientKind
from plantigrade_gateway.analysis.result import SetSpan, SwingStrike
from plantigrade_gateway.record.heard import HeardSound, Listening, Purpose, ToldStrike

_KEPT_S = 15.0  # rows: a swing is confirmed at most a few seconds after its shift
_BEFORE_S, _AFTER_S = 0.5, 0.8  # of shift and lead peak: the strike's window and more
_OWN_S = (0.05, 0.3)  # the program is heard a little sooner and longer than it plays
_TOLD_S = 0.3  # a told strike belongs to a swing whose window it misses by less

_LOADS = slice(Column.HEEL, Column.TOES + 1)


@dataclass(slots=True)
class _Stamps:
    """Stamps of both heels: from when to when, with the rows between."""

    start_s: float
    end_s: float = np.inf
    rows: list[PairBlock] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _About:
    """The rows about a swing."""

    t_s: FloatArray
    lead_share: FloatArray


class StrikeLog:
    """Follows what is heard, in the order of the record.

    Attributes
    ----------
    wanted : bool
        A microphone listened, or a strike was told: else no swing has one, nor a reason why not.
    """

    def __init__(self) -> None:
        self.wanted = False
        self._on = Listening(Purpose.ON)
        self._heard: list[Transient] = []
        self._own: list[Span] = []
        self._stamps: list[_Stamps] = []
        self._confirmed_s: list[float] = []
        self._told: list[tuple[float, ToldStrike]] = []
        self._rows: deque[PairBlock] = deque()
        self._waiting: deque[tuple[int, Swing]] = deque()  # for the rows after them
        self._about: list[_About] = []

    def heard(self, sound: HeardSound | None, t_s: float) -> None:
        """Take a transient; None: one that is not understood."""
        if sound is not None:
            self.wanted = True
            self._heard.append(replace(sound.transient, t_s=t_s - 1e-9 * sound.before_ns))

    def listen(self, listening: Listening | None, t_s: float) -> None:
        """Take what the microphone is for from here on."""
        if listening is None:
            return
        match listening.purpose:
            case Purpose.ON:
                self.wanted, self._on = True, listening
            case Purpose.STAMPS:
                self._end_stamps(t_s)
                self._stamps.append(_Stamps(t_s))
            case Purpose.STAMPS_END:
                self._end_stamps(t_s)
            case Purpose.OWN:
                self._own.append(Span(t_s - _OWN_S[0], t_s + listening.lasts_s + _OWN_S[1]))
            case Purpose.CONFIRMED:
                self._confirmed_s.append(t_s)

    def told(self, strike: ToldStrike | None, t_s: float) -> None:
        """Take a strike that something else told."""
        if strike is not None:
            self.wanted = True
            self._told.append((t_s - 1e-9 * strike.before_ns, strike))

    def _end_stamps(self, t_s: float) -> None:
        if self._stamps and self._stamps[-1].end_s == np.inf:
            self._stamps[-1].end_s = t_s

    def take(self, rows: Sequence[PairBlock], swings: Iterable[Swing]) -> None:
        """Take rows, net of the baseline, and the swings that were decided from them."""
        for swing in swings:
            self._waiting.append((len(self._about), swing))
            self._about.append(_About(np.empty(0), np.empty(0)))
        if not rows:
            return
        self._rows.extend(rows)
        for stamps in self._stamps[-1:]:
            if float(rows[0].t_s[0]) <= stamps.end_s:
                stamps.rows += rows
        now_s = float(rows[-1].t_s[-1])
        while self._waiting and _end_s(self._waiting[0][1]) <= now_s:
            place, swing = self._waiting.popleft()
            self._about[place] = self._rows_about(swing)
        while float(self._rows[0].t_s[-1]) < now_s - _KEPT_S:
            self._rows.popleft()

    def _rows_about(self, swing: Swing) -> _About:
        if swing.shift_s is None or not self._rows:
            return _About(np.empty(0), np.empty(0))
        t_s = np.concatenate([block.t_s for block in self._rows])
        first, stop = np.searchsorted(t_s, (swing.shift_s - _BEFORE_S, _end_s(swing)))
        load = {
            foot: np.concatenate([b.foot(foot)[:, _LOADS].sum(1) for b in self._rows])[first:stop]
            for foot in Foot
        }
        lead, trail = load[swing.lead], load[swing.lead.other]
        with np.errstate(invalid="ignore", divide="ignore"):
            share = np.where(lead + trail > 0.0, lead / (lead + trail), np.nan)
        return _About(t_s[first:stop], share)

    def strikes(
        self,
        swings: Sequence[Swing],
        sets: Sequence[SetSpan],
        bw_n: float,
        rate_hz: float,
        clock_error_s: float,
    ) -> tuple[SwingStrike, ...]:
        """Return each swing's strike, in the order of the swings; none where none was wanted.

        Parameters
        ----------
        swings : sequence of Swing
            Those that were taken, in that order.
        sets : sequence of SetSpan
            Which club was swung when.
        bw_n : float
            Body weight, N.
        rate_hz : float
            Rows per second.
        clock_error_s : float
            How well the insoles' clocks are known, s.
        """
        if not self.wanted:
            return ()
        about = self._about.copy()
        for place, swing in self._waiting:  # with what rows there are: more may come yet
            about[place] = self._rows_about(swing)
        stampings = [self._stamping(stamps, bw_n) for stamps in self._stamps]
        sync = Sync(stampings, rate_hz, self._on.distance_m, self._on.distance_error_m)
        found = self._by_sound(swings, sets, sync, clock_error_s)
        return tuple(
            _joined(swing, self._with_told(swing, strike), rows)
            for swing, strike, rows in zip(swings, found, about, strict=True)
        )

    def _stamping(self, stamps: _Stamps, bw_n: float) -> Stamping:
        heels: dict[Foot, list[float]] = {Foot.LEFT: [], Foot.RIGHT: []}
        if stamps.rows:
            t_s = np.concatenate([block.t_s for block in stamps.rows])
            inside = (t_s >= stamps.start_s) & (t_s <= stamps.end_s)
            for foot in heels:
                heel_n = np.concatenate([b.foot(foot)[:, Column.HEEL] for b in stamps.rows])
                if inside.any():
                    heels[foot] = heel_stamps(t_s[inside], heel_n[inside], bw_n)
        thumps = [
            one.t_s
            for one in self._heard
            if one.kind is TransientKind.THUMP and stamps.start_s <= one.t_s <= stamps.end_s + 1.0
        ]
        return stamping_of(heels[Foot.LEFT], heels[Foot.RIGHT], thumps)

    def _by_sound(
        self, swings: Sequence[Swing], sets: Sequence[SetSpan], sync: Sync, clock_error_s: float
    ) -> list[Strike]:
        if sync.refused is not None:
            return [Strike(StrikeState.UNCLEAR, None, None, sync.refused) for _ in swings]
        clicks, errors_s = [], [0.0]
        for one in sorted(self._heard, key=lambda one: one.t_s):
            if one.kind is TransientKind.CLICK:
                load_s, error_s = sync.on_load_time(one.t_s, clock_error_s)
                clicks.append(replace(one, t_s=load_s))
                errors_s.append(error_s)
        own = [Span(*(sync.on_load_time(t)[0] for t in (s.start_s, s.end_s))) for s in self._own]
        clubs = self._clubs(swings, sets, clicks)
        strikes = []
        for swing in swings:
            middle_s = swing.lead_peak_s or swing.confirmed_s
            error_s = sync.on_load_time(middle_s + sync.offset(middle_s)[0], clock_error_s)[1]
            club = clubs.get(_club_of(swing, sets))
            strikes.append(find_strike(strike_window(swing, error_s), clicks, own, club, error_s))
        return strikes

    def _clubs(
        self, swings: Sequence[Swing], sets: Sequence[SetSpan], clicks: Sequence[Transient]
    ) -> dict[str, ClubSound | None]:
        """Learn each club from the swings somebody confirmed: of each its loudest click."""
        confirmed: dict[str, list[tuple[Transient, list[Transient]]]] = {}
        for at_s in self._confirmed_s:
            before = [
                one for one in swings if one.lead_peak_s is not None and one.lead_peak_s < at_s
            ]
            window = strike_window(before[-1], 0.0) if before else None
            if window is None:
                continue
            inside = [one for one in clicks if window.holds(one.t_s) and one.is_click]
            if inside:
                strike = max(inside, key=lambda one: one.level_db)
                after = [one for one in clicks if 0.0 < one.t_s - strike.t_s < 1.0]
                confirmed.setdefault(_club_of(before[-1], sets), []).append((strike, after))
        return {club: learn_club(strikes) for club, strikes in confirmed.items()}

    def _with_told(self, swing: Swing, strike: Strike) -> Strike:
        """Return the strike known best: the microphone's, or one that something else told."""
        for t_s, told in self._told:
            is_better = strike.error_s is None or told.error_s < strike.error_s
            if is_better and is_told_of(swing, t_s):
                strike = Strike(StrikeState.HEARD, t_s, told.error_s, "", None, told.source)
        return strike


def is_told_of(swing: Swing, t_s: float) -> bool:
    """Whether a strike that is told at an instant is a swing's."""
    window = strike_window(swing, _TOLD_S)
    return window is not None and window.holds(t_s)


def _club_of(swing: Swing, sets: Sequence[SetSpan]) -> str:
    at_s = swing.address_s if swing.start_s is None else swing.start_s
    return next((one.club for one in sets if one.start_s <= at_s < one.end_s), "")


def _end_s(swing: Swing) -> float:
    """Return up to where the rows about a swing are kept."""
    at_s = swing.confirmed_s if swing.lead_peak_s is None else swing.lead_peak_s
    return at_s + _AFTER_S


def _joined(swing: Swing, strike: Strike, about: _About) -> SwingStrike:
    told = (
        against_strike(swing, strike, about.t_s, about.lead_share) if len(about.t_s) > 1 else None
    )
    against = {} if told is None else asdict(told)
    return SwingStrike(**{**asdict(strike), "state": str(strike.state)}, **against)
