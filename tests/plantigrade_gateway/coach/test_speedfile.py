"""CSV files of club speeds, as other devices write them. All values are invented."""

import pytest

from plantigrade_gateway.coach.speedfile import (
    MOST_COLUMNS,
    MOST_ROWS,
    SpeedRow,
    check_speed,
    columns_of,
    in_m_s,
    read_speeds,
)
from plantigrade_gateway.errors import InputError


@pytest.mark.parametrize(
    ("value", "unit", "m_s"),
    [
        (40.0, "m/s", 40.0),
        (100.0, "mph", 44.704),  # an international mile is 1609.344 m: 1609.344 / 3600 m/s
        (144.0, "km/h", 40.0),
    ],
)
def test_units_by_their_definitions(value, unit, m_s):
    assert in_m_s(value, unit) == pytest.approx(m_s, rel=1e-12)


def test_rows_with_their_lines_and_times():
    data = b'\xef\xbb\xbfTime, Club Speed ,Ball\n10.5,90,"x, y"\n\n41.0,,z\n70.25,95.5\n'
    found = read_speeds(data, "club speed", "mph", "time")
    assert [(r.line, r.t_s) for r in found.rows] == [(2, 10.5), (5, 70.25)]
    assert [r.m_s for r in found.rows] == pytest.approx([90 * 0.44704, 95.5 * 0.44704])
    assert found.left_out == ()


def test_lines_without_a_word_stand_before_the_head_too():
    found = read_speeds(b"\n\n , \nv,w\n40,1\n,\n41,2\n", "v", "m/s")
    assert found.rows == (SpeedRow(5, 40.0, None), SpeedRow(7, 41.0, None))


def test_a_decimal_comma_between_semicolons():
    data = b"Zeit;Tempo\n14:03:27,5;40,25\n14:04:00;41\n"
    found = read_speeds(data, "Tempo", "m/s", "Zeit")
    at = 14 * 3600 + 3 * 60 + 27.5
    assert found.rows == (SpeedRow(2, 40.25, at), SpeedRow(3, 41.0, at + 32.5))


def test_a_clock_goes_on_after_midnight_and_dates_are_times():
    night = read_speeds(b"t,v\n23:59:30,40\n00:00:10,41\n", "v", "m/s", "t")
    assert night.rows[1].t_s - night.rows[0].t_s == 40.0  # type: ignore[operator]
    dated = read_speeds(
        b"t,v\n2026-03-31T23:59:30+02:00,40\n2026-04-01 00:00:10+02:00,41\n", "v", "m/s", "t"
    )
    assert dated.rows[1].t_s - dated.rows[0].t_s == 40.0  # type: ignore[operator]


def test_what_is_no_club_speed_is_left_out_and_told():
    data = b"v\n40\nmisread\n1.5\n41\n42\n"
    found = read_speeds(data, "v", "m/s")
    assert [r.m_s for r in found.rows] == [40.0, 41.0, 42.0]
    assert found.left_out == ((3, "misread"), (4, "1.5"))
    assert {r.t_s for r in found.rows} == {None}


@pytest.mark.parametrize(
    ("data", "column", "unit", "time", "words"),
    [
        (b"", "v", "m/s", None, "is empty"),
        (b"\xff\xfe", "v", "m/s", None, "not UTF-8"),
        (b"v\n40\n", "w", "m/s", None, "column 'w': there is none such; there are 'v'"),
        (b"v,V\n40,41\n", "v", "m/s", None, "2 are called so"),
        (b"v\n40\n", "v", "knots", None, "unit: 'knots', expected m/s, mph, km/h"),
        (b"v\n100\n95\n90\n", "v", "m/s", None, "3 of 3 cells .* line 2: '100' m/s; is it another"),
        (b"t,v\nnoon,40\n", "v", "m/s", "t", "line 2: time 'noon'"),
        (b"t,v\n,40\n", "v", "m/s", "t", "line 2: time ''"),
        (b"t,v\nnan,40\n", "v", "m/s", "t", "line 2: time 'nan'"),
        (b"v\n" + b"40\n" * (MOST_ROWS + 1), "v", "m/s", None, "more than 2000 rows"),
        (b"v" + b"," * 300, "v", "m/s", None, "has 301 cells"),
        (b'v\n"' + b"x" * 140_000, "v", "m/s", None, "line 2: field larger than"),
    ],
)
def test_what_cannot_be_read_is_one_sentence(data, column, unit, time, words):
    with pytest.raises(InputError, match=words):
        read_speeds(data, column, unit, time)


def test_the_heads_of_the_columns_are_told_and_no_more_than_20_of_them():
    assert columns_of(b"Time ; Club Speed;Ball\n1;2;3\n") == ["Time", "Club Speed", "Ball"]
    many = ",".join(f"c{k:02}" for k in range(30)).encode() + b"\n"
    assert len(columns_of(many)) == 30
    with pytest.raises(InputError) as error:
        read_speeds(many, "v", "m/s")
    assert str(error.value).endswith(", ".join(f"'c{k:02}'" for k in range(20)))
    widest = b"v" + b"," * (MOST_COLUMNS - 1) + b"\n40\n"
    assert [row.m_s for row in read_speeds(widest, "v", "m/s").rows] == [40.0]


def test_a_row_that_ends_before_the_column_is_empty_there():
    found = read_speeds(b"t,w,v\n1,2\n3\n4,5,40\n", "v", "m/s", "t")
    assert found.rows == (SpeedRow(4, 40.0, 4.0),) and found.left_out == ()
    with pytest.raises(InputError, match="line 2: time ''"):
        read_speeds(b"v,t\n40\n", "v", "m/s", "t")


@pytest.mark.parametrize(
    ("cell", "t_s"),
    [
        ("14:03", 50_580.0),
        ("14:03:27,5", 50_607.5),
        ("1970-01-01T00:01:00", 60.0),
        ("1970-03-01T00:00:00+00:00", 59 * 86_400.0),
        ("2026-03-31T14:03:27", 1_774_965_807.0),  # date -u -d 2026-03-31T14:03:27 +%s
        ("-12.5", -12.5),
    ],
)
def test_when_is_seconds_a_clock_or_a_date(cell, t_s):
    (row,) = read_speeds(f"t;v\n{cell};40\n".encode(), "v", "m/s", "t").rows
    assert row.t_s == t_s


def test_a_clock_that_goes_back_by_half_a_day_has_begun_anew():
    """43,200 s; less is another order of the rows."""
    for back, day in (("02:00:00", 0.0), ("01:59:59", 86_400.0)):
        rows = read_speeds(f"t;v\n14:00:00;40\n{back};40\n".encode(), "v", "m/s", "t").rows
        assert rows[1].t_s == 3600.0 * int(back[:2]) + (3599.0 if day else 0.0) + day


def test_most_of_a_column_is_club_speeds():
    assert len(read_speeds(b"v\n40\nx\n41\ny\n", "v", "m/s").left_out) == 2
    with pytest.raises(InputError, match="3 of 5 cells"):
        read_speeds(b"v\n40\nx\n41\ny\nz\n", "v", "m/s")


def test_as_many_rows_as_are_allowed_are_read():
    assert len(read_speeds(b"v\n" + b"40\n" * MOST_ROWS, "v", "m/s").rows) == MOST_ROWS


@pytest.mark.parametrize("wrong", [True, "40", float("inf"), float("nan"), None, -40.0, 4.9, 80.1])
def test_a_speed_is_a_number_that_a_club_head_may_have(wrong):
    with pytest.raises(InputError, match="club speed"):
        check_speed(wrong)


def test_the_slowest_and_the_fastest_club_head():
    assert [check_speed(m_s) for m_s in (5, 80.0)] == [5.0, 80.0]
