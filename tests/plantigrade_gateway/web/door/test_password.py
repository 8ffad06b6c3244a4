"""What a password must be, and what stands in the store of it."""

import pytest
from tests.support.door import QUICK

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.door import password
from plantigrade_gateway.web.door.accounts import SignIns

GOOD = "heel midfoot"


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(password, "HASHER", QUICK)


@pytest.mark.parametrize(
    ("good", "bad", "said"),
    [
        ("heel midfoot", "heel midfoo", "has 11 characters, expected at least 12"),
        ("abcde" + "a" * 251, "abcde" + "a" * 252, "has 257 characters, expected at most 256"),
        ("abcde" * 3, "abcd" * 3, "has 4 different characters, expected at least 5"),
    ],
)
def test_a_password_is_long_and_varied_enough(good, bad, said):
    assert password.checked(good) == good
    with pytest.raises(InputError, match=said):
        password.checked(bad)


def test_a_sign_is_the_same_however_a_keyboard_composes_it():
    """NFKC: e and a combining acute accent are é; a full-width A is A (Unicode UAX 15)."""
    assert password.plain("e\u0301") == "\u00e9" and password.plain("\uff21") == "A"
    assert password.checked("caf\u00e9 midfoot") == password.checked("cafe\u0301 midfoot")
    hashed = QUICK.hash(password.plain("caf\u00e9 midfoot"))
    assert password.matches(hashed, "cafe\u0301 midfoot")


def test_a_password_of_a_file_is_checked(tmp_path):
    path = tmp_path / "secret"
    path.write_text(f"{GOOD}\n", "utf-8")
    path.chmod(0o600)
    assert password.from_file(path) == GOOD
    path.write_text("short\n", "utf-8")
    with pytest.raises(InputError, match="expected at least 12"):
        password.from_file(path)


def test_what_matches_is_the_password_alone():
    hashed = QUICK.hash(GOOD)
    assert password.matches(hashed, GOOD) is True
    assert password.matches(hashed, GOOD.upper()) is False
    assert password.matches("no hash", GOOD) is False
    for n, tried in ((1024, 1), (1025, 0)):  # four times the most: no more is hashed
        text = "x" * n
        assert password.matches(QUICK.hash(text), text) is bool(tried)


def test_a_new_password_replaces_the_one_before_and_ends_every_sign_in(store: Store):
    database = store.database
    assert not password.is_set(database) and password.hash_of(database) is None
    password.put(database, GOOD)
    assert password.is_set(database)
    sign_ins = SignIns(database)
    assert sign_ins.begin(GOOD) is not None
    assert password.put_if_other(database, GOOD) is False
    assert len(database.read("SELECT * FROM sign_ins")) == 1
    assert password.put_if_other(database, "toes forefoot") is True
    assert database.read("SELECT * FROM sign_ins") == []
    assert sign_ins.begin(GOOD) is None and sign_ins.begin("toes forefoot") is not None
    password.put(database, "toes forefoot")
    ((rows,),) = database.read("SELECT count(*) FROM password")
    assert rows == 1 and database.read("SELECT * FROM sign_ins") == []
    with pytest.raises(InputError):
        password.put(database, "short")
    assert password.matches(password.hash_of(database) or "", "toes forefoot")


def test_where_there_is_none_any_is_another(store: Store):
    assert password.put_if_other(store.database, GOOD) is True
