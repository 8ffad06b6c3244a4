"""Wrong passwords: who waits, how long, and that nobody gets more tries than that."""

from hypothesis import given
from hypothesis import strategies as st

from plantigrade_gateway.web.door.access import FREE, FREE_ALL, Attempts, Wait, place_of


class Clock:
    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def tries(attempts: Attempts, address: str, times: int) -> list[float]:
    """Try wrongly so often at once; return how long each had to wait, 0 where it was taken."""
    found = []
    for _ in range(times):
        wait = attempts.begin(address)
        found.append(0.0 if wait is None else wait.seconds)
    return found


def test_five_are_free_then_each_waits_twice_as_long_up_to_five_minutes():
    attempts = Attempts(clock := Clock())
    assert tries(attempts, "192.0.2.1", 5) == [0.0] * 5
    waits = []
    for _ in range(10):
        wait = attempts.begin("192.0.2.1")
        assert wait is not None
        waits.append(wait.seconds)
        clock.now_s += wait.seconds
        assert attempts.begin("192.0.2.1") is None
    assert waits == [2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 256.0, 300.0, 300.0]


def test_a_try_that_is_not_taken_makes_the_wait_no_longer():
    attempts = Attempts(clock := Clock())
    tries(attempts, "192.0.2.1", 5)
    clock.now_s = 1.5
    assert tries(attempts, "192.0.2.1", 50) == [0.5] * 50


def test_the_right_one_forgets_the_wrong_ones_of_its_address_alone():
    attempts = Attempts(Clock())
    tries(attempts, "192.0.2.1", 5)
    tries(attempts, "192.0.2.2", 4)
    assert attempts.begin("192.0.2.2") is None
    attempts.was_right("192.0.2.2")
    assert tries(attempts, "192.0.2.2", 5) == [0.0] * 5
    assert attempts.begin("192.0.2.1") is not None


def test_an_hour_without_a_wrong_one_begins_anew():
    attempts = Attempts(clock := Clock())
    tries(attempts, "192.0.2.1", 5)
    clock.now_s = 3600.0
    assert tries(attempts, "192.0.2.1", 5) == [0.0] * 5


def test_a_guess_from_ever_new_addresses_is_slowed_down_too_but_not_the_machine_itself():
    attempts = Attempts(Clock())
    waits = [attempts.begin(f"198.51.100.{k}") for k in range(FREE_ALL + 1)]
    assert waits[:-1] == [None] * FREE_ALL
    last = waits[-1]
    assert last is not None and last.everywhere
    assert last.said == (
        "Too many wrong passwords from this network: try again in 2 s, "
        "or sign in on the gateway's own machine."
    )
    assert attempts.begin("127.0.0.1") is None
    assert attempts.begin("::1") is None


def test_a_guess_from_ever_new_addresses_waits_a_minute_at_most():
    """Whoever knows the password is not shut out for longer by a stranger in the same network."""
    attempts = Attempts(clock := Clock())
    for k in range(FREE_ALL):
        assert attempts.begin(f"198.51.100.{k}") is None
    waits = []
    for k in range(8):
        wait = attempts.begin(f"203.0.113.{k}")
        assert wait is not None and wait.everywhere
        waits.append(wait.seconds)
        clock.now_s += wait.seconds
        assert attempts.begin(f"203.0.113.{k}") is None
    assert waits == [2.0, 4.0, 8.0, 16.0, 32.0, 60.0, 60.0, 60.0]


def test_a_device_that_was_in_before_is_a_place_of_its_own_that_strangers_cannot_shut_out():
    attempts = Attempts(clock := Clock())
    for k in range(FREE_ALL):
        attempts.begin(f"198.51.100.{k}")
    assert attempts.begin("192.0.2.1") is not None
    found = [attempts.begin("192.0.2.1", "tablet") for _ in range(FREE + 1)]
    last = found.pop()
    assert found == [None] * FREE and last is not None and not last.everywhere
    assert attempts.begin("192.0.2.2", "tablet") is not None, "whatever address it takes"
    assert attempts.begin("192.0.2.1", "phone") is None
    attempts.was_right("192.0.2.1", "phone")
    assert attempts.begin("192.0.2.1", "tablet") is not None
    clock.now_s += last.seconds
    assert attempts.begin("192.0.2.1", "tablet") is None
    attempts.was_right("192.0.2.1", "tablet")
    assert attempts.begin("192.0.2.1", "tablet") is None


def test_the_machine_itself_is_slowed_down_as_one_place():
    attempts = Attempts(Clock())
    waits = tries(attempts, "127.0.0.1", 3) + tries(attempts, "::1", 3)
    assert waits == [0.0] * 5 + [2.0]


def test_addresses_that_one_machine_can_take_are_one_place():
    assert place_of("2001:db8:1:2::7") == place_of("2001:db8:1:2:ffff::9")
    assert place_of("2001:db8:1:2::7") != place_of("2001:db8:1:3::7")
    assert place_of("fe80::1%eth0") == place_of("fe80::2")
    assert place_of("::ffff:192.0.2.1") == "192.0.2.1"
    assert place_of("::ffff:127.0.0.1") == place_of("::1") == "here"
    assert place_of("") == place_of("testclient") == "unknown"


def test_many_addresses_take_bounded_memory():
    attempts = Attempts(clock := Clock())
    for k in range(6000):
        clock.now_s += 100.0
        attempts.begin(f"10.{k >> 16}.{k >> 8 & 255}.{k & 255}")
    assert len(attempts._by_place) <= 4096


@given(
    st.lists(
        st.tuples(st.floats(0.0, 400.0), st.integers(1, 20), st.sampled_from(["a", "b", "c"])),
        max_size=60,
    )
)
def test_no_hour_takes_more_than_its_share(bursts):
    """Whatever the order and the breaks: at one place at most the free ones and the doublings."""
    address = {"a": "192.0.2.1", "b": "192.0.2.2", "c": "127.0.0.1"}
    attempts = Attempts(clock := Clock())
    taken: dict[str, list[float]] = {name: [] for name in address}
    for pause_s, times, name in bursts:
        clock.now_s += pause_s
        for wait_s in tries(attempts, address[name], times):
            assert wait_s >= 0.0
            if wait_s == 0.0:
                taken[name].append(clock.now_s)
    for times_s in taken.values():
        for first_s in times_s:
            hour = [t for t in times_s if first_s <= t < first_s + 3600.0]
            # 5 free, 8 within the first 510 s, then one each 300 s
            assert len(hour) <= FREE + 8 + 3600 // 300


def test_how_long_to_wait_is_said_in_whole_seconds_and_from_two_minutes_in_minutes():
    """Rounded up: whoever comes back when it says may try."""
    for seconds, said in (
        (0.2, "1 s"),
        (118.5, "119 s"),
        (119.5, "2 minutes"),
        (121.0, "3 minutes"),
    ):
        assert Wait(seconds, everywhere=False).said == (
            f"Too many wrong passwords from this device: try again in {said}."
        )
