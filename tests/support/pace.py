"""A recording at its own pace, in a thread of its own."""

import time
from collections.abc import Iterable, Iterator

from plantigrade_gateway.record.entries import Batch
from plantigrade_gateway.sources.recording import paced


def as_live(batches: Iterable[Batch]) -> Iterator[Batch]:
    """Give entries when they are due."""
    for given in paced(batches):
        if isinstance(given, Batch):
            yield given
        else:
            time.sleep(given)
