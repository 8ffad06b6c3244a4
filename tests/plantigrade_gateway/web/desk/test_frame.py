"""How the desk's routes tell an error, and what a worker makes is given."""

import asyncio
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from fastapi import APIRouter, FastAPI
from starlette.testclient import TestClient
from tests.support.pagetext import text_of
from tests.support.turns import turns_until

from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.web.desk import frame
from plantigrade_gateway.web.desk.frame import DeskRoute, download, in_worker
from plantigrade_gateway.web.desk.preparing import Progress
from plantigrade_gateway.web.desk.reads import NotPrepared, NotThere


@pytest.fixture
def raised() -> list[Exception]:
    return [StoreError("the store: has no room")]


@pytest.fixture
def client(raised) -> TestClient:
    router = APIRouter(route_class=DeskRoute)

    @router.get("/players/{rest:path}")
    @router.post("/players/{rest:path}")
    @router.post("/players")
    def fails() -> None:
        raise raised[0]

    asked: list[tuple[str, bool]] = []

    def ask(session_id: str, *, again: bool) -> Progress:
        asked.append((session_id, again))
        return Progress(0.25, "has no room" if len(asked) == 3 else None)

    app = FastAPI()
    app.include_router(router)
    app.state.preparing = SimpleNamespace(ask=ask, asked=asked)
    return TestClient(app)


@pytest.mark.parametrize(
    ("error", "status"),
    [(NotThere("x: is not there"), 404), (StoreError("x: is full"), 409), (InputError("x"), 409)],
)
def test_an_error_is_a_sentence_on_a_page_or_as_json(client, raised, error, status):
    raised[0] = error
    assert str(error) in text_of(client.get("/players/1"), status)
    answer = client.get("/players/1/chart.json")
    assert (answer.status_code, answer.json()) == (status, {"problem": str(error)})


def test_a_refused_form_leads_back_to_what_it_is_of(client, raised):
    """To the player or session, the second part of the address, where there is one."""
    assert 'href="/players/1"' in client.post("/players/1/notes").text
    assert 'href="/players/1"' not in client.get("/players/1/notes").text
    assert 'href="/players/' not in client.post("/players").text
    raised[0] = NotThere("x: is not there")
    assert 'href="/players/1"' not in client.post("/players/1/notes").text


def test_what_is_not_prepared_is_asked_for_again_by_a_page_alone(client, raised):
    raised[0] = NotPrepared("s1")
    page = client.get("/players/1")
    assert page.status_code == 202 and "0.25" in page.text and "s1" in page.text
    answer = client.get("/players/chart.json")
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "2")
    assert answer.json() == {"problem": str(raised[0])}
    assert client.get("/players/chart.json").json() == {"problem": "has no room"}
    app: Any = client.app
    assert app.state.preparing.asked == [("s1", True), ("s1", False), ("s1", False)]


class Process:
    """A worker that ends as it is told."""

    def __init__(self, code: int, said: bytes) -> None:
        self.returncode, self._said = code, said
        self.log: list[str] = []
        self.hangs = False

    async def communicate(self) -> tuple[bytes, bytes]:
        self.log.append("asked")
        if self.hangs:
            await asyncio.Event().wait()
        return b"", self._said

    def kill(self) -> None:
        self.log.append("killed")

    async def wait(self) -> int:
        self.log.append("waited for")
        return -9


@pytest.fixture
def worker(monkeypatch):
    made = SimpleNamespace(process=Process(0, b""), ran=[])

    async def create(*command: str, **how: Any) -> Process:
        made.ran.append((command, how["stderr"]))
        process: Process = made.process
        return process

    monkeypatch.setattr(asyncio, "create_subprocess_exec", create)
    return made


async def test_a_worker_is_this_program_s_and_its_last_line_says_why_it_failed(worker):
    await in_worker("prepare", "store", "s1")
    ((command, errors),) = worker.ran
    module = "plantigrade_gateway.web.desk.worker"
    assert command == (sys.executable, "-m", module, "prepare", "store", "s1")
    assert errors == asyncio.subprocess.PIPE
    worker.process = Process(1, b"a warning\nstore: has no room\n")
    with pytest.raises(StoreError, match=r"^store: has no room$"):
        await in_worker("x")
    worker.process = Process(-9, b" \n")
    with pytest.raises(StoreError, match=r"^export: could not be written$"):
        await in_worker("x")


async def test_a_worker_of_a_browser_that_has_gone_is_ended(worker):
    worker.process.hangs = True
    work = asyncio.create_task(in_worker("x"))
    await turns_until(lambda: worker.process.log)
    work.cancel()
    with pytest.raises(asyncio.CancelledError):
        await work
    assert worker.process.log == ["asked", "killed", "waited for"]


async def test_a_file_is_given_and_its_folder_goes_once_it_was_sent(monkeypatch):
    folders: list[Path] = []

    def work(folder: Path) -> tuple[str, ...]:
        folders.append(folder)
        return "page", str(folder)

    async def in_folder(*arguments: str) -> None:
        assert arguments == ("page", str(folders[-1]))
        (folders[-1] / "out.csv").write_text("a,b", "utf-8")

    monkeypatch.setattr(frame, "in_worker", in_folder)
    answer = await download(work, "out.csv", "2026.csv", "text/plain")
    assert answer.path == folders[0] / "out.csv" and folders[0].exists()
    assert answer.media_type == "text/plain" and answer.filename == "2026.csv"
    assert answer.background is not None
    await answer.background()
    assert not folders[0].exists()

    async def fails(*_: str) -> None:
        raise StoreError("x")

    monkeypatch.setattr(frame, "in_worker", fails)
    with pytest.raises(StoreError):
        await download(work, "out.csv", "2026.csv")
    assert not folders[1].exists()
