"""The remembered insoles."""

import sqlite3

import pytest

from plantigrade.block import Foot
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.store import migrations, schema
from plantigrade_gateway.store.insoles import forget, known, remember
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
    with sqlite3.connect(path) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (len(migrations.MIGRATIONS),)
    db.close()
