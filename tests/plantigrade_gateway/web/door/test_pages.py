"""What forms of the door's pages may hold, and under which address a phone finds them."""

import asyncio
from typing import Any

import pytest
from starlette.requests import Request
from tests.support.waiting import HANG_S

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.web.door.pages import outer_origin, qr_svg, read_body, read_form

FORM = b"application/x-www-form-urlencoded"


def request(*parts: bytes, kind: bytes = FORM, host: bytes = b"here:8642", **more: Any) -> Request:
    """A request whose body comes in parts; one that is empty comes never."""
    left = list(parts)

    async def receive() -> Any:
        part = left.pop(0)
        if not part:
            await asyncio.Event().wait()
        return {"type": "http.request", "body": part, "more_body": bool(left)}

    headers = [(b"content-type", kind), (b"host", host)]
    scope = {"type": "http", "method": "POST", "path": "/", "headers": headers, **more}
    return Request(scope, receive)


async def test_a_body_is_read_up_to_its_bound():
    assert await read_body(request(b"ab", b"cd"), "form", 4, HANG_S) == b"abcd"
    with pytest.raises(InputError, match=r"^form: longer than 4 bytes$"):
        await read_body(request(b"ab", b"cde"), "form", 4, HANG_S)


async def test_a_body_that_does_not_come_is_given_up():
    with pytest.raises(InputError, match=r"^photo: did not come within 0\.01 s$"):
        await read_body(request(b"ab", b""), "photo", 4, 0.01)


async def test_a_form_s_fields_are_read_the_last_of_each():
    assert await read_form(request(b"a=1&b=&a=2+%C3%A9")) == {"a": "2 é", "b": ""}
    assert await read_form(request(b"a=1", kind=FORM.upper() + b"; charset=utf-8")) == {"a": "1"}


@pytest.mark.parametrize(
    ("body", "kind", "says"),
    [
        (b"a=1", b"multipart/form-data", "not in the form that browsers send it in"),
        (b"a=1", b"", "not in the form that browsers send it in"),
        (b"a=%ff", FORM, "is not readable"),
        ("a=é".encode(), FORM, "is not readable"),
        (b"a=1&b=2&c=3", FORM, "is not readable"),
        (b"a=" + b"1" * 19, FORM, "longer than 20 bytes"),
    ],
)
async def test_what_is_no_form_of_ours_is_refused(body, kind, says):
    assert await read_form(request(b"a=1&b=2"), 20, 2) == {"a": "1", "b": "2"}
    assert await read_form(request(b"a=" + b"1" * 18), 20, 2) == {"a": "1" * 18}
    with pytest.raises(InputError, match=f"^form: {says}"):
        await read_form(request(body, kind=kind), 20, 2)


@pytest.mark.parametrize(
    ("host", "address", "origin"),
    [
        (b"bay.local:8642", "192.0.2.7", "http://bay.local:8642"),
        (b"127.0.0.1:8642", "192.0.2.7", "http://192.0.2.7:8642"),
        (b"localhost", "192.0.2.7", "http://192.0.2.7"),
        (b"[::1]:8642", "192.0.2.7", "http://192.0.2.7:8642"),
        (b"localhost:8642", None, "http://localhost:8642"),
    ],
)
def test_a_phone_is_led_to_the_name_that_the_coach_uses_or_to_this_machine(host, address, origin):
    asked = request(host=host, scheme="http", server=("x", 80))
    assert outer_origin(asked, lambda: address) == origin


def test_a_code_is_dark_on_white_and_has_its_margin():
    """ISO/IEC 18004: a quiet zone of four modules; here each is six units."""
    text = qr_svg("http://bay.local:8642/p/token").decode()
    assert text.startswith("<svg") and 'stroke="#000"' in text and 'fill="#fff"' in text
    assert "scale(6)" in text and "M4 4.5h7" in text  # a finder pattern begins there
