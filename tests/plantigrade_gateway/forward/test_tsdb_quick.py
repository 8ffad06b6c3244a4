"""The time-series database as a sink, against one within the test: what is sent, what is said.

Points are those of `hardware_notes/tsdb_schema.md`; answers those of HTTP (RFC 9110).
"""

import asyncio
import json
import math
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import aiohttp
import numpy as np
import pytest
from aiohttp import web
from aiohttp.client_reqrep import ConnectionKey
from tests.plantigrade_gateway.forward.test_lines import item
from tests.support.bay import http_server
from tests.support.fakedatabase import FakeDatabase, fake_database
from tests.support.records import step

from plantigrade.block import N_COLUMNS, Column, PairBlock
from plantigrade_gateway.config import load
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.forward import bounded, tsdb
from plantigrade_gateway.forward.courier import ItemRejected, SinkUnavailable
from plantigrade_gateway.forward.tsdb import Database, bay_lines, flat, lines, place_tags
from plantigrade_gateway.store.enqueue import Item, pack_loads
from plantigrade_gateway.store.forwardstate import SinkState

SECRET = "t0ken-do-not-print-me"
NINE_MS = 1_772_442_000_250  # date -u -d 2026-03-02T09:00:00 +%s, and a quarter of a second
PLACE = place_tags("north", "b1")
WRITE = "/api/v2/write"


def settings(url: str, **more: str) -> dict[str, str]:
    return {
        "PLANTIGRADE_SITE": "north",
        "PLANTIGRADE_BAY": "b1",
        "PLANTIGRADE_TSDB_URL": url,
        "PLANTIGRADE_TSDB_TOKEN": SECRET,
        **more,
    }


@pytest.fixture
async def server() -> AsyncIterator[FakeDatabase]:
    async with fake_database() as made:
        yield made


@asynccontextmanager
async def opened(url: str, **more: str) -> AsyncIterator[Database]:
    database = Database(load(None, settings(url, **more)))
    try:
        await database.open()
        yield database
    finally:
        await database.close()


@pytest.fixture
def clock(monkeypatch) -> SimpleNamespace:
    """The machine's clocks, set by hand: s, and the second of the day's date."""
    made = SimpleNamespace(now_s=500.0, utc=datetime(2026, 3, 2, 9, 0, 0, tzinfo=UTC))

    class Datetime(datetime):
        @classmethod
        def now(cls, tz: Any = None) -> Any:
            return made.utc

    monkeypatch.setattr(tsdb, "datetime", Datetime)
    shown = SimpleNamespace(
        monotonic=lambda: made.now_s, time=lambda: NINE_MS / 1e3, time_ns=lambda: NINE_MS * 10**6
    )
    monkeypatch.setattr(tsdb, "time", shown)
    return made


# ---- lines ----


def plain(kind: str, name: str, **more: Any) -> Item:
    return item(step(512), kind=kind, name=name, time_ms=NINE_MS, text='{"t_s": 1.5}', **more)


@pytest.mark.parametrize(
    ("kind", "name", "tag"),
    [
        ("cue", "early", "cue=early,"),
        ("set", "2", "set=2,"),
        ("swing", "right", "lead=right,"),
        ("stand", "both", "foot=both,"),
    ],
)
def test_each_kind_is_told_apart_by_its_own_tag(kind, name, tag):
    (line,) = lines(plain(kind, name, player="p9", revision=3, twin=2), PLACE)
    assert line == (
        f"plantigrade_{kind},bay=b1,site=north,{tag}player=p9,revision=3,session=s1,"
        f"source=insoles,twin=2 t_s=1.5 {NINE_MS}"
    )


def test_a_session_says_last_of_all_which_revision_counts():
    (line,) = lines(plain("session", "open", revision=4), PLACE)
    head, fields, _ = line.split(" ")
    assert head == "plantigrade_session,bay=b1,site=north,revision=4,session=s1,source=insoles"
    assert fields == "t_s=1.5,current_revision=4.0"


def test_a_link_of_one_pair_of_several_has_its_name():
    one = item(step(512), kind="link", name="left", session=None, text='{"links": 3, "pair": "A"}')
    (line,) = lines(one, PLACE)
    assert line.split(" ")[:2] == [
        "plantigrade_link,bay=b1,site=north,foot=left,pair=A",
        "links=3.0",
    ]


def test_words_are_codes_yes_is_one_and_curves_stand_at_their_per_cent():
    """`cop_y_05` … `cop_y_95`; -1 is a word that this version has no code for."""
    told = flat(
        {
            "roll": "through",
            "state": "open",
            "link": "hopping",
            "colour": "red",
            "push": {"manner": "held", "is_good": True, "end_s": None},
            "touches_gap": False,
            "cop_y": [0.1, None, 0.3, *[0.5] * 15, 0.9],
            "foot": "left",
            "pair": "A",
            "n": 7,
        }
    )
    fields = dict(told)
    assert all(type(value) is float for value in fields.values())
    assert (fields["roll"], fields["state"]) == (2.0, 1.0)
    assert (fields["link"], fields["colour"]) == (-1.0, -1.0)
    assert (fields["push__manner"], fields["push__is_good"], fields["touches_gap"]) == (1, 1, 0)
    assert (fields["cop_y_05"], fields["cop_y_15"], fields["cop_y_95"]) == (0.1, 0.3, 0.9)
    assert not {"cop_y_10", "push__end_s", "foot", "pair"} & set(fields)
    assert fields["n"] == 7.0 and len(fields) == 8 + 18


def test_how_the_forwarding_stands_is_a_line_for_each_sink():
    """Of 9 rows 4 are acknowledged and held: 5 wait, and 4 more than 100 are sent."""
    one = SinkState("tsdb", True, None, 9, 4, 2.5, 100, 3, 6, 1, 0.5)
    other = SinkState("mqtt", True, "is away", 0, 0, None, 0, 0, 0, 0, 0.0)
    assert bay_lines([one, other], PLACE, NINE_MS) == [
        "plantigrade_bay,bay=b1,site=north,sink=tsdb waiting=5.0,oldest_s=2.5,sent=104.0,"
        f"aside=3.0,dropped=6.0,away=0.0 {NINE_MS}",
        "plantigrade_bay,bay=b1,site=north,sink=mqtt waiting=0.0,sent=0.0,aside=0.0,dropped=0.0,"
        f"away=1.0 {NINE_MS}",
    ]


def test_regional_loads_are_a_line_a_row_and_foot_and_a_region_that_is_missing_is_absent():
    """Rows 12.5 ms apart: times in ms are whole, rounded down."""
    left, right = np.zeros((2, N_COLUMNS)), np.full((2, N_COLUMNS), np.nan)
    regions = (Column.HEEL, Column.MIDFOOT, Column.FOREFOOT, Column.TOES)
    left[0, list(regions)] = [100.0, 20.0, 30.5, 0.1]
    left[1, list(regions)] = [101.0, math.nan, 31.0, 0.2]
    right[1, list(regions)] = [math.nan, math.nan, math.nan, 7.0]
    block = PairBlock(40, np.array([0.0, 0.0125]), left, right)
    body = {
        **{"first_index": 40, "time_us": 1000 * NINE_MS, "period_us": 12_500},
        **{"rows": 2, "data": pack_loads(block)},
    }
    one = item(step(512), kind="loads", name="both", text="", block=body, player="p9")
    of_foot = "plantigrade_loads,bay=b1,site=north,foot={},player=p9,session=s1,source=insoles "
    assert lines(one, PLACE) == [
        of_foot.format("left") + f"heel=100.0,midfoot=20.0,forefoot=30.5,toes=0.1 {NINE_MS}",
        of_foot.format("left") + f"heel=101.0,forefoot=31.0,toes=0.2 {NINE_MS + 12}",
        of_foot.format("right") + f"toes=7.0 {NINE_MS + 12}",
    ]
    nobody = item(step(512), kind="loads", name="both", text="", block=body)
    assert "player" not in lines(nobody, PLACE)[0]


@pytest.mark.parametrize("missing", range(4))
def test_whichever_region_is_missing_is_absent(missing):
    values = [1.0, 2.0, 3.0, 4.0]
    values[missing] = math.nan
    left, right = np.zeros((1, N_COLUMNS)), np.full((1, N_COLUMNS), np.nan)
    left[0, [Column.HEEL, Column.MIDFOOT, Column.FOREFOOT, Column.TOES]] = values
    block = PairBlock(0, np.array([0.0]), left, right)
    body = {"time_us": 0, "period_us": 10_000, "rows": 1, "data": pack_loads(block)}
    (line,) = lines(item(step(512), kind="loads", text="", block=body), PLACE)
    names = ("heel", "midfoot", "forefoot", "toes")
    told = [f"{name}={k + 1.0}" for k, name in enumerate(names) if k != missing]
    assert line.split(" ")[1] == ",".join(told)


# ---- writing ----


async def test_items_are_written_in_one_request_of_the_v2_interface(server, clock):
    more = {"PLANTIGRADE_TSDB_BUCKET": "feet", "PLANTIGRADE_TSDB_ORGANISATION": "club"}
    async with opened(server.url + "/", **more) as database:
        await database.send([plain("cue", "early"), plain("set", "1")])
        await database.send([])
    assert server.asked == ["GET /metrics", f"POST {WRITE}"]
    (text,) = server.wrote
    assert text.splitlines() == [
        *lines(plain("cue", "early"), PLACE),
        *lines(plain("set", "1"), PLACE),
    ]
    request = server.requests[-1]
    assert dict(request.query) == {"org": "club", "bucket": "feet", "precision": "ms"}
    assert request.headers["Authorization"] == f"Token {SECRET}"


async def test_what_cannot_be_a_line_is_refused_alone(server):
    async with opened(server.url) as database:
        damaged = {"time_us": 0, "period_us": 10_000, "rows": 1, "data": b"damaged"}
        for spoilt in (
            {"text": '{"a": [{"b": "c"}'},
            {"kind": "loads"},
            {"kind": "loads", "block": damaged},
        ):
            with pytest.raises(ItemRejected, match="cannot be written as a line"):
                await database.send([item(step(512), **spoilt)])
        assert server.wrote == []


@pytest.mark.parametrize(
    ("status", "says"),
    [
        (401, "the token is not accepted (401): check tsdb.token_file or PLANTIGRADE_TSDB_TOKEN"),
        (403, "the token has no right to write there (403): check it, tsdb.bucket and"),
        (404, "has no such bucket or organisation, or is no database (404): check tsdb.url,"),
        (429, "is busy (429)"),
        (503, "is busy (503)"),
        (500, "fails (500)"),
        (302, "sends elsewhere (302), where nothing is sent: check tsdb.url"),
        (300, "sends elsewhere (300), where"),
        (399, "sends elsewhere (399), where"),
        (410, "fails (410)"),
        (200, "answers a write as no database does: check tsdb.url and this network's sign-in"),
        (201, "answers a write as no database does"),
    ],
)
async def test_an_answer_that_is_no_204_is_told_in_words(server, status, says):
    server.instead[WRITE] = status, "why", {}
    async with opened(server.url) as database:
        with pytest.raises(SinkUnavailable) as away:
            await database.write(["a,b=c d=1.0 1"])
        with pytest.raises(SinkUnavailable):
            await database.is_accepting()
    assert str(away.value).startswith(f"time-series database {server.url}: {says}")
    assert away.value.after_s is None


@pytest.mark.parametrize(
    ("asks", "after_s"), [("7", 7.0), ("soon", None), ("", None), ("-3", None)]
)
async def test_a_database_that_asks_for_a_pause_is_given_it(server, asks, after_s):
    """RFC 9110 §10.2.3: Retry-After in whole seconds, or a date, which is not heeded."""
    server.instead[WRITE] = 503, "", {"Retry-After": asks}
    async with opened(server.url) as database:
        with pytest.raises(SinkUnavailable) as away:
            await database.write(["a,b=c d=1.0 1"])
    assert away.value.after_s == after_s


@pytest.mark.parametrize(
    ("status", "text", "says"),
    [
        (400, "field type conflict\nand more", "400: field type conflict"),
        (422, "  of another type", "422: of another type"),
        (413, "", "413: Request Entity Too Large"),
        (400, f"no: Token {SECRET}", "400: no: Token ***"),
        (400, "x" * 300, "400: " + "x" * 200),
        (400, " ", "400: refused"),
    ],
)
async def test_lines_that_are_refused_are_with_the_first_line_of_why(server, status, text, says):
    server.instead[WRITE] = status, text, {}
    async with opened(server.url) as database:
        with pytest.raises(ItemRejected) as refused:
            await database.write(["a,b=c d=1.0 1"])
        assert str(refused.value) == says
        assert await database.is_accepting() is False
        server.instead.clear()
        assert await database.is_accepting() is True


async def test_a_point_to_look_with_is_of_the_bay_and_of_now(server, clock):
    async with opened(server.url) as database:
        assert database.check_line(7.0) == f"plantigrade_check,{PLACE} value=7.0 {NINE_MS}"
        await database.is_accepting()
    assert server.wrote == [f"plantigrade_check,{PLACE} value=0.0 {NINE_MS}"]


STATE = SinkState("tsdb", True, None, 1, 0, None, 0, 0, 0, 0, 0.0)


async def test_how_it_stands_is_written_once_at_a_time_and_where_there_is_a_connection(
    server, clock
):
    database = Database(load(None, settings(server.url)))
    database.show([STATE])  # nobody is there
    await database.open()
    for _ in range(2):
        for _ in range(2):  # the second while the first is on the way
            database.show([STATE])
        assert database._shown is not None
        await database._shown
    for status in (400, 500):
        server.instead[WRITE] = status, "no", {}
        database.show([STATE])
        told = database._shown
        assert told is not None
        await told  # it is of the moment: no fault of anybody's
    assert server.wrote[:2] == bay_lines([STATE], PLACE, NINE_MS) * 2
    assert len(server.wrote) == 4
    await database.close()


async def test_what_is_shown_while_it_closes_is_given_up():
    asked = asyncio.Event()

    async def hangs(request: web.Request) -> web.StreamResponse:
        if request.path == WRITE:
            asked.set()
            await asyncio.Event().wait()
        return web.Response(text="")

    async with http_server(hangs) as url, opened(url) as database:
        database.show([STATE])
        await asked.wait()
        await database.close()
        assert database._shown is not None and database._shown.cancelled()


async def test_it_is_opened_again_after_it_was_closed(server):
    database = Database(load(None, settings(server.url)))
    for _ in range(2):
        await database.open()
        client = database._client
        await database.open()  # asked again, on the connection there is
        assert database._client is client
        await database.write(["a,b=c d=1.0 1"])
        await database.close()
        await database.close()
    assert len(server.wrote) == 2


def test_certificates_that_cannot_be_read_are_said(tmp_path):
    for name, why in (("none.pem", "No such file or directory"), ("empty.pem", "")):
        if not why:
            (tmp_path / name).write_text("", "utf-8")
        with pytest.raises(InputError, match=rf"tsdb.ca_file \S+{name}: cannot be used .{why}"):
            tsdb._trust(str(tmp_path / name))


# ---- when it was started, and its clock ----


@pytest.mark.parametrize(
    ("hold_s", "look_s"), [("60", 5.0), ("15", 5.0), ("6", 2.0), ("1.5", 0.5), ("0.3", 0.5)]
)
async def test_it_is_looked_whether_it_was_restarted_thrice_in_a_hold(
    server, clock, hold_s, look_s
):
    """Every 5 s, and of a short hold oftener, down to half a second."""
    async with opened(server.url, PLANTIGRADE_TSDB_HOLD_S=hold_s) as database:
        clock.now_s += look_s - 0.01
        assert await database.restarted() is None
        clock.now_s += 0.01
        assert await database.restarted() is False
        assert await database.restarted() is None
        server.started += 1
        clock.now_s += look_s
        assert await database.restarted() is True
        clock.now_s += look_s
        assert await database.restarted() is False


@pytest.mark.parametrize(
    ("text", "started", "is_victoria"),
    [
        ("vm_app_version 1\nvm_app_start_timestamp 5\n", "5", True),
        ("# HELP\nprocess_start_time_seconds 1.7e+09\n", "1.7e+09", False),
        ("x_process_start_time_seconds 4\n", None, False),
    ],
)
async def test_it_says_when_it_was_started_and_what_it_is(server, text, started, is_victoria):
    async with opened(server.url) as database:
        server.instead["/metrics"] = 200, text, {}
        info = await database.server_info()
        assert (info.started, info.is_victoria) == (started, is_victoria)
        server.instead["/metrics"] = 404, text, {}
        info = await database.server_info()
        assert (info.started, info.is_victoria) == (None, False)


OFF = "this machine's clock is {} the time-series database's: set it, points are dated by it"


@pytest.mark.parametrize(
    ("date", "ahead_s", "said"),
    [
        ("Mon, 02 Mar 2026 09:00:00 GMT", 0.0, None),
        ("Mon, 02 Mar 2026 08:59:00 GMT", 60.0, None),
        ("Mon, 02 Mar 2026 09:01:00 GMT", -60.0, None),
        ("Mon, 02 Mar 2026 08:58:59 GMT", 61.0, OFF.format("61 s ahead of")),
        ("Mon, 02 Mar 2026 10:00:00 GMT", -3600.0, OFF.format("3600 s behind")),
        ("yesterday", None, None),
    ],
)
async def test_a_clock_more_than_a_minute_off_is_said(server, clock, date, ahead_s, said):
    server.instead["/metrics"] = 200, "", {"Date": date}
    async with opened(server.url) as database:
        assert (await database.server_info()).ahead_s == ahead_s
        assert database.clock_said == said


async def test_a_clock_is_said_anew_when_it_differs_by_over_two_seconds(server, clock):
    """A date is to the second: within that it is the same sentence."""
    said = []
    async with opened(server.url) as database:
        for second in (0, 1, 2, 3, 0):
            date = f"Mon, 02 Mar 2026 10:00:{second:02} GMT"
            server.instead["/metrics"] = 200, "", {"Date": date}
            await database.server_info()
            said.append(database.clock_said)
        server.instead["/metrics"] = 200, "", {"Date": "none"}
        await database.server_info()
        assert database.clock_said is None
    assert said == [OFF.format(f"{s} s behind") for s in (3600, 3600, 3600, 3603, 3600)]


# ---- reading back and deleting ----


async def test_series_are_read_back_up_to_what_lies_ahead(server, clock):
    """VictoriaMetrics takes points up to 49 h ahead; NINE_MS is 1772442000 s and a quarter."""
    server.take(f"plantigrade_x,session=s a=1.5,b=2.0 {NINE_MS}\nplantigrade_x,session=t a=3.0 1")
    async with opened(server.url) as database:
        found = await database.export('{session="s"}')
        told = [(labels["__name__"], values, times) for labels, values, times in found]
        assert told == [
            ("plantigrade_x_a", [1.5], [NINE_MS]),
            ("plantigrade_x_b", [2.0], [NINE_MS]),
        ]
        assert found[0][0] == {"__name__": "plantigrade_x_a", "session": "s"}
        assert dict(server.requests[-1].query) == {
            "match[]": '{session="s"}',
            "start": "0.000",
            "end": f"{1_772_442_000 + 49 * 3600}.000",
        }
        await database.export('{session="s"}', 1500, 2001)
        asked = server.requests[-1].query
        assert (asked["start"], asked["end"]) == ("1.500", "2.001")


async def test_series_are_deleted_and_looked_for_again(server, clock):
    server.take("plantigrade_x,session=s a=1.5,b=2.0 5\nplantigrade_x,session=t a=3.0 1")
    async with opened(server.url) as database:
        assert await database.delete('{session="s"}') == 2
        assert [dict(key)["session"] for key in server.series] == ["t"]
        assert server.asked[1:] == [
            "GET /api/v1/query",
            "POST /api/v1/admin/tsdb/delete_series",
            "GET /api/v1/query",
        ]
        assert dict(server.requests[1].query) == {
            "query": 'count(count_over_time({session="s"}[10y]))',
            "time": str(1_772_442_000 + 49 * 3600),
            "nocache": "1",
        }
        assert await database.delete('{session="s"}') == 0
        server.deletes = False
        with pytest.raises(SinkUnavailable, match=": 1 of 1 series are there still"):
            await database.delete('{session="t"}')
        server.instead["/api/v1/admin/tsdb/delete_series"] = 200, "", {}
        server.series.clear()
        assert await database.delete('{session="t"}') == 0
        server.instead["/api/v1/admin/tsdb/delete_series"] = 401, "", {}
        with pytest.raises(SinkUnavailable, match=r": does not delete \(401\)"):
            await database.delete('{session="t"}')


async def test_one_that_cannot_be_read_is_said(server):
    async with opened(server.url) as database:
        for path in ("/api/v1/export", "/api/v1/query"):
            server.instead[path] = 422, "", {}
        for asks in (database.export('{a="b"}'), database.delete('{a="b"}')):
            with pytest.raises(SinkUnavailable, match=r": cannot be read \(422\)"):
                await asks
        for path in ("/api/v1/export", "/api/v1/query"):
            server.instead[path] = 200, json.dumps({"metric": {}, "values": [1], "timestamps": []})
            server.instead[path] = (*server.instead[path][:2], {})
        with pytest.raises(SinkUnavailable, match="answers with what is no series"):
            await database.export('{a="b"}')
        with pytest.raises(SinkUnavailable, match="answers with what is no number"):
            await database.delete('{a="b"}')


# ---- what stands in the way ----


async def every_way(database: Database) -> list[str]:
    """What each thing that asks the database says."""
    said = []
    for asks in (
        database.server_info(),
        database.write(["a,b=c d=1.0 1"]),
        database.export('{a="b"}'),
        database.delete('{a="b"}'),
    ):
        with pytest.raises(SinkUnavailable) as away:
            await asks
        said.append(str(away.value))
    return said


async def test_one_that_is_not_there_breaks_off_or_says_nothing_is_said_each_time():
    mode = ["well"]

    async def turns(request: web.Request) -> web.StreamResponse:
        if mode[0] == "cut":
            assert request.transport is not None
            request.transport.abort()
        if mode[0] == "hang":
            await asyncio.Event().wait()
        return web.Response(text="")

    async with http_server(turns) as url, opened(url, PLANTIGRADE_TSDB_TIMEOUT_S="0.5") as database:
        begins = f"time-series database {url}: "
        mode[0] = "cut"
        for said in await every_way(database):
            assert said.startswith(begins + "broke the connection (")
        mode[0] = "hang"
        assert set(await every_way(database)) == {begins + "does not answer within 0.5 s"}
    async with http_server(turns) as url:
        database = Database(load(None, settings(url)))
    with pytest.raises(SinkUnavailable, match=r"cannot be reached .*: is it running, is tsdb\.url"):
        await database.open()
    await database.close()


async def test_one_that_speaks_no_tls_is_said():
    async def plain_text(_: web.Request) -> web.StreamResponse:
        return web.Response(text="")

    async with http_server(plain_text) as url:
        database = Database(load(None, settings(url.replace("http:", "https:"))))
        with pytest.raises(SinkUnavailable, match=r"does not speak TLS there: check tsdb\.url"):
            await database.open()
        await database.close()


def test_each_fault_of_a_connection_has_its_words():
    database = Database(load(None, settings("http://here:8428")))
    key = ConnectionKey("here", 8428, False, True, None, None, None)
    self_signed = ssl.SSLCertVerificationError("self-signed certificate")
    self_signed.verify_message = "self-signed certificate"
    told: dict[str, BaseException] = {
        "no such host: check tsdb.url": aiohttp.ClientConnectorDNSError(key, OSError(-2, "x")),
        "cannot be reached (No route to host)": aiohttp.ClientConnectorError(key, OSError(113, "")),
        "cannot be reached (no connection)": aiohttp.ClientConnectorError(key, OSError()),
        "does not speak TLS there": aiohttp.ClientConnectorSSLError(key, ssl.SSLError(1, "x")),
        "answers with more than 9 bytes: check tsdb.url": bounded.TooLongError("more than 9 bytes"),
        "does not answer within 10 s": TimeoutError(),
        "broke the connection (ServerDisconnectedError)": aiohttp.ServerDisconnectedError(),
        "its certificate is not trusted (self-signed certificate)": (
            aiohttp.ClientConnectorCertificateError(key, self_signed)
        ),
    }
    for says, error in told.items():
        text = str(database._away(error))
        assert text.startswith(f"time-series database http://here:8428: {says}"), text
