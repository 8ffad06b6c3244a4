"""Which part may import which: the rooms of the gateway in their order, and the rule of signal.

A room is a sub-package of ``plantigrade_gateway``; the modules beside them are the top, which every
room may import. Imports inside functions and under ``TYPE_CHECKING`` count like any other.
"""

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.support.importgraph import GATEWAY, LARGEST, Graph, imports_of

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = GATEWAY
SIGNAL = ROOT / "signal" / "plantigrade"

PURE = {"wire", "record", "sound", "drills", "rules", "check", "coach"}
ALLOWED: dict[str, set[str]] = {
    "top": set(),
    "package": {"report"},  # what a notebook imports, on first use: plantigrade_gateway/__init__.py
    "wire": set(),
    "record": set(),
    "sound": set(),
    "sources": {"wire", "record"},
    "drills": {"sound"},
    "rules": set(),
    "analysis": {"wire", "record", "sound", "drills"},
    "check": {"record", "analysis"},
    "coach": {"record", "rules", "analysis", "check"},
    "store": {"wire", "record", "sound", "drills", "analysis"},
    # record: intents of sets; check: what a speed block's record tells, and its dose; drills: those
    # that a kept rule file may name
    "people": {"record", "drills", "rules", "analysis", "check", "store", "coach"},
    "prints": set(),
    "virtual": {"wire", "record"},
    "report": {
        *("wire", "record", "sources", "drills", "rules", "analysis", "check", "coach"),
        *("store", "people"),
    },
    # people: of whom nothing may be sent on any more
    "forward": {"record", "sound", "analysis", "store", "people"},
    "web.html": set(),
    "web.door": {"store", "web.html"},
    "web.live": {"web.door"},
    "web.desk": {
        *("record", "rules", "analysis", "check", "coach", "store", "people", "report", "prints"),
        *("web.html", "web.door"),
    },
    "web.api": {
        *("analysis", "coach", "store", "people", "report"),
        *("web.html", "web.door", "web.desk"),  # the desk's reads and its worker
    },
    "web": {"sound", "store", "web.html", "web.door", "web.live", "web.desk", "web.api"},
    "sync": {"record", "store", "people"},
    # sync: the messages that both sides read; forward: what a bay says over the broker, and the
    # broker's connection; the web rooms: the hub's desk and its door
    "hub": {
        *("record", "sources", "analysis", "store", "people", "report", "forward", "sync"),
        *("web", "web.html", "web.door", "web.live", "web.desk"),
    },
    "session": {
        *("wire", "record", "sound", "sources", "drills", "analysis", "store", "virtual"),
        *("check", "people", "report", "forward", "sync", "web.live"),
    },
    "cli": {
        *("wire", "record", "sound", "sources", "drills", "analysis", "store", "virtual"),
        *("rules", "check", "coach", "prints"),
        *("people", "report", "forward", "sync", "hub", "web.door", "web.live", "session"),
    },
}
"""What each room may import beside itself and the top."""

NO_I_O = {
    *("asyncio", "sqlite3", "socket", "ssl", "subprocess", "multiprocessing", "threading"),
    *("bleak", "bumble", "miniaudio", "aiomqtt", "influxdb_client", "fastapi", "uvicorn", "rich"),
    *("click", "pyarrow", "bokeh", "jinja2"),
}
"""What a pure module may not import."""
EDGES_OF_SOUND = {"device", "microphone", "output", "speech", "wav"}
"""Modules of the sound room that do touch the world."""
FILES = {"files"}


def room_of(module: str) -> str:
    """Return the room of a module of the gateway, named without the package."""
    parts = module.split(".")
    if parts == ["__init__"]:
        return "package"
    if parts[0] == "web" and len(parts) > 1 and parts[1] in ("html", "door", "live", "desk", "api"):
        return f"web.{parts[1]}"
    return parts[0] if parts[0] in ALLOWED else "top"


def is_pure(module: str) -> bool:
    """Whether a module of the gateway may touch neither files nor network nor clock."""
    room, _, name = module.partition(".")
    if room == "sound":
        return name not in EDGES_OF_SOUND
    return room in PURE and not (room in ("drills", "rules") and name in FILES)


_MOVE = (
    ". Move what is needed to the room it flows out of, or to the top if every room may have it; "
    "or hand it in as an argument. A new row in ALLOWED only with its reason beside it"
)
_PASS = ". Let a room with I/O read, wait or draw, and hand the values in"


def wrong_imports(module: str, text: str) -> list[str]:
    """Return what a module of the gateway imports and may not, a sentence each."""
    room = room_of(module)
    found = []
    for line, name in imports_of(text):
        head, _, rest = name.partition(".")
        if head == "plantigrade_gateway" and rest:
            to = room_of(rest)
            if to not in {room, "top", *ALLOWED[room]} and rest not in TOP_NAMES:
                found.append(f"{module}:{line} imports {name}: {room} may not import {to}{_MOVE}")
        elif is_pure(module) and head in NO_I_O:
            found.append(f"{module}:{line} imports {name}: {room} is pure{_PASS}")
    return found


TOP_NAMES = {path.stem for path in PACKAGE.glob("*.py")} | {"__version__"}


def modules() -> Iterator[tuple[str, str]]:
    """Yield each module of the gateway, named without the package, and its text."""
    for path in sorted(PACKAGE.rglob("*.py")):
        name = ".".join(path.relative_to(PACKAGE).with_suffix("").parts)
        yield name.removesuffix(".__init__"), path.read_text("utf-8")


def test_every_room_is_in_the_table():
    folders = {
        ".".join(path.parent.relative_to(PACKAGE).parts) for path in PACKAGE.rglob("__init__.py")
    }
    rooms = {name for name in folders if name.count(".") <= (name.startswith("web.") + 0)}
    assert {name for name in rooms if name} - {"web.desk.charts"} <= set(ALLOWED)


def test_the_order_of_the_rooms_has_no_cycle():
    done: set[str] = set()
    left = dict(ALLOWED)
    while left:
        free = [room for room, needs in left.items() if needs <= done]
        assert free, f"these rooms import each other: {sorted(left)}"
        for room in free:
            done.add(room)
            del left[room]


def test_rooms_import_only_what_their_row_allows():
    found = [each for name, text in modules() for each in wrong_imports(name, text)]
    assert not found, "\n".join(found)


@pytest.mark.parametrize(
    ("module", "line"),
    [
        ("wire.decoder", "import sqlite3"),
        ("wire.decoder", "from plantigrade_gateway.web.live import audience"),
        ("record.entries", "from plantigrade_gateway.wire.stream import Run"),
        ("sound.mixer", "import miniaudio"),
        ("sound.mixer", "from plantigrade_gateway.drills.model import Drill"),
        ("sources.live", "from plantigrade_gateway.store.store import Store"),
        ("drills.judge", "from plantigrade_gateway.analysis.practice import Practice"),
        ("analysis.pipeline", "from plantigrade_gateway.sources.zonecsv import iter_zone_csv"),
        ("analysis.quality", "from plantigrade_gateway.store import results"),
        ("store.store", "def f():\n    from plantigrade_gateway.forward import tsdb"),
        ("virtual.process", "from plantigrade_gateway.sources.bluetooth import Radio"),
        ("report.export", "from plantigrade_gateway.session.runner import run"),
        ("forward.tsdb", "from plantigrade_gateway.web.live.page import Page"),
        ("web.html", "from plantigrade_gateway.store.store import Store"),
        ("web.door.guard", "from plantigrade_gateway.web.desk.reads import DeskStore"),
        ("web.live.audience", "from plantigrade_gateway.web.app import create_app"),
        ("web.desk.pages", "from plantigrade_gateway.session.session import LiveSession"),
        ("web.api.players", "from plantigrade_gateway.record.entries import Batch"),
        ("web.app", "from plantigrade_gateway.session.session import LiveSession"),
        ("session.session", "from plantigrade_gateway.cli.main import main"),
        ("formats", "from plantigrade_gateway.record.entries import Batch"),
        ("__init__", "from plantigrade_gateway.store.store import Store"),
    ],
)
def test_a_planted_import_is_found(module, line):
    assert wrong_imports(module, "import math\n") == []
    assert len(wrong_imports(module, line)) == 1


def signal_imports(text: str) -> list[str]:
    """Return what a module of the signal package imports beyond numpy, scipy and pure Python."""
    mine = {"numpy", "scipy", "plantigrade"}
    found = []
    for line, name in imports_of(text):
        head = name.split(".")[0]
        if head in NO_I_O or (head not in mine and head not in sys.stdlib_module_names):
            found.append(f"{line}: {name}")
    return found


def test_signal_imports_only_numbers():
    found = {path.name: signal_imports(path.read_text("utf-8")) for path in SIGNAL.rglob("*.py")}
    assert {name: lines for name, lines in found.items() if lines} == {}


@pytest.mark.parametrize(
    "line", ["import sqlite3", "import pandas", "from plantigrade_gateway.record import entries"]
)
def test_a_planted_import_into_signal_is_found(line):
    assert len(signal_imports(line)) == 1


@pytest.fixture(scope="module")
def gateway() -> Graph:
    return Graph.of(PACKAGE)


def test_modules_import_each_other_nowhere(gateway):
    assert gateway.cycles() == []


def test_no_module_is_longer_than_a_reader_holds(gateway):
    lines = gateway.lines | Graph.of(SIGNAL).lines
    assert {name: n for name, n in lines.items() if n > LARGEST} == {}


def test_floors_and_cycles_are_counted(tmp_path):
    """Worked by hand: a <-> b stand on c, which stands on d; e is alone."""
    package = tmp_path / "house"
    package.mkdir()
    for name, needs in {"a": "bc", "b": "a", "c": "d", "d": "", "e": ""}.items():
        text = "".join(f"from house import {each}\n" for each in needs)
        (package / f"{name}.py").write_text(text)
    graph = Graph.of(package)
    assert graph.cycles() == [["a", "b"]]
    assert graph.floors() == 3
