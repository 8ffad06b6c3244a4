"""What a forwarding process costs, as Linux counts it."""

import os
import time
from pathlib import Path

from plantigrade_gateway.forward.launch import Forwarder


def cpu_s(forwarder: Forwarder) -> float:
    """Processor time, s."""
    fields = Path(f"/proc/{_pid(forwarder)}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def rss_mb(forwarder: Forwarder) -> float:
    """Memory in use, MB, with what it maps of files."""
    pages = int(Path(f"/proc/{_pid(forwarder)}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def _pid(forwarder: Forwarder) -> int:
    while forwarder._process is None:
        time.sleep(0.05)
    return forwarder._process.pid
