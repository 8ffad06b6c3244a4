"""Signing in and out: the password, the cookie, how long it lasts, and who must wait."""

import logging
import time
from concurrent.futures import ThreadPoolExecutor

import pytest
from argon2 import PasswordHasher, extract_parameters
from argon2.profiles import get_default_parameters
from hypothesis import given
from hypothesis import strategies as st
from starlette.testclient import TestClient
from tests.support.door import PASSWORD, QUICK, Door, door

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.web.door import password
from plantigrade_gateway.web.door.access import FREE_ALL, Access, BindPolicy
from plantigrade_gateway.web.door.accounts import SignIns
from plantigrade_gateway.web.door.pages import own_path


@pytest.fixture
def lan(store, monkeypatch):
    monkeypatch.setattr(password, "HASHER", QUICK)
    return door(store)


def cookie_of(answer) -> dict[str, str]:
    """Return the one cookie that a response sets: its parts by lower-case name."""
    (header,) = answer.headers.get_list("set-cookie")
    parts = [part.strip().partition("=") for part in header.split(";")]
    name, _, value = parts[0]
    return {"name": name, "value": value} | {key.lower(): text for key, _, text in parts[1:]}


def test_the_password_lets_in(lan):
    browser = lan.browser()
    answer = lan.sign_in(browser)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert browser.get("/").text == "coach"


def test_the_cookie_is_out_of_reach_of_scripts_other_sites_and_time(lan):
    cookie = cookie_of(lan.sign_in(lan.browser()))
    assert cookie["name"] == "plantigrade"
    assert len(cookie["value"]) >= 43  # 256 bits
    assert "httponly" in cookie and "secure" not in cookie and "domain" not in cookie
    assert cookie["samesite"].lower() == "strict"
    assert (cookie["path"], cookie["max-age"]) == ("/", "604800")


def test_under_tls_the_cookie_stays_there(lan, store):
    access = Access(store.database, BindPolicy(lan=True, secure=True))
    secure = Door(store, access, lan.origin.replace("http", "https"))
    browser = secure.browser()
    cookie = cookie_of(secure.sign_in(browser))
    assert cookie["name"] == "__Host-plantigrade"
    assert {"secure", "httponly"} <= cookie.keys()
    assert browser.get("/").text == "coach"


def test_every_sign_in_has_a_new_token_and_ends_the_one_before(lan):
    browser = lan.browser()
    first = cookie_of(lan.sign_in(browser))["value"]
    second = cookie_of(lan.sign_in(browser))["value"]
    assert first != second
    stranger = lan.browser()
    assert stranger.get("/", headers={"cookie": f"plantigrade={first}"}).status_code == 401
    assert browser.get("/").text == "coach"


def test_a_wrong_password_says_so_beside_its_field(lan):
    browser = lan.browser()
    for text, said in (("not the password", "This is not the password."), ("", "Type the")):
        answer = lan.sign_in(browser, text)
        assert answer.status_code in (403, 422)
        assert "set-cookie" not in answer.headers
        assert said in answer.text
        assert 'aria-describedby="problem"' in answer.text and 'id="problem"' in answer.text
        assert "value=" not in answer.text.split('id="password"')[1].split(">")[0]
    assert browser.get("/").status_code == 401


def test_a_sign_in_from_another_site_is_not_taken(lan):
    browser = lan.browser()
    answer = browser.post(
        "/sign-in", data={"password": PASSWORD}, headers={"origin": "http://elsewhere.example"}
    )
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        ("application/json", b'{"password": "x"}'),
        ("application/x-www-form-urlencoded", b"password=" + b"x" * 5000),
        ("application/x-www-form-urlencoded", b"&".join([b"a=b"] * 20)),
        ("application/x-www-form-urlencoded", b"password=%ff"),
        ("application/x-www-form-urlencoded", b"password=\xff"),
        ("multipart/form-data; boundary=x", b"--x--"),
    ],
)
def test_what_is_no_form_of_ours_is_refused_in_a_sentence(lan, kind, data):
    answer = lan.browser().post(
        "/sign-in", content=data, headers={"origin": lan.origin, "content-type": kind}
    )
    assert answer.status_code == 400
    assert answer.text.startswith("form: ") and answer.text.count("\n") == 1


def test_one_comes_back_to_the_page_one_asked_for(lan):
    browser = lan.browser()
    asked = browser.get("/sessions/one?from=2&to=3", headers={"accept": "text/html"})
    page = browser.get(asked.headers["location"])
    assert 'name="next" value="/sessions/one?from=2&amp;to=3"' in page.text
    answer = lan.post(browser, "/sign-in", password=PASSWORD, next="/sessions/one?from=2&to=3")
    assert answer.headers["location"] == "/sessions/one?from=2&to=3"


@pytest.mark.parametrize(
    "other",
    [
        "https://elsewhere.example/",
        "//elsewhere.example",
        "/\\elsewhere.example",
        "\\/elsewhere.example",
        "/\t/elsewhere.example",
        "javascript:alert(1)",
        " /x",
        "",
        None,
    ],
)
def test_the_way_back_leads_to_no_other_site(other):
    assert own_path(other) == "/"


@given(st.text(alphabet=st.sampled_from("/\\.:@?#%\t\r\n ahtps"), max_size=12))
def test_the_way_back_is_always_a_path_of_ours(text):
    from urllib.parse import urljoin, urlsplit

    path = own_path(text)
    assert urlsplit(urljoin("http://bay.local/sign-in", path)).netloc == "bay.local"
    assert path.startswith("/") and not path.startswith(("//", "/\\"))


def test_who_is_signed_in_already_need_not_ask(lan):
    answer = lan.signed_in().get("/sign-in?next=/sessions/one")
    assert (answer.status_code, answer.headers["location"]) == (303, "/sessions/one")


def test_on_the_own_machine_there_is_no_sign_in(store):
    here = door(store, lan=False)
    assert here.browser().get("/sign-in").headers["location"] == "/"


# How long it lasts


def test_a_sign_in_without_use_ends_and_one_in_use_does_not(lan):
    used, unused = lan.signed_in(), lan.signed_in()
    for _ in range(3):
        lan.clock.go_on(hours=7)
        assert used.get("/").text == "coach"
    assert unused.get("/").status_code == 401
    lan.clock.go_on(hours=8)
    assert used.get("/").status_code == 401


def test_a_sign_in_ends_after_a_week_in_any_case(lan):
    browser = lan.signed_in()
    for _ in range(27):
        lan.clock.go_on(hours=6)
        assert browser.get("/").text == "coach"
    lan.clock.go_on(hours=6)
    assert browser.get("/").status_code == 401


def test_signing_out_ends_it_here_and_in_the_store(lan):
    browser = lan.signed_in()
    token = browser.cookies["plantigrade"]
    answer = lan.post(browser, "/sign-out")
    assert answer.headers["location"] == "/sign-in"
    assert cookie_of(answer)["max-age"] == "0"
    copy = lan.browser()
    assert copy.get("/", headers={"cookie": f"plantigrade={token}"}).status_code == 401


def test_another_site_cannot_sign_out(lan):
    browser = lan.signed_in()
    browser.post("/sign-out", headers={"origin": "http://elsewhere.example"})
    assert browser.get("/").text == "coach"


def test_a_signed_in_coach_stays_so_when_the_gateway_starts_anew(lan):
    browser = lan.signed_in()
    again = lan.restarted().browser()
    again.cookies = browser.cookies
    assert again.get("/").text == "coach"


def test_a_new_password_signs_everybody_out(lan, store):
    browser = lan.signed_in()
    password.put(store.database, "shift then push")
    assert browser.get("/").status_code == 401
    assert lan.sign_in(browser).status_code == 403
    assert lan.sign_in(browser, "shift then push").status_code == 303


def test_a_password_changed_meanwhile_signs_nobody_in(lan, store, monkeypatch):
    def slow(hashed: str, text: str) -> bool:
        password.put(store.database, "shift then push")
        return True

    monkeypatch.setattr(password, "matches", slow)
    assert SignIns(store.database).begin(PASSWORD) is None


# What is kept


def test_the_store_holds_neither_password_nor_token(lan, store):
    browser = lan.signed_in()
    token = browser.cookies["plantigrade"]
    store.database.read("PRAGMA wal_checkpoint(TRUNCATE)")
    kept = store.path.read_bytes()
    assert b"$argon2id$" in kept
    assert PASSWORD.encode() not in kept and token.encode() not in kept


def test_a_weaker_hash_is_made_anew_at_the_next_sign_in(lan, store):
    weak = PasswordHasher(time_cost=1, memory_cost=32, parallelism=1).hash(PASSWORD)
    with store.database.writing() as db:
        db.execute("UPDATE password SET hash = ?", (weak,))
    other = lan.signed_in()
    now = password.hash_of(store.database) or ""
    assert now != weak and not password.HASHER.check_needs_rehash(now)
    assert lan.signed_in().get("/").text == "coach" == other.get("/").text


@pytest.mark.dear
def test_the_hash_costs_what_the_library_thinks_right(store):
    password.put(store.database, PASSWORD)
    kept = password.hash_of(store.database) or ""
    assert extract_parameters(kept) == get_default_parameters()
    assert password.matches(kept, PASSWORD) and not password.matches(kept, PASSWORD + "s")


def test_one_password_only(lan, store):
    password.put(store.database, "shift then push")
    password.put(store.database, "push then shift")
    assert store.database.read("SELECT count(*) FROM password") == [(1,)]


def test_no_secret_reaches_a_log(lan, caplog):
    caplog.set_level(logging.DEBUG)
    browser = lan.signed_in()
    number_and_secrets = [browser.cookies["plantigrade"], PASSWORD, PASSWORD.replace(" ", "+")]
    lan.sign_in(lan.browser(), "a wrong one, mistyped")
    logging.getLogger("plantigrade").warning("something is logged at all")
    assert "something is logged at all" in caplog.text
    for secret in [*number_and_secrets, "a wrong one, mistyped"]:
        assert secret not in caplog.text


def test_an_unreadable_store_lets_nobody_in_and_says_no_path(lan, store, monkeypatch):
    browser = lan.signed_in()

    def broken(*_: object) -> None:
        raise StoreError(f"store {store.path}: the disk refuses")

    monkeypatch.setattr(store.database, "read", broken)
    answer = browser.get("/")
    assert answer.status_code == 503
    assert str(store.path) not in answer.text
    assert answer.headers["x-content-type-options"] == "nosniff"


# Who must wait


def test_guessing_is_slowed_down_and_said(lan):
    browser = lan.browser("192.0.2.66")
    for _ in range(5):
        assert lan.sign_in(browser, "guess").status_code == 403
    for wait_s in (2, 4, 8):
        answer = lan.sign_in(browser, PASSWORD)  # not even the right one is looked at now
        assert answer.status_code == 429
        assert answer.headers["retry-after"] == str(wait_s)
        assert f"Too many wrong passwords from this device: try again in {wait_s} s." in answer.text
        lan.clock.go_on(seconds=wait_s)
        assert lan.sign_in(browser, "guess").status_code == 403
    assert lan.signed_in("192.0.2.50").get("/").text == "coach"  # others are not held up
    lan.clock.go_on(seconds=16)
    assert lan.sign_in(browser).status_code == 303


def test_who_guesses_from_many_addresses_keeps_no_coach_out_who_was_in_before(lan):
    """For days, each time that a try is taken again; and the tablet was left over night."""
    tablet, other, made_up = lan.signed_in(), lan.browser("192.0.2.51"), lan.browser("192.0.2.52")
    made_up.cookies.set("plantigrade", "A" * 43)
    lan.clock.go_on(hours=9)
    assert tablet.get("/").status_code == 401
    for k in range(FREE_ALL):
        lan.access.attempts.begin(f"198.51.100.{k}")
    for stranger in (other, made_up):
        answer = lan.sign_in(stranger)
        assert answer.status_code == 429 and "from this network" in answer.text
    assert lan.sign_in(tablet).status_code == 303
    assert tablet.get("/").text == "coach"


@pytest.mark.parametrize("how", ["signs out", "a week", "a new password"])
def test_a_device_is_known_no_longer_than_it_should(lan, store, how):
    tablet = lan.signed_in()
    if how == "signs out":
        cookie = tablet.cookies["plantigrade"]
        lan.post(tablet, "/sign-out")
        tablet.cookies.set("plantigrade", cookie)
    elif how == "a week":
        lan.clock.go_on(days=7)
    else:
        password.put(store.database, "another one of words")
    for k in range(FREE_ALL):
        lan.access.attempts.begin(f"198.51.100.{k}")
    assert lan.sign_in(tablet).status_code == 429


def guessed_at_once(lan, addresses: list[str]) -> list[int]:
    """Have browsers guess at the same time; return each one's status."""
    browsers = [lan.browser(address) for address in addresses]  # pages are made in one thread

    def guess(browser: TestClient) -> int:
        return int(lan.sign_in(browser, "guess").status_code)

    with ThreadPoolExecutor(len(browsers)) as pool:
        return list(pool.map(guess, browsers))


@pytest.mark.dear
def test_many_guesses_at_once_are_not_all_looked_at(lan):
    found = guessed_at_once(lan, ["192.0.2.66"] * 12)
    assert sorted(found) == [403] * 5 + [429] * 7


def test_passwords_are_looked_at_one_at_a_time(lan, monkeypatch):
    """Each takes 64 MB for a moment."""
    inside, most = [], [0]

    def looked_at(*_: object) -> bool:
        inside.append(1)
        most[0] = max(most[0], len(inside))
        time.sleep(0.01)
        inside.pop()
        return False

    monkeypatch.setattr(password, "matches", looked_at)
    assert guessed_at_once(lan, [f"192.0.2.{k}" for k in range(8)]) == [403] * 8
    assert most == [1]


def test_waiting_costs_no_hashing(lan, monkeypatch):
    browser = lan.browser("192.0.2.66")
    for _ in range(5):
        lan.sign_in(browser, "guess")
    looked = []
    monkeypatch.setattr(password, "matches", lambda *a: looked.append(a))
    assert lan.sign_in(browser, "guess").status_code == 429
    assert looked == []


def test_a_second_cookie_of_the_same_name_does_not_sign_out(lan):
    """Cookies know no ports: another server of this machine may set one (RFC 6265, 8.5)."""
    browser = lan.browser()
    token = cookie_of(lan.sign_in(browser))["value"]
    other = lan.browser()
    for header in (
        f"plantigrade={token}; plantigrade=of-another",
        f"plantigrade=of-another; plantigrade={token}",
        f"a=b; plantigrade=; plantigrade={token}; plantigrade",
    ):
        assert other.get("/", headers={"cookie": header}).text == "coach"
    junk = "; ".join(f"plantigrade=x{n}" for n in range(300))
    assert other.get("/", headers={"cookie": junk}).status_code == 401


def test_signing_out_ends_every_one_of_the_cookies(lan):
    first = cookie_of(lan.sign_in(lan.browser()))["value"]
    second = cookie_of(lan.sign_in(lan.browser()))["value"]
    both = {"cookie": f"plantigrade={first}; plantigrade={second}", "origin": lan.origin}
    assert lan.browser().post("/sign-out", headers=both).status_code == 303
    for token in (first, second):
        answer = lan.browser().get("/", headers={"cookie": f"plantigrade={token}"})
        assert answer.status_code == 401
