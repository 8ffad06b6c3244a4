"""Whoever reads only `wire_format.md` and `replay_file.md` writes a file that is read as meant.

The writer (`tests/support/replaywriter.py`) imports nothing of the program, and what is expected is
computed here from the pages' own formulas.
"""

import ast
import json
import re
from dataclasses import dataclass, field, fields
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from click.testing import CliRunner
from tests.support import replaywriter as write
from tests.support.replaywriter import Entry

from plantigrade.block import Foot, PressureBlock
from plantigrade.calibrate import Calibration
from plantigrade.errors import CalibrationError
from plantigrade.load import total_load
from plantigrade_gateway.analysis.pipeline import Pipeline
from plantigrade_gateway.analysis.practice import entry_of
from plantigrade_gateway.analysis.quality import Quality
from plantigrade_gateway.analysis.record import analyse_record
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.drills.model import Choice, Feedback
from plantigrade_gateway.errors import RecordError
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.record.tables import CueState, Intent, SetStart, TrialName
from plantigrade_gateway.sources.replay import read_replay

NOTES = Path(__file__).resolve().parent.parent / "hardware_notes"
SCHEMA = json.loads((NOTES / "replay.schema.json").read_text("utf-8"))
START_NS = 77_000_000_000
"""Of the session: the clock had run for a while."""
PERIOD_US = 10_000
CALIBRATION: dict[str, object] = {
    "schema": 1,
    "foot": "left",
    "knots": [0, 1000, 4000],
    "pressure": [[0, 150, 780], [0, 140, 760], [0, 160, 800]],
    "zero": [31, 28, 35],
    "gain": 1.18,
    "note": "bench, 3 pressures",
}


def page(name: str) -> str:
    return (NOTES / name).read_text("utf-8")


def block_of(language: str, name: str) -> str:
    """A block of the replay page."""
    (found,) = re.findall(rf"```{language} {name}\n(.*?)```", page("replay_file.md"), re.DOTALL)
    return str(found)


LAYOUT = block_of("toml", "layout")
"""The page's own: three zones of 2400 mm²."""
AREA_MM2 = 2400.0


def default_kpa(count: int) -> float:
    """What a count is worth without a calibration (`wire_format.md` §3)."""
    at = [k / 64 for k in range(65)]
    u = min(count, 4095) / 4095
    return float(np.interp(u, at, [800.0 * (a + a * a / 2) / 1.5 for a in at]))


def calibrated_kpa(count: int, zone: int) -> float:
    """What the left insole's count is worth (`replay_file.md`, kind 5)."""
    above = count - [31, 28, 35][zone]
    top = [[0, 150, 780], [0, 140, 760], [0, 160, 800]][zone]
    if above < 0:
        return above * top[1] / 1000
    return float(np.interp(above, [0, 1000, 4000], top))


@dataclass
class Insole:
    """An insole as the documents have it: it samples at even times, and its packets never wait."""

    number: int
    foot: int
    sample_format: int
    clock_us: int
    frames: int = 2
    counter: int = 0
    flags: int = write.FIRST
    entries: list[Entry] = field(default_factory=list)
    sampled: list[tuple[float, list[int]]] = field(default_factory=list)

    def stream(self, from_s: float, packets: int, zones: int = 3) -> None:
        """Sample and send, the first frame at a session time; each frame has counts of its own."""
        for _ in range(packets):
            rows, t_s = [], from_s
            for k in range(self.frames):
                t_s = from_s + k * PERIOD_US * 1e-6
                level = len(self.sampled)
                rows.append([(20 + 37 * level + 500 * zone) % 4096 for zone in range(zones)])
                self.sampled.append((t_s, rows[-1]))
            packet = write.data_packet(
                *(self.foot, self.sample_format, self.flags, self.counter, self.clock_us),
                *(PERIOD_US, rows),
            )
            arrival_ns = START_NS + round(1e9 * t_s)
            self.entries.append(Entry(arrival_ns, self.number, write.NOTIFICATION, packet))
            self.counter, self.flags = self.counter + 1, 0
            self.clock_us += self.frames * PERIOD_US
            from_s += self.frames * PERIOD_US * 1e-6

    def reset(self, clock_us: int) -> None:
        """Begin again, as after a loss of power."""
        self.counter, self.clock_us, self.flags = 0, clock_us, write.FIRST

    def lose(self, packets: int) -> None:
        """Make packets and do not send them."""
        self.counter += packets
        self.clock_us += packets * self.frames * PERIOD_US


@dataclass
class Read:
    """What the program read of a foot, sample by sample."""

    t_s: list[float] = field(default_factory=list)
    kpa: list[list[float]] = field(default_factory=list)
    gain: float = 0.0


@dataclass
class Record:
    """A written file, and what the program reads in it."""

    feet: dict[Foot, Read]
    quality: Quality
    settings: SessionSettings


def written(path: Path, beginning: list[Entry], *insoles: Insole) -> Path:
    packets = [entry for insole in insoles for entry in insole.entries]
    packets.sort(key=lambda entry: entry.arrival_ns)
    end = Entry(packets[-1].arrival_ns, write.SESSION, write.END, b"")
    path.write_bytes(write.replay_file([*beginning, *packets, end]))
    return path


def read(path: Path) -> Record:
    feet = {foot: Read() for foot in Foot}

    def tap(block: PressureBlock, gain: float) -> None:
        one = feet[block.foot]
        one.t_s += block.t_s.tolist()
        one.kpa += block.pressure.tolist()
        one.gain = gain

    pipeline = Pipeline(tap=tap)
    for batch in read_replay(path):
        pipeline.push(batch)
    quality = analyse_record(read_replay(path), "test").quality
    assert quality is not None
    return Record(feet, quality, pipeline.settings)


def beginning(**settings: object) -> list[Entry]:
    said = {"schema": 1, "mass_kg": 74.0, "handed": "left", "layout": LAYOUT, **settings}
    return [
        write.json_entry(START_NS, write.SESSION, write.SETTINGS, said),
        write.json_entry(START_NS, 1, write.CALIBRATION, CALIBRATION),
        Entry(START_NS, write.SESSION, write.MARK, b"set: smooth"),
    ]


def same(read: Read, sampled: list[tuple[float, list[int]]], kpa: list[list[float]]) -> None:
    """Every sample that was sent, when it was sampled, at what it is worth."""
    assert read.t_s == pytest.approx([t_s for t_s, _ in sampled], abs=1e-6)
    np.testing.assert_allclose(read.kpa, kpa, rtol=0, atol=1e-9)


def test_the_writer_knows_nothing_of_the_program():
    text = (Path(__file__).parent / "support" / "replaywriter.py").read_text("utf-8")
    names: set[str | None] = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names.add(node.module)
    assert names == {"json", "struct", "zlib", "collections.abc", "dataclasses"}


def test_two_feet_with_and_without_a_calibration_are_read_as_meant(tmp_path):
    """Insole 0 is the right one here, 1 the left one: the packets say so, not the number."""
    right = Insole(0, write.RIGHT, write.PACKED12, clock_us=2**32 - 500_000)  # wraps in 0.5 s
    left = Insole(1, write.LEFT, write.U16, clock_us=123_456)
    right.stream(0.25, 200)
    left.stream(0.254, 100)
    left.lose(3)
    left.stream(2.254 + 0.06, 97)
    found = read(written(tmp_path / "two.pgr", beginning(), right, left))
    kpa = [[default_kpa(c) for c in counts] for _, counts in right.sampled]
    same(found.feet[Foot.RIGHT], right.sampled, kpa)
    kpa = [[calibrated_kpa(c, z) for z, c in enumerate(counts)] for _, counts in left.sampled]
    same(found.feet[Foot.LEFT], left.sampled, kpa)
    assert (found.feet[Foot.RIGHT].gain, found.feet[Foot.LEFT].gain) == (1.0, 1.18)
    assert found.settings.lead is Foot.RIGHT and found.settings.mass_kg == 74.0
    links = (found.quality.left.link, found.quality.right.link)
    assert [link.packets for link in links if link] == [197, 200]
    assert [link.lost_packets for link in links if link] == [3, 0]
    assert [link.malformed for link in links if link] == [0, 0]


def test_newtons_are_pressure_times_area_times_gain(tmp_path):
    """Both feet sample at the same instants here: the rows of both are the samples."""
    insoles = [
        Insole(0, write.RIGHT, write.PACKED12, 1_000_000),
        Insole(1, write.LEFT, write.PACKED12, 5_000_000),
    ]
    for insole in insoles:
        insole.stream(0.5, 150)
    path = written(tmp_path / "newtons.pgr", beginning(), *insoles)
    pipeline = Pipeline()
    rows = [block for batch in read_replay(path) for block in pipeline.push(batch).rows]
    rows += pipeline.flush().rows
    for foot, insole in zip((Foot.RIGHT, Foot.LEFT), insoles, strict=True):
        loads = np.concatenate([total_load(block.foot(foot)) for block in rows])
        expected = [_newtons(foot, counts) for _, counts in insole.sampled]
        assert len(loads) == len(expected)
        np.testing.assert_allclose(loads, expected, rtol=1e-4)


def _newtons(foot: Foot, counts: list[int]) -> float:
    if foot is Foot.RIGHT:
        return sum(default_kpa(c) for c in counts) * AREA_MM2 / 1000
    return 1.18 * sum(calibrated_kpa(c, z) for z, c in enumerate(counts)) * AREA_MM2 / 1000


def test_a_reset_begins_the_clock_again_and_the_times_go_on(tmp_path):
    right = Insole(0, write.RIGHT, write.U16, clock_us=900_000_000)
    left = Insole(1, write.LEFT, write.U16, clock_us=1)
    right.stream(0.2, 150)
    right.reset(clock_us=150_000)
    right.stream(5.2, 150)
    left.stream(0.2, 400)
    found = read(written(tmp_path / "reset.pgr", beginning(), right, left))
    kpa = [[default_kpa(c) for c in counts] for _, counts in right.sampled]
    same(found.feet[Foot.RIGHT], right.sampled, kpa)
    link = found.quality.right.link
    assert link is not None and (link.packets, link.restarts, link.lost_packets) == (300, 1, 0)


def test_a_stream_whose_first_packet_has_no_flag_is_taken_from_there(tmp_path):
    """A capture that begins in the middle of a stream; and no settings at all: eighteen zones."""
    insole = Insole(0, write.LEFT, write.PACKED12, 3_000_000_000, counter=5000, flags=0)
    insole.stream(0.0, 100, zones=18)
    found = read(written(tmp_path / "joined.pgr", [], insole))
    # without another entry, session time 0 is the first packet's arrival
    zero_s = insole.sampled[1][0]
    times = [t_s - zero_s for t_s, _ in insole.sampled]
    assert found.feet[Foot.LEFT].t_s == pytest.approx(times, abs=1e-6)
    expected = [[default_kpa(c) for c in counts] for _, counts in insole.sampled]
    np.testing.assert_allclose(found.feet[Foot.LEFT].kpa, expected, rtol=0, atol=1e-9)
    link = found.quality.left.link
    assert link is not None and (link.packets, link.lost_packets) == (100, 0)


def test_packets_of_other_zones_than_the_layouts_are_counted_and_not_read(tmp_path):
    insole = Insole(0, write.LEFT, write.PACKED12, 0)
    other = Insole(1, write.RIGHT, write.PACKED12, 0)
    insole.stream(0.1, 50)
    other.stream(0.1, 50, zones=18)
    found = read(written(tmp_path / "zones.pgr", beginning(), insole, other))
    assert len(found.feet[Foot.LEFT].t_s) == 100 and found.feet[Foot.RIGHT].t_s == []


def test_of_two_insoles_of_one_foot_the_first_heard_is_it(tmp_path):
    insole = Insole(1, write.LEFT, write.PACKED12, 0)
    other = Insole(0, write.LEFT, write.PACKED12, 0)
    insole.stream(0.1, 50)
    other.stream(0.105, 50)
    found = read(written(tmp_path / "feet.pgr", beginning(), insole, other))
    assert found.feet[Foot.LEFT].t_s == pytest.approx([t for t, _ in insole.sampled], abs=1e-6)


def test_time_exchanges_take_out_what_every_packet_waited(tmp_path):
    """Every packet waits 12 ms; an exchange every 0.2 s shows it, within a millisecond."""
    waited_s = 0.012
    left = Insole(1, write.LEFT, write.PACKED12, 10_000_000)
    left.stream(0.1, 1000)
    for entry in left.entries:
        entry.arrival_ns += round(1e9 * waited_s)
    clock_0_us = 10_000_000 - 100_000  # at session time 0
    for k in range(1, 100):
        at_ns = START_NS + k * 200_000_000
        us = clock_0_us + k * 200_000
        left.entries.append(write.exchange(at_ns + 5_000_000, 1, at_ns, us))
    found = read(written(tmp_path / "waited.pgr", beginning(), left)).feet[Foot.LEFT]
    late_s = np.array(found.t_s) - [t_s for t_s, _ in left.sampled]
    assert late_s[:20] == pytest.approx(waited_s, abs=1e-3)
    assert late_s[-200:] == pytest.approx(0.0, abs=1e-3)


def test_the_command_reads_such_a_file(tmp_path):
    right = Insole(0, write.RIGHT, write.PACKED12, 7)
    left = Insole(1, write.LEFT, write.PACKED12, 7)
    right.stream(0.2, 300)
    left.stream(0.2, 300)
    path = written(tmp_path / "all.pgr", beginning(), right, left)
    done = CliRunner().invoke(main, ["analyse", str(path), "--json"])
    assert done.exit_code == 0, done.output
    table = json.loads(done.stdout)
    assert [mark["text"] for mark in table["marks"]] == ["set: smooth"]
    assert table["quality"]["lead"] == "right" and table["rate_hz"] == 100.0
    assert table["quality"]["body_weight_from"] in ("mass", "recording")


def validator(name: str) -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator({**SCHEMA, "$ref": f"#/$defs/{name}"})


@pytest.mark.parametrize(
    ("example", "name", "without"),
    [
        ("connected", "connected", set()),
        ("settings", "settings", set()),
        ("calibration", "calibration", {"full_scale"}),
        ("wide", "calibration", set()),
        ("set", "set", set()),
        ("cues", "cues", set()),
        ("drill", "drill", set()),
        ("check", "check", set()),
    ],
)
def test_the_pages_examples_are_of_the_schema(example, name, without):
    table = json.loads(block_of("json", example))
    validator(name).validate(table)
    assert set(table) == set(SCHEMA["$defs"][name]["properties"]) - without


def test_the_pages_wide_calibration_is_read_to_its_own_full_scale():
    made = Calibration.from_json(block_of("json", "wide"))
    assert made.table()[0, [500, 16_500, 65_535]].tolist() == [0.0, 150.0, 780.0]


def test_what_the_program_writes_is_of_the_schema():
    for settings in (SessionSettings(), SessionSettings(81.0, "left", LAYOUT, 750.0, "x")):
        table = json.loads(settings.to_json())
        validator("settings").validate(table)
        assert SessionSettings.from_json(json.dumps(table).encode()) == settings
    assert set(SCHEMA["$defs"]["settings"]["properties"]) == {
        "schema",
        *(f.name for f in fields(SessionSettings)),
    }
    validator("calibration").validate(json.loads(Calibration.from_json(_text()).to_json()))
    assert set(SCHEMA["$defs"]["calibration"]["properties"]) == {
        "schema",
        *(f.name for f in fields(Calibration)),
    }


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("set", SetStart("5f" * 16, Intent.FAST).to_json()),
        ("set", SetStart("5f" * 16, Intent.FULL, "7 iron").to_json()),
        ("cues", CueState(True).to_json()),
        ("cues", CueState(False, "push").to_json()),
        ("drill", entry_of(Choice(None, Feedback.EVERY))),
        ("drill", entry_of(Choice(shelf(None).find("push"), Feedback.SILENT))),
        ("check", TrialName("lift", 1).to_json()),
    ],
)
def test_what_is_written_of_sets_cues_drills_and_checks_is_of_the_schema(name, data):
    table = json.loads(data)
    validator(name).validate(table)
    assert set(SCHEMA["$defs"][name]["properties"]) == set(table)


def _text(**changes: object) -> str:
    return json.dumps({**CALIBRATION, **changes})


@pytest.mark.parametrize(
    "changes",
    [
        {"schema": 2},
        {"schema": 3},
        {"schema": 2, "full_scale": 4096},
        {"foot": "both"},
        {"knots": [0]},
        {"knots": [5, 1000, 4000]},
        {"pressure": [[1, 150, 780], [0, 140, 760], [0, 160, 800]]},
        {"gain": 0},
        {"zero": [None, 1, 2]},
    ],
)
def test_a_calibration_that_the_schema_refuses_is_refused_by_the_program(changes):
    with pytest.raises(jsonschema.ValidationError):
        validator("calibration").validate(json.loads(_text(**changes)))
    with pytest.raises(CalibrationError):
        Calibration.from_json(_text(**changes))


@pytest.mark.parametrize(
    "changes", [{"schema": 2}, {"handed": "both"}, {"mass_kg": 5}, {"bw_n": 10}, {"mass_kg": "x"}]
)
def test_settings_that_the_schema_refuses_are_refused_by_the_program(changes):
    table = {"schema": 1, **changes}
    with pytest.raises(jsonschema.ValidationError):
        validator("settings").validate(table)
    with pytest.raises(RecordError):
        SessionSettings.from_json(json.dumps(table).encode())


def test_without_settings_each_key_has_the_pages_value():
    assert SessionSettings.from_json(b'{"schema": 1, "unknown": 3}') == SessionSettings(
        mass_kg=None, handed="right", layout="eighteen", bw_n=None, note=""
    )
