"""Frames of zone samples as bytes (`wire_format.md` §3), packed and unpacked in columns.

Many equal packets at a time; a packet or two by integers, where arrays cost more. No state.
"""

import numpy as np
from numpy.typing import NDArray

from plantigrade_gateway.wire.messages import SampleFormat, frame_bytes

_U16 = SampleFormat.U16
_FEW_BYTES = 128
"""Up to so many bytes of samples in a call, arrays cost more than integers."""


def unpack_samples(
    body: NDArray[np.uint8], zones: int, sample_format: SampleFormat
) -> NDArray[np.uint16]:
    """Read frames out of the bytes of many equal packets.

    Parameters
    ----------
    body : ndarray of uint8, shape (packets, frames × bytes per frame)
        Rows contiguous; headers cut off.
    zones : int
    sample_format : SampleFormat

    Returns
    -------
    ndarray of uint16, shape (packets × frames, zones)
        A copy.
    """
    if sample_format is _U16:
        return body.view("<u2").astype(np.uint16).reshape(-1, zones)
    if body.size <= _FEW_BYTES:
        return _unpack_few(body, zones)
    rows = body.reshape(-1, frame_bytes(zones, sample_format)).astype(np.uint16)
    n_odd = zones // 2
    middle = rows[:, 1::3]
    counts = np.empty((len(rows), zones), dtype=np.uint16)
    counts[:, 0::2] = rows[:, 0::3] | ((middle & 0x0F) << 8)
    counts[:, 1::2] = (middle[:, :n_odd] >> 4) | (rows[:, 2::3] << 4)
    return counts


def _unpack_few(body: NDArray[np.uint8], zones: int) -> NDArray[np.uint16]:
    """Do for a packet or two of packed samples what `unpack_samples` does for many."""
    size = frame_bytes(zones, SampleFormat.PACKED12)
    data = body.tobytes()
    frames = [int.from_bytes(data[k : k + size], "little") for k in range(0, len(data), size)]
    shifts = range(0, 12 * zones, 12)
    return np.array([[v >> s & 0xFFF for s in shifts] for v in frames], dtype=np.uint16)


def pack_samples(counts: NDArray[np.uint16], sample_format: SampleFormat) -> NDArray[np.uint8]:
    """Write frames as bytes; the inverse of `unpack_samples`.

    Parameters
    ----------
    counts : ndarray of uint16, shape (n, zones)
        At most 4095 for packed 12-bit.
    sample_format : SampleFormat

    Returns
    -------
    ndarray of uint8, shape (n, bytes per frame)
    """
    n, zones = counts.shape
    if sample_format is SampleFormat.U16:
        return np.ascontiguousarray(counts.astype("<u2")).view(np.uint8).reshape(n, 2 * zones)
    n_odd = zones // 2
    even, odd = counts[:, 0::2], counts[:, 1::2]
    rows = np.zeros((n, frame_bytes(zones, sample_format)), dtype=np.uint16)
    rows[:, 0::3] = even & 0xFF
    rows[:, 1::3] = even >> 8
    rows[:, 1::3][:, :n_odd] |= (odd & 0x0F) << 4
    rows[:, 2::3] = odd >> 4
    return rows.astype(np.uint8)
