"""What a browser's form sent: a few short fields."""

from urllib.parse import parse_qsl

from starlette.requests import Request

from plantigrade_gateway.errors import InputError

_MOST_BYTES = 4096
_MOST_FIELDS = 8


async def read_form(request: Request) -> dict[str, str]:
    """Return a form's fields by name; of one that is there twice, the last.

    Raises
    ------
    InputError
        It is not a form of ours, or larger than one.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise InputError("form: not in the form that browsers send it in")
    data = b""
    async for piece in request.stream():
        data += piece
        if len(data) > _MOST_BYTES:
            raise InputError(f"form: longer than {_MOST_BYTES} bytes")
    try:
        pairs = parse_qsl(
            data.decode("ascii"),
            keep_blank_values=True,
            errors="strict",
            max_num_fields=_MOST_FIELDS,
        )
    except ValueError as error:  # UnicodeDecodeError is one
        raise InputError("form: is not readable") from error
    return dict(pairs)
