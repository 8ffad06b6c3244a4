"""What is said at once of a stream: of what goes on happening, a sentence at times."""

import pytest

from plantigrade_gateway.wire.stream import StreamEvent, StreamEventKind, StreamNotes

S = 1_000_000_000
RESTART, BATTERY = StreamEventKind.RESTART, StreamEventKind.BATTERY


def test_what_happens_with_each_packet_is_said_twice_a_minute_and_counted():
    notes = StreamNotes()
    said = [notes.text(StreamEvent(RESTART, 0, k * S // 10, k)) for k in range(700)]
    again = "the insole started again (and 299 times since that was said last)"
    assert {k: text for k, text in enumerate(said) if text} == {
        0: "the insole started again",
        300: again,
        600: again,
    }


def test_each_insole_and_each_thing_is_said():
    notes = StreamNotes()
    for insole in (0, 1):
        for kind in (RESTART, StreamEventKind.FOOT, StreamEventKind.MALFORMED):
            assert notes.text(StreamEvent(kind, insole, 0, 0)) is not None
            assert notes.text(StreamEvent(kind, insole, 1, 0)) is None


def test_what_happens_seldom_is_said_each_time():
    notes = StreamNotes()
    texts = [notes.text(StreamEvent(BATTERY, 0, k * 30 * S, 0, value=1)) for k in range(3)]
    assert texts == ["battery low"] * 3


def test_another_record_begins_anew():
    """Its clock may be behind that of the one before."""
    notes = StreamNotes()
    for arrival_ns in (100 * S, 0):
        assert notes.text(StreamEvent(RESTART, 0, arrival_ns, 0)) == "the insole started again"


@pytest.mark.parametrize("kind", [StreamEventKind.GAP, StreamEventKind.LATE, BATTERY])
def test_the_rest_is_only_counted(kind):
    assert StreamNotes().text(StreamEvent(kind, 0, 0, 0)) is None
