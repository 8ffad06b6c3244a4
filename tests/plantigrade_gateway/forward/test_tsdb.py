"""To a real time-series database, and past everything that can be in the way."""

import asyncio
import datetime
import email.utils
import json
import logging
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import httpx2
import pytest
from aiohttp import web
from click.testing import CliRunner
from tests.support.bay import Bay, http_server, until
from tests.support.records import stand, step, swing
from tests.support.servers import Victoria, free_port, program
from tests.support.waiting import HANG_S

from plantigrade.block import Foot
from plantigrade_gateway import logs
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.config import load
from plantigrade_gateway.forward import bounded, check, courier, tsdb
from plantigrade_gateway.forward.tsdb import Database
from plantigrade_gateway.forward.verify import Comparison, verify
from plantigrade_gateway.sinks import TSDB
from plantigrade_gateway.store import forwardstate

pytestmark = pytest.mark.dear

SECRET = "t0ken-do-not-print-me"


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(courier, "FIRST_WAIT_S", 0.05)
    monkeypatch.setattr(courier, "LONGEST_WAIT_S", 0.3)


def settings(url: str, **more: str) -> dict[str, str]:
    return {
        "PLANTIGRADE_TSDB_URL": url,
        "PLANTIGRADE_TSDB_TOKEN": SECRET,
        "PLANTIGRADE_TSDB_HOLD_S": "0.2",
        "PLANTIGRADE_TSDB_TIMEOUT_S": "10",
        **more,
    }


@pytest.fixture
def bay(tmp_path, victoria) -> Iterator[Bay]:
    made = Bay(tmp_path, settings(victoria.url))
    yield made
    made.store.close()


EVENTS = (step(512), step(513, Foot.RIGHT), step(5120), swing(700), stand(900))


async def test_every_point_comes_back_as_it_is_stored(bay, victoria):
    bay.put(*EVENTS)
    async with bay.forwarding():
        await bay.sent(TSDB)
    found = await until_whole(bay, victoria)
    assert found.is_whole, found
    assert found.expected > 150
    assert forwardstate.read(forwardstate.path_for(bay.store.path)).sinks[0].sent == 6  # type: ignore[union-attr]


async def test_sent_twice_is_there_once_and_results_made_again_replace(bay, victoria):
    import dataclasses

    from plantigrade_gateway.analysis.eventrow import event_row

    bay.put(*EVENTS)
    async with bay.forwarding():
        await bay.sent(TSDB)
        assert bay.outbox.resend(bay.session) == len(EVENTS) + 1  # that the session began
        await bay.sent(TSDB)
        first = await until_whole(bay, victoria)
        assert first.is_whole and first.older == 0
        changed = dataclasses.replace(step(512), stance_s=0.4)  # less than before
        made = [event_row(bay.session, e, 10) for e in (changed, swing(700))]
        bay.store.replace_events(bay.session, made, analysis_version=2)
        await bay.sent(TSDB)
    again = await until_whole(bay, victoria)
    assert again.is_whole, again
    told = sum(kind.expected for kind in first.kinds if kind.kind != "session")
    assert again.older == told  # there still, and of an older revision


async def test_what_is_missing_or_changed_is_found(bay, victoria):
    bay.put(*EVENTS)
    async with bay.forwarding():
        await bay.sent(TSDB)
    bay.put(step(9000))
    with bay.store.database.writing() as db:
        db.execute(
            "UPDATE events SET body = json_set(body, '$.stance_s', 0.9) WHERE first_index = 512"
        )
    found = await until_found(bay, victoria, lambda it: it.different == 1)
    assert found.missing > 20 and found.different == 1 and not found.is_whole
    assert found.first is not None


async def test_a_database_that_is_away_gets_everything_later(tmp_path):
    server = Victoria(tmp_path, free_port())
    bay = Bay(tmp_path, settings(server.url))
    async with bay.forwarding():
        bay.put(*EVENTS)
        await until(lambda: bay.said)
        assert (
            bay.said
            == [
                f"Time-series database {server.url}: cannot be reached (Connect call failed "
                f"('127.0.0.1', {server.port})): is it running, is tsdb.url right?."
            ]
            or "cannot be reached" in bay.said[0]
        )
        assert bay.waiting(TSDB) == 6
        await asyncio.to_thread(server.start)
        await bay.sent(TSDB)
        await until(lambda: len(bay.said) == 2)
        assert bay.said[1] == "Time-series database: takes data again."
    server.kill()
    bay.store.close()


@pytest.mark.slow
async def test_acknowledged_rows_that_a_kill_took_are_sent_again(tmp_path):
    """kill -9 loses what VictoriaMetrics acknowledged in the last seconds."""
    server = Victoria(tmp_path)
    await asyncio.to_thread(server.start)
    await asyncio.sleep(1.1)  # it tells its start in whole seconds: two in one look like one
    bay = Bay(tmp_path, settings(server.url, PLANTIGRADE_TSDB_HOLD_S="60"))
    async with bay.forwarding() as forwarding:
        (way, _) = forwarding._ways[0]
        for k in range(20):
            bay.put(*(step(1000 * k + 100 * i) for i in range(10)))
        await until(lambda: way.acknowledged >= 201)
        server.kill()
        await asyncio.to_thread(server.start)
        bay.put(step(50_000))
        await until(lambda: way.resent >= 201)
        await until(lambda: way.held >= 202)
        found = await until_whole(bay, server)
        assert found.is_whole, found
    server.kill()
    bay.store.close()


async def until_whole(bay: Bay, server: Victoria) -> Comparison:
    return await until_found(bay, server, lambda found: found.is_whole)


async def until_found(
    bay: Bay, server: Victoria, is_so: Callable[[Comparison], bool]
) -> Comparison:
    """Wait for what is compared to be so.

    What is written after somebody asked for the like of it is found a second later, even flushed.
    """
    end_s = time.monotonic() + HANG_S
    while True:
        await asyncio.to_thread(server.series)
        found = await verify(bay.config, bay.store, bay.session)
        if is_so(found) or time.monotonic() > end_s:
            return found
        await asyncio.sleep(0.3)


# What stands in the way: a server that behaves as it is told


class Fault:
    """Passes requests on to the real database, or does not."""

    def __init__(self, url: str) -> None:
        self.url = url
        self.mode = "well"
        self.poison = ""
        self.writes = 0
        self.ahead_s = 0.0
        self.now: datetime.datetime | None = None  # None: the machine's

    async def __call__(self, request: web.Request) -> web.StreamResponse:
        body = await request.read()
        write = request.path.endswith("/write")
        self.writes += write
        if self.mode == "hang":
            await asyncio.sleep(30)
        if self.mode == "slow":
            await asyncio.sleep(0.2)
        if self.mode == "cut" and request.transport is not None:
            request.transport.abort()
            raise ConnectionResetError
        if self.mode.isdigit() and write:
            headers = {"Retry-After": "0"} if self.mode == "503" else {}
            text = f"no: {request.headers.get('Authorization')}"
            return web.Response(status=int(self.mode), text=text, headers=headers)
        if write and self.poison and self.poison in body.decode():
            return web.json_response({"message": "field type conflict"}, status=400)
        async with httpx2.AsyncClient() as client:
            answer = await client.request(
                request.method, self.url + request.path_qs, content=body, timeout=HANG_S
            )
        now = self.now or datetime.datetime.now(datetime.UTC)
        when = now - datetime.timedelta(seconds=self.ahead_s)
        headers = {"Date": email.utils.format_datetime(when, usegmt=True)}
        return web.Response(status=answer.status_code, body=answer.content, headers=headers)


@pytest.mark.parametrize(
    ("mode", "said"),
    [
        ("hang", "does not answer within 1.5 s"),
        ("cut", "broke the connection"),
        ("401", "the token is not accepted (401): check tsdb.token_file"),
        ("403", "the token has no right to write there (403)"),
        ("404", "no such bucket or organisation"),
        ("503", "is busy (503)"),
        ("500", "fails (500)"),
        ("200", "answers a write as no database does"),  # a network's sign-in page
        ("400", "takes nothing now (400: no: Token ***)"),
    ],
)
@pytest.mark.slow
async def test_a_fault_is_said_once_in_a_line_and_nothing_is_lost(tmp_path, victoria, mode, said):
    fault = Fault(victoria.url)
    fault.mode = mode
    async with http_server(fault) as url:
        more = {"PLANTIGRADE_LOG_FOLDER": str(tmp_path / "log")}
        if mode == "hang":
            more["PLANTIGRADE_TSDB_TIMEOUT_S"] = "1.5"
        bay = Bay(tmp_path, settings(url, **more))
        handlers = list(logging.getLogger().handlers)
        logs.set_up(bay.config, "forward")
        try:
            async with bay.forwarding():
                bay.put(*EVENTS)
                await until(lambda: any(said in text for text in bay.said))
                await asyncio.sleep(0.5)  # it is tried again, and not said again
                assert len(bay.said) == 1, bay.said
                assert bay.waiting(TSDB) == 6 and bay.outbox.dead_letters() == []
                assert "\n" not in bay.said[0]
                fault.mode = "well"
                await bay.sent(TSDB)
        finally:
            for handler in set(logging.getLogger().handlers) - set(handlers):
                logging.getLogger().removeHandler(handler)
                handler.close()
        found = await until_whole(bay, victoria)
        assert found.is_whole, found
        shown = " ".join(bay.said) + (tmp_path / "log" / "forward.log").read_text("utf-8")
        shown += forwardstate.path_for(bay.store.path).read_text("utf-8")
        assert said.split(" (")[0] in shown and SECRET not in shown
        bay.store.close()


GARBAGE = (
    *(b"", b"\xff\xfe" * 500, b"<html>please sign in</html>", b"null", b"[" * 100_000),
    b'{"metric":5,"values":null,"timestamps":{}}',
    b'{"metric":{"__name__":"x"},"values":["much"],"timestamps":[1]}',
    b'{"metric":{"__name__":"x"},"values":[1],"timestamps":[1e999]}',
    b'{"metric":{"__name__":"x"},"values":[1],"timestamps":[]}',
)


@pytest.mark.parametrize("body", GARBAGE, ids=range(len(GARBAGE)))
async def test_one_that_answers_200_with_garbage_has_nothing_and_gives_nothing(body):
    async def garbage(_: web.Request) -> web.StreamResponse:
        return web.Response(status=200, body=body)

    async with http_server(garbage) as url:
        database = Database(load(None, settings(url)))
        await database.open()
        try:
            with pytest.raises(courier.SinkUnavailable, match="as no database does"):
                await database.write([database.check_line(1.0)])
            with pytest.raises(courier.SinkUnavailable, match="with what is no number"):
                await database.delete("{x='y'}")
            if body:  # nothing is what a database without such a series answers
                with pytest.raises(courier.SinkUnavailable, match="with what is no series"):
                    await database.export("{x='y'}")
        finally:
            await database.close()


@pytest.mark.parametrize("status", [301, 302, 307, 308])
async def test_a_redirect_takes_nothing_elsewhere(tmp_path, status):
    asked: list[str] = []

    async def elsewhere(request: web.Request) -> web.StreamResponse:
        asked.append(f"{request.method} {request.path}")
        return web.Response(status=204)

    async with http_server(elsewhere) as other:

        async def moved(request: web.Request) -> web.StreamResponse:
            return web.Response(status=status, headers={"Location": f"{other}{request.path_qs}"})

        async with http_server(moved) as url:
            database = Database(load(None, settings(url)))
            await database.open()
            try:
                with pytest.raises(courier.SinkUnavailable, match=f"sends elsewhere .{status}"):
                    await database.write([database.check_line(1.0)])
                for read in (database.export("{x='y'}"), database.server_info()):
                    with suppress(courier.SinkUnavailable):
                        await read
            finally:
                await database.close()
    assert asked == []


@pytest.mark.parametrize("packed", [False, True])
async def test_an_answer_that_does_not_end_is_given_up(packed, monkeypatch):
    monkeypatch.setattr(bounded, "MOST_BYTES", 1_000_000)
    sent: list[str] = []

    async def endless(request: web.Request) -> web.StreamResponse:
        answer = web.StreamResponse(status=400)
        if packed:  # a thousandth of it is on the way
            answer.enable_compression(web.ContentCoding.gzip)
        await answer.prepare(request)
        with suppress(ConnectionError):
            while len(sent) < 100:
                await answer.write(bytes(1_000_000))
                sent.append(request.path)
        return answer

    async with http_server(endless) as url:
        database = Database(load(None, settings(url)))
        await database.open()  # of an answer that is no 200 nothing is read
        try:
            for asks in (database.export("{x='y'}"), database.write([database.check_line(1.0)])):
                sent.clear()
                with pytest.raises(courier.SinkUnavailable, match="answers with more than 1000000"):
                    await asks
                assert packed or len(sent) < 100
        finally:
            await database.close()


async def test_slow_answers_cost_only_time(tmp_path, victoria):
    fault = Fault(victoria.url)
    fault.mode = "slow"
    async with http_server(fault) as url:
        bay = Bay(tmp_path, settings(url))
        async with bay.forwarding():
            bay.put(*EVENTS)
            await bay.sent(TSDB)
        assert bay.said == []
        bay.store.close()


@pytest.mark.slow
async def test_a_row_that_is_refused_is_set_aside_and_the_rest_goes_on(tmp_path, victoria):
    fault = Fault(victoria.url)
    fault.poison = "first_index=700.0"
    async with http_server(fault) as url:
        bay = Bay(tmp_path, settings(url))
        async with bay.forwarding():
            bay.put(*EVENTS, *(step(6000 + 100 * k) for k in range(50)))
            await bay.sent(TSDB)
            (aside,) = bay.outbox.dead_letters()
            assert aside.item.kind == "swing" and "field type conflict" in aside.reason
            found = await until_found(bay, victoria, lambda it: it.missing <= OF_ONE_SWING)
            assert found.missing <= OF_ONE_SWING  # the swing's points alone
            fault.poison = ""
            assert bay.outbox.retry_dead_letters() == 1
            await bay.sent(TSDB)
        assert (await until_whole(bay, victoria)).is_whole
        bay.store.close()


OF_ONE_SWING = 60
"""A swing is some fifty points, one for each field (`hardware_notes/tsdb_schema.md`)."""


class Stopped(datetime.datetime):
    """A clock that stands still, so that an answer takes no time."""

    @classmethod
    def now(cls, tz: datetime.tzinfo | None = None) -> "Stopped":
        return cls(2026, 3, 2, 9, 30, 5, 900_000, tz)


@pytest.fixture
def stopped(monkeypatch) -> datetime.datetime:
    """What the machine's clock says meanwhile, to the module that compares it."""
    monkeypatch.setattr(tsdb, "datetime", Stopped)
    return Stopped.now(datetime.UTC)


async def test_one_clock_is_said_in_one_sentence_to_the_second_or_not(victoria, stopped):
    fault = Fault(victoria.url)
    fault.now = stopped
    async with http_server(fault) as url:
        database = Database(load(None, settings(url)))
        await database.open()
        said = []
        for ahead_s in (3600.0, 3600.5, 3599.5, 3620.0, 0.0, 3600.0):
            fault.ahead_s = ahead_s
            await database.server_info()
            said.append(database.clock_said)
        await database.close()
    assert said[0] is not None and said[0] == said[1] == said[2]
    assert said[3] not in (None, said[0]) and said[4] is None and said[5] is not None


async def test_a_clock_an_hour_off_is_said(tmp_path, victoria, stopped):
    """A date is to the second (RFC 9110, 5.6.7): at 5.9 s it says 5, and 3600.9 s come to 3601."""
    fault = Fault(victoria.url)
    fault.now, fault.ahead_s = stopped, 3600.0
    async with http_server(fault) as url:
        bay = Bay(tmp_path, settings(url))
        async with bay.forwarding():
            bay.put(*EVENTS)
            await bay.sent(TSDB)
            await until(lambda: bay.said)
        assert len(bay.said) == 1
        assert "clock is 3601 s ahead of" in bay.said[0]
        findings = {f.name: f for f in await check.check(bay.config)}
        assert findings["clock"].well is False and "set it (NTP)" in findings["clock"].found
        bay.store.close()


def certificate(folder: Path) -> tuple[Path, Path]:
    key, cert = folder / "key.pem", folder / "cert.pem"
    order = f"""req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=127.0.0.1
        -addext subjectAltName=IP:127.0.0.1 -keyout {key} -out {cert}"""
    subprocess.run([program("openssl"), *order.split()], check=True, capture_output=True)
    return key, cert


async def test_a_certificate_is_only_trusted_where_it_is_named(tmp_path, victoria):
    import ssl

    key, cert = certificate(tmp_path)
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(cert, key)
    async with http_server(Fault(victoria.url), ssl_context=context) as url:
        url = url.replace("http:", "https:")
        bay = Bay(tmp_path, settings(url))
        async with bay.forwarding():
            bay.put(*EVENTS)
            await until(lambda: bay.said)
            assert "its certificate is not trusted" in bay.said[0]
            assert "set tsdb.ca_file" in bay.said[0]
        bay.store.close()
        (tmp_path / "trusting").mkdir()
        bay = Bay(tmp_path / "trusting", settings(url, PLANTIGRADE_TSDB_CA_FILE=str(cert)))
        async with bay.forwarding():
            bay.put(*EVENTS)
            await bay.sent(TSDB)
        bay.store.close()


# The commands


@pytest.mark.slow
def test_check_looks_at_everything(tmp_path, victoria):
    environment = settings(victoria.url)
    result = CliRunner().invoke(main, ["tsdb", "check", "--json"], env=environment)
    assert result.exit_code == 0, result.output
    rows = {row["name"]: row["well"] for row in json.loads(result.output)["checks"]}
    assert rows == {"address": True, "clock": True, "rights": True, "round trip": True}


def test_check_says_what_to_do(tmp_path):
    environment = settings(f"http://127.0.0.1:{free_port()}")
    result = CliRunner().invoke(main, ["tsdb", "check"], env=environment)
    assert result.exit_code == 1
    assert "FAIL" in result.output and "is it running" in " ".join(result.output.split())
    none = CliRunner().invoke(main, ["tsdb", "check"], env={})
    assert none.exit_code == 2 and "tsdb.url is not set" in none.stderr


@pytest.mark.slow
def test_a_gateway_that_sends_nothing_loads_no_library_of_a_sink(tmp_path):
    code = (
        "import sys\n"
        "from plantigrade_gateway.cli.main import main\n"
        f"main(['demo', '--fast', '--no-sound', '--no-page', '--store', {str(tmp_path / 's')!r}],"
        " standalone_mode=False)\n"
        "bad = {'influxdb_client', 'aiomqtt', 'aiohttp', 'paho'} & set(sys.modules)\n"
        "print('loaded', sorted(bad))\n"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "loaded []" in found.stdout
    assert not (tmp_path / "s-forward.json").exists()
