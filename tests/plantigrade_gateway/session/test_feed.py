"""What a page is told that a session came to."""

from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.drills.run import DrillResult
from plantigrade_gateway.session.feed import summary_of


def run(title: str, good: int, tried: int, unclear: int) -> DrillResult:
    return DrillResult("d", title, "", "push", "every", 0, 9, good, tried, unclear, good, ())


def test_a_session_is_as_long_as_its_stored_page_says_and_a_drill_only_chosen_is_none():
    runs = (run("Done", 1, 3, 0), run("Chosen", 0, 0, 0), run("Not told", 0, 0, 2))
    told = summary_of(Analysis("by hand", 100.0, 77.58, (), (), (), (), None, drills=runs))
    assert told["length"] == "1 min 18 s"
    assert [one["title"] for one in told["drills"]] == ["Done", "Not told"]
