"""What a process costs, as Linux counts it."""

import os
import time
from pathlib import Path

from plantigrade_gateway.forward.launch import Forwarder


def cpu_s(pid: int) -> float:
    """Processor time, s."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def rss_mb(pid: int) -> float:
    """Memory in use, MB, with what it maps of files."""
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def pid_of(forwarder: Forwarder) -> int:
    """The process that sends on, once it runs."""
    while forwarder._process is None:
        time.sleep(0.05)
    return forwarder._process.pid
