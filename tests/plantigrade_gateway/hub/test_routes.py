"""What a hub answers a bay (`hardware_notes/hub.md`, the wire), asked without a socket."""

import asyncio
import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from obstore.store import MemoryStore
from tests.support.bay import until

from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.hub import routes
from plantigrade_gateway.hub.bays import Bays
from plantigrade_gateway.hub.objects import Objects
from plantigrade_gateway.hub.routes import BayApi
from plantigrade_gateway.hub.uploads import Differs, Gone, OutOfPlace, Spoilt, Unfit, Unknown
from plantigrade_gateway.people.hubtables import bay_place
from plantigrade_gateway.people.tables import engine_for, migrate
from plantigrade_gateway.sync.bodies import Piece, together
from plantigrade_gateway.sync.messages import Received

ID = "0123456789abcdef" * 2
SESSION = f"/bay/v1/sessions/{ID}"
HEAD: dict[str, Any] = {
    "session_id": ID,
    "player_id": None,
    "started_utc": "2026-03-01T09:30:00.250+00:00",
    "utc_offset_min": 60,
    "about": {},
}
SUM = hashlib.sha256(b"abc").hexdigest()
HAD = Received(3, together=64)


class Uploads:
    """Stands for the uploads: notes what is asked, gives or raises what it is told to."""

    def __init__(self) -> None:
        self.asked: list[tuple[Any, ...]] = []
        self.answer: Received | Exception = HAD

    def __getattr__(self, name: str) -> Any:
        def asked(*arguments: Any) -> Received:
            self.asked.append((name, *arguments))
            if isinstance(self.answer, Exception):
                raise self.answer
            return self.answer

        return asked


@pytest.fixture(scope="module")
def site(tmp_path_factory) -> Iterator[SimpleNamespace]:
    path = tmp_path_factory.mktemp("hub") / "hub.sqlite3"
    engine = engine_for(path)
    migrate(engine)
    api = BayApi(engine, Objects(MemoryStore(), None), path)
    tokens = {name: Bays(engine).add(name) for name in ("one", "two")}
    yield SimpleNamespace(api=api, app=api.app(), tokens=tokens, path=Path(path), engine=engine)
    engine.dispose()


@pytest.fixture
def uploads(site, monkeypatch) -> Uploads:
    made = Uploads()
    monkeypatch.setattr(site.api, "_uploads", made)
    return made


async def ask(
    site: SimpleNamespace,
    method: str,
    path: str,
    *parts: bytes,
    said: str | None = "the sum of parts",
    bay: str = "one",
    cut: bool = False,
    **headers: str,
) -> SimpleNamespace:
    """Ask as a server hands a request on; the body comes in parts."""
    sent: list[dict[str, Any]] = []
    coming = [
        {"type": "http.request", "body": part, "more_body": cut or at < len(parts) - 1}
        for at, part in enumerate(parts or (b"",))
    ]

    async def receive() -> dict[str, Any]:
        await asyncio.sleep(0)
        return coming.pop(0) if coming else {"type": "http.disconnect"}

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    given = {"authorization": f"Bearer {site.tokens[bay]}", **headers}
    if said is not None:
        given["content-length"] = said if said.lstrip("-x").isdigit() else str(sum(map(len, parts)))
    scope = {
        "type": "http",
        "http_version": "1.1",
        "method": method,
        "path": path,
        "raw_path": path.encode(),
        "query_string": b"",
        "root_path": "",
        "headers": [(k.replace("_", "-").encode(), v.encode()) for k, v in given.items()],
    }
    await site.app(scope, receive, send)
    answered = {k.decode(): v.decode() for k, v in sent[0]["headers"]}
    body = b"".join(message.get("body", b"") for message in sent[1:])
    return SimpleNamespace(status=sent[0]["status"], headers=answered, json=json.loads(body))


def as_json(value: Any) -> bytes:
    return json.dumps(value).encode()


async def test_what_is_asked_is_done_for_the_bay_whose_credential_it_is(site, uploads):
    head = await ask(site, "PUT", SESSION, as_json(HEAD))
    assert head.status == 200
    assert head.json == {"pieces": 3, "is_whole": False, "is_deleted": False, "together": 64}
    await ask(site, "GET", SESSION, bay="two")
    one = await ask(site, "PUT", f"{SESSION}/pieces/7", b"a", b"bc", piece_sha256=SUM)
    several = [Piece.of(0, b"abc"), Piece.of(1, b"d")]
    many = await ask(site, "POST", f"{SESSION}/pieces", together(several))
    end = {"pieces": 3, "sha256": SUM, "player_id": "f" * 32}
    await ask(site, "POST", f"{SESSION}/end", as_json(end))
    assert one.json == head.json
    assert many.json == {**head.json, "taken": [[0, SUM], [1, several[1].sha256]]}
    begin, received, take, takes, ended = uploads.asked
    assert begin[:2] == ("begin", "one") and begin[2].utc_offset_min == 60
    assert received == ("received", "two", ID)
    assert take == ("take", "one", ID, [Piece(7, b"abc", SUM)])
    assert takes == ("take", "one", ID, several)
    assert ended[:3] == ("end", "one", ID) and ended[3].player_id == "f" * 32


@pytest.mark.parametrize(
    ("error", "status", "body"),
    [
        (Unfit("unfit"), 422, {"error": "unfit"}),
        (Unknown("unknown"), 404, {"error": "unknown"}),
        (Gone("gone"), 410, {"error": "gone"}),
        (Differs("other"), 409, {"error": "other"}),
        (Spoilt("spoilt"), 409, {"error": "spoilt"}),
        (
            OutOfPlace("next", HAD),
            409,
            {
                "pieces": 3,
                "is_whole": False,
                "is_deleted": False,
                "together": 64,
                "error": "next",
            },
        ),
        (StoreError("disk"), 503, {"error": "The hub cannot take anything now."}),
    ],
)
async def test_what_is_refused_has_its_status_and_one_sentence(
    site, uploads, caplog, error, status, body
):
    uploads.answer = error
    answer = await ask(site, "GET", SESSION)
    assert (answer.status, answer.json) == (status, body)
    assert answer.headers.get("retry-after") == ("5" if status == 503 else None)
    logged = {Spoilt: ["ERROR"], StoreError: ["WARNING"]}.get(type(error), [])
    assert [one.levelname for one in caplog.records] == logged


@pytest.mark.parametrize(
    "said", ["", "Bearer ", "Bearer one.x", "Basic {}", "{}", "Bearer two{}", "Bearer"]
)
async def test_without_a_credential_nothing_is_done(site, uploads, said):
    answer = await ask(site, "GET", SESSION, authorization=said.format(site.tokens["one"]))
    assert (answer.status, uploads.asked) == (401, [])
    assert answer.headers["www-authenticate"] == "Bearer"
    assert answer.json == {
        "error": "This credential opens nothing: it is unknown or was withdrawn."
    }


async def test_a_credential_is_one_however_its_kind_is_written(site, uploads):
    answer = await ask(site, "GET", SESSION, authorization=f"bearer  {site.tokens['one']} ")
    assert answer.status == 200


async def test_a_bay_has_four_requests_at_a_time_and_another_bay_its_own(site, uploads):
    goes_on = asyncio.Event()
    whole = site.api.in_thread

    async def waits(work: Any, *arguments: Any) -> Any:
        if arguments and arguments[0] == "one":
            await goes_on.wait()
        return await whole(work, *arguments)

    site.api.in_thread = waits
    try:
        tasks = [asyncio.create_task(ask(site, "GET", SESSION)) for _ in range(4)]
        await until(lambda: site.api._at_work["one"] == 4)  # threads take their time
        fifth = await ask(site, "GET", SESSION)
        assert (fifth.status, fifth.headers["retry-after"]) == (429, "5")
        assert fifth.json == {"error": "Too many requests at once."}
        assert (await ask(site, "GET", SESSION, bay="two")).status == 200
        goes_on.set()
        assert [(await task).status for task in tasks] == [200] * 4
        assert (await ask(site, "GET", SESSION)).status == 200
        assert dict(site.api._at_work) == {}
    finally:
        del site.api.in_thread


@pytest.mark.parametrize(
    ("path", "method", "most"),
    [
        (SESSION, "PUT", 256 * 1024),
        (f"{SESSION}/end", "POST", 4096),
        (f"{SESSION}/pieces/0", "PUT", 16 * 1024 * 1024),
        (f"{SESSION}/pieces", "POST", 4 * 1024 * 1024),
        ("/bay/v1/changes", "POST", 16 * 1024 * 1024),
        (f"/bay/v1/deleted/{ID}", "PUT", 1024 * 1024),
    ],
)
async def test_each_body_has_its_most_bytes_by_its_length_and_by_what_comes(
    site, uploads, path, method, most
):
    too_large = {"error": f"body: more than {most} bytes"}
    by_length = await ask(site, method, path, b"x", said=str(most + 1), piece_sha256=SUM)
    assert (by_length.status, by_length.json) == (413, too_large)
    body = bytes(most)
    comes = await ask(site, method, path, body, b"x", said=None, piece_sha256=SUM)
    assert (comes.status, comes.json) == (413, too_large)
    assert uploads.asked == []
    if path.endswith(("/0", "/end")):
        taken = await ask(site, method, path, body, said=str(most), piece_sha256=SUM)
        assert taken.status == (200 if path.endswith("/0") else 422)


@pytest.mark.parametrize("said", ["-1", "x1"])
async def test_a_length_is_a_number(site, uploads, said):
    assert (await ask(site, "PUT", SESSION, b"{}", said=said)).status == 413


async def test_a_body_that_is_cut_off_or_takes_too_long_is_not_taken(site, uploads, monkeypatch):
    cut = await ask(site, "PUT", SESSION, b"{", cut=True)
    assert (cut.status, cut.json) == (422, {"error": "body: is cut off"})
    assert routes.BODY_S == 60.0  # over a minute (hardware_notes/hub.md)
    monkeypatch.setattr(routes, "BODY_S", -1.0)
    late = await ask(site, "PUT", SESSION, as_json(HEAD))
    assert (late.status, late.json) == (408, {"error": "The request took too long to come."})
    assert uploads.asked == []


@pytest.mark.parametrize(
    ("method", "path", "body", "status"),
    [
        ("PUT", SESSION, as_json({**HEAD, "session_id": "f" * 32}), 422),
        ("PUT", SESSION, b"{", 422),
        ("PUT", SESSION, as_json({**HEAD, "utc_offset_min": "x"}), 422),
        ("GET", f"/bay/v1/sessions/{ID[:-1]}", b"", 404),
        ("PUT", f"{SESSION}/pieces/-1", b"abc", 422),
        ("PUT", f"{SESSION}/pieces/1234567890", b"abc", 422),
        ("PUT", f"{SESSION}/pieces/٣", b"abc", 422),
        ("PUT", f"/bay/v1/sessions/{ID}0/pieces/0", b"abc", 404),
        ("POST", f"{SESSION}/pieces", b"", 422),
        ("PUT", f"/bay/v1/deleted/{ID[:-1]}", b'{"receipt": {}}', 422),
        ("PUT", f"/bay/v1/deleted/{ID}", b"[]", 422),
        ("GET", "/bay/v1/elsewhere", b"", 404),
        ("DELETE", SESSION, b"", 404),
    ],
)
async def test_what_is_not_what_it_should_be_is_one_sentence(
    site, uploads, method, path, body, status
):
    answer = await ask(site, method, path, body, piece_sha256=SUM)
    assert answer.status == status and list(answer.json) == ["error"]
    assert uploads.asked == []


@pytest.mark.parametrize("sum_", ["", SUM[:-1], SUM.upper(), SUM + "0"])
async def test_a_piece_comes_with_its_sum(site, uploads, sum_):
    answer = await ask(site, "PUT", f"{SESSION}/pieces/999999999", b"abc", piece_sha256=sum_)
    assert answer.status == 422
    assert answer.json["error"] == "Piece-SHA256: expected 64 hexadecimal digits, lower case"


async def test_a_receipt_is_confirmed_for_its_bay(site):
    answer = await ask(site, "PUT", f"/bay/v1/deleted/{ID}", as_json({"receipt": {"series": 2}}))
    assert (answer.status, answer.json) == (200, {})
    (found,) = site.api._deletions.all()
    assert (found.player_id, found.place, found.receipt) == (ID, bay_place("one"), {"series": 2})


def change(place: str, seq: int) -> dict[str, Any]:
    return {
        "change_id": f"{place[:16]}{seq:016x}",
        "entity": "player",
        "entity_id": "a" * 32,
        "field": "name",
        "value": "Ada Invented",
        "author": "coach",
        "wall_utc_ms": 10**12,
        "hlc": seq << 16,
        "site": place,
        "seq": seq,
    }


async def test_changes_are_taken_of_a_bays_own_places_alone_and_given_to_the_others(site):
    one, two = "1" * 32, "2" * 32
    body = {"changes": [change(one, 1)], "restamps": [], "has": {}, "place": one}
    answer = await ask(site, "POST", "/bay/v1/changes", as_json(body))
    assert answer.status == 200, answer.json
    assert (answer.json["places"], answer.json["has"]) == ([one], {one: 1})
    given = await ask(
        site,
        *("POST", "/bay/v1/changes"),
        as_json({"changes": [], "restamps": [], "has": {}, "place": two}),
        bay="two",
    )
    assert [each["site"] for each in given.json["changes"]] == [one]
    assert given.json["places"] == [two]
    none = await ask(
        site,
        *("POST", "/bay/v1/changes"),
        as_json({"changes": [], "restamps": [], "has": {one: 1}, "place": two}),
        bay="two",
    )
    assert none.json["changes"] == []
    forged = {"changes": [change(one, 2)], "restamps": [], "has": {}, "place": two}
    refused = await ask(site, "POST", "/bay/v1/changes", as_json(forged), bay="two")
    assert refused.status == 403 and list(refused.json) == ["error"]
    (refusal,) = site.api.refusals()
    assert (refusal.bay, refusal.place) == ("two", one)
    # Stamps of its own changes are kept; for another's it has no word.
    stamps = [[change(one, 1)["change_id"], 5], ["f" * 32, 5]]
    for bay, kept in (("two", []), ("one", [stamps[0]])):
        place = one if bay == "one" else two
        told = {"changes": [], "restamps": stamps, "has": {}, "place": place}
        answer = await ask(site, "POST", "/bay/v1/changes", as_json(told), bay=bay)
        assert answer.json["restamps"] == kept


async def test_health_names_what_does_not_answer(site, monkeypatch):
    assert await site.api.health() == (True, [])
    monkeypatch.setattr(site.api._objects, "is_taking", lambda: False)
    full = "the object store takes nothing: is it writable, is its disk full?"
    assert await site.api.health() == (False, [full])

    def refuses(*_: Any) -> None:
        raise StoreError("no")

    monkeypatch.setattr(site.api._objects, "get", refuses)
    assert await site.api.health() == (False, ["the object store does not answer"])
    monkeypatch.setattr(site.api._bays, "all", refuses)
    tables = "the tables of the site do not answer"
    assert await site.api.health() == (False, [tables, "the object store does not answer"])
