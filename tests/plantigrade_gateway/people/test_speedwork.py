"""What stands of a player's speed work, by the record and the rules. All of it is invented."""

from dataclasses import replace
from datetime import timedelta

from tests.support.cases import FIRST_DAY, VisitMaker, case, pushes

from plantigrade_gateway.analysis.result import Mark
from plantigrade_gateway.coach.case import Visit
from plantigrade_gateway.people.speedwork import plan_now, work_of


def fast(day: int, hour: int = 10, blocks: int = 1) -> Visit:
    maker = VisitMaker(day=day, hour=hour)
    marks = []
    for _ in range(blocks):
        marks.append(Mark(maker.t_s, "speed block: fast"))
        maker.swung("fast", pushes(4, 1))
    visit = maker.visit()
    return replace(visit, analysis=replace(visit.analysis, marks=tuple(marks)))


def test_work_is_that_of_its_day_and_a_visit_without_any_has_none():
    none = VisitMaker(day=1).swung("fast", pushes(4, 1)).visit()
    found = work_of(case(fast(0), none, fast(2, 9, 2), fast(2, 15)))
    first = FIRST_DAY.date()
    assert {day: [done.blocks for done in some] for day, some in found.items()} == {
        first: [1],
        first + timedelta(days=2): [2, 1],
    }


def test_the_plan_is_that_of_the_rules_in_force(register):
    """The numbers stand in the built-in rule file's table of speed."""
    plan = plan_now(register)
    assert (plan.block_swings, plan.blocks_a_visit, plan.days_between) == (5, 3, 2)
    assert "speed-lost" in plan.stops
