"""How long the interpreter stands still for itself while packets come and sound plays."""

import gc
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_blocks = 0
_counting = threading.Lock()


@contextmanager
def short_collections() -> Iterator[None]:
    """Leave what there is now out of garbage collections, for the length of a block.

    A full collection looks through every object of the process, for some 70 ms once the program's
    modules are loaded, and nothing else goes on meanwhile: no packet, no sound. In the block it
    looks through what was made since. Blocks may be nested, and overlap.
    """
    global _blocks
    with _counting:
        _blocks += 1
    gc.collect()
    gc.freeze()
    try:
        yield
    finally:
        with _counting:
            _blocks -= 1
            if not _blocks:
                gc.unfreeze()
