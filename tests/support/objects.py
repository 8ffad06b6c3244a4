"""An S3-compatible object store to test against: moto's server, since no real one is in Debian."""

from collections.abc import Iterator
from contextlib import contextmanager

import obstore
import pytest
from moto.server import ThreadedMotoServer
from obstore.store import S3Store
from tests.support.waiting import HANG_S

BUCKET = "records"


@contextmanager
def s3_place(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """Run the server and set the environment as a hub's operator does; give the place's URL."""
    server = ThreadedMotoServer("127.0.0.1", 0, verbose=False)
    server.start()
    try:
        host, port = server.get_host_and_port()
        for name, value in {
            "AWS_ENDPOINT_URL": f"http://{host}:{port}",
            "AWS_ALLOW_HTTP": "true",
            "AWS_ACCESS_KEY_ID": "test",
            "AWS_SECRET_ACCESS_KEY": "test",
            "AWS_REGION": "us-east-1",
        }.items():
            monkeypatch.setenv(name, value)
        _make_bucket(f"http://{host}:{port}")
        yield f"s3://{BUCKET}/site"
    finally:
        server.stop()


def _make_bucket(url: str) -> None:
    import httpx2

    httpx2.put(f"{url}/{BUCKET}", timeout=HANG_S).raise_for_status()


def names(place: str) -> list[str]:
    """Return the keys in the bucket, by another path than the code under test."""
    store = S3Store(BUCKET)
    return [str(row["path"]) for rows in obstore.list(store) for row in rows]
