"""The time-series database as a sink: items as lines of the line protocol, and sending.

The series are those of `hardware_notes/tsdb_schema.md`. Fields are floats; a text that is one of a
few is its place in `CODES`; absent values are absent. One tag set and time is one point, so that
sending it again changes nothing. Times are ms. The one module that imports influxdb-client.
"""

import asyncio
import os
import re
import ssl
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any

import aiohttp
import numpy as np
from influxdb_client.client.influxdb_client_async import InfluxDBClientAsync
from influxdb_client.rest import ApiException
from influxdb_client.service.write_service import WriteService

from plantigrade.errors import ForeignError
from plantigrade.foreign import read_json
from plantigrade_gateway.config import Config
from plantigrade_gateway.errors import InputError, StoreError, untrusted
from plantigrade_gateway.forward import bounded
from plantigrade_gateway.forward.courier import ItemRejected, SinkUnavailable
from plantigrade_gateway.sinks import LOADS
from plantigrade_gateway.store.enqueue import NAMED, REGIONS, Item, unpack_loads
from plantigrade_gateway.store.forwardstate import SinkState

PREFIX = "plantigrade_"
CODES: dict[str, tuple[str, ...]] = {
    "roll": ("unclear", "skipped", "through"),
    "bearing": ("unclear", "none", "slight", "bearing", "broad", "moved"),
    "heel_lift__state": ("unclear", "down", "lifted"),
    "push__manner": ("unclear", "held", "skipped", "rolled"),
    "push__timing": ("unclear", "early", "with_shift"),
    "intent": ("smooth", "full", "fast"),
    "finish_manner": ("time", "settled", "stepped"),
    "state": ("ended", "open"),
    "link": ("stopped", "pausing", "searching", "connecting", "streaming"),
}
"""What the numbers of coded fields mean: the place in the list."""

_LEFT_OUT = {"foot", "lead", "path_t_s", "path_y", "name", "end_reason", "started_utc"}
_LEFT_OUT |= {"set_id", "club", "pair"}  # texts
_NO_CODE = -1.0  # a text that this version knows no code for


def lines(item: Item, place: str) -> list[str]:
    """Return an item as lines, in order.

    Parameters
    ----------
    item : Item
    place : str
        `place_tags` of the bay.
    """
    if item.kind == LOADS:
        return list(_loads(item, place))
    told = flat(item.body)
    if item.kind == "session":  # a tag cannot be compared by its size
        told.append(("current_revision", float(item.revision)))
    fields = ",".join([f"{key}={value!r}" for key, value in told])
    return [f"{series(item, place)} {fields} {item.time_ms}"]


def bay_lines(sinks: Iterable[SinkState], place: str, time_ms: int) -> list[str]:
    """Return how the forwarding stands, a line for each sink: of the moment, and sent once."""
    made = []
    for one in sinks:
        told = {
            "waiting": one.unsent,
            "oldest_s": one.oldest_s,
            "sent": one.sent + one.held,
            "aside": one.aside,
            "dropped": one.dropped,
            "away": one.problem is not None,
        }
        values = ",".join(f"{key}={value!r}" for key, value in flat(told))
        made.append(f"{PREFIX}bay,{place},sink={one.sink} {values} {time_ms}")
    return made


def place_tags(site: str, bay: str) -> str:
    """Return the tags that every point of a bay has."""
    return f"bay={bay},site={site}"


def series(item: Item, place: str) -> str:
    """Return measurement and tags; names of people are never among them."""
    tags = [PREFIX + item.kind, place]
    if name := NAMED.get(item.kind, "foot"):
        tags.append(f"{name}={item.name}")
    if item.kind == "link" and (pair := item.body.get("pair")):  # where a bay has several
        tags.append(f"pair={pair}")
    if item.player is not None:
        tags.append(f"player={item.player}")
    if item.session is not None:
        tags += [f"revision={item.revision}", f"session={item.session}", f"source={item.source}"]
    if item.twin:
        tags.append(f"twin={item.twin}")
    return ",".join(tags)


def flat(body: Mapping[str, Any], before: str = "") -> list[tuple[str, float]]:
    """Return the fields of a body: nested names joined by ``__``, lists by their place."""
    fields: list[tuple[str, float]] = []
    for key, value in body.items():
        if value is None or key in _LEFT_OUT:
            continue
        name = before + key
        if isinstance(value, float):  # most are
            fields.append((name, value))
        elif isinstance(value, str):
            fields.append((name, _code(name, value)))
        elif isinstance(value, dict):
            fields += flat(value, name + "__")
        elif isinstance(value, list):
            places = {f"{5 * k:02}": v for k, v in enumerate(value, 1)}
            fields += flat(places, name + "_")
        else:
            fields.append((name, float(value)))
    return fields


def _code(name: str, value: str) -> float:
    for key, texts in CODES.items():
        if name == key or name.endswith("__" + key):
            return float(texts.index(value)) if value in texts else _NO_CODE
    return _NO_CODE


def _loads(item: Item, place: str) -> Iterator[str]:
    body = item.block or {}
    values = unpack_loads(body["data"], body["rows"])
    times = ((body["time_us"] + body["period_us"] * np.arange(body["rows"])) // 1000).tolist()
    tags = f",player={item.player}" if item.player is not None else ""
    tags += f",session={item.session},source={item.source}"
    for foot, columns in (("left", slice(0, 4)), ("right", slice(4, 8))):
        head = f"{PREFIX}{LOADS},{place},foot={foot}{tags} "
        whole = head + ",".join(f"{region}=%r" for region in REGIONS) + " %d"
        for row, time_ms in zip(values[:, columns].tolist(), times, strict=True):
            if (total := sum(row)) == total:  # none is NaN
                yield whole % (*row, time_ms)
            elif there := [(r, v) for r, v in zip(REGIONS, row, strict=True) if v == v]:
                yield f"{head}{','.join(f'{r}={v!r}' for r, v in there)} {time_ms}"


LOOK_EVERY_S = 5.0
"""How often it is asked whether it was restarted."""
CLOCK_OFF_S = 60.0
"""Points are dated by this machine's clock: a larger difference is said (ours)."""

_LONGEST_SERIES = 1 << 26  # bytes of one line of an export
_STARTED = re.compile(r"^(?:vm_app_start_timestamp|process_start_time_seconds) (\S+)", re.MULTILINE)
_SAME_CLOCK_S = 2.0  # a date is to the second (RFC 9110, 5.6.7), and comes a little late
_AHEAD_S = 49 * 3600  # later than that VictoriaMetrics takes no point
_TOO_BIG, _BUSY = 413, (429, 503)
_HERE: dict[str, Any] = {"allow_redirects": False}
"""No redirect is followed: the credential, and what was measured of people, go nowhere else."""
_MEANING = {
    401: "the token is not accepted (401): check tsdb.token_file or PLANTIGRADE_TSDB_TOKEN",
    403: "the token has no right to write there (403): check it, tsdb.bucket and tsdb.organisation",
    404: "has no such bucket or organisation, or is no database (404): check tsdb.url, "
    "tsdb.bucket and tsdb.organisation",
}


@dataclass(frozen=True, slots=True)
class ServerInfo:
    """What the database says of itself.

    Attributes
    ----------
    started : str or None
        When it was started, as it writes it; None where it does not say.
    ahead_s : float or None
        How much this machine's clock is ahead of its own, s.
    is_victoria : bool
    """

    started: str | None
    ahead_s: float | None
    is_victoria: bool


async def _text_of(answer: aiohttp.ClientResponse) -> str:
    """Return what was answered, whatever bytes it is."""
    return (await answer.read()).decode("utf-8", "replace")


def _series_of(row: dict[str, Any]) -> tuple[dict[str, str], list[float], list[int]]:
    """Return a series as it was answered; raises what its parts do that are of another type."""
    labels = {str(name): str(value) for name, value in dict(row["metric"]).items()}
    values, times = list(map(float, row["values"])), list(map(int, row["timestamps"]))
    if len(values) != len(times):
        raise ValueError("as many times as values")
    return labels, values, times


class Database:
    """The database of the settings, as a `courier.Sink`.

    Parameters
    ----------
    config : Config
    """

    def __init__(self, config: Config) -> None:
        self.url = config.word("tsdb.url").rstrip("/")
        self.clock_said: str | None = None
        self._said_ahead_s: float | None = None
        self._config = config
        self._place = place_tags(config.word("site"), config.word("bay"))
        self._client: InfluxDBClientAsync | None = None
        self._http: aiohttp.ClientSession | None = None
        self._started: str | None = None
        self._shown: asyncio.Task[None] | None = None
        self._looked_s = float("-inf")
        self._look_every_s = min(LOOK_EVERY_S, max(0.5, config.number("tsdb.hold_s") / 3))

    async def open(self) -> None:
        """Connect, and note when it was started.

        Raises
        ------
        SinkUnavailable
        """
        if self._client is None:
            trust = _trust(self._config.text("tsdb.ca_file"))
            timeout_s = self._config.number("tsdb.timeout_s")
            self._client = InfluxDBClientAsync(
                url=self.url,
                token=self._config.text("tsdb.token") or "-",
                org=self._config.word("tsdb.organisation"),
                timeout=round(1e3 * timeout_s),
                ssl_context=trust,
                client_session_kwargs={"response_class": bounded.Answer},
                **_HERE,
            )
            self._http = aiohttp.ClientSession(
                connector=aiohttp.TCPConnector(ssl=trust),
                timeout=aiohttp.ClientTimeout(total=timeout_s),
                response_class=bounded.Answer,
            )
        self._started = (await self.server_info()).started
        self._looked_s = time.monotonic()

    async def close(self) -> None:
        """Close the connections."""
        client, self._client = self._client, None
        http, self._http = self._http, None
        if self._shown is not None:
            self._shown.cancel()
            await asyncio.gather(self._shown, return_exceptions=True)
        if client is not None:
            await client.close()  # type: ignore[no-untyped-call]
        if http is not None:
            await http.close()

    async def restarted(self) -> bool | None:
        """Return whether it was restarted since it was last asked; None when it is not yet time."""
        if time.monotonic() - self._looked_s < self._look_every_s:
            return None
        started, before = (await self.server_info()).started, self._started
        self._started, self._looked_s = started, time.monotonic()
        return started != before

    async def server_info(self) -> ServerInfo:
        """Ask it when it was started and what time it has.

        Raises
        ------
        SinkUnavailable
        """
        assert self._http is not None
        try:
            async with self._http.get(self.url + "/metrics", **_HERE) as answer:
                text = await _text_of(answer) if answer.status == 200 else ""
                date = answer.headers.get("Date")
        except (aiohttp.ClientError, OSError, TimeoutError) as error:
            raise self._away(error) from None
        ahead_s = _ahead_s(date)
        if ahead_s is None or abs(ahead_s) <= CLOCK_OFF_S:
            self.clock_said = self._said_ahead_s = None
        elif self._said_ahead_s is None or abs(ahead_s - self._said_ahead_s) > _SAME_CLOCK_S:
            self._said_ahead_s = ahead_s
            self.clock_said = (
                f"this machine's clock is {abs(ahead_s):.0f} s "
                f"{'ahead of' if ahead_s > 0 else 'behind'} the time-series database's: set it, "
                "points are dated by it"
            )
        found = _STARTED.search(text)
        return ServerInfo(found[1] if found else None, ahead_s, "vm_app_version" in text)

    async def send(self, items: list[Item]) -> None:
        """Write items; raises `SinkUnavailable` or `ItemRejected`."""
        try:
            made = [line for item in items for line in lines(item, self._place)]
        except (TypeError, ValueError, KeyError, StoreError) as error:
            raise ItemRejected(f"cannot be written as a line ({error!r})") from None
        if made:
            await self.write(made)

    def show(self, sinks: Iterable[SinkState]) -> None:
        """Write how the forwarding stands, where there is a connection; it is never waited for."""
        if self._client is None or (self._shown is not None and not self._shown.done()):
            return
        made = bay_lines(sinks, self._place, time.time_ns() // 1_000_000)
        self._shown = asyncio.ensure_future(self._show(made))

    async def _show(self, made: list[str]) -> None:
        with suppress(SinkUnavailable, ItemRejected):
            await self.write(made)

    async def is_accepting(self) -> bool:
        """Return whether it takes a point that is known to be good; raises `SinkUnavailable`."""
        try:
            await self.write([self.check_line(0.0)])
        except ItemRejected:
            return False
        return True

    def check_line(self, value: float) -> str:
        """Return a point that is only there to be written."""
        return f"{PREFIX}check,{self._place} value={value!r} {time.time_ns() // 1_000_000}"

    async def write(self, made: list[str]) -> None:
        """Write lines; raises `SinkUnavailable` or `ItemRejected`."""
        assert self._client is not None
        # Its own `write` takes 201 for well, too, which has meant that some points were refused.
        service: Any = WriteService(self._client.api_client)  # type: ignore[no-untyped-call]
        try:
            _, status, _ = await service.post_write_async(
                self._config.word("tsdb.organisation"),
                self._config.word("tsdb.bucket"),
                "\n".join(made).encode(),
                precision="ms",
                content_type="text/plain; charset=utf-8",
                _return_http_data_only=False,
            )
        except ApiException as error:
            raise self._answer(error) from None
        except (aiohttp.ClientError, OSError, TimeoutError) as error:
            raise self._away(error) from None
        if status != 204:  # a sign-in page of a network answers 200 to everything
            why = "answers a write as no database does: check tsdb.url and this network's sign-in"
            raise SinkUnavailable(self._text(why))

    async def export(
        self, match: str, first_ms: int = 0, last_ms: int | None = None
    ) -> list[tuple[dict[str, str], list[float], list[int]]]:
        """Read the series back that a selector matches: labels, values, times in ms.

        Only from VictoriaMetrics, which answers ``/api/v1/export``; the labels have ``__name__``.

        Parameters
        ----------
        match : str
        first_ms, last_ms : int or None
            Of what time, both ends with it; None: up to now and what lies ahead of it.

        Raises
        ------
        SinkUnavailable
        """
        assert self._http is not None
        if last_ms is None:  # a recording replayed fast is dated ahead of now
            last_ms = 1000 * (int(time.time()) + _AHEAD_S)
        asked = {"match[]": match, "start": f"{first_ms / 1e3:.3f}", "end": f"{last_ms / 1e3:.3f}"}
        try:
            async with self._http.get(self.url + "/api/v1/export", params=asked, **_HERE) as answer:
                text = await _text_of(answer)
                if answer.status != 200:
                    raise SinkUnavailable(self._text(f"cannot be read ({answer.status})"))
        except (aiohttp.ClientError, OSError, TimeoutError) as error:
            raise self._away(error) from None
        try:
            rows = [read_json(line, "answer", _LONGEST_SERIES) for line in text.splitlines()]
            return [_series_of(row) for row in rows]
        except (ForeignError, KeyError, TypeError, ValueError, OverflowError):
            raise SinkUnavailable(self._text("answers with what is no series")) from None

    async def delete(self, match: str) -> int:
        """Delete every series that a selector matches; return how many there were.

        Only with VictoriaMetrics, through ``/api/v1/admin/tsdb/delete_series``.

        Raises
        ------
        SinkUnavailable
            It does not answer, does not let us, or some are there still.
        """
        found = await self._series(match)
        asked = {"match[]": match}
        try:
            assert self._http is not None
            where = self.url + "/api/v1/admin/tsdb/delete_series"
            async with self._http.post(where, params=asked, **_HERE) as answer:
                if answer.status not in (200, 204):
                    raise SinkUnavailable(self._text(f"does not delete ({answer.status})"))
        except (aiohttp.ClientError, OSError, TimeoutError) as error:
            raise self._away(error) from None
        if left := await self._series(match):
            raise SinkUnavailable(self._text(f"{left} of {found} series are there still"))
        return found

    async def _series(self, match: str) -> int:
        """Return how many series a selector matches; the list of series loses some."""
        assert self._http is not None
        asked = {
            "query": f"count(count_over_time({match}[10y]))",
            "time": str(int(time.time()) + _AHEAD_S),
            "nocache": "1",
        }
        try:
            async with self._http.get(self.url + "/api/v1/query", params=asked, **_HERE) as answer:
                text = await _text_of(answer)
                if answer.status != 200:
                    raise SinkUnavailable(self._text(f"cannot be read ({answer.status})"))
        except (aiohttp.ClientError, OSError, TimeoutError) as error:
            raise self._away(error) from None
        try:
            rows = read_json(text, "answer", _LONGEST_SERIES)["data"]["result"]
            return int(float(rows[0]["value"][1])) if rows else 0
        except (ForeignError, KeyError, TypeError, IndexError, ValueError):
            raise SinkUnavailable(self._text("answers with what is no number")) from None

    def _answer(self, error: ApiException) -> Exception:
        status = int(error.status or 0)
        if status in (400, 422, _TOO_BIG):
            body = error.body or error.reason or ""
            text = body.decode("utf-8", "replace") if isinstance(body, bytes) else str(body)
            said = text.strip().splitlines()
            return ItemRejected(
                self._config.masked(f"{status}: {said[0][:200] if said else 'refused'}")
            )
        if 300 <= status < 400:
            why = f"sends elsewhere ({status}), where nothing is sent: check tsdb.url"
            return SinkUnavailable(self._text(why))
        if status in _MEANING:
            return SinkUnavailable(self._text(_MEANING[status]))
        asked = error.headers.get("Retry-After") if error.headers else None
        after_s = float(asked) if asked and asked.isdigit() else None
        busy = "is busy" if status in _BUSY else "fails"
        return SinkUnavailable(self._text(f"{busy} ({status})"), after_s)

    def _away(self, error: BaseException) -> SinkUnavailable:
        if isinstance(error, ssl.SSLCertVerificationError):  # aiohttp's own is one
            why = getattr(getattr(error, "certificate_error", error), "verify_message", "")
            return SinkUnavailable(self._text(untrusted(why, "tsdb.url", "tsdb.ca_file")))
        if isinstance(error, aiohttp.ClientConnectorDNSError):
            return SinkUnavailable(self._text("no such host: check tsdb.url"))
        if isinstance(error, ssl.SSLError):
            return SinkUnavailable(self._text("does not speak TLS there: check tsdb.url"))
        if isinstance(error, bounded.TooLongError):
            return SinkUnavailable(self._text(f"answers with {error}: check tsdb.url"))
        if isinstance(error, TimeoutError):
            limit = self._config.number("tsdb.timeout_s")
            return SinkUnavailable(self._text(f"does not answer within {limit:g} s"))
        if isinstance(error, aiohttp.ClientConnectorError):
            number = error.os_error.errno
            why = os.strerror(number) if number else "no connection"
            return SinkUnavailable(
                self._text(f"cannot be reached ({why}): is it running, is tsdb.url right?")
            )
        return SinkUnavailable(self._text(f"broke the connection ({type(error).__name__})"))

    def _text(self, what: str) -> str:
        return self._config.masked(f"time-series database {self.url}: {what}")


def sink(config: Config, _say: Callable[[str], None]) -> Database:
    """Return the database as the forwarding process sends to it."""
    return Database(config)


def _trust(ca_file: str | None) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=ca_file)
    except OSError as error:  # ssl.SSLError too
        raise InputError(
            f"tsdb.ca_file {ca_file}: cannot be used ({error.strerror or error})"
        ) from error


def _ahead_s(date: str | None) -> float | None:
    if date is None:
        return None
    try:
        theirs = parsedate_to_datetime(date)
    except ValueError:
        return None
    return (datetime.now(UTC) - theirs).total_seconds()
