"""Zone CSV: what is read, what is refused and in which words, and that writing gives it back."""

import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from plantigrade.zones import ZoneLayout, parse_layout
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.record.entries import ZoneRows
from plantigrade_gateway.sources import zonecsv
from plantigrade_gateway.sources.zonecsv import (
    iter_zone_csv,
    read_zone_csv,
    scan_zone_csv,
    write_zone_csv,
)


def layout_of(regions: str, unit: str = "N") -> ZoneLayout:
    zones = "".join(
        f'[[zone]]\nid = {k}\nregion = "{name}"\nx = 0.5\ny = 0.5\narea_mm2 = 500\n'
        for k, name in enumerate(regions.split(), 1)
    )
    return parse_layout(f'name = "try"\nunit = "{unit}"\nlength_mm = 270\nwidth_mm = 95\n{zones}')


THREE = layout_of("heel midfoot forefoot")
HEADER = "time_s,L1,L2,L3,R1,R2,R3"
ROW_1 = "0.00,1,2,3,4,5,6"
ROW_2 = "0.01,1.5,2,3,4,5,6"
GOOD = f"{HEADER}\n{ROW_1}\n{ROW_2}\n"


@pytest.fixture
def put(tmp_path: Path):
    def write(text: str | bytes) -> Path:
        path = tmp_path / "walk.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return write


def refusal(path: Path, layout: ZoneLayout = THREE) -> str:
    """The words a file is refused with, the same from all three readers."""
    words = []
    for read in (read_zone_csv, scan_zone_csv, lambda *a: list(iter_zone_csv(*a))):
        with pytest.raises(InputError) as caught:
            read(path, layout)
        words.append(str(caught.value))
    assert len(set(words)) == 1
    assert words[0].startswith(f"{path}: ")
    assert "\n" not in words[0]
    return words[0].removeprefix(f"{path}: ")


def test_columns_are_found_by_name_in_any_order(put):
    path = put("note,R3,R2,R1,time_s,L3,L1,L2\nx,6,5,4,0.00,3,1,2\ny,60,50,40,0.02,30,10,\n")
    got = read_zone_csv(path, THREE)
    assert got.t_s.tolist() == [0.0, 0.02]
    assert got.left[0].tolist() == [1.0, 2.0, 3.0]
    assert got.right.tolist() == [[4.0, 5.0, 6.0], [40.0, 50.0, 60.0]]
    assert np.isnan(got.left[1, 1])
    assert got.left[1, [0, 2]].tolist() == [10.0, 30.0]
    assert got.rate_hz == 50.0
    assert got.notes == ("1 further column left out (note)", "1 of 12 cells are empty")


def test_another_header_is_read_by_position(put):
    path = put(f"Time,a,b,c,d,e,f,total left,total right\n{ROW_1},6,15\n{ROW_2},6.5,15\n")
    got = read_zone_csv(path, THREE)
    assert got.left[1].tolist() == [1.5, 2.0, 3.0]
    assert got.right[1].tolist() == [4.0, 5.0, 6.0]
    assert got.notes == (
        "another header: read by position as time in seconds, 3 left zones, 3 right zones",
        "2 further columns left out (total left, total right)",
    )


@pytest.mark.parametrize(
    "head",
    [
        "Time (s),right_1,right_2,right_3,left zone 1,left zone 2,left zone 3",
        "time [s],R1 [N],R2 [N],R3 [N],L1 [N],L2 [N],L3 [N]",
        "t,R1_N,R2_N,R3_N,L1_N,L2_N,L3_N",
        "t,R1 (of 3),R2 (of 3),R3 (of 3),L1 (of 3),L2 (of 3),L3 (of 3)",
        "t,zone1_R,zone2_R,zone3_R,zone1_L,zone2_L,zone3_L",
        "t,1 right,2 right,3 right,1 left,2 left,3 left",
        "t,Right foot zone 1,Right foot zone 2,Right foot zone 3,LeftFoot1,LeftFoot2,LeftFoot3",
        "t,rp1,rp2,rp3,lp1,lp2,lp3",
        "time_s,right 1,right 2,right 3,left 1,left 2,left 3",
    ],
)
def test_zones_named_in_other_words_are_read_by_their_names(put, head):
    """The right foot's columns stand first here, and each has its number."""
    got = read_zone_csv(put(f"{head}\n0,4,5,6,1,2,3\n0.01,4,5,6,1,2,3\n"), THREE)
    assert got.left[0].tolist() == [1.0, 2.0, 3.0]
    assert got.right[0].tolist() == [4.0, 5.0, 6.0]
    assert got.notes == (
        "another header: read by side and number as time in seconds, 3 left zones, 3 right zones",
    )


@pytest.mark.parametrize(
    ("head", "fault"),
    [
        ("t,left_1,left_2,right_1,right_2,right_3,total", "zones, and L3 is missing"),
        ("t,l1,l2,l3,r1,r2", "zones, and R3 is missing"),
        ("t,left_1,left_2,left_3,left_3,right_1,right_2,right_3", "are both L3"),
        ("t,left 1,left 2,left 3,left 4,right 1,right 2,right 3", "left 4 is one too many"),
        ("time_s,left 1,left 2,right 1,right 2,right 3,total", "zones, and L3 is missing"),
        ("time_s,a,b,c,d,e,f", "column L1 is missing"),
        ("time_s,time_s,left 1,left 2,left 3", "column time_s is there twice"),
    ],
)
def test_a_header_that_names_zones_and_lacks_one_is_never_read_by_position(put, head, fault):
    path = put(head + "\n" + ",".join(["0"] * (head.count(",") + 1)) + "\n")
    with pytest.raises(InputError, match=fault):
        read_zone_csv(path, THREE)


def test_zones_named_in_other_words_beside_time_s_are_read_by_their_names(put):
    """`hardware_notes/recordings.md` promises it, whatever the time's column is called."""
    head = "time,R1 [N],R2 [N],R3 [N],L1 [N],L2 [N],L3 [N],time_s"
    got = read_zone_csv(put(f"{head}\n9,4,5,6,1,2,3,0\n9,4,5,6,1,2,3,0.01\n"), THREE)
    assert got.t_s.tolist() == [0.0, 0.01]
    assert got.left[0].tolist() == [1.0, 2.0, 3.0]
    assert got.right[0].tolist() == [4.0, 5.0, 6.0]
    assert refusal(put(f"time_s,a,b,c,d,e,f\n{ROW_1}\n{ROW_2}\n")) == (
        'column L1 is missing, expected time_s, L1 to L3 and R1 to R3 of layout "try"'
    )


@pytest.mark.parametrize("unit", ["[kPa]", "(kpa)", "[ kPa ]", "[mmHg]", "(N/cm2)", "[kg]"])
def test_a_unit_in_brackets_other_than_the_layouts_is_refused(put, unit):
    head = ",".join(["t", *(f"{side}{k} {unit}" for side in "LR" for k in (1, 2, 3))])
    assert refusal(put(f"{head}\n{ROW_1}\n{ROW_2}\n")) == (
        f'column L1 {unit} is in {unit.strip("[( )]")}, expected N, the unit of layout "try"'
    )


def test_a_foot_that_stands_where_the_other_is_expected_is_refused(put):
    """Without numbers the columns go by position, and these would be read as exchanged feet."""
    head = "t,right heel,right mid,right fore,left heel,left mid,left fore"
    assert refusal(put(f"{head}\n{ROW_1}\n{ROW_2}\n")) == (
        "column right heel stands where L1 is expected: "
        'time_s, L1 to L3 and R1 to R3 of layout "try"'
    )
    head = "t,left heel,left mid,left fore,right heel,right mid,right fore"
    assert read_zone_csv(put(f"{head}\n{ROW_1}\n{ROW_2}\n"), THREE).left[0].tolist() == [1, 2, 3]


def test_words_that_begin_with_a_sides_letter_are_no_side(put):
    path = put(f"t,load1,load2,load3,load4,load5,load6\n{ROW_1}\n{ROW_2}\n")
    assert read_zone_csv(path, THREE).right[0].tolist() == [4.0, 5.0, 6.0]


def test_the_time_is_the_column_that_says_so(put):
    rows = "\n".join(f"{k},0.0{k},1,2,3,4,5,6" for k in range(2))
    head = "sample,time,left_1,left_2,left_3,right_1,right_2,right_3"
    assert read_zone_csv(put(f"{head}\n{rows}\n"), THREE).t_s.tolist() == [0.0, 0.01]
    head = head.replace("sample,time", "sample time,time_s")
    assert read_zone_csv(put(f"{head}\n{rows}\n"), THREE).t_s.tolist() == [0.0, 0.01]


@pytest.mark.parametrize("time", ["t", "time", "Time [s]", "t_s"])
def test_the_time_in_other_words_stands_beside_zones_in_ours(put, time):
    path = put(f"R3,R2,R1,{time},L1,L2,L3\n6,5,4,0.00,1,2,3\n6,5,4,0.01,1,2,3\n")
    got = read_zone_csv(path, THREE)
    assert got.t_s.tolist() == [0.0, 0.01]
    assert (got.left[0].tolist(), got.right[0].tolist()) == ([1.0, 2.0, 3.0], [4.0, 5.0, 6.0])


@pytest.mark.parametrize("time", ["sample", "t,time", "sec"])
def test_a_time_that_no_one_column_says_is_missing(put, time):
    more = "0," * time.count(",")
    words = refusal(put(f"{time},L1,L2,L3,R1,R2,R3\n{more}{ROW_1}\n{more}{ROW_2}\n"))
    assert words.startswith("column time_s is missing")


@pytest.mark.parametrize(("mark", "called"), [(";", "semicolons"), ("\t", "tabs")])
def test_what_separates_columns_is_named_where_it_is_no_comma(put, mark, called):
    path = put(GOOD.replace(",", mark))
    assert refusal(path).startswith(f"columns are separated by {called}, expected commas")


def test_a_foot_without_a_reading_is_not_a_foot_without_load(put):
    """At 0 N the other foot would carry all of the body weight, or half a one be taken for it."""
    rows = "\n".join(f"0.0{k},,,,4,5,6" for k in range(3))
    got = read_zone_csv(put(f"{HEADER}\n{rows}\n"), THREE)
    assert np.isnan(got.left).all()
    assert (got.dead_left, got.dead_right) == ((), ())
    assert got.notes[0].startswith("no reading of the left foot: nothing is found")


ONE_FOOT = ["time_s,{0}1,{0}2,{0}3", "{0}3,note,time_s,{0}1,{0}2", "t,{1}_1,{1}_2,{1}_3"]


@pytest.mark.parametrize("head", ONE_FOOT)
@pytest.mark.parametrize(("side", "foot"), [("L", "left"), ("R", "right")])
def test_one_foots_columns_alone_are_a_recording_of_one_foot(put, head, side, foot):
    """The same rows as with the other foot's columns there and empty: missing, and never 0 N."""
    names = head.format(side, foot).split(",")
    place = {"t": "0.0{k}", "time_s": "0.0{k}", "note": "x"}
    cells = [place.get(name, name[-1] + ".5") for name in names]
    rows = [",".join(cells).format(k=k) for k in range(3)]
    got = read_zone_csv(put("\n".join([",".join(names), *rows])), THREE)
    there, away = (got.left, got.right) if side == "L" else (got.right, got.left)
    assert there.tolist() == [[1.5, 2.5, 3.5]] * 3 and np.isnan(away).all()
    assert got.t_s.tolist() == [0.0, 0.01, 0.02]
    assert (got.dead_left, got.dead_right) == ((), ())
    other = {"left": "right", "right": "left"}[foot]
    assert got.notes[-1].startswith(f"no reading of the {other} foot: nothing is found")
    by_number = "another header: read by side and number as time in seconds, 3 {} zones"
    assert (by_number.format(foot) in got.notes) is (names[0] == "t")
    assert not any("empty" in note for note in got.notes)


@pytest.mark.parametrize(
    ("head", "fault"),
    [
        ("time_s,L1,L2", "column L3 is missing"),
        ("time_s,L1,L2,L3,R2", "column R1 is missing"),
        ("time_s,L1,L2,L3,right_1,right_2,right_3", "column R1 is missing"),
        ("t,right_1,right_3", "names zones, and R2 is missing"),
        ("t,left_1,left_2,left_3,left_4", "left_4 is one too many"),
        ("t,left heel,left mid,left fore", "4 columns separated by commas, expected 7"),
        ("t,lp1,lp2,lp3", "4 columns separated by commas, expected 7"),
    ],
)
def test_a_foot_has_all_its_zones_or_none(put, head, fault):
    rows = "\n".join(f"0.0{k}" + ",1" * head.count(",") for k in range(3))
    assert fault in refusal(put(f"{head}\n{rows}\n"))


def test_a_bad_cell_of_one_foots_columns_is_named(put):
    """10 kN on 500 mm² are 20,000 kPa, on 1000 mm² half of that."""
    zones = "".join(
        f'[[zone]]\nid = {k}\nregion = "{name}"\nx = 0.5\ny = 0.5\narea_mm2 = {area}\n'
        for k, name, area in ((1, "heel", 500), (2, "midfoot", 1000), (3, "forefoot", 500))
    )
    kpa = parse_layout(f'name = "try"\nunit = "kPa"\nlength_mm = 270\nwidth_mm = 95\n{zones}')
    path = put("time_s,R2,R1,R3\n0,9000,1,1\n0.01,10001,1,1\n")
    assert refusal(path, kpa) == "line 3, column R2 is 10001, expected -20 to 10000 kPa"


def test_a_file_without_header_loses_no_row(put):
    got = read_zone_csv(put(f"{ROW_1}\n{ROW_2}\n"), THREE)
    assert got.t_s.tolist() == [0.0, 0.01]
    assert got.notes[0].startswith("no header: read by position")


def test_an_open_recording_of_a_walk_is_read_by_position(open_data):
    """PhysioNet "Gait in Parkinson's Disease" 1.0.0: 8 zones a foot and two totals, 100 Hz, N."""
    layout = layout_of("heel heel heel midfoot midfoot forefoot forefoot forefoot")
    path = open_data("gaitpdb/GaCo02_01.csv")
    got = read_zone_csv(path, layout)
    plain = np.loadtxt(path, delimiter=",", skiprows=1)
    assert np.array_equal(got.t_s, plain[:, 0])
    assert np.array_equal(got.left, plain[:, 1:9])
    assert np.array_equal(got.right, plain[:, 9:17])
    assert got.rate_hz == pytest.approx(100.0, rel=1e-4)
    assert got.left.sum(axis=1) == pytest.approx(plain[:, 17], abs=0.05)
    assert (got.dead_left, got.dead_right) == ((), ())


@pytest.mark.parametrize(
    "change",
    [
        lambda t: b"\xef\xbb\xbf" + t,
        lambda t: t.replace(b"\n", b"\r\n"),
        lambda t: t.replace(b"\n", b"\r"),
        lambda t: t + b"\n\n\n",
        lambda t: t + b"\r\n\r\n",
        lambda t: b"\n\n" + t,
        lambda t: t.replace(b"\n0.01", b"\n\n\n0.01"),
        lambda t: t.rstrip(b"\n"),
        lambda t: t.replace(b",", b", "),
        lambda t: t.replace(b"time_s", b'"time_s"').replace(b"1.5", b'"1.5"'),
        lambda t: b"\xef\xbb\xbf" + t.replace(b"\n", b"\r\n") + b"\r\n",
    ],
)
def test_marks_line_ends_blanks_and_quotes_do_not_matter(put, change):
    got = read_zone_csv(put(change(GOOD.encode())), THREE)
    plain = read_zone_csv(put(GOOD), THREE)
    assert np.array_equal(got.t_s, plain.t_s)
    assert np.array_equal(got.left, plain.left)
    assert np.array_equal(got.right, plain.right)
    assert got.notes == plain.notes == ()


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        ("nan", "'nan', expected a number of N or nothing"),
        ("NaN", "'NaN', expected a number of N or nothing"),
        ("inf", "'inf', expected a number of N or nothing"),
        ("-Infinity", "'-Infinity', expected a number of N or nothing"),
        ("1e999", "1e999, expected a number of N or nothing"),
        ("abc", "'abc', expected a number of N or nothing"),
        ("  ", "'  ', expected a number of N or nothing"),
        ("0x10", "'0x10', expected a number of N or nothing"),
        ("-20.5", "-20.5, expected -20 to 10000 N"),
        ("10001", "10001, expected -20 to 10000 N"),
    ],
)
def test_a_bad_cell_is_named(put, cell, words):
    path = put(f"{HEADER}\n{ROW_1}\n\n0.01,1,2,3,4,{cell},6\n0.02,x,2,3,4,5,6\n")
    assert refusal(path) == f"line 4, column R2 is {words}"


def test_limits_in_pressure_follow_the_zone_area(put):
    kpa = layout_of("heel midfoot forefoot", unit="kPa")  # 500 mm²: 20 N are 40 kPa
    for value in (-40.0, -39.9, 20_000.0):
        assert read_zone_csv(put(GOOD.replace("1.5", str(value))), kpa).left[1, 0] == value
    path = put(GOOD.replace("1.5", "-40.1"))
    assert refusal(path, kpa) == "line 3, column L1 is -40.1, expected -40 to 20000 kPa"


def test_each_zone_has_the_limits_of_its_own_area(put):
    """10 kN on 500 mm² are 20,000 kPa, on 1000 mm² half of that."""
    zones = "".join(
        f'[[zone]]\nid = {k}\nregion = "{name}"\nx = 0.5\ny = 0.5\narea_mm2 = {area}\n'
        for k, name, area in ((1, "heel", 500), (2, "midfoot", 1000), (3, "forefoot", 2000))
    )
    kpa = parse_layout(f'name = "try"\nunit = "kPa"\nlength_mm = 270\nwidth_mm = 95\n{zones}')
    for column, low, high in (("L1", 40, 20000), ("L2", 20, 10000), ("R3", 10, 5000)):
        at = HEADER.split(",").index(column)
        cells = ROW_2.split(",")
        for value in (-low, high):
            cells[at] = str(value)
            read_zone_csv(put(f"{HEADER}\n{ROW_1}\n{','.join(cells)}\n"), kpa)
        cells[at] = str(high + 1)
        words = refusal(put(f"{HEADER}\n{ROW_1}\n{','.join(cells)}\n"), kpa)
        assert words == f"line 3, column {column} is {high + 1}, expected -{low} to {high} kPa"


def test_seconds_since_1970_are_times_and_no_loads(put):
    rows = "".join(f"{1_800_000_000 + k / 100:.2f},1,2,3,4,5,6\n" for k in range(3))
    path = put(f"{HEADER}\n{rows}1800000000.03,1,2,x,4,5,6\n")
    assert refusal(path) == "line 5, column L3 is 'x', expected a number of N or nothing"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "empty, expected a header and rows of readings"),
        ("\n\r\n\n", "empty, expected a header and rows of readings"),
        (f"{HEADER}\n", "0 rows of readings, expected 2 or more"),
        (HEADER, "0 rows of readings, expected 2 or more"),
        (f"{HEADER}\n{ROW_1}\n", "1 row of readings, expected 2 or more"),
        (f"{HEADER}\n{ROW_1},7\n{ROW_2}\n", "line 2 has 8 cells, expected 7"),
        (f"{HEADER}\n{ROW_1}\n0.01,1,2\n", "line 3 has 3 cells, expected 7"),
        (f"{HEADER}\n{ROW_1}\n \n", "line 3 has 1 cell, expected 7"),
        (
            f"{HEADER}\n{ROW_1}\n,1,2,3,4,5,6\n",
            "line 3, column time_s is empty, expected a time in seconds",
        ),
        (
            f"{HEADER}\n{ROW_1}\n{ROW_2}\n{ROW_2}\n",
            "line 4, column time_s is 0.01, expected more than the 0.01 of the line before",
        ),
        (
            f"{HEADER}\n0.02,1,2,3,4,5,6\n{ROW_2}\n",
            "line 3, column time_s is 0.01, expected more than the 0.02 of the line before",
        ),
        (
            f"{HEADER}\n{ROW_1}\n1e300,1,2,3,4,5,6\n",
            "line 3, column time_s is 1e300, expected a time in seconds",
        ),
        (
            f"{HEADER}\nnan,1,2,3,4,5,6\n",
            "line 2, column time_s is 'nan', expected a time in seconds",
        ),
        (
            f"{HEADER}\n0,1,2,3,4,5,6\n10,1,2,3,4,5,6\n20,1,2,3,4,5,6\n",
            "times step by 10, expected seconds at 20 to 1000 samples per second",
        ),
        (
            "time_s,L1,L2,L3,R1,R2\n0,1,2,3,4,5\n",
            'column R3 is missing, expected time_s, L1 to L3 and R1 to R3 of layout "try"',
        ),
        (
            f"{HEADER},L4\n{ROW_1},2\n",
            'column L4 is one too many, expected time_s, L1 to L3 and R1 to R3 of layout "try"',
        ),
        (
            f"{HEADER},L2\n{ROW_1},2\n",
            'column L2 is there twice, expected time_s, L1 to L3 and R1 to R3 of layout "try"',
        ),
        (
            "t;a;b;c;d;e;f\n0;1;2;3;4;5;6\n",
            "columns are separated by semicolons, expected commas, and points in numbers: time_s, "
            'L1 to L3 and R1 to R3 of layout "try"',
        ),
        (
            "0,00;1,5;2;3;4;5;6\n",
            "columns are separated by semicolons, expected commas, and points in numbers: time_s, "
            'L1 to L3 and R1 to R3 of layout "try"',
        ),
        (
            "t,a,b\n0,1,2\n",
            "3 columns separated by commas, expected 7: time_s, L1 to L3 and R1 to R3 of layout "
            '"try"',
        ),
        (
            f'{HEADER}\n{ROW_1}\n0.01,1,"2,3,4,5,6\n{ROW_2}\n',
            "line 3 is not comma-separated text (unexpected end of data)",
        ),
        (
            f'{HEADER},"\n{ROW_1}\n',
            "header is not comma-separated text (unexpected end of data)",
        ),
        ("t,a\0b,c\n", "not UTF-8 text, expected a zone CSV"),
    ],
)
def test_a_bad_file_is_refused_in_one_sentence(put, text, words):
    assert refusal(put(text)) == words


def test_unreadable_places_are_refused(tmp_path):
    assert refusal(tmp_path / "none.csv") == "cannot be read: No such file or directory"
    assert refusal(tmp_path) == "cannot be read: Is a directory"


def test_other_encodings_are_refused_or_harmless(put):
    utf16 = GOOD.encode("utf-16")
    assert refusal(put(utf16)) == "not UTF-8 text, expected a zone CSV"
    latin = GOOD.replace("time_s", "Zeit 20 °C").replace("L", "a").replace("R", "b")
    got = read_zone_csv(put(latin.encode("latin-1")), THREE)
    assert got.left[1, 0] == 1.5


def test_a_zone_without_readings_is_dead_and_read_as_nothing(put):
    rows = "".join(f"{k / 100},1,,3,4,5,\n" for k in range(50))
    got = read_zone_csv(put(f"{HEADER}\n{rows}"), THREE)
    assert (got.dead_left, got.dead_right) == ((2,), (3,))
    assert got.left[:, 1].tolist() == [0.0] * 50
    assert got.right[:, 2].tolist() == [0.0] * 50
    assert got.notes == (
        "left zones without a single reading, taken as 0: 2",
        "right zones without a single reading, taken as 0: 3",
    )
    pieces = list(iter_zone_csv(put(f"{HEADER}\n{rows}"), THREE, rows=7))
    assert [len(p.t_s) for p in pieces] == [7] * 7 + [1]
    assert all((p.left[:, 1] == 0).all() for p in pieces)


def test_irregular_times_are_reported_and_do_not_bend_the_rate(put):
    t_s = np.arange(100) / 50
    t_s[60:] += 1.2
    rows = "".join(f"{t:.3f},1,2,3,4,5,6\n" for t in t_s)
    got = read_zone_csv(put(f"{HEADER}\n{rows}"), THREE)
    assert got.rate_hz == 50.0
    assert got.notes == (
        "times are irregular: 1 of 99 steps differ from the usual 0.02 s by more than a quarter, "
        "the longest is 1.22 s",
    )


def test_a_step_a_little_too_long_is_reported_by_its_own_length(put):
    """30 ms more than the usual 20: far under a second, and well over a quarter."""
    rows = "".join(f"{k / 50 + (0.03 if k >= 60 else 0):.3f},1,2,3,4,5,6\n" for k in range(100))
    got = read_zone_csv(put(f"{HEADER}\n{rows}"), THREE)
    assert got.notes == (
        "times are irregular: 1 of 99 steps differ from the usual 0.02 s by more than a quarter, "
        "the longest is 0.05 s",
    )


def test_the_rate_is_that_of_most_steps(put):
    """Two steps of five are of 4 ms, three of 10 ms."""
    steps_ms = [4, 10, 4, 10, 10] * 20
    times = [sum(steps_ms[:k]) / 1000 for k in range(101)]
    rows = "".join(f"{t:.3f},1,2,3,4,5,6\n" for t in times)
    got = read_zone_csv(put(f"{HEADER}\n{rows}"), THREE)
    assert got.rate_hz == 100.0
    assert got.notes[0].startswith("times are irregular: 40 of 100 steps differ")


def test_times_rounded_to_milliseconds_give_the_true_rate(put):
    rows = "".join(f"{k / 60:.3f},1,2,3,4,5,6\n" for k in range(601))
    got = read_zone_csv(put(f"{HEADER}\n{rows}"), THREE)
    assert got.rate_hz == 60.0
    assert got.notes == ()


def test_faults_are_found_beyond_the_first_block(put, monkeypatch):
    monkeypatch.setattr(zonecsv, "_BLOCK_BYTES", 256)
    lines = [f"{k / 100:.2f},1,2,3,4,5,6" for k in range(500)]
    whole = read_zone_csv(put("\n".join([HEADER, *lines])), THREE)
    assert whole.t_s.tolist() == [k / 100 for k in range(500)]
    assert whole.notes == ()
    for at in (0, 1, 37, 38, 250, 499):
        bad = [*lines]
        bad[at] = bad[at].replace(",3,", ",oops,")
        words = refusal(put("\n".join([HEADER, *bad])))
        assert words == f"line {at + 2}, column L3 is 'oops', expected a number of N or nothing"
    for at in (1, 37, 38, 250, 499):
        bad = [*lines]
        bad[at] = bad[at - 1]
        words = refusal(put("\n".join([HEADER, *bad])))
        assert words.startswith(f"line {at + 2}, column time_s is {(at - 1) / 100:.10g}, expected")


@pytest.mark.parametrize("rows", [1, 3, 100, 499, 500, 501])
def test_pieces_are_the_whole(put, monkeypatch, rows):
    monkeypatch.setattr(zonecsv, "_BLOCK_BYTES", 512)
    lines = [f"{k / 100:.2f},{k},2,,4,5,6" if k % 3 else f"{k / 100:.2f},,,9,4,,6"
             for k in range(500)]  # fmt: skip
    path = put("\n".join([HEADER, *lines]))
    whole, pieces = read_zone_csv(path, THREE), list(iter_zone_csv(path, THREE, rows=rows))
    assert [len(p.t_s) for p in pieces[:-1]] == [rows] * (len(pieces) - 1)
    assert 1 <= len(pieces[-1].t_s) <= rows
    for name in ("t_s", "left", "right"):
        joined = np.concatenate([getattr(p, name) for p in pieces])
        assert np.array_equal(joined, getattr(whole, name), equal_nan=True)


def test_pieces_need_rows(put):
    with pytest.raises(InputError, match="pieces of 0 rows, expected 1 or more"):
        next(iter_zone_csv(put(GOOD), THREE, rows=0))


readings = st.one_of(st.just(np.nan), st.floats(-20, 10_000))


@pytest.mark.dear
@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    arrays(np.float64, (7, 6), elements=readings),
    st.floats(-1e6, 1e6),
    st.sampled_from([20, 60, 100, 200, 1000]),
)
def test_what_is_written_is_read_back_to_the_last_bit(tmp_path, zones, start, rate):
    path = tmp_path / "out.csv"
    t_s = start + np.arange(7) / rate
    blocks = [ZoneRows(t_s[a:b], zones[a:b, :3], zones[a:b, 3:]) for a, b in ((0, 3), (3, 7))]
    write_zone_csv(path, THREE, blocks)
    got = read_zone_csv(path, THREE)
    dead = np.isnan(zones).all(axis=0)
    for foot in (slice(3), slice(3, 6)):  # one that was not there at all stays missing
        dead[foot] &= not dead[foot].all()
    expected = np.where(dead, 0.0, zones)
    assert np.array_equal(got.t_s, t_s)
    assert np.array_equal(np.hstack([got.left, got.right]), expected, equal_nan=True)
    assert path.read_text().splitlines()[0] == HEADER
    plain = tmp_path / "plain"
    plain.touch()
    assert path.stat().st_mode == plain.stat().st_mode


def test_a_file_is_on_the_disk_whole_before_it_takes_its_name(tmp_path, monkeypatch):
    """A cut of the power leaves the file that was there before, or all of the new one."""
    path = tmp_path / "out.csv"
    synced: list[tuple[int, int, bool]] = []

    def sync(handle: int) -> None:
        found = os.fstat(handle)
        synced.append((found.st_ino, found.st_size, path.exists()))

    monkeypatch.setattr(os, "fsync", sync)
    write_zone_csv(path, THREE, [ZoneRows(np.zeros(1), np.ones((1, 3)), np.ones((1, 3)))])
    assert synced == [(path.stat().st_ino, path.stat().st_size, False)]


def test_writing_is_all_or_nothing(tmp_path):
    path = tmp_path / "out.csv"
    path.write_text("before")
    good = ZoneRows(np.array([0.0, 0.01]), np.ones((2, 3)), np.ones((2, 3)))
    wide = ZoneRows(np.array([0.02]), np.ones((1, 4)), np.ones((1, 3)))
    endless = ZoneRows(np.array([0.02]), np.full((1, 3), np.inf), np.ones((1, 3)))
    for bad, words in ((wide, r"\(1, 4\) and \(1, 3\) for 1 times"), (endless, "infinite")):
        with pytest.raises(InputError, match=words):
            write_zone_csv(path, THREE, [good, bad])

    def fails() -> Iterator[ZoneRows]:
        yield good
        raise RuntimeError("the reader of blocks stops")

    with pytest.raises(RuntimeError):
        write_zone_csv(path, THREE, fails())
    assert path.read_text() == "before"
    assert [p.name for p in tmp_path.iterdir()] == ["out.csv"]
    with pytest.raises(InputError, match="cannot be written: No such file or directory"):
        write_zone_csv(tmp_path / "none" / "out.csv", THREE, [good])


def test_a_full_disk_leaves_nothing_half_written(tmp_path):
    resource = pytest.importorskip("resource", reason="file size limits need a POSIX system")
    path = tmp_path / "out.csv"
    rows = ZoneRows(np.arange(2000) / 100, np.full((2000, 3), 0.1), np.full((2000, 3), 0.1))
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, before[1]))  # stands in for a full disk
    try:
        with pytest.raises(InputError, match="cannot be written: File too large"):
            write_zone_csv(path, THREE, [rows])
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert list(tmp_path.iterdir()) == []


SAMPLE = GOOD.encode() + b"".join(b"%.2f,1,2,3,4,,6\n" % (k / 100) for k in range(2, 12))


@pytest.mark.dear
@settings(
    max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    st.lists(
        st.tuples(
            st.integers(0, len(SAMPLE) - 1),
            st.integers(0, 255) | st.sampled_from(b',\n".-e'),
        ),
        min_size=1,
        max_size=4,
    ),
    st.integers(0, len(SAMPLE)),
)
@pytest.mark.slow
def test_damaged_files_are_refused_or_read_never_worse(tmp_path, changes, cut):
    damaged = bytearray(SAMPLE)
    for at, value in changes:
        damaged[at] = value
    path = tmp_path / "damaged.csv"
    path.write_bytes(damaged[: cut or None])
    try:
        got = read_zone_csv(path, THREE)
    except InputError as error:
        assert str(error).startswith(f"{path}: ")
        assert "\n" not in str(error)
    else:
        assert (np.diff(got.t_s) > 0).all()
        for foot in (got.left, got.right):
            assert (np.isnan(foot) | ((foot >= -20) & (foot <= 10_000))).all()
