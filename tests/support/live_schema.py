"""The JSON Schema of the live page's messages, ready to hold a message against."""

import json
from pathlib import Path
from typing import Any

import jsonschema
from referencing import Registry, Resource

NOTES = Path(__file__).resolve().parents[2] / "hardware_notes"


def live_messages() -> Any:
    """Return a validator of messages."""
    contents = {
        f"{name}.schema.json": json.loads((NOTES / f"{name}.schema.json").read_text("utf-8"))
        for name in ("live", "analysis")
    }
    registry: Registry[Any] = Registry().with_resources(
        [(name, Resource.from_contents(content)) for name, content in contents.items()]
    )
    return jsonschema.Draft202012Validator(contents["live.schema.json"], registry=registry)
