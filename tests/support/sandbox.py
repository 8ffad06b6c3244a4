"""What a systemd unit allows a program, put on one without systemd: system calls and capabilities.

Debian's own Python loads the filter by libseccomp and becomes the program. Namespaces, devices and
networks are systemd's to apply and are not put on.
"""

import json
import subprocess
from functools import cache
from pathlib import Path

import pytest

SCRIPT = Path(__file__).resolve().parents[2] / ".ci" / "systemd"
UNITS = Path(__file__).resolve().parents[2] / "hardware_notes" / "systemd"

# prctl: 24 drops a capability from the bounding set, 65 refuses memory to write and to run
# (linux/prctl.h). A call that is not allowed fails with EPERM, as the units say.
_LAUNCHER = """
import ctypes, json, os, sys
import seccomp

allowed, families, command = json.loads(sys.argv[1]), json.loads(sys.argv[2]), sys.argv[3:]
libc = ctypes.CDLL(None)
for capability in range(64):
    libc.prctl(24, capability, 0, 0, 0)
if libc.prctl(65, 1, 0, 0, 0):
    sys.exit("the kernel knows no PR_SET_MDWE")
rules = seccomp.SyscallFilter(seccomp.ERRNO(1))
for name in allowed:
    if name == "socket":
        for family in families:
            rules.add_rule(seccomp.ALLOW, name, seccomp.Arg(0, seccomp.EQ, family))
    elif seccomp.resolve_syscall(seccomp.Arch(), name) >= 0:
        rules.add_rule(seccomp.ALLOW, name)
rules.load()
os.execv(command[0], command)
"""
_FAMILIES = {"AF_UNIX": 1, "AF_INET": 2, "AF_INET6": 10}


@cache
def programs() -> dict[str, str]:
    """Return the paths of what is needed; skips where it cannot be installed."""
    found = subprocess.run([SCRIPT], capture_output=True, text=True, check=False)
    if found.returncode:
        pytest.skip(f".ci/systemd: {found.stderr.strip()}")
    return dict(line.split(" ", 1) for line in found.stdout.splitlines())


def settings(unit: str) -> dict[str, list[str]]:
    """Return the values of a unit's settings, in their order."""
    found: dict[str, list[str]] = {}
    for line in (UNITS / unit).read_text("utf-8").splitlines():
        name, sign, value = line.partition("=")
        if sign and not line.startswith("#"):
            found.setdefault(name, []).append(value)
    return found


def _calls(group: str) -> set[str]:
    if not group.startswith("@"):
        return {group}
    said = subprocess.run(
        [programs()["systemd-analyze"], "syscall-filter", group],
        capture_output=True,
        text=True,
        check=True,
    )
    lines = [line.strip() for line in said.stdout.splitlines()[1:]]
    return set().union(*(_calls(line) for line in lines if line and not line.startswith("#")))


def boxed(unit: str, command: list[str]) -> list[str]:
    """Return the command that runs another one as a unit allows it."""
    of = settings(unit)
    assert of["MemoryDenyWriteExecute"] == ["yes"] and of["CapabilityBoundingSet"] == [""]
    assert of["SystemCallErrorNumber"] == ["EPERM"]
    calls: set[str] = set()
    for value in of["SystemCallFilter"]:
        named = set().union(*(_calls(word) for word in value.removeprefix("~").split()))
        calls = calls - named if value.startswith("~") else calls | named
    families = [_FAMILIES[word] for word in of["RestrictAddressFamilies"][0].split()]
    python = programs()["python3"]
    return [python, "-c", _LAUNCHER, json.dumps(sorted(calls)), json.dumps(families), *command]
