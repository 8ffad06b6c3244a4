"""A time line in pieces: made, kept, read back."""

import numpy as np
import pytest

from plantigrade.block import N_COLUMNS, Foot, PairBlock
from plantigrade.limits import Limits
from plantigrade.load import share
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.report.swingframes import pack, unpack
from plantigrade_gateway.web.desk.curves import Piece, PieceMaker, joined, overlapping, rate_of

SETTINGS = SessionSettings(mass_kg=70.0)


def rows(n: int, first: int = 0, start_s: float = 5.0, rate_hz: float = 100.0) -> PairBlock:
    """Rows with loads that tell where they stand; every 50th is missing on the left."""
    at = first + np.arange(n)
    left, right = np.zeros((n, N_COLUMNS)), np.zeros((n, N_COLUMNS))
    left[:, :4] = (100.0 + at % 97)[:, None]
    right[:, :4] = (50.0 + at % 89)[:, None]
    left[at % 50 == 49] = np.nan
    return PairBlock(first, start_s + np.arange(n) / rate_hz, left, right)


def pieces(blocks, settings=SETTINGS) -> list[Piece]:
    maker = PieceMaker()
    made = [piece for block in blocks for piece in maker.push(block, settings)]
    return made + maker.flush()


@pytest.mark.dear
@pytest.mark.parametrize("cut", [1, 2, 7, 1000, 5000])
@pytest.mark.parametrize("rate_hz", [100.0, 1e6 / 30_000])
def test_rows_come_back_whatever_the_cutting(cut, rate_hz, monkeypatch):
    monkeypatch.setattr("plantigrade_gateway.web.desk.curves.ROWS_PER_PIECE", 3000)
    whole = rows(5000, rate_hz=rate_hz)
    made = pieces([whole.slice(k, min(k + cut, 5000)) for k in range(0, 5000, cut)])
    assert len(made) == (1 if cut == 5000 else 2)
    kept = [Piece.from_bytes(piece.to_bytes()) for piece in made]
    stretch = joined(kept, -1.0, 1e9)
    bw_n = SETTINGS.body_weight_n
    np.testing.assert_allclose(stretch.t_s, whole.t_s, rtol=0, atol=1e-6)
    np.testing.assert_allclose(stretch.left_bw, 4 * whole.left[:, 0] / bw_n, rtol=1e-7)
    np.testing.assert_allclose(stretch.right_bw, 4 * whole.right[:, 0] / bw_n, rtol=1e-7)
    expected = share(4 * whole.left[:, 0], 4 * whole.right[:, 0], 0.05 * bw_n)
    np.testing.assert_allclose(stretch.lead_share, expected, rtol=1e-6)
    assert np.isnan(stretch.left_bw).sum() == 100


def test_a_share_is_drawn_by_the_session_s_own_limit():
    """Rows of 600 N to 1,140 N by the block above; a share from 0.3 × 3,000 N on."""
    whole = rows(300)
    total = 4 * whole.left[:, 0] + 4 * whole.right[:, 0]
    missing = np.isnan(total).sum()
    for limits, least_n in ((Limits(), 150.0), (Limits(cop_bw=0.3), 900.0)):
        made = pieces([whole], SessionSettings(bw_n=3000.0, limits=limits))
        kept = [Piece.from_bytes(piece.to_bytes()) for piece in made]
        drawn = np.isnan(joined(kept, -1.0, 1e9).lead_share).sum()
        assert drawn == missing + (total < least_n).sum()
    assert 0 < (total < 900.0).sum() < 300


def test_a_part_is_asked_for_with_a_row_beyond_each_end():
    made = pieces([rows(1000)])
    stretch = joined(made, 6.0, 6.1)
    np.testing.assert_allclose(stretch.t_s[[0, -1]], [5.99, 6.11])
    assert len(joined(made, 4.0, 5.0).t_s) == 2
    assert len(joined([], 0.0, 1.0).t_s) == 0


def test_a_new_rate_new_settings_and_a_hole_begin_a_new_piece():
    blocks = [rows(100), rows(100, 100, 7.0), rows(100, 200, 8.0, 50.0)]
    made = pieces(blocks)
    assert [piece.rate_hz for piece in made] == [100.0, 100.0, 50.0]
    assert [piece.start_s for piece in made] == [5.0, 7.0, 8.0]
    stretch = joined(made, 0.0, 100.0)
    hole = (stretch.t_s > 5.99) & (stretch.t_s < 7.0)
    assert hole.sum() == 1 and np.isnan(stretch.right_bw[hole]).all()
    np.testing.assert_allclose(stretch.t_s[200:203], [7.99, 8.0, 8.02])  # no hole: nothing between

    maker = PieceMaker()
    maker.push(rows(100), SETTINGS)
    (first,) = maker.push(rows(100, 100, 6.0), SessionSettings(mass_kg=70.0, handed="left"))
    (second,) = maker.flush()
    assert (first.lead, second.lead) == (Foot.LEFT, Foot.RIGHT)
    stretch = joined([first, second], 0.0, 100.0)
    there = ~np.isnan(stretch.lead_share)
    together = stretch.left_bw + stretch.right_bw
    of_left = stretch.left_bw / together
    np.testing.assert_allclose(stretch.lead_share[:100][there[:100]], of_left[:100][there[:100]])
    np.testing.assert_allclose(
        stretch.lead_share[100:][there[100:]], 1 - of_left[100:][there[100:]]
    )


def test_a_time_line_that_begins_within_the_old_one_goes_on_after_it():
    made = pieces([rows(100), rows(100, 100, 5.5)])
    stretch = joined(made, 0.0, 100.0)
    assert np.all(np.diff(stretch.t_s) > 0)
    assert stretch.t_s[-1] == pytest.approx(6.49)


def test_pieces_that_touch_a_time_are_found_with_their_neighbours():
    spans = [(0.0, 9.9), (10.0, 19.9), (20.0, 29.9), (40.0, 49.9)]
    assert overlapping(spans, 12.0, 13.0) == [0, 1, 2]
    assert overlapping(spans, 0.0, 100.0) == [0, 1, 2, 3]
    assert overlapping(spans, 32.0, 35.0) == [1, 2, 3]
    assert overlapping(spans, 90.0, 95.0) == [2, 3]
    assert overlapping([], 0.0, 1.0) == []


def test_the_rate_is_that_of_whole_microseconds():
    assert rate_of(3.7 + np.arange(40_000) / (1e6 / 30_000)) == 1e6 / 30_000
    assert rate_of(np.array([1.0])) == 100.0


def test_damaged_bytes_are_refused():
    data = pieces([rows(100)])[0].to_bytes()
    for bad in (data[:-9], b"", data[:20] + b"\x00" + data[21:]):
        with pytest.raises(StoreError, match="derived rows: damaged"):
            unpack(bad)


def test_tables_of_any_shape_come_back():
    tables = {
        "a": np.array([[1.5, np.nan], [-0.25, 3e5]]),
        "none": np.empty((0, 18)),
        "b": np.ones(3),
    }
    head, found = unpack(pack({"x": [1, None]}, tables))
    assert head == {"x": [1, None]}
    for name, table in tables.items():
        np.testing.assert_array_equal(found[name], table)


def test_two_rows_have_a_rate_and_one_lies_at_its_own_time():
    assert rate_of(np.array([1.0, 1.02])) == pytest.approx(50.0)
    assert rate_of(np.array([1.0])) == 100.0


def test_rows_that_go_on_with_their_spacing_are_of_one_piece():
    """At 100 Hz from 5 s on: the next is due at 5.10 s, to within a hundredth of a row."""

    def lengths(*starts: float, rate_hz: float = 100.0) -> list[int]:
        made = pieces([rows(10), *(rows(10, start_s=at, rate_hz=rate_hz) for at in starts)])
        return [len(piece.left_n) for piece in made]

    assert lengths(5.1, 5.2) == [30]
    assert lengths(5.10009) == [20] and lengths(5.1002) == [10, 10]
    assert lengths(5.1, rate_hz=50.0) == [10, 10]
    assert lengths(5.05) == [15]  # of what is there already nothing is taken again
    other = pieces([rows(1), rows(1, start_s=5.05), rows(1, start_s=5.2)])
    assert [len(piece.left_n) for piece in other] == [2, 1]  # of one row 20 Hz is the longest
