"""The systemd units: well-formed, as locked down as is said, and the program runs in what is left.

Exposure is systemd's own figure (`systemd-analyze security`), documented in `operations.md`.
"""

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx2
import pytest
from tests.support.sandbox import UNITS, boxed, programs, settings
from tests.support.servers import free_port
from tests.support.waiting import HANG_S

pytestmark = pytest.mark.dear

DOCUMENT = UNITS.parent / "operations.md"
SERVICES = sorted(path.name for path in UNITS.glob("*.service"))
INSTALLED = "/opt/plantigrade/bin/plantigrade"
COMMAND = [sys.executable, "-c", "from plantigrade_gateway.cli.entry import main; main()"]


def exposures() -> dict[str, float]:
    """The documented figure of each unit."""
    rows = re.findall(r"^\| `(plantigrade-[a-z]+\.service)` \|.*\| ([\d.]+) \|$", text(), re.M)
    return {name: float(figure) for name, figure in rows}


def text() -> str:
    return DOCUMENT.read_text("utf-8")


def analysed(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [programs()["systemd-analyze"], *arguments], capture_output=True, text=True, check=False
    )


def installed(folder: Path) -> list[str]:
    """The units with this machine's program in place of the installed one."""
    program = folder / "plantigrade"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    for path in [*UNITS.glob("*.service"), *UNITS.glob("*.timer")]:
        found = path.read_text("utf-8").replace(INSTALLED, str(program))
        (folder / path.name).write_text(found)
    drop_ins = folder / "plantigrade-bay.service.d"
    drop_ins.mkdir()
    (drop_ins / "secrets.conf").write_text((UNITS / "secrets.conf").read_text("utf-8"))
    return [str(path) for path in sorted(folder.glob("plantigrade-*.*")) if path.is_file()]


def test_the_units_are_well_formed(tmp_path):
    units = installed(tmp_path)
    assert len(units) == 4
    found = analysed("verify", "--man=no", *units)
    assert (found.returncode, found.stderr) == (0, "")
    (tmp_path / "plantigrade-bay.service").write_text("[Service]\nNoSuchSetting=yes\n")
    assert analysed("verify", "--man=no", *units).stderr != ""


def test_every_service_has_its_figure():
    assert sorted(exposures()) == SERVICES and len(SERVICES) == 3


@pytest.mark.parametrize("unit", SERVICES)
def test_a_unit_is_exposed_no_more_than_is_said(unit, tmp_path):
    most = str(round(exposures()[unit] * 10))
    path = tmp_path / unit
    whole = (UNITS / unit).read_text("utf-8")
    path.write_text(whole)
    found = analysed("security", "--offline=true", f"--threshold={most}", str(path))
    assert found.returncode == 0, found.stdout
    # Opened a little, it is found out.
    path.write_text(whole.replace("NoNewPrivileges=yes", "NoNewPrivileges=no"))
    found = analysed("security", "--offline=true", f"--threshold={most}", str(path))
    assert found.returncode != 0


@pytest.mark.parametrize("unit", SERVICES)
def test_nothing_of_the_system_is_open_to_a_unit(unit):
    of = settings(unit)
    expected = {
        "NoNewPrivileges": "yes",
        "CapabilityBoundingSet": "",
        "ProtectSystem": "strict",
        "ProtectHome": "yes",
        "DevicePolicy": "closed",
        "User": "plantigrade",
        "UMask": "0077",
    }
    assert {name: of[name] for name in expected} == {k: [v] for k, v in expected.items()}
    assert "ReadWritePaths" not in of and "AmbientCapabilities" in of
    assert of.get("DeviceAllow", []) == (
        ["char-alsa rw"] if unit == "plantigrade-bay.service" else []
    )


def test_each_secret_setting_has_its_credential():
    """What `plantigrade settings` calls a file of a secret, a drop-in can give."""
    from plantigrade_gateway.config import SETTINGS

    files = {f"{s.name}_file" for s in SETTINGS if s.secret}
    variables = {"PLANTIGRADE_" + name.upper().replace(".", "_") for name in files}
    of = settings("secrets.conf")
    given = dict(value.split("=", 1) for value in of["Environment"])
    loaded = {value.split(":")[0] for value in of["LoadCredential"]}
    assert variables <= set(given) <= variables | {"PLANTIGRADE_HUB_TOKEN_FILE"}
    assert set(given.values()) == {f"%d/{name}" for name in loaded}


# The program in what is left


@contextmanager
def running(unit: str, arguments: list[str], folder: Path) -> Iterator[subprocess.Popen[str]]:
    """Run the program as a unit allows it, its folders in a folder of the test."""
    environment = os.environ | {"XDG_DATA_HOME": str(folder), "XDG_CONFIG_HOME": str(folder)}
    with open(folder / "said", "w", encoding="utf-8") as said:
        process = subprocess.Popen(
            boxed(unit, [*COMMAND, *arguments]),
            stdout=said,
            stderr=said,
            text=True,
            env=environment,
            start_new_session=True,
        )
    try:
        yield process
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def answers(url: str, process: subprocess.Popen[str], folder: Path) -> int:
    """The status of a page's first answer, waited for."""
    end = time.monotonic() + HANG_S
    while True:
        assert process.poll() is None and time.monotonic() < end, (folder / "said").read_text()
        try:
            return httpx2.get(url, follow_redirects=True, timeout=HANG_S).status_code
        except httpx2.TransportError:
            time.sleep(0.1)


def sessions(folder: Path) -> list[dict[str, object]]:
    said = subprocess.run(
        [*COMMAND, "sessions", "--json"],
        env=os.environ | {"XDG_DATA_HOME": str(folder)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert said.returncode == 0, said.stderr
    found: list[dict[str, object]] = json.loads(said.stdout)
    return found


@pytest.mark.slow
def test_a_bay_records_in_its_sandbox(tmp_path):
    port = free_port()
    with running(
        "plantigrade-bay.service", ["run", "--virtual", "--port", str(port)], tmp_path
    ) as bay:
        assert answers(f"http://127.0.0.1:{port}/", bay, tmp_path) == 200
        end = time.monotonic() + HANG_S
        while not re.search(r"(step|swing) \d|stand +\d", (tmp_path / "said").read_text()):
            assert bay.poll() is None and time.monotonic() < end, (tmp_path / "said").read_text()
            time.sleep(0.1)
        bay.send_signal(signal.SIGTERM)
        assert bay.wait(HANG_S) == 0, (tmp_path / "said").read_text()
    assert (tmp_path / "plantigrade" / "store.sqlite3").exists(), "where the unit has its store"
    (session,) = sessions(tmp_path)
    assert session["end_reason"] == "stop"
    backup = tmp_path / "backups"
    backup.mkdir()
    store = str(tmp_path / "plantigrade" / "store.sqlite3")
    arguments = ["--store", store, "backup", str(backup), "--keep", "14"]
    with running("plantigrade-backup.service", arguments, tmp_path) as made:
        assert made.wait(HANG_S) == 0, (tmp_path / "said").read_text()
    assert [path.suffix for path in backup.iterdir()] == [".tar"]


@pytest.mark.slow
def test_a_hub_serves_in_its_sandbox(tmp_path):
    port = free_port()
    with running("plantigrade-hub.service", ["hub", "serve", "--port", str(port)], tmp_path) as hub:
        assert answers(f"http://127.0.0.1:{port}/", hub, tmp_path) == 200
        hub.send_signal(signal.SIGTERM)
        assert hub.wait(HANG_S) == 0, (tmp_path / "said").read_text()
    assert (tmp_path / "plantigrade-hub" / "hub.sqlite3").exists()


@pytest.mark.parametrize(
    ("what", "said"),
    [  # each fails outside of a sandbox by other means, or not at all
        ("import os; os.chroot('/')", "PermissionError"),
        ("import socket; socket.socket(socket.AF_NETLINK)", "PermissionError"),
        ("import mmap; mmap.mmap(-1, 4096, prot=7)", "PermissionError"),
        ("import os; os.setuid(65534)", "PermissionError"),
    ],
)
def test_the_sandbox_holds(what, said):
    found = subprocess.run(
        boxed("plantigrade-bay.service", [sys.executable, "-c", what]),
        capture_output=True,
        text=True,
        check=False,
    )
    assert found.returncode == 1 and said in found.stderr
