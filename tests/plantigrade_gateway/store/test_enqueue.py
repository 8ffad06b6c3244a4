"""What leaves the bay: names of sources, times and identities."""

import pytest

from plantigrade_gateway.store.enqueue import in_ms, link_id, source_of


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("insoles", "insoles"),
        ("practice.pgr (invented)", "invented"),
        ("the range, 3 March.pgr", "replay"),
        ("", "replay"),
        (None, None),
    ],
)
def test_a_source_is_told_by_its_kind_and_never_by_its_name(text, kind):
    assert source_of(text) == kind


def test_a_time_stands_in_the_millisecond_that_holds_it():
    assert [in_ms(t_s) for t_s in (0.0, 1.2509, 1.5, -0.0001)] == [0, 1250, 1500, -1]


def test_a_sample_of_a_link_is_told_by_bay_foot_and_time():
    names = {link_id(bay, foot, ms) for bay in "ab" for foot in ("left", "right") for ms in (1, 2)}
    assert len(names) == 8 and {len(name) for name in names} == {32}
    assert link_id("a", "left", 1) == link_id("a", "left", 1)
