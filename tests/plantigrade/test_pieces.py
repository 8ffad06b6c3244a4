"""Pieces of equal time: where they are cut, what is missing of them."""

import numpy as np
import pytest

from plantigrade.block import Foot
from plantigrade.fitting import Pieces
from plantigrade.poses import Flaw, Trouble

LEFT, RIGHT = Foot.LEFT, Foot.RIGHT


def rows(first_s: float, last_s: float, rate_hz: float = 100.0) -> tuple[np.ndarray, np.ndarray]:
    """Samples whose counts are their own number, so that none can be mistaken."""
    k = np.arange(round(first_s * rate_hz), round(last_s * rate_hz) + 1)
    return k / rate_hz, np.repeat(k.astype(np.uint16)[:, None], 2, axis=1)


def test_nothing_begins_before_both_feet_are_heard():
    pieces = Pieces(2)
    pieces.push(LEFT, *rows(1.0, 9.0))
    assert not pieces.begin()
    pieces.push(RIGHT, *rows(4.0, 4.2))
    assert pieces.begin() and pieces.edge_s == 4.0


def test_a_piece_holds_the_samples_after_its_edge_up_to_its_end():
    pieces = Pieces(2)
    pieces.push(LEFT, *rows(1.0, 2.0))
    pieces.push(RIGHT, *rows(1.0, 1.5))
    assert pieces.begin()
    assert pieces.next() is None  # the right foot's sample at the very end may have a like
    pieces.push(RIGHT, *rows(1.51, 1.52))
    piece = pieces.next()
    assert isinstance(piece, dict)
    for foot in Foot:
        assert piece[foot][:, 0].tolist() == list(range(101, 151))
    assert pieces.edge_s == pytest.approx(1.5) and pieces.next() is None


def test_a_foot_that_is_away_is_not_waited_for():
    """It is away a second after the end of a piece of half a second."""
    pieces = Pieces(2)
    pieces.push(LEFT, *rows(1.0, 1.4))
    pieces.push(RIGHT, *rows(1.0, 2.5))
    assert pieces.begin() and pieces.next() is None
    pieces.push(RIGHT, *rows(2.51, 2.52))
    gone = pieces.next()
    assert isinstance(gone, dict)  # 40 of 50 samples, and no hole between them
    pieces.push(RIGHT, *rows(2.53, 3.05))
    silent = pieces.next()
    assert isinstance(silent, Trouble)
    assert (silent.flaw, silent.foot) == (Flaw.GAP, LEFT)
    assert silent.text == "no data came from the left insole: is it on, charged and near?"


K = np.arange(121)


@pytest.mark.parametrize(
    ("kept", "whole"),
    [
        (K % 10 != 0, True),  # one in ten is lost: 45 of 50
        (K % 3 != 0, True),  # one in three
        ((K < 60) | (K > 74), True),  # 150 ms
        ((K < 60) | (K > 84), False),  # 250 ms
    ],
)
def test_what_is_missing(kept, whole):
    pieces = Pieces(2)
    t_s, counts = rows(1.0, 2.2)
    pieces.push(LEFT, t_s, counts)
    pieces.push(RIGHT, t_s[kept], counts[kept])
    assert pieces.begin()
    found = []
    while (piece := pieces.next()) is not None:
        found.append(piece)
    assert len(found) == 2
    troubles = [piece for piece in found if isinstance(piece, Trouble)]
    assert (troubles == []) is whole
    for trouble in troubles:
        assert trouble.text == "samples of the right insole are missing: bring it nearer"


def test_the_next_piece_begins_where_the_last_ended():
    pieces = Pieces(2)
    for foot in Foot:
        pieces.push(foot, *rows(1.0, 1.6))
    assert pieces.begin() and isinstance(pieces.next(), dict)
    for foot in Foot:
        pieces.push(foot, *rows(1.61, 2.1))
    piece = pieces.next()
    assert isinstance(piece, dict)
    assert piece[LEFT][:, 0].tolist() == list(range(151, 201))
