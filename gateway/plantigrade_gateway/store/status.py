"""The status of a running gateway: a small JSON file beside the store that others read.

Holds the frozen status and its text; `session/status.py` measures it.
"""

import glob
import json
import os
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from plantigrade_gateway import formats
from plantigrade_gateway.converter import made_from_text, plain
from plantigrade_gateway.errors import InputError

_T = TypeVar("_T")


def replace_json(path: Path, table: Mapping[str, Any]) -> None:
    """Replace the file whole; a disk that refuses costs nothing but what it would have said."""
    new = path.with_name(path.name + ".new")
    try:
        new.write_text(json.dumps(table), "utf-8")
        os.replace(new, path)
    except OSError:
        return


def read_json(kind: type[_T], path: Path, what: str) -> _T | None:
    """Read a file that `replace_json` wrote; None where there is none.

    Raises
    ------
    InputError
        It is not readable.
    """
    try:
        found = made_from_text(kind, path.read_bytes())
        for field in fields(found):  # type: ignore[arg-type]  # each kind is a dataclass
            _refuse_no_time(getattr(found, field.name))
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: not a {what} of this version ({error})") from error
    return found


def _refuse_no_time(value: object) -> None:
    """Refuse a time without an offset to UTC, or one that no clock here can show."""
    if isinstance(value, datetime):
        try:
            _ = datetime.now(UTC) - value, value.astimezone()
        except (TypeError, OverflowError) as error:
            raise ValueError(f"{value}: {error}") from error


FRESH_S = 5.0
"""A status older than this is of a service that no longer runs (it writes one a second)."""


def is_just_now(written: datetime) -> bool:
    """Whether a state that is written once a second is of a program that runs.

    One that lies ahead is not, either: its program ended before the clock was set back.
    """
    return abs((datetime.now(UTC) - written).total_seconds()) <= FRESH_S


_KEPT = 2000  # latencies: some ten seconds of two feet at 200 Hz


@dataclass(frozen=True, slots=True)
class FootStatus:
    """One insole's link.

    Attributes
    ----------
    name, state : str
    battery_percent, rssi_dbm : int or None
        Signal strength when it was heard before connecting.
    links : int
        How often the link came up.
    packets, lost_packets, insole_dropped : int
        Taken, missing by the counter, and made but never sent as the insole says.
    silent_s : float or None
        Since data came last.
    drift_ppm, clock_error_s : float or None
    clock_locked : bool
    calibration : str or None
        When and how well it was calibrated, or "never calibrated".
    firmware : str or None
        What it runs, and whether a newer one was seen.
    interval_ms : float or None
        The link's connection interval as measured, ms.
    has_log : bool or None
        It keeps what it samples out of reach; None: not known.
    catching_up_s : float
        What is still to come of that, s.
    late_s, not_logged_s : float
        What came late since the service began, and what its log did not have, s.
    """

    name: str
    state: str
    battery_percent: int | None
    rssi_dbm: int | None
    links: int
    packets: int
    lost_packets: int
    insole_dropped: int
    silent_s: float | None
    drift_ppm: float | None
    clock_error_s: float | None
    clock_locked: bool
    calibration: str | None = None
    firmware: str | None = None
    interval_ms: float | None = None
    has_log: bool | None = None
    catching_up_s: float = 0.0
    late_s: float = 0.0
    not_logged_s: float = 0.0

    @property
    def lost_share(self) -> float | None:
        """How much of what the insole sent is missing, 0 to 1; None before its first packet."""
        made = self.packets + self.lost_packets
        return self.lost_packets / made if made else None


NO_INSOLE = FootStatus(
    name="",
    state="no insole",
    battery_percent=None,
    rssi_dbm=None,
    links=0,
    packets=0,
    lost_packets=0,
    insole_dropped=0,
    silent_s=None,
    drift_ppm=None,
    clock_error_s=None,
    clock_locked=False,
)
"""A foot of which nothing has been heard yet."""


@dataclass(frozen=True, slots=True)
class ServiceStatus:
    """The whole service.

    Attributes
    ----------
    written : datetime
    running : bool
        False: the last words of a service that was stopped.
    session_id : str or None
        Of the session under way.
    feet : dict of str to FootStatus
    latency_ms : tuple of float or None
        From a notification's arrival to its frames decoded and its events found: median and 99th
        percentile of the last seconds, ms.
    pair : str
        Which of several pairs of insoles it is of; empty: the usual one.
    page : str or None
        Where its live page is.
    """

    written: datetime
    running: bool
    session_id: str | None
    feet: dict[str, FootStatus]
    latency_ms: tuple[float, float] | None
    pair: str = ""
    page: str | None = None

    @property
    def is_live(self) -> bool:
        """Whether the service runs now, as far as its status says."""
        return self.running and is_just_now(self.written)


class Latency:
    """How long entries waited until they were worked off."""

    def __init__(self) -> None:
        self._ms: deque[float] = deque(maxlen=_KEPT)

    def note(self, arrivals_ns: list[int], now_ns: int) -> None:
        """Note entries that are done now."""
        self._ms.extend((now_ns - ns) / 1e6 for ns in arrivals_ns)

    def summary(self) -> tuple[float, float] | None:
        """Return median and 99th percentile, ms."""
        if not self._ms:
            return None
        median, high = np.percentile(self._ms, [50, 99])
        return round(float(median), 2), round(float(high), 2)


def path_for(store: Path, pair: str = "") -> Path:
    """Return where the status of a store's service lies, of one pair of insoles."""
    return store.with_name(f"{store.name}-status{'-' if pair else ''}{pair.casefold()}.json")


def write(path: Path, status: ServiceStatus) -> None:
    """Replace the file; a disk that refuses costs nothing but the status."""
    replace_json(path, plain(status))


def read(path: Path) -> ServiceStatus | None:
    """Read the file; None where there is none.

    Raises
    ------
    InputError
        It is not readable.
    """
    return read_json(ServiceStatus, path, "status")


def read_all(store: Path) -> list[ServiceStatus]:
    """Read what every pair's service of a store says, the usual pair's first.

    Raises
    ------
    InputError
        One is not readable.
    """
    of_pairs = sorted(store.parent.glob(f"{glob.escape(store.name)}-status-*.json"))
    return [found for path in (path_for(store), *of_pairs) if (found := read(path)) is not None]


class StatusFile:
    """The status of a program, in the store's file while it runs.

    Parameters
    ----------
    store : Path
    yields : bool
        Leave the file alone while it tells of another program: a gateway with insoles on the same
        store comes before one that replays.
    pair : str
        Which pair's file.
    """

    def __init__(self, store: Path, *, yields: bool, pair: str = "") -> None:
        self._path = path_for(store, pair)
        self._yields = yields
        self._last: ServiceStatus | None = None

    def put(self, status: ServiceStatus) -> None:
        """Replace what the file says of this program."""
        if not self._is_of_another():
            write(self._path, status)
            self._last = status

    def end(self) -> None:
        """Say that it has ended."""
        if self._last is not None and not self._is_of_another():
            write(self._path, replace(self._last, running=False))

    def _is_of_another(self) -> bool:
        if not self._yields:
            return False
        try:
            there = read(self._path)
        except InputError:
            return False
        mine = None if self._last is None else self._last.written
        return there is not None and there.is_live and there.written != mine


def lines(status: ServiceStatus) -> list[str]:
    """Return the status in words, a line for each fact."""
    out = []
    for foot, link in status.feet.items():
        made = link.packets + link.lost_packets
        lost = "" if not made else f", {100.0 * link.lost_packets / made:.2f} % lost"
        silent = "" if link.silent_s is None else f", data {link.silent_s:.1f} s ago"
        out.append(f"{foot} ({link.name}): {link.state}{silent}")
        out.append(
            f"battery {_value(link.battery_percent, ' %')}, signal {_value(link.rssi_dbm, ' dBm')} "
            f"when last heard; connected {formats.plural(link.links, 'time')}; "
            f"{formats.plural(link.packets, 'packet')}{lost}"
        )
        locked = "" if link.clock_locked else ", not settled yet"
        error_ms = None if link.clock_error_s is None else 1e3 * link.clock_error_s
        out.append(
            f"clock drift {formats.number(link.drift_ppm, 1, ' ppm')}, times within "
            f"{formats.number(error_ms, 0, ' ms')}{locked}"
        )
        if link.interval_ms is not None:
            out.append(interval_said(link.interval_ms))
        if link.firmware is not None:
            out.append(link.firmware)
        if link.has_log is not None:
            out.append(log_said(link))
    if status.latency_ms is not None:
        median, high = status.latency_ms
        out.append(f"from arrival to result: {median:.1f} ms (median), {high:.1f} ms (99 %)")
    return out


GOOD_INTERVAL_MS = 15.0
"""What an insole asks for (`gatt_profile.md` §5)."""


def interval_said(interval_ms: float) -> str:
    """Say a connection interval, and what it does to the delay of a sound."""
    text = (
        f"connection interval {formats.number(interval_ms, 2, ' ms')}: a packet waits "
        f"{interval_ms / 2.0:.0f} ms on average and up to {interval_ms:.0f} ms for the radio"
    )
    if interval_ms > GOOD_INTERVAL_MS:
        more = (interval_ms - GOOD_INTERVAL_MS) / 2.0
        text += f", {more:.0f} ms more on average than at {GOOD_INTERVAL_MS:.0f} ms"
    return text


def log_said(link: FootStatus) -> str:
    """Say what an insole's log does, or that it has none."""
    if not link.has_log:
        return "no log: what it samples out of reach is lost"
    if link.catching_up_s >= 1.0:
        text = f"catching up {link.catching_up_s:.0f} s from its log"
    else:
        text = "its log owes nothing"
    if link.late_s >= 0.05:
        text += f"; {link.late_s:.1f} s came late"
    if link.not_logged_s >= 0.05:
        text += f"; {link.not_logged_s:.1f} s were not in it and are lost"
    return text


def _value(value: int | None, unit: str) -> str:
    return formats.NONE if value is None else f"{value}{unit}"
