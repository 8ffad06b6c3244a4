"""Entries of a player who stands on virtual insoles, for tests of whole sessions."""

from plantigrade.block import Foot
from plantigrade.calibrate import default_calibration
from plantigrade.synth import Performance, Player, SessionPlan, Stand, perform
from plantigrade.zones import eighteen
from plantigrade_gateway.record.entries import Batch, Entry
from plantigrade_gateway.session.visit import SessionManager
from plantigrade_gateway.virtual.recorded import RadioChannel, RecordedInsole, merged


def pair(load: float, start_ns: int, seconds: float) -> list[Entry]:
    """Both insoles of a player who stands, with so much of the pressure; 0: in the air."""
    done = perform(Player(), SessionPlan((Stand(seconds),)), 100.0, 1)
    return entries_of(done, start_ns, seconds, load)


def entries_of(done: Performance, start_ns: int, seconds: float, load: float = 1.0) -> list[Entry]:
    """Both insoles of a player who does something for so long, with so much of the pressure."""
    entries = []
    for number, (foot, zones) in enumerate(((Foot.LEFT, done.left), (Foot.RIGHT, done.right))):
        insole = RecordedInsole(
            foot, number, default_calibration(eighteen(), foot), link=RadioChannel.steady()
        )
        n = len(insole.sample_times_s(seconds - 0.1))
        pressure = load * zones[:n]
        entries.append(insole.entries(pressure, seconds - 0.1, start_ns, 1))
    return merged(*entries)


def push_all(visit: SessionManager, entries: list[Entry]) -> None:
    """Push entries as they come, some at a time."""
    for at in range(0, len(entries), 50):
        visit.push(Batch.of(entries[at : at + 50]))
