"""The ways into a hub: what a bay with a credential sends."""

import json
from typing import Any

from tests.support.hub import Site, end_of, head_of, put_piece
from tests.support.ways import Way

from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.packing import pack
from plantigrade_gateway.sync.bodies import Piece, together

_ID = "ab" * 16


def hub_bodies(hub: Site) -> Way:
    """Every body to every route that takes one; as a piece, to a session of its own each time."""
    client = hub.client()
    session = f"/bay/v1/sessions/{_ID}"
    assert client.put(session, json=head_of(_ID)).status_code == 200
    routes = (
        ("PUT", session),
        ("POST", f"{session}/end"),
        ("POST", f"{session}/pieces"),
        ("POST", "/bay/v1/changes"),
        ("PUT", f"/bay/v1/deleted/{'cd' * 16}"),
    )

    def take(data: bytes) -> bool:
        answers = [client.request(method, url, content=data) for method, url in routes]
        at = client.get(session).json()["pieces"]
        if data.startswith(b"\x01"):
            answers.append(put_piece(client, _ID, at, data))
        for answer in answers:
            assert answer.status_code < 500, answer.text
            if answer.status_code >= 400:
                assert set(answer.json()) <= {
                    "error",
                    "pieces",
                    "is_whole",
                    "is_deleted",
                    "together",
                }
                assert len(answer.content) < 1000, "what was sent is repeated"
        return any(answer.status_code < 400 for answer in answers)

    change: dict[str, Any] = {
        **{"change_id": "1" * 32, "entity": "player", "entity_id": "2" * 32, "field": "name"},
        **{"value": ["Ann", 1.5, None], "author": "coach", "wall_utc_ms": 10**12, "hlc": 5 << 16},
        **{"site": "3" * 32, "seq": 1},
    }
    seeds = [
        json.dumps(head_of(_ID, source="x", host="y", end_reason="stop")).encode(),
        json.dumps(end_of([])).encode(),
        json.dumps(
            {"changes": [change], "restamps": [["4" * 32, 7]], "has": {"5" * 32: 3}}
        ).encode(),
        json.dumps({"receipt": {"player": "6" * 32, "sessions": ["a"], "rows": {}}}).encode(),
        together([Piece.of(0, b"one"), Piece.of(1, b"another")]),
        pack(Batch.of([Entry(1, SESSION, Kind.MARK, b"m")])),
    ]
    return Way("hub body", seeds, take)
