"""How high a sound is, and how unlike two are, from their samples."""

import numpy as np
from numpy.typing import NDArray
from scipy.signal import periodogram, stft

from plantigrade_gateway.sound.motifs import SAMPLE_RATE_HZ

Samples = NDArray[np.float32]


def strongest_hz(samples: Samples) -> float:
    """Return the frequency with the most power, Hz."""
    hz, power = periodogram(samples, SAMPLE_RATE_HZ, window="hann", nfft=1 << 17)
    return float(hz[np.argmax(power)])


def semitones(samples: Samples) -> NDArray[np.float64]:
    """Return amplitude per semitone band (100 Hz to 6.4 kHz) and 20 ms, over 1 s."""
    padded = np.concatenate([samples, np.zeros(SAMPLE_RATE_HZ - len(samples))])
    hz, _, z = stft(padded, SAMPLE_RATE_HZ, nperseg=2048, noverlap=2048 - 960)
    band = np.round(12.0 * np.log2(np.maximum(hz, 1.0) / 100.0)).astype(int)
    power = np.zeros((73, z.shape[1]))
    for k in range(73):
        power[k] = (np.abs(z[band == k]) ** 2).sum(0)
    return np.sqrt(power)


def unlikeness(a: Samples, b: Samples) -> float:
    """Return 1 − the best cosine of two sounds over every transposition: pitch alone counts 0."""
    one, two = semitones(a), semitones(b)
    norm = np.sqrt((one**2).sum() * (two**2).sum())
    best = 0.0
    for shift in range(-36, 37):
        moved = np.zeros_like(two)
        low, high = max(shift, 0), 73 + min(shift, 0)
        moved[low:high] = two[low - shift : high - shift]
        best = max(best, float((one * moved).sum() / norm))
    return 1.0 - best
