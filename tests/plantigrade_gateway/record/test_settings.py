"""A session's settings: kept exactly, read back, and refused in one sentence."""

import json
from dataclasses import asdict, fields

import pytest

from plantigrade.block import Foot
from plantigrade.errors import LayoutError
from plantigrade.zones import eighteen
from plantigrade_gateway.errors import RecordError
from plantigrade_gateway.record.settings import ASSUMED_MASS_KG, SessionSettings

G = 9.80665
LAYOUT = "\n".join(
    [
        'name = "three"\nunit = "N"\nlength_mm = 260\nwidth_mm = 90',
        *(
            f'[[zone]]\nid = {k}\nregion = "{region}"\nx = 0.5\ny = 0.{k}\narea_mm2 = 900'
            for k, region in enumerate(("heel", "midfoot", "forefoot"), 1)
        ),
    ]
)


@pytest.mark.parametrize(
    "settings",
    [
        SessionSettings(),
        SessionSettings(mass_kg=81.3, handed="left", bw_n=812.25, note="a cold day — müde"),
        SessionSettings(layout=LAYOUT, mass_kg=0.1 + 62.2),
    ],
)
def test_what_is_kept_is_read_back(settings):
    assert SessionSettings.from_json(settings.to_json()) == settings
    assert set(json.loads(settings.to_json())) == {"schema", *(f.name for f in fields(settings))}


def test_later_keys_do_no_harm_and_missing_ones_have_their_defaults():
    assert SessionSettings.from_json(b'{"schema": 1, "shoe": "any"}') == SessionSettings()


def test_the_lead_foot_is_the_other_hand_s():
    assert SessionSettings(handed="right").lead is Foot.LEFT
    assert SessionSettings(handed="left").lead is Foot.RIGHT


def test_body_weight_is_measured_else_from_the_mass_else_assumed():
    for settings, newtons, origin in (
        (SessionSettings(mass_kg=80.0, bw_n=700.0), 700.0, "recording"),
        (SessionSettings(mass_kg=80.0), 80.0 * G, "mass"),
        (SessionSettings(), ASSUMED_MASS_KG * G, "assumed"),
    ):
        assert settings.body_weight_n == pytest.approx(newtons)
        assert settings.body_weight_from == origin


def test_the_layout_is_the_built_in_one_or_its_own_text():
    assert SessionSettings().zone_layout() is eighteen()
    own = SessionSettings(layout=LAYOUT).zone_layout()
    assert (own.name, own.n_zones, own.unit) == ("three", 3, "N")
    with pytest.raises(LayoutError, match="is not TOML"):
        SessionSettings(layout="[[zone").zone_layout()


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"handed": "both"}, "handed is 'both', expected right or left"),
        ({"handed": ""}, "handed is '', expected right or left"),
        ({"mass_kg": 9.99}, "mass is 9.99 kg, expected 10 to 300"),
        ({"mass_kg": 301.0}, "mass is 301 kg, expected 10 to 300"),
        ({"mass_kg": float("nan")}, "mass is nan kg, expected 10 to 300"),
    ],
)
def test_settings_that_cannot_be_are_refused_in_one_sentence(changes, says):
    with pytest.raises(RecordError, match=says):
        SessionSettings(**changes)
    table = {"schema": 1, **asdict(SessionSettings()), **changes}
    with pytest.raises(RecordError, match=says):
        SessionSettings.from_json(json.dumps(table).encode())


@pytest.mark.parametrize(
    "bw_n",
    [
        *(5.0, -700.0, 1e6, float("nan"), float("inf")),
    ],
)
def test_a_body_weight_that_no_analysis_can_use_is_refused(bw_n):
    with pytest.raises(RecordError, match="body weight"):
        SessionSettings(bw_n=bw_n)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\xff\xfe",
        b"{",
        b"[]",
        b"null",
        b"1",
        b'"text"',
        b"{}",
        b'{"schema": 2}',
        b'{"schema": "1"}',
        b'{"schema": 1, "mass_kg": "heavy"}',
        b'{"schema": 1, "mass_kg": [80]}',
        b'{"schema": 1, "bw_n": {}}',
        b'{"schema": 1, "handed": null}',
    ],
)
def test_what_is_no_settings_entry_is_refused_in_one_sentence(data):
    with pytest.raises(RecordError, match="settings") as caught:
        SessionSettings.from_json(data)
    assert "\n" not in str(caught.value)
