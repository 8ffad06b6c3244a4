"""Work on files that is killed (SIGKILL) at any change of them: as exact as it is seeded.

A program is started that loads `killed.c` first and forks a child for each try. No machine is too
quick or too slow for a kill between two writes.
"""

import os
import random
import signal
import subprocess
import sys
import textwrap
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
C = Path(__file__).with_suffix(".c")

_PROGRAM = """
import ctypes, os, sys
from pathlib import Path

{work}

c = ctypes.CDLL(None)
c.changes_seen.restype = ctypes.c_long
for line in sys.stdin:
    last, path = line.rstrip("\\n").split(" ", 1)
    pid = os.fork()
    if not pid:
        ended = 1
        try:
            c.kill_at(ctypes.c_long(int(last)))
            work(Path(path))
            seen = c.changes_seen()
            c.kill_at(ctypes.c_long(-1))
            Path(path + ".seen").write_text(str(seen))
            ended = 0
        finally:
            os._exit(ended)
    _, status = os.waitpid(pid, 0)
    print(os.waitstatus_to_exitcode(status), flush=True)
"""


class Killing:
    """Does work on a file, and kills it.

    Parameters
    ----------
    ask : callable
        Given at which change it is to be killed (-1: at none) and the file; returns the exit code.
    """

    def __init__(self, ask: Callable[[int, Path], int]) -> None:
        self._ask = ask

    def changes(self, path: Path) -> int:
        """Do it to the end; return by how many changes."""
        assert self._ask(-1, path) == 0
        seen = Path(f"{path}.seen")
        found = int(seen.read_text())
        seen.unlink()
        return found

    def killed_at(self, change: int, path: Path) -> None:
        """Do it until a change, which is not made."""
        assert self._ask(change, path) == -signal.SIGKILL


@contextmanager
def killing(folder: Path, work: str) -> Iterator[Killing]:
    """Start what does `work`, the source of a function of that name that is given a path."""
    shim = folder / "killed.so"
    subprocess.run(["gcc", "-shared", "-fPIC", "-O1", "-o", shim, C, "-ldl"], check=True)
    program = subprocess.Popen(
        [sys.executable, "-c", _PROGRAM.replace("{work}", textwrap.dedent(work))],
        cwd=ROOT,
        # No other threads where it forks.
        env=os.environ | {"LD_PRELOAD": str(shim), "OPENBLAS_NUM_THREADS": "1"},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    with program:
        given, told = program.stdin, program.stdout
        assert given is not None and told is not None

        def ask(change: int, path: Path) -> int:
            print(change, path, file=given, flush=True)
            return int(told.readline())

        yield Killing(ask)
        given.close()


def moments(changes: int, n: int, seed: int) -> list[int]:
    """Return n of the changes at which to kill, the first and the last among them."""
    rng = random.Random(seed)
    inner = rng.sample(range(1, changes - 1), min(n, changes) - 2)
    return sorted([0, *inner, changes - 1])
