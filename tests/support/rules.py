"""Rule files under another version, whichever is theirs today."""

import re

from plantigrade_gateway.rules.files import built_in_text

_VERSION = re.compile(r'^version = "(.*)"$', re.MULTILINE)


def own_version() -> str:
    """Return the version of the built-in rules."""
    found = _VERSION.search(built_in_text())
    assert found is not None
    return found[1]


def versioned(text: str, version: str) -> str:
    """Return a rule file's text with another version."""
    found, count = _VERSION.subn(lambda _: f'version = "{version}"', text, count=1)
    assert count == 1
    return found
