"""The sinks outside this machine, in one table: whom the outbox keeps rows for, who sends them.

Settings, outbox, forwarding process, counters and pages all go by `SINKS`, so that a sink is a row
here, its settings, and a module in `forward/`.
"""

from dataclasses import dataclass

from plantigrade_gateway import formats

TSDB, MQTT, LOADS = "tsdb", "mqtt", "loads"
_MOST_CHARACTERS = 32


@dataclass(frozen=True, slots=True)
class SinkRow:
    """One sink.

    Attributes
    ----------
    name : str
        In the outbox, in counters and metrics.
    called : str
        For people, as in "message broker: takes nothing".
    wanted : tuple of str
        The settings that must all be set (a flag: on) for anything to be sent to it.
    module : str
        Its module in ``forward/``, whose ``sink(config, say)`` makes the `courier.Sink`; loaded
        where the sink is wanted, and not before. Its section of the settings, with ``hold_s``.
    at_once : int
        Rows in one piece: what is unpacked and written as text at once bounds the memory.
    """

    name: str
    called: str
    wanted: tuple[str, ...]
    module: str
    at_once: int


SINKS = {
    row.name: row
    for row in (
        SinkRow(TSDB, "time-series database", ("tsdb.url",), "tsdb", 200),
        SinkRow(MQTT, "message broker", ("mqtt.host",), "mqtt", 100),
        # To the database too, behind the events and with a cursor of their own.
        SinkRow(LOADS, "regional loads", ("tsdb.url", "tsdb.loads"), "tsdb", 5),
    )
}
"""Every sink there is, by name."""


def display_name(sink: str) -> str:
    """Return what a sink is called; one that this version does not know, by its own name."""
    row = SINKS.get(sink)
    return formats.printable(sink)[:_MOST_CHARACTERS] if row is None else row.called
