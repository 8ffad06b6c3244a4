"""Of whom nothing may be sent on. All people in here are invented."""

from datetime import date, timedelta

from plantigrade_gateway.people.withheld import withheld

TODAY = date(2026, 3, 31)


def test_nothing_is_sent_of_those_who_took_it_back_or_whose_consent_ran_out(register):
    """It holds on its last day; another consent that ends is nothing to this one."""
    names = ("asked never", "agreed", "took back", "agreed again", "ran out", "last day", "other")
    ids = {name: register.add(name=name, handedness="right") for name in names}
    for name in names[1:6]:
        until = {"ran out": TODAY - timedelta(days=1), "last day": TODAY}.get(name)
        register.grant(ids[name], "send on", "player", until)
    for name in ("took back", "agreed again"):
        register.withdraw(ids[name], "send on", "player")
    register.grant(ids["agreed again"], "send on", "player")
    register.withdraw(ids["other"], "record", "player")
    assert withheld(register, TODAY) == {ids["took back"], ids["ran out"]}
    assert withheld(register, TODAY + timedelta(days=1)) == {
        *(ids["took back"], ids["ran out"], ids["last day"])
    }
