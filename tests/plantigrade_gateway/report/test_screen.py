"""The terminal's live lines, of an analysis and outputs made by hand."""

import io
import re
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from rich.console import Console
from tests.support.records import stand, step, swing

from plantigrade.block import N_COLUMNS, Foot, PairBlock
from plantigrade.calibrate import default_calibration
from plantigrade.events import Phase, PhaseKind
from plantigrade.zones import eighteen
from plantigrade_gateway.analysis.result import Mark
from plantigrade_gateway.analysis.spans import SpanLog
from plantigrade_gateway.analysis.timeline import Output
from plantigrade_gateway.drills.model import Feedback
from plantigrade_gateway.drills.run import Score
from plantigrade_gateway.report.screen import Screen
from plantigrade_gateway.wire.stream import Counts, StreamEvent, StreamEventKind


class Shown:
    """A screen on a terminal or a pipe, and what stands there."""

    def __init__(
        self, total_s: float | None = None, *, terminal: bool = False, width: int = 120
    ) -> None:
        self.text = io.StringIO()
        out = Console(
            file=self.text,
            width=width,
            force_terminal=terminal,
            color_system=None,
            highlight=False,
            markup=False,
            legacy_windows=False,
            _environ={"TERM": "xterm"},
        )
        self.stuck: dict[int, tuple[int, ...]] = {}
        self.marks: list[Mark] = []
        self.spans = SpanLog()
        pipeline = SimpleNamespace(
            feet=lambda: {0: Foot.LEFT, 1: Foot.RIGHT, 2: None},
            stuck=lambda: self.stuck,
            counts=lambda: {0: Counts(packets=90, lost_packets=10), 1: Counts(packets=100)},
            calibrations=dict,
        )
        self.analysis: Any = SimpleNamespace(
            marks=self.marks,
            spans=self.spans,
            swings=[],
            rate_hz=100.0,
            pipeline=pipeline,
            practice=SimpleNamespace(score=None),
        )
        read: Any = self.analysis
        self.screen = Screen(out, read, Foot.LEFT, 500.0, total_s)

    def mark(self, t_s: float, text: str) -> None:
        self.marks.append(Mark(t_s, text))
        self.spans.mark(self.marks[-1])

    def show(self, output: Output | None = None, now_s: float = 0.0) -> list[str]:
        """The lines that this adds, without the terminal's codes."""
        before = len(self.text.getvalue())
        self.screen.show(output or Output(), now_s)
        added = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", self.text.getvalue()[before:])
        return [line.rstrip() for line in re.split(r"[\r\n]+", added) if line.strip()]


def test_events_scroll_by_numbered_and_timed():
    shown = Shown()
    lines = shown.show(Output([step(100), swing(1000), step(2000), stand(9000)]), 99.0)
    assert lines == [
        "  0:01.0  step 1    left foot, stance 0.65 s, roll through",
        "  0:10.0  swing 1   rolled, with shift; lead heel unloaded 0.5 s; load tempo 2.4 ± 0.1",
        " " * 20 + "trail peak +0.70 s, shift +0.75 s, lead peak +1.00 s; transfer 0.12 ± 0.01 s",
        "  0:20.0  step 2    left foot, stance 0.65 s, roll through",
        "  1:30.0  stand     12 s, left 52 % of load; midfoot share left 5 % (slight), right –"
        " (unclear)",
    ]


def test_a_long_line_goes_on_under_its_text():
    shown = Shown()
    shown.mark(3.0, "a word " * 20)
    lines = shown.show()
    assert lines[0].startswith("  0:03.0  mark      a word") and len(lines) == 2
    assert lines[1].startswith(" " * 20 + "a word") or lines[1].startswith(" " * 20 + "word")


def test_marks_come_once_and_the_set_before_is_summed_up():
    shown = Shown()
    shown.mark(5.0, "set: full")
    assert shown.show() == ["  0:05.0  mark      set: full"]
    assert shown.show() == []
    shown.analysis.swings += [swing(1000), swing(2000)]
    shown.mark(30.0, "end of set")
    assert shown.show() == [
        " " * 10 + "2 swings in set full: good push 2 of 2, heel unloaded 2 of 2, load tempo 2.4 ±"
        " 0.0 (2)",
        "  0:30.0  mark      end of set",
    ]
    shown.mark(40.0, "hello")  # no set ends here
    assert shown.show() == ["  0:40.0  mark      hello"]


@pytest.mark.parametrize(
    ("fact", "line"),
    [
        (StreamEvent(StreamEventKind.RESTART, 1, 0, 0), "right: the insole started again"),
        (StreamEvent(StreamEventKind.RATE, 0, 0, 0), "left: the insole changed its sample rate"),
        (StreamEvent(StreamEventKind.RESTART, 2, 0, 0), "2: the insole started again"),
        (StreamEvent(StreamEventKind.BATTERY, 0, 0, 0, value=1), "left: battery low"),
        (StreamEvent(StreamEventKind.BATTERY, 0, 0, 0), None),
        (StreamEvent(StreamEventKind.GAP, 0, 0, 0), None),
    ],
)
def test_what_happens_to_an_insole_is_told_at_once(fact, line):
    lines = Shown().show(Output(facts=[fact]), 61.25)
    assert lines == ([] if line is None else [f"  1:01.2  insole    {line}"])


def test_stuck_zones_are_told_when_they_change():
    shown = Shown()
    shown.stuck = {0: (3, 7)}
    said = "insole    left: zones that are stuck and left out:"
    assert shown.show() == [f"  0:00.0  {said} 3, 7"]
    assert shown.show() == []
    shown.stuck = {0: (3,), 2: (1,)}
    assert shown.show() == [
        f"  0:00.0  {said} 3",
        "  0:00.0  insole    2: zones that are stuck and left out: 1",
    ]
    shown.stuck = {2: (1,)}
    assert shown.show() == [f"  0:00.0  {said} none"]


# ---- the bottom lines ----


def loads(left_n: float, right_n: float) -> PairBlock:
    left, right = np.zeros((1, N_COLUMNS)), np.zeros((1, N_COLUMNS))
    left[0, 0], right[0, 2] = left_n, right_n
    return PairBlock(0, np.array([1.0]), left, right)


def bottom(shown: Shown, *events: Any, now_s: float = 30.0, net: PairBlock | None = None) -> Any:
    with shown.screen:
        shown.screen._refreshed_s = 0.0
        return shown.show(Output(list(events), net=[] if net is None else [net]), now_s)


def test_the_bottom_says_how_far_it_is_and_how_much():
    """10 of 200 packets are lost; a quarter of 18 cells is 4.5, rounded to even."""
    shown = Shown(120.0, terminal=True)
    text = "\n".join(bottom(shown, step(100), swing(1000)))
    assert "━" * 4 + "─" * 14 + "  0:30 of 2:00  1 step, 1 swing, 1 good push; 5.0 % lost" in text
    live = "\n".join(bottom(Shown(terminal=True), step(100), step(200)))
    assert "0:30  2 steps, 0 swings, 0 good pushes; 5.0 % lost" in live
    over = "\n".join(bottom(Shown(20.0, terminal=True)))
    assert "━" * 18 + "  0:30 of 0:20" in over
    assert "━" * 18 in "\n".join(bottom(Shown(0.0, terminal=True)))


def test_both_feet_are_bars_of_their_load():
    """13 cells are 1.5 × BW of 500 N: 375 N fill 6.5 of them, 200 N 3.5, rounded to 3."""
    text = "\n".join(bottom(Shown(terminal=True), net=loads(375.0, 200.0)))
    assert "lead (left) ██████▌······ 0.8" in text
    assert "trail (right) ▒▒▒·········· 0.4" in text
    full = "\n".join(bottom(Shown(terminal=True), net=loads(900.0, 750.0)))
    assert "█" * 13 + " 1.8" in full and "▒" * 13 + " 1.5" in full
    none = "\n".join(bottom(Shown(terminal=True)))
    assert "lead (left) " + "·" * 13 + " –" in none and "× BW (about" in none


def test_the_drill_and_the_phases_of_a_swing_are_shown_for_a_while():
    shown = Shown(terminal=True)
    shown.analysis.practice.score = Score("push", "", "", "", Feedback.EVERY, 1, 2, 0, 0, 1)
    phases = [
        Phase(PhaseKind.BACKSWING, 29.0, 29.0),
        Phase(PhaseKind.HEEL_LIFTED, 29.2, 29.3),
        Phase(PhaseKind.PUSH, 29.6, 29.8, swing(0).push),
    ]
    text = "\n".join(bottom(shown, *phases))
    assert "push: 1 of 2 good; 0 in a row, best 1" in text
    assert "backswing  lead heel unloaded  push rolled, with shift" in text
    assert "backswing" in "\n".join(bottom(shown, now_s=33.8))  # 4 s
    assert "backswing" not in "\n".join(bottom(shown, now_s=33.9))
    again = bottom(shown, *phases, Phase(PhaseKind.CANCELLED, 30.0, 30.0))
    assert "backswing" not in "\n".join(again)
    two = bottom(shown, *phases, Phase(PhaseKind.BACKSWING, 30.0, 30.0))
    assert "\n".join(two).count("backswing") == 1 and "unloaded" not in "\n".join(two)
    known = bottom(shown, *phases, swing(2900))  # the swing is there: its phases go
    assert known[-1].endswith("× BW (about)") and ", 1 swing, " in "\n".join(known)


def test_no_line_at_the_bottom_is_wider_than_a_usual_terminal():
    """A line that wraps now and then moves all that stands above it."""
    shown = Shown(507.0, terminal=True, width=80)
    lifted = swing(0).push
    phases = [
        Phase(PhaseKind.BACKSWING, 29.0, 29.0),
        Phase(PhaseKind.HEEL_LIFTED, 29.2, 29.3),
        Phase(PhaseKind.SHIFT, 29.5, 29.5),
        Phase(PhaseKind.HEEL_RETURNED, 29.6, 29.7),
        Phase(PhaseKind.PUSH, 29.6, 29.8, lifted),
    ]
    found = [step(100 * k) for k in range(135)] + [swing(1000 * k) for k in range(127)]
    never = {k: default_calibration(eighteen(), foot) for k, foot in enumerate(Foot)}
    shown.analysis.pipeline.calibrations = lambda: never
    lines = bottom(shown, *found, *phases)
    (head,) = (line for line in lines if line.endswith("5.0 % lost"))
    assert len(head) <= 80 and head.startswith("━")
    assert "135 steps, 127 swings, 127 good pushes" in head
    assert lines[-3].endswith("× BW (about)")
    assert lines[-2] == "Loads in × BW: never calibrated."
    assert lines[-1] == "lead heel unloaded  shift  lead heel returned  push rolled, with shift"
