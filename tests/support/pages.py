"""What the pages say of an invented store, as text: each address once, from link to link.

`python -m tests.support.pages` writes it to `tests/plantigrade_gateway/web/pages.txt`: after a
change of what people read that is meant, read as a diff, and never to get a test green. What
differs from run to run is replaced by a word, a picture and a curve by the sums of its numbers.
"""

import html
import json
import re
import tempfile
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from fastapi.testclient import TestClient
from tests.support.practice import store_practice

from plantigrade_gateway.session import invented
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.app import create_app
from plantigrade_gateway.web.door.access import Access, BindPolicy
from plantigrade_gateway.web.live.audience import Audience

KEPT = Path(__file__).parents[1] / "plantigrade_gateway" / "web" / "pages.txt"
UNTIL_NS = 245_000_000_000  # of the practice session: two sets
BEGUN = ("/players", "/sessions", "/players?q=mi", "/sessions?q=mira")
OF_SESSION = ("timeline.json", "swings/2/chart.json", "swings/2/frames.json", "sets/1/chart.json")
MOST_ALIKE = 2  # pages whose addresses differ in ids and numbers alone
NOT_READ = re.compile(r"^/static/|\.(parquet|pdf|zip)|/frames\.csv|read\.json")
LONGEST = 6
"""Lists of more numbers are given by their sums."""
REPLACED = (
    (r"\b[0-9a-f]{32}\b", "ID"),
    (r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d+)?)?( ?[+-]\d\d:?\d\d|Z)?", "TIME"),
    (r"\d{4}-\d\d-\d\d", "DAY"),
    (r"\b[0-9a-f]{8}\b", "ID8"),
)
ADDRESS = re.compile(r"""\b(?:href|src|data-[a-z-]+)="(/[^"#]*)""")
PICTURE = re.compile(r"<svg\b.*?</svg>", re.DOTALL)
NUMBER = re.compile(r"(?<![\w#.])-?\d+(?:\.\d+)?")
FIELD = re.compile(r"""<(input|button|option)\b([^>]*)>""")
SAID = re.compile(r"""\b(name|value|checked|selected|disabled)(?:="([^"]*)")?""")


def _sums(numbers: list[float]) -> str:
    values = np.array(numbers, float)
    lost = np.isnan(values)
    values = np.where(lost, 0.0, values)
    weighted = float(np.sin(0.37 * np.arange(len(values))) @ values)
    sums = f"{len(values)} numbers, {int(lost.sum())} lost, {values.sum():.6g}, {weighted:.6g}"
    return f"[{sums}]"


def _pictured(found: re.Match[str]) -> str:
    drawn = found.group()
    words = re.findall(r">\s*([^<>]*?[^\s<>][^<>]*?)\s*<", drawn)
    words = ["DAY" if re.fullmatch(r"\d\d-\d\d", word) else word for word in words]
    inside = " ".join(re.findall(r'\b(?!id|class)[a-z0-9-]+="([^"]*)"', drawn))
    return f"\n<picture {' '.join(words)} {_sums([float(n) for n in NUMBER.findall(inside)])}>\n"


def _field(found: re.Match[str]) -> str:
    said = (key if not value else f"{key}={value}" for key, value in SAID.findall(found.group(2)))
    return f"\n⟨{' '.join((found.group(1), *said))}⟩ "


def _page(text: str) -> Iterator[str]:
    body = text[text.index("<main") : text.index("</main>")]
    body = FIELD.sub(_field, PICTURE.sub(lambda m: html.escape(_pictured(m)), body))
    body = re.sub(r"<(script|style)\b.*?</\1>", "", body, flags=re.DOTALL)
    body = re.sub(r"</t[dh]>", " | ", re.sub(r"\s*\n\s*", "\n", body))
    body = re.sub(r"<(/?)(p|div|h\d|li|tr|section|form|summary|dt|dd)\b[^>]*>", "\n", body)
    for line in html.unescape(re.sub(r"<[^>]*>", "", body)).splitlines():
        if short := re.sub(r"\s+", " ", line).strip():
            yield short


def _json(value: Any, key: str = "", depth: int = 0) -> Iterator[str]:
    """Give one line for each value; a long list of numbers by its sums."""
    if isinstance(value, dict):
        for name, one in value.items():
            yield from _json(one, f"{key}.{name}" if key else name, depth + 1)
    elif isinstance(value, list):
        numbers = list(_numbers(value))
        if len(numbers) > LONGEST and not any(isinstance(one, str) for one in numbers):
            yield f"{key} {_sums([np.nan if one is None else float(one) for one in numbers])}"
        elif not any(isinstance(one, dict | list) for one in value):
            yield f"{key} {json.dumps([_short(one) for one in value], ensure_ascii=False)}"
        else:
            for at, one in enumerate(value):
                yield from _json(one, f"{key}[{at}]", depth + 1)
    else:
        yield f"{key} {json.dumps(_short(value), ensure_ascii=False)}"


def _numbers(value: Any) -> Iterator[Any]:
    """Give what a list of lists holds; an empty word for what is not a number."""
    if isinstance(value, list):
        for one in value:
            yield from _numbers(one)
    else:
        yield value if value is None or isinstance(value, int | float) else ""


def _short(value: Any) -> Any:
    return float(f"{value:.6g}") if isinstance(value, float) else value


def replaced(text: str) -> str:
    """Return a text without what differs from run to run."""
    for pattern, word in REPLACED:
        text = re.sub(pattern, word, text)
    return text


def pages(path: Path) -> Iterator[str]:
    """Give what each page of a store says, under its address."""
    with Store.open(path) as store:
        listed = [each.session_id for each in store.sessions()]
        access = Access(store.database, BindPolicy())
        app = create_app(Audience(), path, access)
        with TestClient(app, follow_redirects=False) as client:
            yield from _crawled(client, listed)


def _crawled(client: TestClient, sessions: list[str]) -> Iterator[str]:
    waiting = list(BEGUN)
    later = [f"/sessions/{one}/{what}" for one in sessions for what in OF_SESSION]
    asked: set[str] = set()
    alike: Counter[str] = Counter()
    while waiting or later:
        if not waiting:  # a session's page, asked for before, has its charts prepared
            waiting, later = later, []
        address = waiting.pop(0)
        shape = re.sub(r"\d+", "N", replaced(address))
        if address in asked or alike[shape] == MOST_ALIKE or NOT_READ.search(address):
            continue
        asked.add(address)
        alike[shape] += 1
        answer = client.get(address)
        kind = answer.headers.get("content-type", "").partition(";")[0]
        block = [f"GET {address}: {answer.status_code} {kind}"]
        if kind == "application/json":
            block += _json(answer.json())
        elif kind == "text/html":
            block += _page(answer.text)
            waiting += (html.unescape(each) for each in ADDRESS.findall(answer.text))
        elif kind == "text/csv":
            block += answer.text.splitlines()[:4]
        yield replaced("\n".join(block)) + "\n"


def made(path: Path) -> None:
    """Make the store: two invented players with their visits, and a practice session."""
    with Store.open(path) as store:
        store_practice(store, UNTIL_NS)
        invented.put(store, datetime.now(UTC))


def main() -> None:
    """Write what is said now."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "store.sqlite3"
        made(path)
        KEPT.write_text("\n".join(pages(path)), "utf-8")


if __name__ == "__main__":
    main()
