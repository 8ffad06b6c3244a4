"""Names and origins, as laws: what is not ours is never taken for ours."""

import ipaddress
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plantigrade_gateway.web.door.origin import (
    LOOPBACK,
    asked_name,
    is_from_own_page,
    is_known,
    lan_address,
    own_names,
)

NAMES = LOOPBACK | {"bay.local"}
label = st.text("abcdefghijklmnopqrstuvwxyz0123456789-", min_size=1, max_size=10)
ports = st.one_of(st.just(""), st.integers(0, 65535).map(lambda port: f":{port}"))


def scope(host: str, kind: str = "http", **headers: str) -> dict[str, Any]:
    pairs = [(b"host", host.encode())]
    pairs += [(name.replace("_", "-").encode(), text.encode()) for name, text in headers.items()]
    return {"type": kind, "scheme": "ws" if kind == "websocket" else "http", "headers": pairs}


@given(labels=st.lists(label, min_size=1, max_size=4), port=ports)
def test_no_other_name_is_known_whatever_its_port(labels, port):
    name = ".".join(labels)
    known = is_known(asked_name(name + port) or "", NAMES, any_address=False)
    assert known == (name in NAMES)


@given(st.ip_addresses(), ports)
def test_an_address_is_known_in_the_local_network_and_only_the_loopback_on_the_machine(ip, port):
    host = (f"[{ip}]" if ip.version == 6 else str(ip)) + port
    name = asked_name(host)
    assert name is not None and ipaddress.ip_address(name) == ip
    assert is_known(name, NAMES, any_address=True)
    assert is_known(name, LOOPBACK, any_address=False) == (str(ip) in LOOPBACK)


@given(st.text(max_size=30))
def test_what_is_no_name_is_none(text):
    name = asked_name(text)
    if name is not None:
        assert set(name) <= set("abcdefghijklmnopqrstuvwxyz0123456789.-_:")


@pytest.mark.parametrize(
    "host", ["", ":80", "a b", "a,b", "a@b", "a/b", "a:b", "a:1:2", "[::1", "::1", "a:999999", "ä"]
)
def test_what_no_browser_sends_is_no_name(host):
    assert asked_name(host) is None


@given(host=label, other=label, port=ports, kind=st.sampled_from(["http", "websocket"]))
def test_only_the_same_origin_is_the_same(host, other, port, kind):
    assert is_from_own_page(scope(host + port, kind, origin=f"http://{host}{port}"))
    assert not is_from_own_page(scope(host + port, kind, origin=f"https://{host}{port}"))
    assert not is_from_own_page(scope(host + port, kind, origin=f"http://{host}{port}."))
    assert not is_from_own_page(scope(host + port, kind, origin=f"http://{host}.{other}{port}"))
    assert not is_from_own_page(scope(host + port, kind))
    if other != host:
        assert not is_from_own_page(scope(host + port, kind, origin=f"http://{other}{port}"))


def test_two_origins_are_none():
    made = scope("bay.local", origin="http://bay.local")
    made["headers"] = [*made["headers"], (b"origin", b"http://elsewhere.example")]
    assert not is_from_own_page(made)


def test_this_machine_has_names_and_perhaps_an_address():
    names = own_names()
    assert all(name == name.lower() for name in names)
    assert any(name.endswith(".local") for name in names)
    found = lan_address()
    assert found is None or not ipaddress.ip_address(found).is_loopback
