"""What the OpenAPI document allows, and what it does not, asked by a signed-in coach: never a 5xx.

A dead sign-in would pass on 401 alone, and unknown ids on 404 alone: answers of 2xx are counted.
"""

from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from zlib import crc32

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis import Case, GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    response_schema_conformance,
    status_code_conformance,
)
from starlette.testclient import TestClient
from starlette.types import ASGIApp, Receive, Scope, Send
from tests.support.api import DOCUMENT, HERE, Bay, bay, got, operations
from tests.support.practice import practice_copy

from plantigrade_gateway.web.door.guard import Guard

pytestmark = pytest.mark.dear

WAIT_S = 300.0
"""The longest that an answer is waited for: no test is of the machine's speed."""
SEEN: Counter[tuple[str, str, int]] = Counter()
"""Answers by method, path and status."""
KNOWN: dict[str, str | int] = {"swing": 1, "measure": "full.load_tempo"}
"""What is there, by the name it is asked for with; most cases get it in place of something."""
CHECKS = [not_a_server_error, status_code_conformance, response_schema_conformance]


@pytest.fixture(scope="module")
def served(invented_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bay]:
    with bay(practice_copy(invented_store, tmp_path_factory.mktemp("fuzz"))) as opened:
        yield opened


@pytest.fixture(scope="module")
def coach(served: Bay) -> TestClient:
    program = served.coach()
    sessions = got(program.get(f"{HERE}/sessions"))["rows"]
    last, first = (one["session"] for one in sessions)
    player = sessions[0]["player"]
    KNOWN.update(session_id=last, visit=last, before=first, after=last)
    KNOWN.update(player_id=player, player=player, topic="push")
    rules = {"topic": "push", "answer": "go", "visit": last}
    got(program.post(f"{HERE}/players/{KNOWN['player_id']}/decisions", json=rules))
    KNOWN["version_id"] = got(program.get(f"{HERE}/rules"))["version_id"]
    return program


def _without_life(app: Guard) -> ASGIApp:
    """Return an application that is not begun and ended with each request: `bay` began it."""

    async def requests(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http":
            await app(scope, receive, send)
            return
        while True:
            message = await receive()
            await send({"type": f"{message['type']}.complete"})
            if message["type"] == "lifespan.shutdown":
                return

    return requests


def _ask_all(served: Bay, coach: TestClient, mode: GenerationMode) -> None:
    document = got(coach.get(DOCUMENT))
    schema = schemathesis.openapi.from_dict(document)
    schema.app = _without_life(served.app)
    schema.config.update(base_url=served.door.origin)
    headers = {"origin": served.door.origin, "host": served.door.origin.partition("//")[2]}
    for method, path in operations(document):

        @given(case=schema[path][method].as_strategy(generation_mode=mode))
        @settings(
            max_examples=3 if path.endswith(".pdf") else 10,  # each of those starts a program
            deadline=None,
            database=None,
            derandomize=True,
            suppress_health_check=list(HealthCheck),
        )
        def ask(case: Case[Any]) -> None:
            # Three in four ask for what is there; the same case always alike.
            if crc32(repr((case.path_parameters, case.body, case.query)).encode()) % 4:
                for part in (case.path_parameters, case.body, case.query):
                    if isinstance(part, dict):
                        part.update({name: KNOWN[name] for name in KNOWN.keys() & part.keys()})
            response = case.call(headers=headers, cookies=dict(coach.cookies), timeout=WAIT_S)
            SEEN[case.method, case.path, response.status_code] += 1
            case.validate_response(response, checks=CHECKS)

        ask()


@pytest.mark.slow
@pytest.mark.long
def test_no_request_ends_in_a_server_error(served: Bay, coach: TestClient) -> None:
    for mode in GenerationMode:
        _ask_all(served, coach, mode)
    # Each route was answered with 2xx, but those that need a word that nobody can guess.
    assert not [key for key in SEEN if key[2] == 401]
    good = Counter((method, path) for (method, path, status) in SEEN.elements() if status < 300)
    assert sum(good.values()) > 100
    needs_a_word = {
        ("DELETE", f"{HERE}/players/{{player_id}}"),  # the player's own name
        ("DELETE", f"{HERE}/sessions/{{session_id}}/notes/{{note_id}}"),
    }
    every = set(operations(got(coach.get(DOCUMENT))))
    assert sorted(every - set(good) - needs_a_word) == []
