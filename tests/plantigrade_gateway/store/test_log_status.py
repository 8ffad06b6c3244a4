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
        # from what rounds to a second and to a tenth on
        (
            {"has_log": True, "catching_up_s": 1.0, "late_s": 0.05, "not_logged_s": 0.05},
            "catching up 1 s from its log; 0.1 s came late; 0.1 s were not in it and are lost",
        ),
        (
            {"has_log": True, "catching_up_s": 0.9, "late_s": 0.04, "not_logged_s": 0.04},
            "its log owes nothing",
        ),
    ],
)
def test_status_says_what_the_log_does(told, said):
    assert log_said(replace(NO_INSOLE, **told)) == said
