"""Where a result is not a number."""

from dataclasses import fields, is_dataclass

import numpy as np


def nan_fields(value: object, path: str = "") -> list[str]:
    """Where a result holds NaN, at any depth: such results are not equal to themselves."""
    if isinstance(value, float):
        return [path] if np.isnan(value) else []
    if isinstance(value, tuple):
        return [p for k, v in enumerate(value) for p in nan_fields(v, f"{path}[{k}]")]
    if is_dataclass(value):
        return [
            p for f in fields(value) for p in nan_fields(getattr(value, f.name), f"{path}.{f.name}")
        ]
    return []
