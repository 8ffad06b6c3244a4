"""A zone CSV and a record come to the same kind of analysis, in pieces of any size."""

import tracemalloc
from collections.abc import Callable
from dataclasses import asdict, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.support.printed import printed
from tests.support.zones import analyse_csv

from plantigrade.block import FloatArray, Foot
from plantigrade.limits import G_M_S2
from plantigrade.load import body_weight_n
from plantigrade.zones import ZoneLayout, eighteen, parse_layout
from plantigrade_gateway.analysis.quality import WeightTally
from plantigrade_gateway.analysis.record import analyse_record
from plantigrade_gateway.analysis.result import Analysis, read_layout
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind, ZoneRows
from plantigrade_gateway.report.frames import frame_rows, write_frames
from plantigrade_gateway.report.session import show_head
from plantigrade_gateway.sources.replay import read_replay
from plantigrade_gateway.sources.zonecsv import scan_zone_csv, write_zone_csv
from plantigrade_gateway.wire.codec import encode
from plantigrade_gateway.wire.messages import DataPacket, SampleFormat

pytestmark = pytest.mark.dear

ROOT = Path(__file__).resolve().parents[3]
PRACTICE = ROOT / "replay_data" / "practice.pgr"

THREE = parse_layout(
    'name = "three"\nunit = "N"\nlength_mm = 270\nwidth_mm = 95\n'
    + "".join(
        f'[[zone]]\nid = {k}\nregion = "{region}"\nx = 0.5\ny = {y}\narea_mm2 = 1000\n'
        for k, (region, y) in enumerate([("heel", 0.1), ("midfoot", 0.4), ("forefoot", 0.7)], 1)
    )
)


def joined(batches: list[Batch]) -> Batch:
    return Batch.of([entry for batch in batches for entry in batch])


@pytest.fixture(scope="module")
def minute() -> Batch:
    """Return the first 80 s of the practice session: a stand, two walks and two swings."""
    first = joined(list(read_replay(PRACTICE))[:3])
    until = int(np.searchsorted(first.arrival_ns, first.arrival_ns[0] + 80_000_000_000))
    assert until < len(first)
    end = Entry(int(first.arrival_ns[until - 1]), SESSION, Kind.END, b"")
    return joined([first.slice(0, until), Batch.of([end])])


@pytest.fixture(scope="module")
def whole(minute) -> Analysis:
    return analyse_record([minute], "x")


# ---- records ----


def test_the_practice_session():
    found = analyse_record(read_replay(PRACTICE), "practice.pgr")
    assert (len(found.steps), len(found.swings)) == (38, 33)
    assert found.rate_hz == 100.0
    assert found.duration_s == pytest.approx(507.2, abs=0.1)
    quality = found.quality
    assert quality is not None
    assert (quality.mass_kg, quality.body_weight_from, quality.lead) == (74.0, "mass", "left")
    assert quality.body_weight_n == 74.0 * G_M_S2
    # the maker's link loses 0.7 % of packets, two frames each
    for foot in Foot:
        part = quality.foot(foot)
        assert part.link is not None
        due = part.link.packets + part.link.lost_packets
        assert 0.005 < part.link.lost_packets / due < 0.010
        assert part.missing_samples == 2 * part.link.lost_packets
        assert part.baseline_error_n is not None
        assert 0.0 < part.gaps.longest_s <= part.gaps.total_s
        assert part.saturated_samples == 0  # the invented player stays under full scale


@pytest.mark.parametrize("entries", [1, 97, 4096])
@pytest.mark.slow
def test_a_record_cut_anywhere_comes_to_the_same(minute, whole, entries):
    """Quality too: the baseline is kept although the last piece may hold everything's end."""
    assert len(whole.swings) >= 1 and len(whole.steps) > 20
    part = minute.slice(0, 6000) if entries == 1 else minute
    expected = analyse_record([part], "x") if entries == 1 else whole
    pieces = (part.slice(k, min(k + entries, len(part))) for k in range(0, len(part), entries))
    assert analyse_record(pieces, "x") == expected


def test_mass_and_hand_in_place_of_the_records_own(minute, whole):
    other = analyse_record([minute], "x", mass_kg=80.0, handed="left")
    assert other.quality is not None and whole.quality is not None
    assert (other.quality.mass_kg, other.quality.lead) == (80.0, "right")
    assert other.quality.body_weight_n == 80.0 * G_M_S2
    assert other.quality.contact_n > whole.quality.contact_n
    assert len(other.steps) == len(whole.steps)
    same = analyse_record([minute], "x", mass_kg=74.0, handed="right")
    assert (same.steps, same.swings, same.stands) == (whole.steps, whole.swings, whole.stands)


def test_a_record_without_settings_says_what_was_assumed(minute):
    bare = Batch.of([e for e in minute.slice(0, 4000) if e.kind is not Kind.SETTINGS])
    found = analyse_record([bare], "x")
    assert found.quality is not None
    assert found.quality.body_weight_from == "assumed"
    assert "no mass was given: 75 kg are assumed" in found.quality.notes
    given = analyse_record([bare], "x", mass_kg=74.0)
    assert given.quality is not None
    assert (given.quality.body_weight_from, given.quality.mass_kg) == ("mass", 74.0)


def test_a_mass_far_from_what_the_insoles_carry_is_said(minute):
    found = analyse_record([minute.slice(0, 4000)], "x", mass_kg=40.0)
    assert found.quality is not None
    assert any("check the mass" in note for note in found.quality.notes)


def test_one_insole_alone_is_said(minute):
    alone = Batch.of([e for e in minute.slice(0, 4000) if e.insole != 1])
    found = analyse_record([alone], "x")
    assert found.quality is not None
    assert "the right foot's insole was never heard" in found.quality.notes
    assert found.quality.right.samples == 0
    assert found.quality.right.saturated_samples is None
    assert found.quality.right.gaps.count == 1


def test_an_insole_that_says_another_foot_than_before_is_said():
    def packets(foot: Foot, first: int) -> list[Entry]:
        samples = np.full((2, 18), 500, np.uint16)
        return [
            Entry(
                n * 20_000_000,
                0,
                Kind.NOTIFICATION,
                encode(
                    DataPacket(
                        foot, SampleFormat.U16, False, False, False, n, 20_000 * n, 10_000, samples
                    )
                ),
            )
            for n in range(first, first + 100)
        ]

    note = "insole 0 changed the foot it says it is during the session"
    same = packets(Foot.LEFT, 0) + packets(Foot.LEFT, 100)
    turned = packets(Foot.LEFT, 0) + packets(Foot.RIGHT, 100)
    for entries, is_said in ((same, False), (turned, True)):
        found = analyse_record([Batch.of(entries)], "x")
        assert found.quality is not None and (note in found.quality.notes) is is_said


def test_a_record_without_samples():
    found = analyse_record([Batch.of([Entry(5, SESSION, Kind.MARK, b"hello")])], "x")
    assert (found.rate_hz, found.duration_s, found.steps) == (None, 0.0, ())
    assert found.marks[0].text == "hello"
    nothing = analyse_record([], "x")
    assert (nothing.duration_s, nothing.marks) == (0.0, ())


# ---- zone CSV ----


def test_exported_frames_come_to_the_events_of_the_record(minute, whole, tmp_path):
    """The same samples by way of text: the same events, classes and notes, times to a sample.

    All a CSV says more is what the file is like.
    """
    path = tmp_path / "frames.csv"
    write_frames(path, [minute])
    found = analyse_csv(path, eighteen(), mass_kg=74.0)
    assert (len(whole.stands), len(whole.swings)) == (1, 2) and len(whole.steps) > 20
    for name in ("stands", "steps", "swings"):
        for ours, theirs in zip(getattr(found, name), getattr(whole, name), strict=True):
            assert_alike(asdict(ours), asdict(theirs), name)
    assert found.quality is not None and whole.quality is not None
    facts = scan_zone_csv(path, eighteen())
    assert found.quality.notes == (*whole.quality.notes, *facts.notes)
    for foot in Foot:
        ours, theirs = found.quality.foot(foot).gaps, whole.quality.foot(foot).gaps
        # n missing samples lie among n or, not being at their times, n + 1 rows
        assert ours.count == theirs.count > 0
        assert theirs.total_s <= ours.total_s + 1e-9
        assert ours.total_s <= theirs.total_s + 0.01 * theirs.count + 1e-9


def assert_alike(ours: object, theirs: object, where: str) -> None:
    """Hold two events together: times to a sample, other numbers to rounding, the rest exactly."""
    if isinstance(theirs, dict):
        assert isinstance(ours, dict) and ours.keys() == theirs.keys(), where
        for key, value in theirs.items():
            assert_alike(ours[key], value, f"{where}.{key}")
    elif isinstance(theirs, tuple | list):
        assert isinstance(ours, tuple | list) and len(ours) == len(theirs), where
        for k, value in enumerate(theirs):
            assert_alike(ours[k], value, f"{where}.{k}")
    elif isinstance(theirs, float):
        near = 0.01 if where.endswith("_s") else 1e-6
        assert ours == pytest.approx(theirs, rel=1e-6, abs=near, nan_ok=True), where
    else:
        assert ours == theirs, where


def test_frames_do_not_depend_on_the_cutting(minute):
    part = minute.slice(0, 5000)

    def table(batches: list[Batch]) -> np.ndarray:
        rows = [row for _, row in frame_rows(batches)]
        return np.column_stack(
            [
                np.concatenate([r.t_s for r in rows]),
                np.concatenate([r.left for r in rows]),
                np.concatenate([r.right for r in rows]),
            ]
        )

    whole_table = table([part])
    cut = table([part.slice(k, min(k + 61, len(part))) for k in range(0, len(part), 61)])
    assert np.array_equal(whole_table, cut, equal_nan=True)
    assert np.isnan(whole_table).any()  # the gaps are in it
    assert np.isfinite(whole_table).mean() > 0.99


def standing(seconds: float, rate_hz: float = 50.0, load_n: float = 350.0) -> ZoneRows:
    n = round(seconds * rate_hz)
    rng = np.random.default_rng(3)
    share = np.array([0.6, 0.1, 0.3])
    left, right = (load_n * share + rng.normal(0.0, 0.3, (n, 3)) for _ in range(2))
    return ZoneRows(np.arange(n) / rate_hz, left, right)


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    def made(*blocks: ZoneRows, layout: ZoneLayout = THREE) -> Path:
        path = tmp_path / "zones.csv"
        write_zone_csv(path, layout, blocks)
        return path

    return made


def test_a_stand_in_a_zone_csv(write):
    found = analyse_csv(write(standing(15.0)), THREE)
    assert [s.left.bearing for s in found.stands] == ["bearing"]
    assert found.stands[0].left.midfoot_share == pytest.approx(0.1, abs=0.002)
    assert found.quality is not None
    assert found.quality.body_weight_n == pytest.approx(700.0, rel=0.005)
    assert found.quality.left.samples == 750
    assert found.quality.left.missing_samples == 0


@pytest.mark.parametrize(
    ("load_n", "mass_kg", "weight_from", "weight_n", "note"),
    [
        (350.0, None, "recording", 700.0, ""),
        (350.0, 75.0, "mass", 75.0 * G_M_S2, ""),
        (350.0, 60.0, "mass", 60.0 * G_M_S2, ""),  # 19 % off
        (350.0, 100.0, "recording", 700.0, "the mass given, 100 kg (981 N)"),  # 29 % off
        (350.0, 50.0, "recording", 700.0, "the mass given, 50 kg (490 N)"),
        (5.0, None, "assumed", 75.0 * G_M_S2, "75 kg are assumed"),
        (5.0, 80.0, "mass", 80.0 * G_M_S2, ""),
    ],
)
def test_where_body_weight_comes_from(write, load_n, mass_kg, weight_from, weight_n, note):
    found = analyse_csv(write(standing(12.0, load_n=load_n)), THREE, mass_kg)
    assert found.quality is not None
    assert found.quality.body_weight_from == weight_from
    assert found.quality.body_weight_n == pytest.approx(weight_n, rel=0.005)
    notes = " ".join(found.quality.notes)
    assert note in notes if note else notes == ""


def test_one_foot_alone_is_no_body_weight_and_no_foot_in_the_air(write):
    rows = standing(12.0)
    found = analyse_csv(write(replace(rows, right=np.full_like(rows.right, np.nan))), THREE)
    assert found.quality is not None
    assert found.quality.body_weight_from == "assumed"
    assert (found.quality.left.missing_samples, found.quality.right.missing_samples) == (0, 600)
    assert (found.quality.right.samples, found.quality.right.unused_zones) == (0, ())
    assert "no reading of the right foot" in " ".join(found.quality.notes)
    assert printed(lambda out: show_head(found, out))[0].endswith(
        ": 12.0 s at 50 Hz, the left foot alone"
    )


@pytest.mark.parametrize("mass_kg", [-3.0, 0.0, 5.0, 301.0, float("nan"), float("inf")])
def test_masses_that_nobody_has(write, mass_kg):
    with pytest.raises(InputError, match="expected 10 to 300"):
        analyse_csv(write(standing(12.0)), THREE, mass_kg)


def test_a_left_handed_player_leads_with_the_right_foot(write):
    found = analyse_csv(write(standing(12.0)), THREE, handed="left")
    assert found.quality is not None
    assert (found.quality.handed, found.quality.lead) == ("left", "right")


def test_a_foot_that_is_missing_for_a_while_is_counted_and_not_invented(write):
    rows = standing(30.0)
    rows.left[500:650] = np.nan  # 10 s to 13 s
    found = analyse_csv(write(rows), THREE)
    assert found.quality is not None
    assert found.quality.left.missing_samples == 150
    assert found.quality.left.gaps.count == 1
    assert found.quality.left.gaps.total_s == pytest.approx(3.0, abs=0.021)
    assert found.quality.right.missing_samples == 0
    assert all(s.end_s < 10.1 or s.start_s > 12.9 or s.touches_gap for s in found.stands)
    assert [round(s.start_s) for s in found.stands if s.start_s > 12.0] == [13]


def test_short_gaps_are_missing_samples_but_no_gap(write):
    rows = standing(12.0)
    rows.right[100:102] = np.nan  # 40 ms are bridged
    found = analyse_csv(write(rows), THREE)
    assert found.quality is not None
    assert (found.quality.right.missing_samples, found.quality.right.gaps.count) == (2, 0)


def test_rows_that_are_absent_are_missing(write):
    rows = standing(30.0)
    keep = (rows.t_s < 14.0) | (rows.t_s >= 16.0)
    found = analyse_csv(write(ZoneRows(rows.t_s[keep], rows.left[keep], rows.right[keep])), THREE)
    assert found.quality is not None
    assert found.quality.left.missing_samples == 100
    assert found.quality.left.gaps.longest_s == pytest.approx(2.0, abs=0.021)


def test_a_jump_of_months_neither_fills_memory_nor_hangs(write):
    rows = standing(30.0)
    t_s = np.where(rows.t_s < 15.0, rows.t_s, rows.t_s + 1e7)
    found = analyse_csv(write(ZoneRows(t_s, rows.left, rows.right)), THREE)
    assert found.quality is not None
    assert found.quality.left.gaps.count == 1
    assert found.quality.left.gaps.total_s == pytest.approx(1e7, rel=1e-6)
    assert len(found.stands) == 2
    assert found.stands[1].first_index > found.stands[0].first_index


FOUR = parse_layout(
    'name = "four"\nunit = "N"\nlength_mm = 270\nwidth_mm = 95\n'
    + "".join(
        f'[[zone]]\nid = {k}\nregion = "{region}"\nx = 0.5\ny = {y}\narea_mm2 = 1000\n'
        for k, (region, y) in enumerate(
            [("heel", 0.1), ("heel", 0.1), ("midfoot", 0.4), ("forefoot", 0.7)], 1
        )
    )
)
"""Two heel zones: where the one fails, the other carries the region's whole area."""


def two_heel_zones(rows: ZoneRows) -> list[FloatArray]:
    """Return both feet's readings with the heel's load on two zones."""
    return [
        np.column_stack([foot[:, 0] / 2, foot[:, 0] / 2, foot[:, 1], foot[:, 2]])
        for foot in (rows.left, rows.right)
    ]


def test_a_zone_that_never_reads_is_left_out_and_its_region_stands_in(write):
    rows = standing(12.0)
    left, right = two_heel_zones(rows)
    left[:, 1] = np.nan
    found = analyse_csv(write(ZoneRows(rows.t_s, left, right), layout=FOUR), FOUR)
    assert found.quality is not None
    assert found.quality.left.unused_zones == (2,)
    assert found.stands[0].left.load_n == pytest.approx(350.0, abs=0.5)
    assert found.stands[0].left.heel_share == pytest.approx(0.6, abs=0.002)


def test_a_zone_that_stays_at_one_value_is_left_out_of_the_whole_recording(write):
    """Its foot's load comes and goes for longer than the 3 windows of 2 s that tell it."""
    rows = standing(20.0)
    left, right = two_heel_zones(rows)
    comes_and_goes = np.where(rows.t_s < 10.0, np.sin(np.pi * rows.t_s) ** 2, 1.0)[:, None]
    left, right = left * comes_and_goes, right * comes_and_goes
    right[:, 1] = 20.0
    found = analyse_csv(write(ZoneRows(rows.t_s, left, right), layout=FOUR), FOUR)
    assert found.quality is not None
    assert found.quality.left.unused_zones == ()
    assert found.quality.right.unused_zones == (2,)


@pytest.mark.parametrize("rows", [1, 61, 977])
@pytest.mark.slow
def test_a_zone_csv_cut_anywhere_comes_to_the_same(minute, tmp_path, rows):
    path = tmp_path / "frames.csv"
    write_frames(path, [minute.slice(0, 3000) if rows == 1 else minute])
    expected = analyse_csv(path, eighteen())
    assert analyse_csv(path, eighteen(), rows=rows) == expected


@pytest.mark.slow
def test_memory_does_not_grow_with_the_length_of_a_zone_csv(write):
    def peak_bytes(seconds: float) -> tuple[int, int]:
        rows = standing(seconds)
        path, size = write(rows), rows.t_s.nbytes + rows.left.nbytes + rows.right.nbytes
        del rows
        tracemalloc.start()
        try:
            analyse_csv(path, THREE, 75.0, rows=4096)
            return tracemalloc.get_traced_memory()[1], size
        finally:
            tracemalloc.stop()

    peak_bytes(200.0)  # what is imported and cached on the way is no growth
    short, small = peak_bytes(1600.0)  # buffers have their full size by now
    long, large = peak_bytes(4800.0)
    assert long - short < 0.2 * (large - small)


def test_the_open_walks_weigh_what_their_own_totals_say(open_data):
    """Against the totals the data set itself gives (its last two columns), 2 s at a time."""
    layout = read_layout(ROOT / "hardware_notes" / "layouts" / "eight_zone_newtons.toml")
    for name in ("GaCo02_01", "GaCo14_01", "SiCo01_01"):
        path = open_data(f"gaitpdb/{name}.csv")
        table = np.loadtxt(path, delimiter=",", skiprows=1)
        total = table[:, 17] + table[:, 18]
        means = total[: len(total) // 200 * 200].reshape(-1, 200).mean(axis=1)
        found = analyse_csv(path, layout)
        assert found.quality is not None
        assert found.quality.body_weight_from == "recording"
        assert found.quality.body_weight_n == pytest.approx(np.median(means), rel=0.02)
        assert found.swings == ()
        assert abs(sum(s.foot is Foot.LEFT for s in found.steps) - len(found.steps) / 2) <= 4


# ---- body weight ----


@given(st.integers(0, 2**32 - 1), st.lists(st.integers(0, 900), max_size=6))
@settings(deadline=None, max_examples=40)
def test_body_weight_in_pieces_is_that_of_the_whole(seed, cuts):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 900))
    left, right = rng.uniform(0, 200, (2, n, 8))
    left[rng.random(n) < 0.01] = np.nan
    whole = body_weight_n(left[:, :4].sum(1), right[:, :4].sum(1), 50.0)
    tally = WeightTally(50.0)
    edges = sorted({0, n, *(cut % (n + 1) for cut in cuts)})
    for start, stop in pairwise(edges):
        tally.push(left[start:stop], right[start:stop])
    found = tally.weight_n()
    assert (found is None) == (whole is None)
    if whole is not None:
        assert found == pytest.approx(whole, rel=1e-12)


def test_the_slowest_rate_still_gives_a_stand(write):
    """At 20 Hz the 10 Hz low-pass has nothing to take away."""
    found = analyse_csv(write(standing(15.0, rate_hz=20.0)), THREE)
    assert found.rate_hz == pytest.approx(20.0)
    assert len(found.stands) == 1
    assert (found.stands[0].left.sway_path_mm or 0.0) > 0.0
