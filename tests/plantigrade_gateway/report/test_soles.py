"""Soles on paper: where zones lie, how large they are, and how dark, in millimetres.

The built-in layout is 270 × 95 mm (hardware notes); 4 mm of room lie about a sole, 14 mm between
two. A zone is drawn as a circle of its own area.
"""

import math
import re
from itertools import pairwise

import numpy as np
import pytest

from plantigrade.block import Foot
from plantigrade.zones import eighteen
from plantigrade_gateway.report.soles import pair, sole

LAYOUT = eighteen()
EVEN = [1.0] * LAYOUT.n_zones


def circles(picture: str) -> list[tuple[float, float, float, str]]:
    """Centre, radius and filling of each circle."""
    found = re.findall(r'<circle cx="([\d.]+)" cy="([\d.]+)" r="([\d.]+)" ([^>]*)/>', picture)
    return [(float(x), float(y), float(r), fill) for x, y, r, fill in found]


def outlines(picture: str) -> list[list[tuple[float, float]]]:
    found = re.findall(r'<polygon points="([^"]*)"', picture)
    return [
        [(float(x), float(y)) for x, y in (pair.split(",") for pair in one.split())]
        for one in found
    ]


def holds(outline: list[tuple[float, float]], x: float, y: float) -> bool:
    """Whether a place is inside, by how often a line from it crosses the outline."""
    inside = False
    for (ax, ay), (bx, by) in pairwise([*outline, outline[0]]):
        if (ay > y) != (by > y) and x < ax + (y - ay) / (by - ay) * (bx - ax):
            inside = not inside
    return inside


def test_zones_lie_where_the_layout_has_them_with_the_toes_above():
    assert (LAYOUT.length_mm, LAYOUT.width_mm) == (270.0, 95.0)
    right = circles(sole(LAYOUT, Foot.RIGHT, EVEN, 1.0))
    left = circles(sole(LAYOUT, Foot.LEFT, EVEN, 1.0))
    for k, (r, m) in enumerate(zip(right, left, strict=True)):
        across, along = float(LAYOUT.x[k]), float(LAYOUT.y[k])
        assert r[0] == pytest.approx(4.0 + 95.0 * across, abs=0.051)
        assert m[0] == pytest.approx(4.0 + 95.0 * (1.0 - across), abs=0.051)
        assert r[1] == m[1] == pytest.approx(4.0 + 270.0 * (1.0 - along), abs=0.051)
        assert math.pi * r[2] ** 2 == pytest.approx(float(LAYOUT.area_mm2[k]), rel=0.02)


def test_pictures_have_room_about_them_and_between():
    assert 'viewBox="0 0 103 278"' in sole(LAYOUT, Foot.LEFT, EVEN, 1.0)
    both = pair(LAYOUT, EVEN, [2.0] * LAYOUT.n_zones, 2.0)
    assert 'viewBox="0 0 212 278"' in both
    made = circles(both)
    n = LAYOUT.n_zones
    assert [one[0] for one in made[:n]] == [
        one[0] for one in circles(sole(LAYOUT, Foot.LEFT, EVEN, 1.0))
    ]
    alone = circles(sole(LAYOUT, Foot.RIGHT, EVEN, 1.0))
    np.testing.assert_allclose(
        [one[0] for one in made[n:]], [one[0] + 109.0 for one in alone], atol=0.11
    )
    assert {fill for *_, fill in made[:n]} != {fill for *_, fill in made[n:]}


@pytest.mark.parametrize(
    ("value", "highest", "said"),
    [
        (1.0, 2.0, 'fill="#123a63" fill-opacity="0.50"'),
        (5.0, 2.0, 'fill="#123a63" fill-opacity="1.00"'),
        (0.06, 2.0, 'fill="#123a63" fill-opacity="0.03"'),
        (0.0598, 2.0, 'fill="none"'),
        (-1.0, 2.0, 'fill="none"'),
        (0.0, 0.0, 'fill="none"'),
        (0.5, 0.9, 'fill="#123a63" fill-opacity="0.56"'),
        (math.nan, 2.0, 'fill="url(#none)"'),
    ],
)
def test_a_zone_is_as_dark_as_its_part_of_the_highest(value, highest, said):
    """Under 3 % it is left white; a missing one is hatched."""
    made = circles(sole(LAYOUT, Foot.LEFT, [value, *EVEN[1:]], highest))
    assert made[0][3].startswith(said)


def test_the_outline_is_round_mirrored_and_holds_every_zone():
    (right,), (left,) = (
        outlines(sole(LAYOUT, foot, EVEN, 1.0)) for foot in (Foot.RIGHT, Foot.LEFT)
    )
    for (x, y), (mirrored, same) in zip(right, left, strict=True):
        assert mirrored == pytest.approx(103.0 - x, abs=0.11) and same == y
    for x, y, *_ in circles(sole(LAYOUT, Foot.RIGHT, EVEN, 1.0)):
        assert holds(right, x, y)
    turns = [
        math.atan2(c[1] - b[1], c[0] - b[0]) - math.atan2(b[1] - a[1], b[0] - a[0])
        for a, b, c in zip(right, [*right[1:], right[0]], [*right[2:], *right[:2]], strict=True)
    ]
    turned = [(turn + math.pi) % (2 * math.pi) - math.pi for turn in turns]
    assert abs(sum(turned)) == pytest.approx(2 * math.pi)  # once round, no loop
    assert max(abs(turn) for turn in turned) < math.radians(25)  # no corner
    xs, ys = zip(*right, strict=True)
    assert 4.0 < min(xs) < 16.0 and 87.0 < max(xs) < 99.0
    assert 3.0 < min(ys) < 14.0 and 268.0 < max(ys) < 278.0
    # medial is on the left of a right sole: the arch is hollow there, the other side is not
    middle = [x for x, y in right if 120.0 < y < 170.0]
    assert min(middle) - min(xs) > 5.0


CORNERS = (
    *((38, -1), (17, 3), (13, 15), (17, 30), (19, 45), (11, 58)),  # medial, from the heel
    *((5, 70), (7, 82), (12, 92), (24, 98), (42, 98)),
    *((58, 93), (74, 86), (88, 76), (95, 64), (93, 52)),  # lateral, from the toes
    *((87, 40), (85, 28), (87, 15), (83, 3), (62, -1)),
)
"""Of a right sole, percent of its width from the medial edge and of its length from the heel."""


def test_the_outline_rounds_the_corners_that_we_drew():
    """Chaikin's rounding (1974) leaves the middle of every edge where it was."""
    (outline,) = outlines(sole(LAYOUT, Foot.RIGHT, EVEN, 1.0))
    assert len(outline) == 8 * len(CORNERS)
    for (ax, ay), (bx, by) in zip(CORNERS, [*CORNERS[1:], CORNERS[0]], strict=True):
        middle = (4.0 + 95.0 * (ax + bx) / 200.0, 274.0 - 270.0 * (ay + by) / 200.0)
        detour = min(
            math.dist(p, middle) + math.dist(middle, q) - math.dist(p, q)
            for p, q in zip(outline, [*outline[1:], outline[0]], strict=True)
        )
        assert detour < 0.005  # by how much places are rounded to a tenth
