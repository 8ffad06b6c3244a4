"""What a page says, without its marks."""

import html
import re

from httpx2 import Response


def text_of(answer: Response, status: int = 200) -> str:
    """The text of a page that was answered with a status."""
    assert answer.status_code == status, answer.text
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]*>", " ", answer.text)))
