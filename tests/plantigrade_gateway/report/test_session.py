"""What is said of a session whose results were made again."""

from types import SimpleNamespace
from typing import Any

from tests.support.records import stand, step, swing

from plantigrade_gateway.report.session import redone_line

LOST = "3 entries before this one are lost: the record was cut off"


def line(changed: int, *notes: str) -> str:
    session: Any = SimpleNamespace(session_id="0123456789abcdef")
    found: Any = SimpleNamespace(
        steps=(step(1), step(2)),
        swings=(swing(3),),
        stands=(stand(4),),
        quality=SimpleNamespace(notes=notes),
    )
    return redone_line(session, found, changed)


def test_results_made_again_in_one_line():
    begin = "01234567  2 steps, 1 swing, 1 stand: "
    assert line(0) == f"{begin}nothing changed"
    assert line(1, "no mass was given") == f"{begin}1 result changed"
    assert line(2, LOST) == f"{begin}2 results changed; 1 gap in its record, see plantigrade show"
