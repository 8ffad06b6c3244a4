"""Stored calibrations: by insole, all or none, the old ones kept; and what is said of them."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from tests.support.sqlite import connected

from plantigrade.block import Foot
from plantigrade.calibrate import Calibration, default_calibration
from plantigrade.evidence import FootFit
from plantigrade.zones import eighteen
from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.store import calibrations, migrations
from plantigrade_gateway.store.insoles import (
    firmware_said,
    forget,
    known,
    layout_difference,
    layout_of,
    note_firmware,
    remember,
    size_notes,
)
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.gatt import KnownInsole
from plantigrade_gateway.wire.information import Information, ZoneTable

LEFT = KnownInsole(0xFFFFFFFF, Foot.LEFT, "blue", "C0:00:00:00:00:01", 270)
RIGHT = KnownInsole(2, Foot.RIGHT, "green", "C0:00:00:00:00:02", 270)
DAY = datetime(2026, 3, 1, 9, 30, tzinfo=UTC)


def fit(
    foot: Foot, gain: float = 1.2, percent: float | None = 1.5, notes: tuple[str, ...] = ()
) -> FootFit:
    start = default_calibration(eighteen(), foot)
    made = Calibration(foot, start.knots, start.pressure, np.full(18, 7.5), gain, "fitted")
    return FootFit(made, percent, 0.3, -1.0, notes)


def both(gain: float = 1.2) -> dict[int, FootFit]:
    return {LEFT.serial: fit(Foot.LEFT, gain), RIGHT.serial: fit(Foot.RIGHT, gain)}


def test_never_calibrated(store):
    assert calibrations.latest(store, LEFT) is None
    assert calibrations.describe(store, LEFT) == "never calibrated"
    assert calibrations.with_descriptions(store, [LEFT, RIGHT]) == {}
    assert calibrations.history(store, LEFT.serial) == []


def test_what_is_kept_comes_back_to_the_last_bit(store):
    calibrations.keep(store, both(1.1 + 1e-15), DAY)
    found = calibrations.latest(store, LEFT)
    assert found is not None
    assert found.calibration.to_json() == fit(Foot.LEFT, 1.1 + 1e-15).calibration.to_json()
    assert (found.made, found.gain_percent, found.zero_percent, found.notes, found.check) == (
        DAY,
        1.5,
        0.3,
        (),
        None,
    )
    assert calibrations.describe(store, LEFT) == (
        "calibrated 2026-03-01, gain repeats within 1.5 %, zero within 0.3 %"
    )


def test_the_latest_counts_and_the_others_stay(store):
    for gain in (1.0, 1.1, 1.2):
        calibrations.keep(store, both(gain))
    assert [c.calibration.gain for c in calibrations.history(store, LEFT.serial)] == [1.2, 1.1, 1.0]
    found = calibrations.latest(store, LEFT)
    assert found is not None and found.calibration.gain == 1.2


def test_both_are_kept_or_none(store):
    calibrations.keep(store, both(1.0))
    broken = {LEFT.serial: fit(Foot.LEFT), RIGHT.serial: fit(Foot.RIGHT, percent=None)}
    with pytest.raises(StoreError):
        calibrations.keep(store, broken)
    assert [c.calibration.gain for c in calibrations.history(store, LEFT.serial)] == [1.0]


def test_a_check_belongs_to_the_calibration_it_checked(store):
    calibrations.keep(store, both(1.0), DAY)
    calibrations.keep_check(store, {LEFT.serial: fit(Foot.LEFT, percent=2.0)}, DAY)
    assert calibrations.describe(store, LEFT).endswith(
        "zero within 0.3 %; check of 2026-03-01 passed"
    )
    assert "check" not in calibrations.describe(store, RIGHT)
    warned = fit(Foot.LEFT, percent=None, notes=("left foot: it reads 12 N in the air",))
    calibrations.keep_check(store, {LEFT.serial: warned}, DAY)
    assert calibrations.describe(store, LEFT).endswith(
        "check of 2026-03-01 warned: left foot: it reads 12 N in the air"
    )
    found = calibrations.latest(store, LEFT)
    assert found is not None and found.check is not None
    assert (found.check.passed, found.check.gain_percent, found.check.air_n) == (False, None, -1.0)
    calibrations.keep(store, both(1.1), DAY)
    assert "check" not in calibrations.describe(store, LEFT)
    older = calibrations.history(store, LEFT.serial)[1]
    assert older.check is not None and not older.check.passed


def test_a_gain_that_repeats_badly_is_doubtful_and_notes_are_said(store):
    note = "left insole: its toe end never carries load; too long for this foot"
    calibrations.keep(store, {LEFT.serial: fit(Foot.LEFT, percent=7.0, notes=(note,))}, DAY)
    text = calibrations.describe(store, LEFT)
    assert "within 7.0 %" in text and "(doubtful)" in text and text.endswith(note)


def test_an_insole_that_is_the_other_foot_now_was_never_calibrated_as_it(store):
    calibrations.keep(store, both())
    turned = KnownInsole(LEFT.serial, Foot.RIGHT, "blue", LEFT.address, 270)
    assert calibrations.describe(store, turned) == "never calibrated"


def test_one_that_is_forgotten_and_paired_again_keeps_its_history(store):
    remember(store, LEFT)
    calibrations.keep(store, both())
    forget(store, Foot.LEFT)
    remember(store, LEFT)
    assert calibrations.latest(store, LEFT) is not None


def test_the_note_goes_into_the_record(store):
    calibrations.keep(store, {RIGHT.serial: fit(Foot.RIGHT)}, DAY)
    (foot, noted), *others = calibrations.with_descriptions(store, [LEFT, RIGHT]).items()
    assert (foot, noted.note, others) == (Foot.RIGHT, calibrations.describe(store, RIGHT), [])


def test_a_store_of_an_older_version_gets_the_tables(tmp_path):
    path = tmp_path / "old.sqlite3"
    before = next(
        k for k, step in enumerate(migrations.MIGRATIONS) if step.__name__ == "_to_calibrations"
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(migrations, "MIGRATIONS", migrations.MIGRATIONS[:before])
        with Store.open(path) as old, old.database.writing() as db:
            db.execute(  # as versions of that time did
                "INSERT INTO insoles (serial, foot, name, address, length_mm, paired_utc)"
                " VALUES (?, 'left', 'blue', ?, 270, '2026-01-01T10:00:00.000000+00:00')",
                (LEFT.serial, LEFT.address),
            )
    with Store.open(path) as store:
        assert known(store) == [LEFT]
        assert calibrations.describe(store, LEFT) == "never calibrated"
        calibrations.keep(store, both(), DAY)
        assert calibrations.latest(store, LEFT) is not None
    with connected(path) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (len(migrations.MIGRATIONS),)
    db.close()


def test_sizes_that_do_not_fit_are_said():
    short = KnownInsole(3, Foot.RIGHT, "short", "C0:00:00:00:00:03", 255)
    assert size_notes([LEFT, RIGHT], 268.0) == []
    assert size_notes([LEFT, short]) == [
        "The two insoles differ in size (left 270 mm and right 255 mm): check that they are a pair."
    ]
    (note,) = size_notes([LEFT], 278.0)
    assert note == (
        "The left insole (blue) is 270 mm long and the footbed 278 mm: the insole must end where "
        "the footbed ends."
    )


# ---- curves, and insoles that say what they are

ZONES = ((0, 5000, 1000, 900), (1, 5000, 4000, 800), (2, 5000, 7000, 1000))
THREE = Information(3, 16, ZoneTable(260, 90, ZONES), hardware=7, firmware=0x0102)
WIDE = replace(LEFT, information=THREE)


def curve(insole: KnownInsole, top_kpa: float = 700.0) -> Calibration:
    n = 3 if insole.information else 18
    knots = np.array([0.0, float(insole.full_scale)])
    made = np.tile([0.0, top_kpa], (n, 1))
    return Calibration(
        insole.foot, knots, made, np.zeros(n), note="a curve", full_scale=insole.full_scale
    )


def test_what_an_insole_says_of_itself_is_remembered(store):
    remember(store, WIDE)
    assert known(store) == [WIDE]
    assert (known(store)[0].full_scale, len(ZONES)) == (65535, 3)


def test_a_curve_counts_until_a_calibration_is_made_upon_it_and_again_when_a_newer_one_comes(store):
    calibrations.keep_curves(store, {LEFT.serial: curve(LEFT)}, DAY)
    assert calibrations.latest(store, LEFT) is None
    assert calibrations.describe(store, LEFT) == "a curve (2026-03-01)"
    assert calibrations.start_of(store, LEFT).to_json() == curve(LEFT).to_json()
    assert calibrations.with_descriptions(store, [LEFT])[Foot.LEFT].note == "a curve (2026-03-01)"

    calibrations.keep(store, {LEFT.serial: fit(Foot.LEFT)}, DAY + timedelta(hours=1))
    assert calibrations.start_of(store, LEFT).gain == 1.2

    calibrations.keep_curves(store, {LEFT.serial: curve(LEFT)}, DAY + timedelta(hours=2))
    assert calibrations.start_of(store, LEFT).gain == 1.2  # the same one, read at pairing again

    calibrations.keep_curves(store, {LEFT.serial: curve(LEFT, 650.0)}, DAY + timedelta(hours=3))
    assert calibrations.latest(store, LEFT) is None
    assert calibrations.start_of(store, LEFT).pressure[0, -1] == 650.0


@pytest.mark.parametrize("first", [1970, 2026, 9999])
@pytest.mark.parametrize("second", [1970, 2026, 9999])
def test_what_was_kept_last_counts_whatever_the_clock_said(store, first, second):
    early, late = (datetime(year, 12, 31, 23, 59, 59, tzinfo=UTC) for year in (first, second))
    curve = replace(default_calibration(eighteen(), Foot.LEFT), note="curve from the bench")
    calibrations.keep(store, both(1.3), early)
    calibrations.keep_curves(store, {LEFT.serial: curve}, late)
    assert calibrations.latest(store, LEFT) is None
    assert calibrations.start_of(store, LEFT).note == "curve from the bench"
    calibrations.keep(store, both(1.4), early)
    found = calibrations.latest(store, LEFT)
    assert found is not None and found.calibration.gain == 1.4
    assert calibrations.describe(store, LEFT).startswith(f"calibrated {first}-12-31")


def test_curves_and_calibrations_of_other_zones_full_scale_or_foot_do_not_count(store):
    calibrations.keep(store, {LEFT.serial: fit(Foot.LEFT)}, DAY)
    calibrations.keep_curves(store, {LEFT.serial: curve(LEFT)}, DAY)
    for other in (WIDE, replace(LEFT, foot=Foot.RIGHT)):
        assert calibrations.latest(store, other) is None
        assert calibrations.curve_of(store, other) is None
        assert calibrations.describe(store, other) == "never calibrated"
    start = calibrations.start_of(store, WIDE)
    assert (start.n_zones, start.full_scale) == (3, 65535)


def test_the_full_scale_of_what_was_never_calibrated_goes_into_the_record(store):
    """Else its 16 bits would be read as 12; a usual insole's record stays as it was."""
    noted = calibrations.with_descriptions(store, [WIDE, RIGHT])
    assert set(noted) == {Foot.LEFT}
    assert (noted[Foot.LEFT].note, noted[Foot.LEFT].full_scale) == ("default", 65535)


def test_a_pair_of_different_zones_cannot_be_used(store):
    assert layout_of([LEFT, RIGHT]) == "eighteen"
    assert layout_of([]) == "eighteen"
    twin = replace(RIGHT, information=replace(THREE, bits=12, hardware=8))
    assert layout_difference([WIDE, twin]) == ""  # only their converters differ
    assert layout_of([WIDE, twin]) == THREE.layout
    with pytest.raises(
        InputError,
        match=r"different zones \(the left 3 of kind 0007 and the right the built-in eighteen\)",
    ):
        layout_of([WIDE, RIGHT])


def test_an_older_firmware_is_said_once_a_newer_one_was_seen_on_its_kind(store):
    remember(store, WIDE)
    assert firmware_said(store, WIDE) == "firmware 1.2"
    twin = replace(RIGHT, information=replace(THREE, firmware=0x0103))
    remember(store, twin)
    expected = "firmware 1.2, older than 1.3, which was seen on an insole of its kind: update it"
    assert firmware_said(store, WIDE) == expected
    note_firmware(store, WIDE.serial, 0x0103, 7)
    assert firmware_said(store, WIDE) == "firmware 1.3"
    note_firmware(store, WIDE.serial, 0x0100, 7)  # put back by its owner
    assert "older than 1.3" in str(firmware_said(store, WIDE))


def test_firmware_of_another_kind_says_nothing_of_this_one(store):
    remember(store, WIDE)
    remember(store, replace(RIGHT, information=replace(THREE, firmware=0x0900, hardware=8)))
    assert firmware_said(store, WIDE) == "firmware 1.2"
    plain = replace(RIGHT, serial=9)
    remember(store, plain)
    assert firmware_said(store, plain) is None  # it was not connected yet
    note_firmware(store, plain.serial, 0x0100, None)
    assert firmware_said(store, plain) == "firmware 1.0"
