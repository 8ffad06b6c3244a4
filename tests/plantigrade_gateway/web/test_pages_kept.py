"""What the pages say changes only where that is meant (`tests.support.pages`)."""

import difflib

import pytest
from tests.support.pages import KEPT, made, pages

pytestmark = [pytest.mark.dear, pytest.mark.slow, pytest.mark.long]


def test_the_pages_say_what_they_said(tmp_path):
    made(tmp_path / "store.sqlite3")
    now = "\n".join(pages(tmp_path / "store.sqlite3"))
    was = KEPT.read_text("utf-8")
    assert now == was, "\n".join(difflib.unified_diff(was.split("\n"), now.split("\n"), n=1))
