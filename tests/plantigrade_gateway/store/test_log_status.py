"""What status says of an insole's log: sentences written down by hand."""

from dataclasses import replace

import pytest

from plantigrade_gateway.store.status import NO_INSOLE, log_said


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ({"has_log": False}, "no log: what it samples out of reach is lost"),
        ({"has_log": True}, "its log owes nothing"),
        (
            {"has_log": True, "catching_up_s": 12.4, "late_s": 3.0},
            "catching up 12 s from its log; 3.0 s came late",
        ),
        (
            {"has_log": True, "late_s": 9.1, "not_logged_s": 2.5},
            "its log owes nothing; 9.1 s came late; 2.5 s were not in it and are lost",
        ),
    ],
)
def test_status_says_what_the_log_does(told, said):
    assert log_said(replace(NO_INSOLE, **told)) == said
