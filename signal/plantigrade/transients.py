"""Transients of a sound: when something began to sound, how loud, and of what shape.

Takes mono samples at 48 kHz in order, however they are cut; gives one frozen `Transient` for each
sudden beginning and forgets the samples. No sound can be made again from what is given.

Two kinds of beginning have a rule each. A *click* (club on ball) rises within 1 ms over 2 kHz. A
*thump* (a heel put down beside the microphone) rises within 15 ms under 800 Hz: a heel in a shoe
makes no click. A beginning is read from the energy of short hops of filtered samples, against the
loudest hop of the time just before it, so a steady sound has none and a loud room hides faint ones.

Causal: a transient is decided `_Rule.ahead_s` after it began, from samples up to there alone. All
places are absolute, so the cutting never changes a bit.

Constants are ours; the limits of a click are those of the definition of a strike.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from functools import cache

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import FloatArray
from plantigrade.errors import SampleError
from plantigrade.rolling import trailing_max
from plantigrade.rows import RowBuffer

SOUND_RATE_HZ = 48_000

CLICK_RISE_S = 0.001
"""Longest rise of a strike's click (definition)."""
CLICK_SHARE = 0.5
"""Least part of a click's energy over 2 kHz (definition: most of it)."""

BANDS_HZ = (60.0, 1000.0, 2000.0, 3500.0, 6000.0, 10_000.0, 20_000.0)
"""Edges of the bands of a transient's spectrum; 2 and 3.5 kHz are those of the definition."""

SILENCE_DB = -90.0
"""Quieter than this, re full scale, is silence: nothing rises from it (ours)."""

_FLOOR = 10.0 ** (SILENCE_DB / 10.0)


class TransientKind(StrEnum):
    """By which rule a beginning was found."""

    CLICK = "click"
    THUMP = "thump"


@dataclass(frozen=True, slots=True)
class Transient:
    """A sudden beginning in a sound: its time, its level and its shape.

    Attributes
    ----------
    kind : TransientKind
    t_s : float
        When it began, s from the sound's first sample: sample index / 48 000, to one hop.
    level_db : float
        Mean square of its loudest millisecond (a thump: four) in the kind's band (over 2 kHz; 40 to
        800 Hz), dB re full scale.
    rise_s : float
        From leaving what was heard before, or 1 % of its highest energy, to half of the highest.
    top_level_db, top_rise_s : float
        A click's over 3.5 kHz; a thump's are those above once more.
    high_share : float
        Part of the energy of its first 5 ms (a thump: 43) over 2 kHz, less what was heard before.
    bands_db : tuple of float
        The same energy in each band of `BANDS_HZ` against its whole energy, dB; at least −40.
    tail_db : float
        Energy of its second five milliseconds in the kind's band against that of the first, dB: how
        it dies away.
    """

    kind: TransientKind
    t_s: float
    level_db: float
    rise_s: float
    top_level_db: float
    top_rise_s: float
    high_share: float
    bands_db: tuple[float, ...]
    tail_db: float

    @property
    def is_click(self) -> bool:
        """Whether it has a strike's shape: rise ≤ 1 ms, most of it over 2 kHz."""
        return (
            self.kind is TransientKind.CLICK
            and self.rise_s <= CLICK_RISE_S
            and self.high_share > CLICK_SHARE
        )

    @property
    def is_top_click(self) -> bool:
        """Whether it rises within 1 ms over 3.5 kHz: all that can be told under another sound."""
        return self.kind is TransientKind.CLICK and self.top_rise_s <= CLICK_RISE_S


@dataclass(frozen=True, slots=True)
class _Rule:
    """How one kind of beginning is found; lengths in hops of `hop` samples.

    A beginning: the energy of `span` hops is `ratio` times the loudest such span of the `past` hops
    before it. Its highest hop is looked for in the `ahead` hops after; no other begins in them.
    """

    bands: tuple[tuple[int, float | tuple[float, float], str], ...]  # order, edges in Hz, kind
    hop: int
    span: int
    past: int
    ahead: int
    ratio: float
    longest_rise_s: float
    spectrum: int  # samples

    @property
    def hop_s(self) -> float:
        return self.hop / SOUND_RATE_HZ

    @property
    def wait(self) -> int:
        """Hops after the one of decision that are looked at."""
        return self.ahead + max(self.spectrum_hops, 2 * self.half_tail) + self.span

    @property
    def before(self) -> int:
        """Hops before the one of decision that are looked at."""
        return max(self.past, self.farthest + self.spectrum_hops) + 2 * self.span

    @property
    def farthest(self) -> int:
        """How many hops a rise is followed back: one of more is too slow, however long it is."""
        return 2 * round(self.longest_rise_s / self.hop_s)

    @property
    def half_tail(self) -> int:
        return round(0.005 / self.hop_s)

    @property
    def spectrum_hops(self) -> int:
        return -(-self.spectrum // self.hop)


_RULES = {
    TransientKind.CLICK: _Rule(
        bands=(
            (4, 2000.0, "highpass"),
            (8, 3500.0, "highpass"),
        ),
        hop=12,
        span=4,
        past=80,
        ahead=40,
        ratio=10.0,
        longest_rise_s=CLICK_RISE_S,
        spectrum=256,
    ),
    TransientKind.THUMP: _Rule(
        bands=((2, (40.0, 800.0), "bandpass"),),
        hop=48,
        span=4,
        past=150,
        ahead=60,
        ratio=10.0,
        longest_rise_s=0.015,
        spectrum=2048,
    ),
}


@cache
def _filters(kind: TransientKind) -> tuple[FloatArray, ...]:
    """Return the Butterworth filters of a rule's bands, as sections of second order."""
    # Most of a second to import: where nobody listens, no program should wait for it.
    from scipy.signal import butter

    return tuple(
        butter(order, edges, shape, fs=SOUND_RATE_HZ, output="sos")
        for order, edges, shape in _RULES[kind].bands
    )


class TransientDetector:
    """Finds the transients of one kind in a stream of samples.

    Parameters
    ----------
    kind : TransientKind
    """

    def __init__(self, kind: TransientKind = TransientKind.CLICK) -> None:
        self._kind = kind
        self._rule = _RULES[kind]
        self.reset()

    def reset(self) -> None:
        """Begin with a new sound."""
        bands = _filters(self._kind)
        self._state = [np.zeros((len(sos), 2)) for sos in bands]
        self._samples = RowBuffer(1)
        self._filtered = RowBuffer(len(bands))  # samples that fill no hop yet
        self._hops = RowBuffer(len(bands))
        self._next = self._rule.before  # the hop that is decided next

    def push(self, samples: NDArray[np.floating]) -> list[Transient]:
        """Take the next samples; return the transients that are decided now, in order.

        Parameters
        ----------
        samples : ndarray, shape (n,)
            Mono at 48 kHz, full scale ±1, finite.

        Raises
        ------
        SampleError
            Samples of another shape, or some that are not finite.
        """
        sound = np.asarray(samples, dtype=np.float64)
        if sound.ndim != 1:
            raise SampleError(f"sound of shape {sound.shape}, expected a run of samples")
        if not np.isfinite(sound).all():
            raise SampleError("sound: expected finite samples")
        if len(sound) == 0:
            return []
        self._samples.append(len(sound))[:, 0] = sound
        filtered = self._filtered.append(len(sound))
        from scipy.signal import sosfilt  # imported with `_filters`, before the first sound

        for k, sos in enumerate(_filters(self._kind)):
            filtered[:, k], self._state[k] = sosfilt(sos, sound, zi=self._state[k])
        self._fill_hops()
        return list(self._decide())

    def _fill_hops(self) -> None:
        hop, waiting = self._rule.hop, self._filtered
        n = (waiting.end - waiting.first) // hop
        if not n:
            return
        rows = waiting.rows(waiting.first, waiting.first + n * hop)
        for k, column in enumerate(self._hops.append(n).T):
            column[:] = np.square(np.ascontiguousarray(rows[:, k])).reshape(n, hop).sum(1)
        waiting.trim(waiting.first + n * hop)

    def _decide(self) -> Iterator[Transient]:
        rule = self._rule
        start, stop = self._next, self._hops.end - rule.wait
        if stop <= start:
            return
        first = start - rule.before
        energy = self._hops.rows(first, self._hops.end)
        span = _spans(energy, rule.span)
        past = np.stack(
            [trailing_max(column, rule.past) for column in np.ascontiguousarray(span.T)], axis=1
        )
        least = _FLOOR * rule.hop * rule.span
        begins = np.zeros(len(span), dtype=bool)
        begins[rule.span :] = (
            span[rule.span :] >= rule.ratio * np.maximum(past[: -rule.span], least)
        ).any(1)
        for at in np.flatnonzero(begins[: stop - first]).tolist():
            hop = first + at
            if hop < self._next:
                continue
            found = self._read(hop, energy[at - rule.past - rule.span : at + rule.ahead])
            if found is not None:
                self._next = hop + rule.ahead
                yield found
        self._next = max(self._next, stop)
        self._hops.trim(self._next - rule.before)
        self._samples.trim((self._next - rule.before) * rule.hop)

    def _read(self, hop: int, energy: FloatArray) -> Transient | None:
        """Measure the beginning decided at `hop`; None where no band rises quickly enough.

        `energy` ends `ahead` hops after it and has `past` + `span` hops before it.
        """
        rule = self._rule
        before = rule.past + rule.span
        rises, starts, levels = [], [], []
        for column in np.ascontiguousarray(energy.T):
            start, rise = _rise(column, before, rule)
            starts.append(start)
            rises.append(rise * rule.hop_s)
            loudest = float(_spans(column, rule.span)[before:].max())
            levels.append(_db(loudest / (rule.hop * rule.span)))
        if min(rises) > rule.longest_rise_s:
            return None
        began = starts[0] if rises[0] <= rule.longest_rise_s else starts[-1]
        first = (hop - before + began) * rule.hop  # the first sample of it
        after = self._samples.rows(first, first + rule.spectrum)[:, 0]
        earlier = self._samples.rows(first - rule.spectrum, first)[:, 0]
        bands = np.maximum(_spectrum(after) - _spectrum(earlier), 0.0)
        whole = float(bands.sum())
        from_hop, half = hop - before + began, rule.half_tail
        tail = np.ascontiguousarray(self._hops.rows(from_hop, from_hop + 2 * half)[:, 0])
        early, late = tail.reshape(2, half).sum(1).tolist()
        if whole > 0.0:
            high_share = float(bands[2:].sum()) / whole
            bands_db = tuple(max(_db(float(b) / whole), -40.0) for b in bands)
        else:
            high_share, bands_db = 0.0, (-40.0,) * len(bands)
        return Transient(
            kind=self._kind,
            t_s=first / SOUND_RATE_HZ,
            level_db=levels[0],
            rise_s=rises[0],
            top_level_db=levels[-1],
            top_rise_s=rises[-1],
            high_share=high_share,
            bands_db=bands_db,
            tail_db=_db(late / max(early, 1e-30)),
        )


def _spans(energy: FloatArray, width: int) -> FloatArray:
    """Return the energy of each hop and the width − 1 before it; the first ones have fewer."""
    total = energy.copy()
    for k in range(1, width):
        total[k:] += energy[:-k]
    return total


def _rise(energy: FloatArray, before: int, rule: _Rule) -> tuple[int, int]:
    """Return at which hop a beginning starts and how many hops it takes to half its highest.

    What was heard before is the mean of the hops before the decision's span.
    """
    span = before - rule.span + 1
    highest = float(energy[span:].max())
    heard = float(energy[:span].sum()) / span
    low, half = max(0.01 * highest, 2.0 * heard), 0.5 * highest
    if half < low:  # too little over what was heard: nothing begins in this band
        return span, rule.farthest + 1
    up = start = span + int((energy[span:] >= half).argmax())
    while up - start <= rule.farthest and energy[start - 1] > low:
        start -= 1
    return start, up - start


def _spectrum(sound: FloatArray) -> FloatArray:
    """Return the energy of a stretch of sound in each band of `BANDS_HZ`."""
    power = np.square(np.abs(np.fft.rfft(sound)))
    edges = np.searchsorted(np.fft.rfftfreq(len(sound), 1.0 / SOUND_RATE_HZ), BANDS_HZ)
    energy: FloatArray = np.add.reduceat(power, edges[:-1])
    last = power[edges[-2] : edges[-1]].sum()
    energy[-1] = last
    return energy


def _db(power: float) -> float:
    return 10.0 * float(np.log10(max(power, 1e-30)))
