"""Zone layouts: the built-in one exactly as designed, and every refusal in one sentence."""

import re

import numpy as np
import pytest

from plantigrade.errors import LayoutError
from plantigrade.zones import REGIONS, ZoneLayout, eighteen, parse_layout

TABLE = [
    ("heel", 0.36, 0.06, 620),
    ("heel", 0.64, 0.06, 620),
    ("heel", 0.35, 0.17, 700),
    ("heel", 0.65, 0.17, 700),
    ("midfoot", 0.34, 0.29, 480),
    ("midfoot", 0.67, 0.29, 480),
    ("midfoot", 0.32, 0.39, 480),
    ("midfoot", 0.68, 0.39, 480),
    ("midfoot", 0.30, 0.50, 480),
    ("midfoot", 0.68, 0.50, 480),
    ("forefoot", 0.22, 0.68, 780),
    ("forefoot", 0.38, 0.71, 560),
    ("forefoot", 0.52, 0.69, 540),
    ("forefoot", 0.66, 0.65, 540),
    ("forefoot", 0.80, 0.60, 620),
    ("toes", 0.24, 0.88, 640),
    ("toes", 0.47, 0.86, 520),
    ("toes", 0.68, 0.80, 480),
]
"""The project's own layout (ours), written out again from its design."""


def zone(number: int, region: str, **changes: object) -> str:
    keys: dict[str, object] = {"id": number, "region": f'"{region}"', "x": 0.5, "y": 0.5}
    keys = {**keys, "area_mm2": 500, **changes}
    lines = [f"{key} = {value}" for key, value in keys.items() if value is not None]
    return "\n".join(["[[zone]]", *lines])


def layout(*zones: str, top: str = 'name = "t"\nlength_mm = 260\nwidth_mm = 90') -> str:
    return "\n".join([top, *zones])


THREE = [zone(1, "heel"), zone(2, "midfoot"), zone(3, "forefoot")]


def test_the_built_in_layout_is_as_designed():
    built_in = eighteen()
    assert (built_in.unit, built_in.length_mm, built_in.width_mm) == ("kPa", 270.0, 95.0)
    found = zip(
        (REGIONS[k] for k in built_in.region),
        built_in.x.tolist(),
        built_in.y.tolist(),
        built_in.area_mm2.tolist(),
        strict=True,
    )
    assert list(found) == TABLE
    assert built_in.zones_of("midfoot").tolist() == [4, 5, 6, 7, 8, 9]
    assert built_in is eighteen()


def test_newtons_are_kpa_times_area_or_the_reading_itself():
    assert eighteen().newtons_per_unit.tolist() == [a / 1000 for *_, a in TABLE]
    in_n = parse_layout(layout('unit = "N"', *THREE))
    assert in_n.newtons_per_unit.tolist() == [1.0, 1.0, 1.0]


def test_zones_are_put_in_order_of_id_and_toes_may_be_missing():
    text = layout(zone(3, "heel", x=0.1), zone(1, "forefoot", x=0.2), zone(2, "midfoot", x=0.3))
    read = parse_layout(text)
    assert [REGIONS[k] for k in read.region] == ["forefoot", "midfoot", "heel"]
    assert read.x.tolist() == [0.2, 0.3, 0.1]
    assert read.zones_of("toes").tolist() == []
    assert read.unit == "kPa" and read.n_zones == 3


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("name = ", "mine: is not TOML"),
        ("", "mine: length_mm is missing"),
        (layout(*THREE) + "\ncolour = 1", "mine: zone table 3: unknown key 'colour'"),
        (layout(*THREE, top='name = "t"\nlength_mm = 260'), "mine: width_mm is missing"),
        (layout('unit = "psi"', *THREE), 'mine: unit is \'psi\', expected "kPa" or "N"'),
        ('name = "t"\nlength_mm = 1\nwidth_mm = 1\nzone = []', "mine: expected 1 to 64 [[zone]]"),
        ('name = "t"\nlength_mm = 1\nwidth_mm = 1\nzone = 5', "mine: expected 1 to 64 [[zone]]"),
        ('name = "t"\nlength_mm = 1\nwidth_mm = 1\nzone = [7]', "mine: zone table 1: expected a"),
        (layout(*THREE, zone(5, "toes")), "mine: zone table 4: id is 5, expected each of 1 to 4"),
        (layout(*THREE, zone(3, "toes")), "mine: zone table 4: id is 3, expected each of 1 to 4"),
        (layout(*THREE, zone(4, "toes", id="true")), "mine: zone table 4: id is True"),
        (layout(*THREE, zone(4, "toes", id=None)), "mine: zone table 4: id is missing"),
        (layout(*THREE, zone(4, "arch")), "mine: zone 4: region is 'arch', expected one of heel"),
        (layout(*THREE, zone(4, "5").replace('"5"', "5")), "mine: zone 4: region is 5"),
        (layout(*THREE, zone(4, "toes", x=1.01)), "mine: zone 4: x is 1.01, expected 0 to 1"),
        (layout(*THREE, zone(4, "toes", y="nan")), "mine: zone 4: y is nan, expected 0 to 1"),
        (layout(*THREE, zone(4, "toes", y='"a"')), "mine: zone 4: y is 'a', expected a number"),
        (layout(*THREE, zone(4, "toes", x="true")), "mine: zone 4: x is True, expected a number"),
        (layout(*THREE, zone(4, "toes", area_mm2=0)), "mine: zone 4: area_mm2 is 0, expected 1"),
        (layout(*THREE, zone(4, "toes", area_mm2="inf")), "mine: zone 4: area_mm2 is inf"),
        (layout(zone(1, "heel"), zone(2, "forefoot")), "mine: no zone in region midfoot"),
        (layout(*THREE, top='name = "t"\nlength_mm = 20\nwidth_mm = 90'), "length_mm is 20"),
        (layout(*THREE, top='name = "t"\nlength_mm = 260\nwidth_mm = "9"'), "width_mm is '9'"),
    ],
)
def test_what_cannot_be_used_is_refused_in_one_sentence(text, says):
    with pytest.raises(LayoutError, match=re.escape(says)) as caught:
        parse_layout(text, "mine")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("zones", [1, 64])
def test_numbers_of_zones_at_the_limits(zones):
    if zones == 1:
        with pytest.raises(LayoutError, match="no zone in region midfoot"):
            parse_layout(layout(zone(1, "heel")))
        return
    regions = ["heel", "midfoot", "forefoot", "toes"] * 16
    read = parse_layout(layout(*(zone(k + 1, r) for k, r in enumerate(regions))))
    assert read.n_zones == 64
    with pytest.raises(LayoutError, match="expected 1 to 64"):
        parse_layout(layout(*(zone(k + 1, r) for k, r in enumerate([*regions, "toes"]))))


def test_a_layout_s_name_may_be_anything_that_can_be_shown():
    read: ZoneLayout = parse_layout(layout(*THREE, top="name = 5\nlength_mm = 260\nwidth_mm = 90"))
    assert read.name == "5"
    assert np.isfinite(read.area_mm2).all()
