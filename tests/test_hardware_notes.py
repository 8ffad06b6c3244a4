"""The hardware notes say what the program is: drawing, tables, limits, examples, links."""

import importlib.util
import json
import re
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from tests.support import pictures
from tests.support.vectors import read_vectors

from plantigrade import calibrate, evidence, poses
from plantigrade.block import Foot
from plantigrade.calibrate import Calibrator, default_calibration
from plantigrade.fitting import WHOLE, Fitting
from plantigrade.zones import REGIONS, eighteen
from plantigrade_gateway.analysis.bench import read_bench
from plantigrade_gateway.analysis.calibration import TRIES
from plantigrade_gateway.sources import bluetooth, finder, reconnect
from plantigrade_gateway.sources.link import ANSWER_LIMIT_S
from plantigrade_gateway.store import calibrations, insoles, status
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.gatt import KnownInsole
from plantigrade_gateway.wire.information import Information
from plantigrade_gateway.wire.messages import SampleFormat, frame_bytes, max_frames

NOTES = Path(__file__).resolve().parent.parent / "hardware_notes"
SVG = "{http://www.w3.org/2000/svg}"


def page(name: str) -> str:
    return (NOTES / name).read_text("utf-8")


def drawer() -> ModuleType:
    return script(NOTES / "layouts" / "draw.py")


def script(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_kept_drawing_is_the_scripts():
    assert page("layouts/eighteen.svg") == drawer().draw(eighteen())


@pytest.mark.parametrize("foot", ["left", "right"])
def test_the_drawing_shows_the_layout(foot):
    """Read back from the picture: each zone's place, size and region, the left foot mirrored."""
    layout = eighteen()
    group = ElementTree.parse(NOTES / "layouts" / "eighteen.svg").find(f".//{SVG}g[@id='{foot}']")
    assert group is not None
    outline = group.find(f"{SVG}rect")
    assert outline is not None
    x0, y0, width, length = (float(outline.attrib[k]) for k in ("x", "y", "width", "height"))
    assert (width, length) == (layout.width_mm, layout.length_mm)
    circles = group.findall(f"{SVG}circle")
    assert [c.attrib["id"] for c in circles] == [f"{foot}-{k}" for k in range(1, 19)]
    for zone, circle in enumerate(circles):
        x = (float(circle.attrib["cx"]) - x0) / width
        y = 1.0 - (float(circle.attrib["cy"]) - y0) / length
        assert (x if foot == "right" else 1.0 - x) == pytest.approx(layout.x[zone], abs=1e-4)
        assert y == pytest.approx(layout.y[zone], abs=1e-4)
        area = np.pi * float(circle.attrib["r"]) ** 2
        assert area == pytest.approx(layout.area_mm2[zone] / 4, rel=2e-3)
        assert circle.attrib["class"] == REGIONS[layout.region[zone]]
    labels = [t.text for t in group.findall(f"{SVG}text")]
    assert labels == [foot, *(str(k) for k in range(1, 19))]


def test_the_discs_do_not_touch():
    circles = ElementTree.parse(NOTES / "layouts" / "eighteen.svg").findall(f".//{SVG}circle")
    at = np.array([[float(c.attrib[k]) for k in ("cx", "cy", "r")] for c in circles])
    apart = np.hypot(*(at[:, None, :2] - at[None, :, :2]).transpose(2, 0, 1))
    room = apart - at[:, None, 2] - at[None, :, 2]
    assert len(at) == 36
    assert room[~np.eye(len(at), dtype=bool)].min() > 0.0


def test_the_table_of_zones_is_the_layout():
    layout = eighteen()
    row = re.compile(
        r"^\| (\d+) \| (\w+) \| (\.\d+) \| (\.\d+) \| ([\d.]+) \| ([\d.]+) \| (\d+) \|$"
    )
    found = [m.groups() for line in page("sensing.md").splitlines() if (m := row.match(line))]
    assert [int(r[0]) for r in found] == list(range(1, layout.n_zones + 1))
    for zone, (_, region, x, y, across, along, area) in enumerate(found):
        assert region == REGIONS[layout.region[zone]]
        assert (float(x), float(y)) == (layout.x[zone], layout.y[zone])
        assert float(across) == pytest.approx(layout.x[zone] * layout.width_mm, abs=0.0501)
        assert float(along) == pytest.approx(layout.y[zone] * layout.length_mm, abs=0.0501)
        assert float(area) == layout.area_mm2[zone]
    assert f"{layout.area_mm2.sum():,.0f} mm²".replace(",", " ") in page("sensing.md")


def test_the_limits_of_calibration_are_the_codes():
    text = page("calibration.md")
    low, high = calibrate.GAIN_RANGE
    assert f"SD over {calibrate.MOVED_COUNTS:g} counts" in text
    assert f"over {calibrate.LOADED_COUNTS} counts (ours), about 55 kPa" in text
    assert f"under {low:g} or over {high:g} (ours)" in text
    assert f"0 to {calibrate.DEFAULT_TOP_KPA:g} kPa over 12 bits" in text
    table = default_calibration(eighteen(), Foot.LEFT).table()[0]
    assert table[calibrate.LOADED_COUNTS] == pytest.approx(55, abs=0.5)
    assert "0.13 kPa at the bottom and 0.26 kPa\n  at the top" in page("sensing.md")
    assert [round(float(s), 2) for s in np.diff(table)[[0, -1]]] == [0.13, 0.26]


def test_the_guided_calibration_is_described_as_it_is():
    text = " ".join(page("calibration.md").split())
    start = {foot: default_calibration(eighteen(), foot) for foot in Foot}
    fitting = Fitting(eighteen(), start, 700.0)
    check = Fitting(eighteen(), start, None, is_check=True)
    for said in (
        f"good for {fitting.need_s:g} s without a break (ours)",
        f"did not happen within {fitting.limit_s:g} s (ours)",
        f"{check.need_s:g} s each, refused after {check.limit_s:g} s",
        f"over {poses.LACED_N:g} N or {100 * poses.LACED_BW:g} % BW: it stands",
        f"the other foot over {poses.AIR_N:g} N or {100 * poses.AIR_BW:g} % BW",
        f"under {100 * poses.LEAST_SHARE:g} % of both; the sum's SD over {100 * poses.STEADY:g} %",
        f"two stands more than {100 * evidence.REPEATS:g} % apart",
        f"from .{100 * poses.ROCK_Y[0]:.0f} to .{100 * poses.ROCK_Y[1]:.0f} of the length",
        f"less than .0{100 * poses.ROCK_X:.0f} of the width",
        f"under {100 * WHOLE:g} % of the samples of a half-second",
        f"full scale in more than {100 * poses.SATURATED_SHARE:g} % of the samples",
        f"never passed {evidence.SEEN_KPA:g} kPa although another of its region passed "
        f"{evidence.ALIVE_KPA:g} kPa",
        f"Over {calibrations.DOUBTFUL_PERCENT:g} % it is called doubtful",
        f"one-leg load | {evidence.CHECK_GAIN_PERCENT:g} % |",
        f"net of the zero | {evidence.CHECK_AIR_N:g} N, half",
        f"has moved | {evidence.CHECK_ZERO_PERCENT:g} % of full scale",
    ):
        assert said in text
    assert f"over {insoles.FITS_MM:g} mm apart is said" in page("wearing.md")
    assert TRIES == 3 and "refused three times" in text


def test_the_example_of_a_bench_file_reads_what_was_pressed():
    """At each pressure of the page's file the curve gives it back; half-way counts, half-way."""
    (text,) = re.findall(r"```csv\n(.*?)```", page("calibration.md"), re.DOTALL)
    made = read_bench(text, "calibration.md", {Foot.LEFT: (1, 4095)})[Foot.LEFT].calibration
    mean = np.array([42, 1090, 2830, 3990, 1960], dtype=np.uint16)
    block = Calibrator(made).block(np.arange(5) / 100.0, mean[:, None])
    np.testing.assert_allclose(block.pressure[:, 0], [0, 100, 400, 800, 250], atol=1e-9)


def test_limits_in_counts_are_in_proportion_to_full_scale():
    assert f"{calibrate.LOADED_COUNTS} counts of 4095 are" in page("calibration.md")
    assert round(calibrate.LOADED_COUNTS * 65535 / 4095) == 6401
    assert "6401 of 65535" in page("calibration.md")


def test_the_latency_table_is_the_sum_of_its_rows():
    """Of `gatt_profile.md` §6; and no row is of a packet that does not fit."""
    text = page("gatt_profile.md")
    row = re.compile(
        r"^\| (\d+) Hz \| (\d) \| (packed 12-bit|u16) \| ([\d.]+) / (\d+) \| ([\d.]+) \| "
        r"(\d+) / (\d+) \|$",
        re.MULTILINE,
    )
    found = row.findall(text)
    assert {(r[0], r[1]) for r in found} >= {(rate, n) for rate in ("100", "200") for n in "247"}
    (gateway,) = re.findall(r"^\| gateway: .*? \| ([\d.]+) \| ([\d.]+) \| measured", text, re.M)
    (sound,) = re.findall(r"^\| sound: .*? \| (\d+) \| (\d+) \|", text, re.M)
    for rate, frames, samples, packing, packing_worst, air, mean, worst in found:
        t, n = 1000.0 / int(rate), int(frames)
        sample_format = SampleFormat.U16 if samples == "u16" else SampleFormat.PACKED12
        assert n <= max_frames(18, sample_format)
        flight = (33 + n * frame_bytes(18, sample_format)) * 0.008
        assert float(air) == pytest.approx(flight, abs=0.051)
        assert (float(packing), float(packing_worst)) == (n * t / 2, n * t)
        always = 0.4 * t + flight
        middle = 0.5 + 7.5 + 2 + (n * t + 15) / 6 + float(gateway[0]) + float(sound[0])
        assert float(mean) == pytest.approx(always + n * t / 2 + middle, abs=0.51)
        longest = 1 + 15 + 5 + float(gateway[1]) + float(sound[1])
        assert float(worst) == pytest.approx(always + n * t + longest, abs=0.51)


def test_the_profile_says_how_the_host_looks_again():
    text = " ".join(page("gatt_profile.md").split())
    assert (
        f"growing pauses: {reconnect.FIRST_PAUSE_S:g} s after the first failure, doubled up to "
        f"{reconnect.LONGEST_PAUSE_S:g} s" in text
    )
    assert f"the host waits for the answer, or {ANSWER_LIMIT_S:g} s" in text
    burst_s, every_s = finder.BURST_S, finder.BURST_S + finder.REST_S
    assert f"it scans for {burst_s:g} s of every {every_s:g} s" in text
    assert f"a scan is begun anew after {finder.LONGEST_SCAN_S:g} s" in text
    assert f"subscription has {bluetooth.GATT_LIMIT_S:g} s, then the link is given up" in text
    assert f"the host waits up to {bluetooth.MTU_LIMIT_S:g} s for more" in text


def test_the_profile_asks_for_what_its_own_rules_allow():
    """15 and 15 ms, then 30 and 45 ms, latency 0, timeout 2 s, by the rules of the same section."""
    text = " ".join(page("gatt_profile.md").split())
    assert "for 15 and 15 ms" in text and "for 30 and 45 ms" in text
    assert "| supervision timeout | 2 s |" in text and "| peripheral latency | 0 |" in text
    for low_ms, high_ms in ((15, 15), (30, 45)):
        assert (low_ms, high_ms) == (15, 15) or (low_ms % 15 == 0 and high_ms >= low_ms + 15)
        assert low_ms % 1.25 == high_ms % 1.25 == 0
        assert 3 * high_ms < 2000
    assert status.GOOD_INTERVAL_MS == 15.0


def test_the_profile_says_of_an_old_firmware_what_status_says(tmp_path):
    said = Information(18, 12, None, hardware=7, firmware=0x0100)
    insole = KnownInsole(1, Foot.LEFT, "blue", "C0:00:00:00:00:01", 270, said)
    text = " ".join(page("gatt_profile.md").split())
    with Store.open(tmp_path / "store.sqlite3") as store:
        insoles.remember(store, insole)
        insoles.note_firmware(store, 2, 0x0102, 7)
        assert f'"{insoles.firmware_said(store, insole)}"' in text


def test_every_link_between_the_notes_leads_somewhere():
    found = 0
    for path in NOTES.rglob("*.md"):
        for target in re.findall(r"\]\(([^)#]+)\)", path.read_text("utf-8")):
            if "://" not in target:
                found += 1
                assert (path.parent / target).exists(), f"{path.name}: {target}"
    assert found > 20


def test_the_readmes_pictures_are_the_scripts_and_small():
    text = (NOTES.parent / "README.md").read_text("utf-8")
    shown = re.findall(r"!\[[^]]+\]\(hardware_notes/pictures/([^)]+)\)", text)
    assert sorted(shown) == sorted(pictures.NAMES)
    assert sorted(shown) == sorted(path.name for path in pictures.FOLDER.iterdir())
    for path in pictures.FOLDER.iterdir():
        data = path.read_bytes()
        assert data.startswith(b"\x89PNG\r\n") and len(data) < 250_000


PAGES = [NOTES.parent / "README.md", NOTES.parent / "DEVELOPERS.md", *sorted(NOTES.glob("**/*.md"))]


def anchors(path: Path) -> set[str]:
    titles = re.findall(r"(?m)^#+ (.*)$", path.read_text("utf-8"))
    return {re.sub(r"[^a-z0-9 -]", "", title.lower()).replace(" ", "-") for title in titles}


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_every_link_of_a_page_leads_somewhere(path):
    for target in re.findall(r"\]\(([^)\s]+)\)", path.read_text("utf-8")):
        if "://" in target:
            continue
        name, _, anchor = target.partition("#")
        to = path.parent / name if name else path
        assert to.exists(), target
        assert not anchor or anchor in anchors(to), target


def test_the_index_names_every_page():
    index = page("README.md")
    pages = {p.name for p in NOTES.iterdir()} - {"README.md"}
    assert {name for name in pages if f"`{name}" not in index} <= {
        "analysis.schema.json",
        "live.schema.json",
    }


def test_figures_say_where_they_are_from():
    """Each page that states figures carries at least one of the marks, and points to the index."""
    for name in ("sensing.md", "calibration.md", "power_and_charging.md", "wearing.md"):
        text = page(name)
        assert "[index](README.md)" in text
        assert re.search(r"\((computed|ours|read|from memory|assumed)", text)


FIGURES = {
    "sensing.md": (
        *("time constant at 40 Hz", "settled after 50 µs", "settling to half a count"),
        *("left of the zone before", "highest time constant for 20 µs", "slot at 100 Hz"),
        *("slot at 200 Hz", "delay of the mean", "gain at 20 Hz", "gain at half the rate"),
        *("gain at 150 Hz", "noise left", "error of unread lines"),
    ),
    "gatt_profile.md": (
        *("exchange at 1M", "exchange at 2M", "air at 100 Hz, 1M", "air at 200 Hz, 1M"),
        *("air of both at 200 Hz, 1M", "air at 200 Hz, 2M", "air of both at 200 Hz, 2M"),
        *("2M over 1M", "two sleep clocks", "two crystals", "delay of the mean"),
    ),
    "power_and_charging.md": (
        *("air at 100 Hz, 1M", "radio", "cells", "streaming at 100 Hz", "hours at 100 Hz"),
        *("streaming at 200 Hz", "hours at 200 Hz", "advertising", "idle", "days idle"),
        *("widening at 15 ms", "widening at 4 s", "two sleep clocks", "two crystals"),
        *("thermistor at 0 °C", "thermistor at 45 °C"),
    ),
}
"""What each page says of the figures that are computed."""


def test_figures_are_those_that_the_script_computes():
    made = script(NOTES / "figures.py").figures()
    assert {what for page_of in FIGURES.values() for what in page_of} == set(made)
    for name, which in FIGURES.items():
        text = " ".join(page(name).split())
        for what in which:
            value = made[what]
            said = value.removeprefix("0") if value.startswith("0.") and " " not in value else value
            assert re.search(rf"(?<![\d.]){re.escape(said)}(?!\d)", text), (name, what, value)


def test_the_scripts_arithmetic_is_right_where_it_can_be_done_by_hand():
    """e⁻¹ after one time constant; sweeps of a mean, term by term; 2M by its own packet sizes."""
    made = script(NOTES / "figures.py")
    assert made.settled(made.time_constant_s(40.0), 40.0) == pytest.approx(1 - np.exp(-1))
    at = np.arange(5) / 500.0
    for hz in (20.0, 50.0, 150.0, 400.0):
        by_hand = abs(np.exp(2j * np.pi * hz * at).mean())
        assert made.mean_gain(hz, 100) == pytest.approx(by_hand)
    assert made.mean_gain(100.0, 100) == pytest.approx(0.0, abs=1e-12)
    assert made.mean_delay() * 0.01 == pytest.approx(at[-1] - at[2])
    assert made.packet_s(244, 2) == pytest.approx(1048e-6)  # as the profile's table says, of G
    assert made.packet_s(244, 1) == pytest.approx(2088e-6)


def test_vectors_name_their_fields_as_the_tables_do():
    """Each field of a known answer stands in its page as code."""
    own = {"name", "hex", "kind", "error", "answer", "of"}
    for vectors, name in (
        ("wire_vectors.txt", "wire_format.md"),
        ("log_vectors.txt", "wire_format.md"),
        ("profile_vectors.txt",) * 2,
    ):
        fields = {key for block in read_vectors(NOTES / vectors) for key in block} - own
        text = page("gatt_profile.md" if name == "profile_vectors.txt" else name)
        assert {key for key in fields if f"`{key}`" not in text} == set()


def test_the_logs_known_answers_are_the_scripts():
    """And the script's own CRC is the published one: 0xCBF43926 of the nine digits."""
    made = script(NOTES / "log_vectors.py")
    assert (NOTES / "log_vectors.txt").read_text("ascii") == made.text()
    assert made.with_crc(b"1234567", b"89")[7:11] == (0xCBF43926).to_bytes(4, "little")


UNITS = {"_s": "s", "_percent": "%", "_dbm": "dBm", "_ppm": "ppm", "_ms": "ms", "_n": "N"}
UNITS |= {"_bw": "× body weight", "_share": "0 to 1", "_utc": "UTC, ISO 8601"}


def keys_of(schema: dict[str, Any]) -> Iterator[str]:
    """Give the keys of an object and of what lies in it; those of the two feet once."""
    for key, part in schema.get("properties", {}).items():
        if key not in ("left", "right"):
            yield key
        if key != "right":
            yield from keys_of(part)


@pytest.mark.parametrize(
    ("title", "topic"),
    [("`events/session`, in `body`", "session"), ("`link`, in `body`", "link"), ("`live`", "live")],
)
def test_the_page_of_topics_names_each_key_with_its_unit(title, topic):
    schema = json.loads(page("mqtt.schema.json"))["$defs"][topic]
    _, table = page("mqtt_topics.md").split(f"\n{title}:\n\n| key | unit | what |\n")
    rows = [line.split(" | ") for line in table.split("\n\n")[0].splitlines()[1:]]
    assert all(len(row) == 3 and row[2].strip(" |") for row in rows)
    named = [(key, unit) for keys, unit, _ in rows for key in re.findall(r"`(\w+)`", keys)]
    body = schema if topic == "live" else schema["properties"]["body"]
    assert sorted(key for key, _ in named) == sorted(keys_of(body))
    for key, unit in named:
        ends = [of for end, of in UNITS.items() if key.endswith(end)]
        assert not ends or unit == ends[0], key
        assert ends or unit not in UNITS.values() or key == "cop", key


def test_the_page_of_topics_names_what_stands_around_a_body():
    around = page("mqtt_topics.md").split("## Keys")[1].split("`events/session`, in")[0]
    for topic in ("step", "stand", "swing", "set", "cue", "session", "link"):
        schema = json.loads(page("mqtt.schema.json"))["$defs"][topic]
        for key in schema["properties"]:
            assert f"`{key}`" in around, (topic, key)
