"""Calls that may never come back, given a limit."""

import queue
import threading
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")


def within(limit_s: float, work: Callable[[], T]) -> T:
    """Return ``work()``, or stop waiting for it.

    The work runs in a daemon thread of its own. When the limit passes it is left behind: its
    result is dropped if it ever comes, and it does not keep the program from ending.

    Raises
    ------
    TimeoutError
        The limit passed.
    BaseException
        Whatever the work raised.
    """
    answer: queue.SimpleQueue[tuple[T | None, BaseException | None]] = queue.SimpleQueue()

    def run() -> None:
        try:
            answer.put((work(), None))
        except BaseException as error:
            answer.put((None, error))

    threading.Thread(target=run, name="within", daemon=True).start()
    try:
        result, error = answer.get(timeout=limit_s)
    except queue.Empty:
        raise TimeoutError(f"no answer within {limit_s:g} s") from None
    if error is not None:
        raise error
    return result  # type: ignore[return-value]  # None only where T is
