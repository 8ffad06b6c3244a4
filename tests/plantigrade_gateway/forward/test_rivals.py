"""Two gateways of one name: when a break is taken for the other's doing, and how long one waits."""

from plantigrade_gateway.forward.rivals import Rivals


class Time:
    now_s = 0.0


def breaks(rivals: Rivals, time: Time, *kept_s: float, is_told: bool = False) -> list[float | None]:
    found = []
    for kept in kept_s:
        rivals.opened()
        time.now_s += kept
        found.append(rivals.broke(is_told=is_told))
    return found


def made() -> tuple[Rivals, Time]:
    time = Time()
    return Rivals(lambda: time.now_s), time


def test_three_that_break_soon_seem_to_be_anothers_doing():
    rivals, time = made()
    assert breaks(rivals, time, 9.0, 0.1, 59.0) == [None, None, 30.0]
    assert breaks(rivals, time, 119.0, 1.0) == [30.0, 30.0]  # it goes on while the other waits


def test_the_wait_for_another_that_is_told_of_grows():
    rivals, time = made()
    assert breaks(rivals, time, 1.0, 119.0, 179.0, is_told=True) == [30.0, 60.0, 120.0]
    assert breaks(rivals, time, 1.0, 1.0, 1.0, is_told=True) == [240.0, 480.0, 480.0]
    assert breaks(rivals, time, 1021.0, is_told=True) == [30.0]  # over 60 + 2 × 480 s


def test_a_connection_that_lasts_and_a_broker_that_is_away_begin_the_count_again():
    rivals, time = made()
    assert breaks(rivals, time, 1.0, 1.0, 61.0, 1.0) == [None, None, None, None]
    rivals.refused()
    assert breaks(rivals, time, 1.0, 1.0, 1.0) == [None, None, 30.0]
    assert breaks(rivals, time, 3600.0) == [None]


def test_a_break_counts_once_however_often_it_is_seen():
    rivals, _ = made()
    rivals.opened()
    assert [rivals.broke(is_told=False) for _ in range(5)] == [None] * 5
    rivals.opened()
    assert [rivals.broke(is_told=True) for _ in range(2)] == [30.0, 30.0]
