"""The notes of every motif, heard in its samples: when, how high, how loud, of what timbre.

The table is what the motifs are described as (`motifs.Motif`), in notes of equal temperament with
A at 440 Hz (ISO 16). Pitches are read off spectra, times off where a note's own pitch begins and
ends to sound.
"""

import numpy as np
import pytest
from numpy.typing import NDArray

from plantigrade_gateway.sound.motifs import PEAK, SAMPLE_RATE_HZ, Motif, motif

B3, D4, C4, F4, A4, E5, F5, D5, G5, B5 = (
    440.0 * 2 ** (k / 12) for k in (-10, -7, -9, -4, 0, 7, 8, 5, 10, 14)
)
Note = tuple[float, float, float, float]
NOTES: dict[Motif, tuple[float, tuple[Note, ...]]] = {
    # level of the loudest sample, then of each note: start, length, pitch at both its ends
    Motif.ROLLED: (
        1.0,
        ((0.0, 0.30, D5, D5), (0.10, 0.30, G5, G5), (0.20, 0.45, B5, B5)),
    ),
    Motif.SKIPPED: (0.8, ((0.0, 0.08, F5, F5), (0.20, 0.16, F4, F4))),
    Motif.EARLY: (0.8, ((0.0, 0.07, A4, A4), (0.13, 0.06, A4, A4), (0.22, 0.05, A4, A4))),
    Motif.SKIPPED_EARLY: (
        0.8,
        ((0.0, 0.04, 660.0, 660.0), (0.07, 0.04, 660.0, 660.0), (0.24, 0.18, 330.0, 220.0)),
    ),
    Motif.HELD: (0.8, ((0.0, 0.60, B3, B3),)),
    Motif.GOOD: (0.8, ((0.0, 0.12, E5, E5), (0.07, 0.18, B5, B5))),
    Motif.MISSED: (0.6, ((0.0, 0.12, D4, C4),)),
    Motif.HEEL_LIFTED: (0.9, ((0.0, 0.050, 950.0, 1500.0),)),
    Motif.HEEL_RETURNED: (0.9, ((0.0, 0.060, 560.0, 380.0), (0.065, 0.060, 480.0, 320.0))),
}
ALONE = [
    (kind, number, note)
    for kind, (_, notes) in NOTES.items()
    for number, note in enumerate(notes)
    if kind not in (Motif.ROLLED, Motif.GOOD)
]
"""Notes over which no other sounds."""


def part(kind: Motif, from_s: float, to_s: float) -> NDArray[np.float64]:
    a, b = (max(round(t_s * SAMPLE_RATE_HZ), 0) for t_s in (from_s, to_s))
    return motif(kind)[a:b].astype(np.float64)


def strength(samples: NDArray[np.float64], hz: float) -> float:
    """How strongly a pitch sounds: the size of its part in a spectrum."""
    turns = np.exp(-2j * np.pi * hz / SAMPLE_RATE_HZ * np.arange(len(samples)))
    return float(np.abs(np.sum(samples * np.hanning(len(samples)) * turns)))


def pitch(samples: NDArray[np.float64], near_hz: float) -> float:
    """The strongest pitch within a fifth of another."""
    tried = near_hz * np.linspace(0.8, 1.25, 451)
    return float(tried[np.argmax([strength(samples, hz) for hz in tried])])


def test_every_motif_with_notes_is_listed():
    assert set(Motif) - set(NOTES) == {Motif.UNCLEAR}


@pytest.mark.parametrize("kind", NOTES)
def test_a_motif_ends_with_its_last_note_and_is_as_loud_as_its_level(kind):
    level, notes = NOTES[kind]
    end_s = max(start + length for start, length, *_ in notes)
    assert len(motif(kind)) / SAMPLE_RATE_HZ == pytest.approx(end_s, abs=1e-4)
    assert np.abs(motif(kind)).max() == pytest.approx(level * PEAK, rel=1e-5)


@pytest.mark.parametrize(("kind", "number", "note"), ALONE)
def test_a_note_begins_and_ends_where_it_should(kind, number, note):
    """Before it and after it there is silence; a millisecond within it sounds."""
    start_s, length_s, *_ = note
    end_s = start_s + length_s
    inside = np.abs(part(kind, start_s, end_s))
    assert inside[48:96].max() > 1e-5 and inside[-96:-48].max() > 1e-5
    before_s = 0.0 if number == 0 else start_s - 0.003
    for silent in (part(kind, before_s, start_s), part(kind, end_s + 1e-4, end_s + 0.003)):
        assert np.abs(silent).max(initial=0.0) < 1e-6


@pytest.mark.parametrize(("kind", "number", "note"), ALONE)
@pytest.mark.dear
def test_a_note_has_its_pitch_at_both_ends(kind, number, note):
    """A note that glides is a geometric path: a quarter on it has gone a quarter of its way."""
    start_s, length_s, first_hz, last_hz = note
    for share in (0.3, 0.7):
        at_s, half_s = start_s + share * length_s, 0.25 * length_s
        expected = first_hz * (last_hz / first_hz) ** share
        found = pitch(part(kind, at_s - half_s, at_s + half_s), expected)
        assert found == pytest.approx(expected, rel=0.05 if length_s < 0.1 else 0.02)


@pytest.mark.parametrize(
    ("kind", "number"), [(Motif.ROLLED, 1), (Motif.ROLLED, 2), (Motif.GOOD, 1)]
)
@pytest.mark.dear
def test_a_bell_begins_over_the_one_before_and_both_ring(kind, number):
    _, notes = NOTES[kind]
    start_s, length_s, hz, _ = notes[number]
    before, after = part(kind, start_s - 0.02, start_s), part(kind, start_s, start_s + 0.02)
    assert strength(after, hz) > 3.0 * strength(before, hz)
    old = notes[number - 1]
    assert strength(after, old[2]) > 0.2 * strength(before, old[2])
    sounding = part(kind, start_s, start_s + 0.1)
    assert pitch(sounding, hz) == pytest.approx(hz, rel=0.01)
    assert pitch(part(kind, 0.0, 0.07), notes[0][2]) == pytest.approx(notes[0][2], rel=0.02)
    end_s = old[0] + old[1]
    if end_s < start_s + length_s - 0.05:
        rings, gone = part(kind, end_s - 0.05, end_s), part(kind, end_s, end_s + 0.05)
        assert strength(rings, old[2]) > 2.0 * strength(gone, old[2])


@pytest.mark.parametrize(
    ("kind", "from_s", "hz", "partials"),
    [
        (Motif.ROLLED, 0.48, B5, {2.0: 0.45, 3.01: 0.25, 4.23: 0.15}),
        (Motif.SKIPPED, 0.26, F4, {3.0: 0.45, 5.0: 0.25, 7.0: 0.12}),
        (Motif.HELD, 0.25, B3, {2.0: 0.10}),
        (Motif.EARLY, 0.015, A4, {float(k): 1.0 / k for k in range(2, 9)}),
    ],
)
def test_a_timbre_has_its_partials(kind, from_s, hz, partials):
    """Bell, hollow wood (odd partials alone), a plain voice, and a reed (1/k up to the eighth)."""
    samples = part(kind, from_s, from_s + (0.04 if kind is Motif.EARLY else 0.08))
    ground = strength(samples, hz)
    for multiple, amplitude in partials.items():
        assert strength(samples, multiple * hz) / ground == pytest.approx(amplitude, rel=0.1)
    assert strength(samples, 9.0 * hz) / ground < 0.02


def test_a_bell_dies_away_by_its_time():
    """By e in 0.13 s."""
    first, then = (part(Motif.ROLLED, at_s, at_s + 0.05) for at_s in (0.42, 0.47))
    assert strength(then, B5) / strength(first, B5) == pytest.approx(np.exp(-0.05 / 0.13), rel=0.02)


def test_a_held_note_swells_five_times_a_second():
    """Between 0.4 and 1 of its size, the softest at its beginning and each 0.2 s on."""
    soft, loud = (np.abs(part(Motif.HELD, at_s - 0.01, at_s + 0.01)).max() for at_s in (0.2, 0.3))
    assert soft / loud == pytest.approx(0.4, abs=0.03)
    again = np.abs(part(Motif.HELD, 0.39, 0.41)).max()
    assert again == pytest.approx(soft, rel=0.03)


def test_a_breath_has_no_pitch_and_lies_about_750_hz():
    """A quarter of a second; half an octave to either side it is much fainter."""
    samples = motif(Motif.UNCLEAR).astype(np.float64)
    assert len(samples) == 12_000
    assert np.abs(samples).max() == pytest.approx(0.4 * PEAK, rel=1e-5)
    power = np.abs(np.fft.rfft(samples)) ** 2
    hz = np.fft.rfftfreq(len(samples), 1 / SAMPLE_RATE_HZ)
    octaves = np.log2(np.maximum(hz, 1.0) / 750.0)
    middle = np.average(octaves, weights=power)
    assert middle == pytest.approx(0.0, abs=0.1)
    spread = np.sqrt(np.average((octaves - middle) ** 2, weights=power))
    # as seen by octaves a spectrum of equal steps leans up: 0.45 / √2 = 0.32
    assert spread == pytest.approx(0.32, abs=0.06)
    assert power.max() < 0.2 * power.sum()  # of a pitch one line would hold most of it
