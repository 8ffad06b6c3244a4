"""Processes beside the gateway that hang hold up its end once, and not one after the other."""

import threading
import time
from pathlib import Path

import pytest
from tests.support.waiting import HANG_S

from plantigrade_gateway import child
from plantigrade_gateway.child import Child, ask_all_to_stop

HUNG = """
import json, sys, time
print(json.dumps({"type": "said", "text": "there"}), flush=True)
while True:
    time.sleep(1000)
"""


@pytest.mark.dear
def test_all_that_hang_have_the_same_moment_to_end(tmp_path, monkeypatch):
    """The moment is longer than any test may take, and over once the clock says so."""
    (tmp_path / "hung.py").write_text(HUNG, "utf-8")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    monkeypatch.setattr(child, "_CLOSE_LIMIT_S", 10.0 * HANG_S)
    there = threading.Semaphore(0)
    both = [
        Child("hung", Path("store"), None, "Hung", lambda text: there.release()) for _ in range(2)
    ]
    assert all(there.acquire(timeout=HANG_S) for _ in both)
    ask_all_to_stop([*both, None])
    later = time.monotonic() + 10.0 * HANG_S
    monkeypatch.setattr(time, "monotonic", lambda: later)
    for one in both:
        one.close()
    assert not any(one._thread.is_alive() for one in both)
