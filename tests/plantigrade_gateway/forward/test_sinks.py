"""A sink added as DEVELOPERS.md says is sent what it asks for, counted and shown by its name."""

import json
import os
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from importlib import import_module
from pathlib import Path

import pytest

from plantigrade_gateway import config, sinks
from plantigrade_gateway.config import SETTINGS
from plantigrade_gateway.sinks import LOADS, MQTT, SINKS, TSDB, display_name

ROOT = Path(__file__).resolve().parents[3]
PACKAGE = ROOT / "gateway" / "plantigrade_gateway"

ROW = '        SinkRow("spool", "spool folder", ("spool.folder",), "spool", 7),\n'
ITS_SETTINGS = """\
    Setting("spool.folder", str, None, "Where what is sent on lies; unset: nowhere."),
    Setting("spool.hold_s", float, 0.0, "How long what was taken is held.", "s", 0, 60),
"""
MODULE = '''\
"""An invented sink: a file of lines."""

from pathlib import Path


class Spool:
    def __init__(self, config):
        self.path = Path(config.word("spool.folder")) / "lines.txt"

    async def open(self):
        pass

    async def close(self):
        pass

    async def restarted(self):
        return False

    async def send(self, items):
        with self.path.open("a") as lines:
            lines.writelines(f"{item.kind} {item.body}\\n" for item in items)

    async def is_accepting(self):
        return True


def sink(config, say):
    return Spool(config)
'''
USES = """\
import asyncio, json, sys
from pathlib import Path

from tests.support.bay import Bay
from tests.support.records import step

from plantigrade_gateway.store import forwardstate
from plantigrade_gateway.web.health import exposition

folder = Path(sys.argv[1])


async def use():
    bay = Bay(folder, {"PLANTIGRADE_SPOOL_FOLDER": str(folder)})
    async with bay.forwarding():
        bay.put(step(5))
        await bay.sent("spool")
    state = forwardstate.read(forwardstate.path_for(bay.store.path))
    print(json.dumps({
        "module": sys.modules["plantigrade_gateway"].__file__,
        "state": forwardstate.lines(state),
        "metrics": exposition(bay.store.path),
        "said": bay.said,
        "libraries": sorted({"influxdb_client", "aiomqtt"} & set(sys.modules)),
    }))
    bay.store.close()


asyncio.run(use())
"""


def insert(path: Path, before: str, text: str) -> None:
    """Put text before the one line of a file that begins so."""
    whole = path.read_text("utf-8")
    assert whole.count(before) == 1
    path.write_text(whole.replace(before, text + before), "utf-8")


@pytest.fixture
def grown(tmp_path: Path) -> Path:
    """Return the folder of a copy of the package to which a sink was added by the map."""
    package = tmp_path / "grown" / "plantigrade_gateway"
    shutil.copytree(PACKAGE, package, ignore=shutil.ignore_patterns("__pycache__"))
    insert(package / "sinks.py", '        SinkRow(MQTT, "message', ROW)
    insert(package / "config.py", '    Setting("mqtt.host"', ITS_SETTINGS)
    (package / "forward" / "spool.py").write_text(MODULE, "utf-8")
    return package.parent


@pytest.mark.dear
def test_a_sink_that_is_added_by_the_map_is_sent_its_events(grown, tmp_path):
    paths = os.pathsep.join(map(str, (grown, ROOT / "signal", ROOT)))
    environment = {**os.environ, "PYTHONPATH": paths, "PYTHONDONTWRITEBYTECODE": "1"}
    run = [sys.executable, "-c", USES, str(tmp_path)]
    done = subprocess.run(run, env=environment, capture_output=True, text=True, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert Path(found["module"]).parent.parent == grown
    kinds = [line.split()[0] for line in (tmp_path / "lines.txt").read_text("utf-8").splitlines()]
    assert kinds == ["session", "step"]
    assert found["state"] == ["spool folder: 0 waiting, 2 sent"]
    assert 'plantigrade_forward_sent_total{sink="spool"} 2.0' in found["metrics"]
    assert found["said"] == [] and found["libraries"] == []
    entry = "from plantigrade_gateway.cli.entry import main; main()"
    command = [sys.executable, "-c", entry, "outbox", "--help"]
    helped = subprocess.run(command, env=environment, capture_output=True, text=True)
    assert re.search(r"waits\s+for\s+tsdb,\s+spool,\s+mqtt\s+or\s+loads", helped.stdout)


def test_every_sink_has_its_module_and_its_settings():
    names = {setting.name: setting for setting in SETTINGS}
    for row in SINKS.values():
        assert callable(import_module(f"plantigrade_gateway.forward.{row.module}").sink)
        assert set(row.wanted) <= set(names) and row.wanted
        assert names[f"{row.module}.hold_s"].default is not None


def test_who_is_sent_something_is_what_the_settings_name():
    def wanted(**set_: str) -> list[str]:
        variables = {f"PLANTIGRADE_{name.upper()}": value for name, value in set_.items()}
        return sorted(config.load(environment=variables).sinks())

    there = {"tsdb_url": "http://127.0.0.1:1", "mqtt_host": "here"}
    assert wanted() == [] and wanted(tsdb_loads="true") == []
    assert wanted(mqtt_host="here") == [MQTT]
    assert wanted(**there, tsdb_loads="false") == [MQTT, TSDB]
    assert wanted(**there, tsdb_loads="true") == [LOADS, MQTT, TSDB]


def test_a_sink_of_another_version_is_called_by_its_own_name(monkeypatch):
    assert display_name(MQTT) == "message broker"
    assert display_name("pigeon\x1b[2J") == "pigeon [2J"
    assert len(display_name("x" * 100)) == 32
    monkeypatch.setitem(sinks.SINKS, "pigeon", replace(SINKS[MQTT], called="homing pigeon"))
    assert display_name("pigeon") == "homing pigeon"
