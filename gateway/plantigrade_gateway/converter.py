"""Dataclasses as JSON values, and back: the one converter of the gateway."""

import json
from typing import Any, TypeVar

import numpy as np
from pydantic import TypeAdapter, ValidationError
from pydantic_core import PydanticSerializationError, to_jsonable_python

Made = TypeVar("Made")


def plain(value: object) -> Any:  # noqa: ANN401 - any JSON value
    """Return a value as JSON values: dataclasses and mappings as objects, NaN as null.

    Raises
    ------
    TypeError
        Something in it has no place in JSON.
    """
    try:
        return to_jsonable_python(value, inf_nan_mode="null", fallback=_number)
    except PydanticSerializationError as error:
        raise TypeError(str(error)) from error


def _number(value: object) -> Any:  # noqa: ANN401 - a Python number
    """Return a NumPy number as Python's."""
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"a {type(value).__name__} has no place in JSON")


def text_of(values: object) -> str:
    """Return JSON values as text, readable, without NaN."""
    return json.dumps(values, indent=2, ensure_ascii=False, allow_nan=False)


def made(cls: type[Made], values: object) -> Made:
    """Return JSON values as the dataclass they were made from; unknown keys are left out.

    Raises
    ------
    ValueError
        They are of another kind: one sentence with the place.
    """
    try:
        return _adapter(cls).validate_python(values)
    except ValidationError as error:
        raise ValueError(_sentence(error)) from error


def made_from_text(cls: type[Made], text: str | bytes) -> Made:
    """Return JSON text as the dataclass it was made from, as `made` does."""
    try:
        return _adapter(cls).validate_json(text)
    except ValidationError as error:
        raise ValueError(_sentence(error)) from error


def _sentence(error: ValidationError) -> str:
    first = error.errors(include_url=False)[0]
    where = ".".join(map(str, first["loc"]))
    return f"{where}: {first['msg']}" if where else first["msg"]


_ADAPTERS: dict[type[Any], TypeAdapter[Any]] = {}


def _adapter(cls: type[Made]) -> TypeAdapter[Made]:
    """Return what turns a class into JSON and back; made once, when it is first asked for."""
    if cls not in _ADAPTERS:
        _ADAPTERS[cls] = TypeAdapter(cls)
    return _ADAPTERS[cls]
