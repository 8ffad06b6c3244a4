"""The gateway's side of the way to the hub: its process where a hub is set, else nothing."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from plantigrade_gateway.child import Child
from plantigrade_gateway.config import Config
from plantigrade_gateway.store.store import Store


@contextmanager
def opened_sync(
    config: Config | None, store: Store, say: Callable[[str], None]
) -> Iterator[Child | None]:
    """Give the process while it runs; None where the settings name no hub."""
    if config is None or config.text("hub.url") is None:
        yield None
        return
    module = "plantigrade_gateway.sync.process"
    child = Child(module, store.path, config.file, "Handing over to the hub", say)
    try:
        yield child
    finally:
        child.close()
