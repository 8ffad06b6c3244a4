"""Measured footprints kept with a player: numbers, picture with consent, deletion, the case."""

from dataclasses import replace

import pytest

from plantigrade.footprint import ArchClass, Marks, PrintIndex, Thirds
from plantigrade_gateway.coach.feet import footprint
from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.people.case import case_of
from plantigrade_gateway.people.deletion import delete_player
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.prints import MOST_PICTURE, PHOTO, Footprint, Prints, indices

MARKS = Marks((70.0, 250.0), (70.0, 20.0), ((0.0, 60.0), (140.0, 60.0)))
# 30 / 180 by areas, ± .010 by its parts
FOUND = PrintIndex(Thirds((4200.0, 2100.0, 6300.0), 210.0), 0.006, 0.0, 0.008)
JPEG = b"\xff\xd8\xff not a real picture"


@pytest.fixture
def player(register: Register) -> str:
    return register.add(name="Invented Player", handedness="right")


def made(index: float = 1 / 6, **changed: str) -> Footprint:
    how = {"foot": "left", "how": "walking"} | changed
    found = Footprint.of(
        FOUND, MARKS, foot=how["foot"], how=how["how"], is_mirrored=False, level=0.5, sheet="A4"
    )
    return replace(found, index=index)


def test_what_is_kept_comes_back(register, player):
    prints = Prints(register)
    print_id = prints.keep(player, made())
    (taken,) = prints.of(player)
    assert (taken.print_id, taken.footprint, taken.has_picture) == (print_id, made(), False)
    assert taken.footprint.index == pytest.approx(1 / 6)
    assert taken.footprint.half_width == pytest.approx(0.01)
    assert taken.footprint.area_mm2 == pytest.approx(12_600.0)
    with pytest.raises(StoreError, match="no picture"):
        prints.picture(player, print_id)


def test_a_picture_is_kept_only_with_consent(register, player):
    prints = Prints(register)
    with pytest.raises(InputError, match="consent"):
        prints.keep(player, made(), JPEG)
    assert prints.of(player) == []
    register.grant(player, "record", "player")
    print_id = prints.keep(player, made(), JPEG)
    assert prints.of(player)[0].has_picture
    assert prints.picture(player, print_id) == JPEG
    register.withdraw(player, "record", "player")
    with pytest.raises(InputError, match="consent"):
        prints.keep(player, made(0.2), JPEG)


def test_a_picture_is_bounded(register, player):
    register.grant(player, "record", "player")
    with pytest.raises(InputError, match="longer than"):
        Prints(register).keep(player, made(), bytes(MOST_PICTURE + 1))


def test_one_print_counts_once_however_often_it_is_sent(register, player):
    prints = Prints(register)
    prints.keep(player, made())
    with pytest.raises(InputError, match="kept already"):
        prints.keep(player, made())
    assert indices(prints.of(player), "left")["walking"].n == 1
    prints.keep(register.add(name="Invented Other", handedness="right"), made())


def test_nobody_reaches_the_prints_of_another_player(register, player):
    prints, other = Prints(register), register.add(name="Invented Other", handedness="right")
    register.grant(player, "record", "player")
    print_id = prints.keep(player, made(), JPEG)
    with pytest.raises(StoreError, match="not among this player's"):
        prints.picture(other, print_id)
    with pytest.raises(StoreError, match="not among this player's"):
        prints.take_away(other, print_id)
    assert prints.pictures(other) == {} and prints.pictures(player) == {print_id: JPEG}


def test_one_taken_away_by_half_can_be_taken_away_again(register, player, monkeypatch):
    """The picture goes first: what is cut off after it never leaves one that nobody finds."""
    prints = Prints(register)
    register.grant(player, "record", "player")
    print_id = prints.keep(player, made(), JPEG)

    def cut_off(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(register.log, "say", cut_off)
        with pytest.raises(KeyboardInterrupt):
            prints.take_away(player, print_id)
    assert prints.pictures(player) == {}
    with pytest.raises(StoreError, match="no picture"):
        prints.picture(player, print_id)
    prints.take_away(player, print_id)
    assert prints.of(player) == []


@pytest.mark.parametrize("changed", [{"foot": "both"}, {"how": "jumping"}])
def test_foot_and_way_are_asked(changed):
    with pytest.raises(InputError):
        made(**changed)


def test_one_taken_away_counts_no_more_and_its_picture_is_gone(register, player):
    prints = Prints(register)
    register.grant(player, "record", "player")
    first, second = (prints.keep(player, made(index), JPEG) for index in (0.16, 0.18))
    prints.take_away(player, first)
    assert [one.print_id for one in prints.of(player)] == [second]
    with pytest.raises(StoreError, match="not among"):
        prints.picture(player, first)
    assert prints.picture(player, second) == JPEG
    assert [change.value for change in register.log.changes(PHOTO, first)] == [True]
    with pytest.raises(StoreError, match="not among"):
        prints.take_away(player, first)


def test_deletion_takes_numbers_and_pictures(register, player):
    prints = Prints(register)
    register.grant(player, "record", "player")
    print_id = prints.keep(player, made(), JPEG)
    delete_player(register, player)
    changes = [*register.log.changes("player", player), *register.log.changes(PHOTO, print_id)]
    assert [change.value for change in changes] == [True, True]  # the tombstones


def test_walking_and_standing_are_never_mixed_and_walking_goes_first(register, player):
    prints = Prints(register)
    for how, index in (("standing", 0.2), ("walking", 0.2), ("walking", 0.21)):
        prints.keep(player, made(index, how=how))
    prints.keep(player, made(0.3, foot="right"))
    found = indices(prints.of(player), "left")
    assert list(found) == ["walking", "standing"]
    assert (found["walking"].n, found["standing"].n) == (2, 1)
    assert indices(prints.of(player), "right")["walking"].index == pytest.approx(0.3)


def test_the_case_and_the_sheet_go_by_what_was_measured(register, player):
    """One print of 1/6 ± .01 and 1.96 · .015 between prints: .136 to .198, a high arch."""
    register.note_print(player, "left", "low")
    register.note_print(player, "right", "low")
    Prints(register).keep(player, made())
    left, right = case_of(register, player).prints
    assert (left.foot, left.name, left.how) == ("left", ArchClass.HIGH, "walking")
    assert (right.foot, right.name, right.index) == ("right", "low", None)
    reading = footprint(case_of(register, player), "lead")  # the left one of who plays right-handed
    assert reading.value == "high"
    assert "0.17 by area (0.14 to 0.20; 1 walking print)" in reading.text
    assert "no load share" in reading.text
