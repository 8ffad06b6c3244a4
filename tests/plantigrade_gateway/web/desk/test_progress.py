"""The progress page: a measure over visits with its breaks, two visits side by side. Invented."""

import re
from collections.abc import Callable
from dataclasses import replace

import pytest
from fastapi.testclient import TestClient
from tests.support.cases import VisitMaker, case, pushes
from tests.support.handmade import Made
from tests.support.pagetext import text_of

from plantigrade_gateway.analysis.result import Mark
from plantigrade_gateway.coach.case import Case
from plantigrade_gateway.coach.follow import followed
from plantigrade_gateway.coach.progress import progress
from plantigrade_gateway.rules.files import built_in
from plantigrade_gateway.web.desk import progress as page
from plantigrade_gateway.web.desk.progress import HIGH_PX, TOP_PX, drawing

RULES = built_in()


def visits() -> Case:
    """8, 4 and 6 of 8 good pushes; then another shoe, with 8 of 8."""
    made = [
        VisitMaker(day=7 * k).swung("full", pushes(good, 8 - good)).visit()
        for k, good in enumerate((8, 4, 6))
    ]
    other = VisitMaker(day=28, shoe="Shoe B").swung("full", pushes(8, 0)).visit()
    return case(*made, other)


@pytest.fixture
def client(pages: TestClient) -> TestClient:
    return pages


@pytest.fixture
def known(monkeypatch) -> Callable[[Case], None]:
    """Have the page show a case."""
    return lambda shown: monkeypatch.setattr(page, "case_of", lambda *_: shown)


@pytest.fixture
def base(hand: Made) -> str:
    return f"/players/{hand.bo}/progress"


def test_no_line_goes_across_a_break():
    made = drawing(progress(visits(), RULES, "full.push_good"))
    assert made is not None
    # the axis of a share is 0 to 1: all of 8 on top, half in the middle, 6 of 8 at a quarter
    assert [mark.y for mark in made.marks] == [
        TOP_PX,
        TOP_PX + HIGH_PX / 2,
        TOP_PX + HIGH_PX / 4,
        TOP_PX,
    ]
    (line,) = made.lines
    xs = [mark.x for mark in made.marks]
    assert [float(point.split(",")[0]) for point in line.split()] == xs[:3]
    (gap,) = made.breaks
    assert xs[2] < gap < xs[3]
    assert [mark.label for mark in made.marks] == ["03-02", "03-09", "03-16", "03-30"]


def test_a_drawing_is_wide_enough_and_says_its_heights():
    """60 px a visit from 44 px on, 180 px high under 12 px, 340 px wide at least."""
    made = drawing(progress(visits(), RULES, "full.push_good"))
    assert made is not None
    assert (made.width, made.height) == (340, 232)
    assert [mark.x for mark in made.marks] == [74.0, 134.0, 194.0, 254.0]
    assert made.breaks == (224.0,)
    assert made.ticks == ((192.0, "0"), (102.0, "50"), (12.0, "100"))
    assert made.lines == ("74,12 134,102 194,57",)
    # Wilson's interval of 8 of 8 is 68 to 100 % (1927)
    assert made.marks[0].high_y == 12.0
    assert made.marks[0].low_y == pytest.approx(12 + 180 * (1 - 0.6756), abs=0.06)
    days = [VisitMaker(day=k).swung("full", pushes(8, 0)).visit() for k in range(6)]
    wide = drawing(progress(case(*days), RULES, "full.push_good"))
    assert wide is not None and wide.width == 44 + 60 * 6 + 8


def test_the_axis_of_a_mean_has_a_tenth_of_room_and_half_a_digit_at_least():
    alike = [{"load_tempo": 2.0}] * 6
    first = VisitMaker().swung("full", alike).visit()
    made = drawing(progress(case(first), RULES, "full.load_tempo"))
    assert made is not None
    assert [text for _, text in made.ticks] == ["1.9", "2.0", "2.0"]  # 2.0 ± 0.05, one digit
    assert made.marks[0].y == 102.0
    other = VisitMaker(day=7).swung("full", [{"load_tempo": 3.0}] * 6).visit()
    made = drawing(progress(case(first, other), RULES, "full.load_tempo"))
    assert made is not None
    # 1.9 to 3.1 over 180 px
    assert [mark.y for mark in made.marks] == [177.0, 27.0]


def test_a_mean_has_room_about_it_and_one_visit_no_line():
    tempos = [{"load_tempo": 2.0 + 0.1 * k} for k in range(6)]
    found = progress(case(VisitMaker().swung("full", tempos).visit()), RULES, "full.load_tempo")
    made = drawing(found)
    assert made is not None and made.lines == () and made.breaks == ()
    (mark,) = made.marks
    assert mark.high_y is not None and mark.low_y is not None
    assert TOP_PX < mark.high_y < mark.y < mark.low_y < TOP_PX + HIGH_PX
    low, middle, high = (float(text) for _, text in made.ticks)
    assert low < 2.25 < high and middle == pytest.approx(2.25, abs=0.05)  # the mean of them
    assert drawing(progress(case(), RULES, "full.load_tempo")) is None


def test_the_page_says_what_was_changed_and_what_may_be_said(client, base, known):
    known(visits())
    shown = client.get(base)
    text = text_of(shown)
    assert "8 of 8" in text and "4 of 8" in text and "6 of 8" in text
    assert "100 (68 to 100)" in text  # Wilson's interval (1927) of 8 of 8
    assert "shoe Shoe A → Shoe B: begins anew" in text
    assert shown.text.count("<polyline") == 1 and shown.text.count('class="break"') == 1
    assert "not distinguishable" not in text  # of a share there is no verdict


def test_two_visits_stand_side_by_side_the_earlier_one_first(client, base, known):
    tempos = [[{"load_tempo": tempo + 0.01 * k} for k in range(8)] for tempo in (2.0, 3.0)]
    known(case(*(VisitMaker(day=7 * k).swung("full", t).visit() for k, t in enumerate(tempos))))
    for first, second in (("visit-0", "visit-7"), ("visit-7", "visit-0")):
        text = text_of(client.get(f"{base}?before={first}&after={second}"))
        table = text.partition("MDC95 df verdict")[2]
        row = re.search(r"full: load tempo, ratio (.*?) full: ", table)
        assert row is not None
        # 2.0 to 2.07 and 3.0 to 3.07: means 2.035 and 3.035
        assert row[1].startswith("2.0 (1) 3.0 (1) +1.0 ")
        assert row[1].endswith(" no verdict")
        changed = re.search(
            r"Changed: none of (\d+), as far as can be told\. Cannot be told: (.*?)\.", text
        )
        assert changed is not None  # one set a visit: nothing says how much this player varies
        assert changed[2] == (
            f"0 measures within the usual variation, and {changed[1]} without a verdict"
        )
        assert text.count("No verdict: no repeats to tell the usual variation from.") == 1
    text = text_of(client.get(f"{base}?before=visit-0&after=visit-0"))
    assert "mean ± SD" not in text and "That is one visit: choose two." in text
    assert "That is one visit" not in text_of(client.get(base))
    answer = client.get(f"{base}?before=visit-0&after=nowhere")
    assert "is no visit of this player" in text_of(answer, 409)


def test_a_measure_is_found_by_its_title_too(client, base, known):
    """As `plantigrade compare --measure` and the API take it."""
    known(case(*(VisitMaker(day=7 * k).swung("full", pushes(4, 4)).visit() for k in range(2))))
    by_key, by_title = (
        text_of(client.get(base, params={"measure": name}))
        for name in ("full.load_tempo", "Full load tempo")
    )
    assert by_title == by_key and "Full: load tempo, ratio" in by_key


def test_two_visits_of_one_day_are_told_apart_by_their_times(client, base, known):
    """A stop and a new beginning, or morning and afternoon, are two sessions."""
    before = VisitMaker(day=6).swung("full", pushes(8, 0)).visit()
    morning = VisitMaker(day=7, hour=9).swung("full", pushes(8, 0)).visit()
    later = VisitMaker(day=7, hour=15).swung("full", pushes(4, 4)).visit()
    known(case(before, morning, replace(later, session_id="visit-7b")))
    page = client.get(f"{base}?before=visit-7&after=visit-7b").text
    rows = re.findall(r'<a href="/sessions/visit-[^"]*">([^<]*)</a>', page)
    assert rows == ["2026-03-08", "2026-03-09 09:00", "2026-03-09 15:00"]
    heads = re.findall(r"<th[^>]*>(2026[^<]*)</th>", page)
    assert heads[:2] == ["2026-03-09 09:00", "2026-03-09 15:00"]
    assert 'data-is="2026-03-09 15:00">4 of 8' in page


def test_every_measure_can_be_chosen_under_what_it_is_of(client, base):
    text = client.get(base).text
    groups = re.findall(r'<optgroup label="([^"]*)">(.*?)</optgroup>', text, re.DOTALL)
    found = {label: re.findall(r'<option value="([^"]*)"', inner) for label, inner in groups}
    assert sum(map(len, found.values())) == len(followed())
    for label, keys in found.items():
        assert {key.partition(".")[0] for key in keys} == {label.split()[0]}, label
    called = re.findall(r"<option[^>]*>([^<]*)</option>", text)
    assert len(set(called)) == len(called) >= len(followed())  # no two are called alike


def test_what_was_never_measured_is_said(client, base):
    text = text_of(client.get(f"{base}?measure=kept.push_good"))
    assert "measured on no visit yet" in text and "not two visits yet" in text
    assert "is not known, did you mean" in text_of(client.get(f"{base}?measure=kept.push_god"), 409)
    assert client.get("/players/nobody/progress").status_code == 404


def test_a_name_is_text(client, base, known):
    known(replace(visits(), name="<b>"))
    assert "<b>" not in client.get(base).text


def test_what_was_done_in_speed_blocks_is_listed(client, base, known):
    """By the marks of the record; a visit without speed work has no row."""
    shown = visits()
    first = shown.visits[0]
    texts = ("warm_up", "fast", "rest-not-kept", "fast", "ended, pain")
    marks = tuple(Mark(float(k), f"speed block: {text}") for k, text in enumerate(texts))
    worked = replace(first, analysis=replace(first.analysis, marks=marks))
    known(replace(shown, visits=(worked, *shown.visits[1:])))
    text = client.get(base).text
    part = text[text.index("Speed work") : text.index("Two visits side by side")]
    assert part.count(f"/sessions/{first.session_id}") == part.count("/sessions/") == 1
    cells = re.findall(r'data-is="([^"]+)">([^<]*)<', part)
    assert cells == [
        ("fast blocks", "2"),
        ("fast swings", "0"),
        ("good pushes", "0 of 0"),
        ("rests not kept", "1"),
        ("ended by", "pain"),
    ]
