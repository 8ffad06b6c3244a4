"""A session's settings: kept exactly, read back, and refused in one sentence."""

import json
from dataclasses import asdict, fields

import pytest

from plantigrade.block import Foot
from plantigrade.errors import LayoutError
from plantigrade.limits import Limits
from plantigrade.zones import eighteen
from plantigrade_gateway.errors import InputError, RecordError
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.settings import (
    ASSUMED_MASS_KG,
    SessionSettings,
    settings_of,
    with_settings,
)

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


def test_a_batch_s_settings_are_the_first_it_holds():
    first, later = SessionSettings(mass_kg=70.0), SessionSettings(mass_kg=80.0)
    entries = [Entry(1, SESSION, Kind.MARK, b"x")]
    assert settings_of(Batch.of(entries)) is None
    entries += [Entry(2, SESSION, Kind.SETTINGS, one.to_json()) for one in (first, later)]
    assert settings_of(Batch.of(entries)) == first


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


# ---- limits ----

LATER = Limits(push_rolled=0.25, stand_quiet_mm=12.0)


def test_limits_that_were_set_are_kept_and_the_others_follow_the_program():
    settings = SessionSettings(mass_kg=80.0, limits=LATER)
    kept = json.loads(settings.to_json())
    assert kept["limits"] == {"push_rolled": 0.25, "stand_quiet_mm": 12.0}
    assert SessionSettings.from_json(settings.to_json()) == settings
    older = b'{"schema": 1, "limits": {"push_rolled": 0.25, "never_heard_of": 3}}'
    assert SessionSettings.from_json(older).limits == Limits(push_rolled=0.25)


@pytest.mark.parametrize(
    ("limits", "says"),
    [
        ({"push_rolled": 9.0}, "limit push_rolled: is 9, expected 0 to 2"),
        ({"bearing_none": 0.5}, "limit bearing_none: is 0.5, expected less than bearing_full"),
        ({"push_rolled": "much"}, "not readable"),
        ([1], "not readable"),
    ],
)
def test_limits_that_no_analysis_can_use_are_refused(limits, says):
    with pytest.raises(RecordError, match=says):
        SessionSettings.from_json(json.dumps({"schema": 1, "limits": limits}).encode())


def test_a_session_s_own_limits_go_before_the_installation_s():
    recorded = SessionSettings(limits=Limits(push_rolled=0.25, bearing_full=0.07))
    usual = {"push_rolled": 0.3, "roll_through": 0.06}
    assert recorded.with_limits(usual, {}).limits == Limits(
        push_rolled=0.25, bearing_full=0.07, roll_through=0.06
    )
    assert recorded.with_limits(usual, {"push_rolled": 0.2}).limits == Limits(
        bearing_full=0.07, roll_through=0.06
    )
    with pytest.raises(InputError, match=r"limit roll_skipped: is 0\.05, expected less than"):
        recorded.with_limits({}, {"roll_skipped": 0.05})


def test_settings_are_changed_wherever_they_stand_in_a_record():
    def limited(settings: SessionSettings) -> SessionSettings:
        return settings.with_limits({}, {"push_rolled": 0.25})

    own = SessionSettings(mass_kg=80.0, limits=Limits(roll_through=0.06))
    entries = [
        Entry(5, SESSION, Kind.MARK, b"hello"),
        Entry(6, SESSION, Kind.SETTINGS, own.to_json()),
        Entry(7, SESSION, Kind.MARK, b"again"),
    ]
    for cut in ([Batch.of(entries)], [Batch.of([e]) for e in entries]):
        found = [entry for batch in with_settings(cut, limited) for entry in batch]
        assert [e.kind for e in found] == [Kind.SETTINGS, Kind.MARK, Kind.SETTINGS, Kind.MARK]
        assert [e.arrival_ns for e in found] == [5, 5, 6, 7]
        first, second = (SessionSettings.from_json(found[k].data) for k in (0, 2))
        assert first == SessionSettings(limits=Limits(push_rolled=0.25))
        assert second == SessionSettings(80.0, limits=Limits(roll_through=0.06, push_rolled=0.25))
