"""The gateway: Bluetooth, store, sound and commands around the `plantigrade` measures.

For a notebook: `open_store` reads stored sessions, `read_zone_csv` a recording of your own; both
give NumPy arrays and the event classes of `plantigrade`. They are imported on first use.
"""

TYPE_CHECKING = False  # not from typing: this is imported before an interrupt can be handled
if TYPE_CHECKING:
    from plantigrade_gateway.report.reader import open_store, read_zone_csv

__all__ = ["open_store", "read_zone_csv"]


def __getattr__(name: str) -> object:
    """Return a public name from the reader; Python asks here once for each (PEP 562)."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    value = getattr(import_module("plantigrade_gateway.report.reader"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """Return the public names too, for whoever completes them."""
    return sorted({*globals(), *__all__})
