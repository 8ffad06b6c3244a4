"""Numbers, times and counts as people read them: each text written by hand."""

import pytest

from plantigrade_gateway import formats


@pytest.mark.parametrize(
    ("t_s", "digits", "said"),
    [
        (0.0, 1, "0:00.0"),
        (9.96, 1, "0:10.0"),
        (59.94, 1, "0:59.9"),
        (59.96, 1, "1:00.0"),
        (723.4, 1, "12:03.4"),
        (723.4, 0, "12:03"),
        (723.456, 3, "12:03.456"),
        (-61.5, 1, "-1:01.5"),
        (-0.004, 1, "0:00.0"),
        (3599.9, 1, "59:59.9"),
        (3600.0, 1, "1:00:00.0"),
        (7384.2, 1, "2:03:04.2"),
        (3599999.9, 1, "999:59:59.9"),
        (1764500064.1, 1, "1764500064.1 s"),  # seconds since 1970, as a recording may have them
        (-1764500064.0, 0, "-1764500064 s"),
        (None, 1, "–"),
    ],
)
def test_a_session_time(t_s, digits, said):
    assert formats.clock(t_s, digits) == said


def test_a_session_time_has_a_tenth_unless_asked():
    assert formats.clock(5.25) in ("0:05.2", "0:05.3")
    assert formats.clock(61.0) == "1:01.0"


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0.0, "0.0 s"),
        (12.34, "12.3 s"),
        (59.94, "59.9 s"),
        (59.95, "1 min 0 s"),
        (60.4, "1 min 0 s"),
        (507.0, "8 min 27 s"),
        (3599.0, "59 min 59 s"),
        (3600.0, "1 h 00 min"),
        (3720.0, "1 h 02 min"),
        (7260.0, "2 h 01 min"),
    ],
)
def test_a_length_of_time(seconds, said):
    assert formats.duration(seconds) == said


def test_numbers_shares_and_counts():
    assert formats.number(1.234) == "1.23"
    assert formats.number(1.234, 1, " s") == "1.2 s"
    assert formats.number(-0.001) == "0.00"
    assert formats.number(None) == formats.percent(None) == "–"
    assert formats.percent(0.512) == "51 %"
    assert formats.percent(0.512, 1) == "51.2 %"
    assert formats.percent(-0.001) == "0 %"
    assert (formats.plural(1, "step"), formats.plural(0, "step")) == ("1 step", "0 steps")
    assert (formats.plural(1, "foot", "feet"), formats.plural(2, "foot", "feet")) == (
        "1 foot",
        "2 feet",
    )


def test_what_would_move_a_cursor_becomes_a_space():
    assert formats.printable("a\x1b[2Jb\nc") == "a [2Jb c"


def test_a_text_becomes_a_sentence_and_names_keep_their_letters():
    assert formats.sentence("no verdict: Mira was out") == "No verdict: Mira was out."
    assert formats.sentence("Was it so?") == "Was it so?"
    assert formats.sentence("It was.") == "It was."
