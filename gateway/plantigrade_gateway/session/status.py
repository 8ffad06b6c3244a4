"""The status of a session under way, measured now."""

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from plantigrade.block import Foot
from plantigrade_gateway.analysis.pipeline import Pipeline
from plantigrade_gateway.record.entries import INSOLE_OF
from plantigrade_gateway.sources.reconnect import LinkInfo
from plantigrade_gateway.store.status import FootStatus, Latency, ServiceStatus
from plantigrade_gateway.wire.stream import Counts


def measure(
    links: Mapping[Foot, LinkInfo],
    pipeline: Pipeline | None,
    session_id: str | None,
    latency: Latency,
    now_ns: int,
) -> ServiceStatus:
    """Return the status now: of the links, or without any what a recording's packets tell."""
    feet = {str(foot): _live(info, pipeline, now_ns) for foot, info in links.items()}
    if not links and pipeline is not None:
        feet = {
            str(foot): _recorded(number, pipeline)
            for number, foot in pipeline.feet().items()
            if foot is not None
        }
    return ServiceStatus(datetime.now(UTC), True, session_id, feet, latency.summary())


def _live(info: LinkInfo, pipeline: Pipeline | None, now_ns: int) -> FootStatus:
    return _foot(
        pipeline,
        INSOLE_OF[info.insole.foot],
        name=info.insole.name,
        state=str(info.state),
        battery_percent=info.battery_percent,
        rssi_dbm=info.rssi,
        links=info.reconnection.links,
        insole_dropped=info.dropped,
        silent_s=None if info.last_ns is None else round((now_ns - info.last_ns) / 1e9, 2),
        calibration=info.calibration,
        firmware=info.firmware,
        interval_ms=info.interval_ms,
        has_log=info.has_log,
        catching_up_s=round(info.catching_up_s, 1),
        late_s=round(info.late_s, 1),
        not_logged_s=round(info.not_logged_s, 1),
    )


def _recorded(number: int, pipeline: Pipeline) -> FootStatus:
    return _foot(
        pipeline,
        number,
        name="recording",
        state="replayed",
        battery_percent=None,
        rssi_dbm=None,
        links=1,
        insole_dropped=0,
        silent_s=None,
    )


def _foot(pipeline: Pipeline | None, insole: int, **link: Any) -> FootStatus:  # noqa: ANN401
    """Return an insole's status: what its link tells, and what its packets do."""
    count = Counts() if pipeline is None else pipeline.counts().get(insole, Counts())
    clock = None if pipeline is None else pipeline.clocks().get(insole)
    return FootStatus(
        **link,
        packets=count.packets,
        lost_packets=count.lost_packets,
        drift_ppm=None if clock is None else round(clock.drift_ppm, 1),
        clock_error_s=None if clock is None else round(clock.error_s, 4),
        clock_locked=clock is not None and clock.locked,
    )
