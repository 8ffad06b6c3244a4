"""Named tables of numbers and a head as bytes, and back. Pure.

Deflate of: uint32 length of the head, the head (JSON), then each table's float32 values, all first
bytes, then all second ones, and so on. Values keep single precision: a load of 1000 N to 0.0001 N.
"""

import json
import struct
import zlib
from collections.abc import Mapping
from typing import Any

import numpy as np

from plantigrade.block import FloatArray
from plantigrade_gateway.errors import StoreError

_LEVEL = 3  # as the record's chunks
_SIZE = struct.Struct("<I")


def pack(head: Mapping[str, Any], tables: Mapping[str, FloatArray]) -> bytes:
    """Turn a head of JSON values and tables of any shape into bytes."""
    shapes = {name: list(table.shape) for name, table in tables.items()}
    text = json.dumps({"head": dict(head), "tables": shapes}, separators=(",", ":")).encode()
    planes = [
        np.ascontiguousarray(t, dtype="<f4").view(np.uint8).reshape(-1, 4).T.tobytes()
        for t in tables.values()
        if t.size
    ]
    return zlib.compress(_SIZE.pack(len(text)) + text + b"".join(planes), _LEVEL)


def unpack(data: bytes) -> tuple[dict[str, Any], dict[str, FloatArray]]:
    """Return the head and the tables, as float64.

    Raises
    ------
    StoreError
        The bytes are damaged.
    """
    try:
        body = zlib.decompress(data)
        at = _SIZE.size + _SIZE.unpack_from(body)[0]
        found = json.loads(body[_SIZE.size : at])
        tables: dict[str, FloatArray] = {}
        for name, shape in found["tables"].items():
            n = int(np.prod(shape))
            planes = np.frombuffer(body, np.uint8, 4 * n, at).reshape(4, n)
            values = np.ascontiguousarray(planes.T).view("<f4").astype(np.float64)
            tables[name], at = values.reshape(shape), at + 4 * n
        return found["head"], tables
    except (zlib.error, struct.error, ValueError, KeyError) as error:
        raise StoreError(f"derived rows: damaged ({error}); they are made again") from error
