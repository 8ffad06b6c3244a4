"""The remembered insoles."""

import pytest
from tests.support.sqlite import connected

from plantigrade.block import Foot
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.store import migrations, schema
from plantigrade_gateway.store.insoles import checked_pair, forget, known, pairs, remember
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.gatt import KnownInsole

LEFT = KnownInsole(0xFFFFFFFF, Foot.LEFT, "blue", "C0:00:00:00:00:01", 270)
RIGHT = KnownInsole(2, Foot.RIGHT, "00000002", "C0:00:00:00:00:02", 255)


def test_one_of_each_foot_is_kept(store):
    remember(store, RIGHT)
    remember(store, LEFT)
    assert known(store) == [LEFT, RIGHT]
    other = KnownInsole(9, Foot.LEFT, "green", "C0:00:00:00:00:09", 270)
    remember(store, other)
    assert known(store) == [other, RIGHT]


def test_an_insole_that_changed_its_foot_is_there_once(store):
    remember(store, LEFT)
    swapped = KnownInsole(LEFT.serial, Foot.RIGHT, "blue", LEFT.address, 270)
    remember(store, swapped)
    assert known(store) == [swapped]


def test_forgetting(store):
    remember(store, LEFT)
    forget(store, Foot.LEFT)
    assert known(store) == []
    with pytest.raises(InputError, match="left insole: none is remembered"):
        forget(store, Foot.LEFT)


def test_each_pair_has_its_own_and_an_insole_is_of_one_pair(store):
    remember(store, LEFT)
    remember(store, RIGHT, "Tee-1")
    other = KnownInsole(9, Foot.LEFT, "green", "C0:00:00:00:00:09", 270)
    remember(store, other, "tee-1")
    assert pairs(store) == {"": [LEFT], "tee-1": [other, RIGHT]}
    assert known(store) == [LEFT]
    assert known(store, "TEE-1") == [other, RIGHT]
    assert known(store, "B") == []
    remember(store, LEFT, "Tee-1")  # moves, in place of the pair's left one
    assert pairs(store) == {"Tee-1": [LEFT, RIGHT]}
    with pytest.raises(InputError, match="right insole: none of pair B is remembered"):
        forget(store, Foot.RIGHT, "B")
    with pytest.raises(InputError, match="right insole: none is remembered"):
        forget(store, Foot.RIGHT)
    forget(store, Foot.RIGHT, "tee-1")
    assert known(store, "Tee-1") == [LEFT]


@pytest.mark.parametrize("name", ["", "A B", "../x", "a" * 17, "A=B", "ä"])
def test_a_name_that_no_pair_can_have(name):
    with pytest.raises(InputError, match="expected up to 16 letters"):
        checked_pair(name)


def test_the_insoles_of_an_older_store_are_the_usual_pair(tmp_path):
    path = tmp_path / "old.sqlite3"
    before = [step.__name__ for step in migrations.MIGRATIONS].index("_to_pairs")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(migrations, "MIGRATIONS", migrations.MIGRATIONS[:before])
        old = schema.connect(path)
        old.execute(
            "INSERT INTO insoles (serial, foot, name, address, length_mm, paired_utc, information,"
            " firmware, bonded) VALUES (2, 'right', '00000002', 'C0:00:00:00:00:02', 255,"
            " '2026-01-01T10:00:00+00:00', NULL, NULL, 0)"
        )
        old.close()
    with Store.open(path, read_only=True) as store:
        assert known(store) == [RIGHT]
    with Store.open(path) as store:
        assert pairs(store) == {"": [RIGHT]}


def test_a_store_of_the_first_version_gets_the_table(tmp_path):
    path = tmp_path / "old.sqlite3"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(migrations, "MIGRATIONS", migrations.MIGRATIONS[:1])
        old = schema.connect(path)
        old.execute(
            "INSERT INTO sessions (session_id, started_utc, utc_offset_min, source, host, state,"
            " analysis_version) VALUES ('5e55', '2026-01-01T10:00:00+00:00', 0, 'kept', 'h',"
            " 'ended', 1)"
        )
        old.close()
    with Store.open(path) as store:
        assert known(store) == []
        remember(store, RIGHT)
        assert [s.session_id for s in store.sessions()] == ["5e55"]
    with connected(path) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (len(migrations.MIGRATIONS),)
    db.close()
