"""The command `check`, on a session with a check of virtual insoles and on one without."""

import json

import pytest
from click.testing import CliRunner, Result
from tests.support.checkbay import GOOD, STOOD, CheckBay, Do, Told
from tests.support.practice import store_practice

from plantigrade.synth import Player, Stand
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.report.player import visit_of
from plantigrade_gateway.store.store import Store


def run(store: Store, *arguments: str) -> Result:
    return CliRunner().invoke(main, ["--store", str(store.path), "check", "last", *arguments])


@pytest.mark.dear
def test_trials_and_sets_are_judged_from_the_store(store):
    script = (Do("start", STOOD), Do("start", (Stand(2.0), GOOD, Stand(8.0), GOOD, Stand(4.0))))
    bay = CheckBay(store, Told(), Player(left_share=0.68), script)
    bay.command(do="begin", look="first", club="7 iron")
    bay.command(do="answer", group="", by="player")
    for step, press in zip(("stand", "smooth"), bay.through(), strict=True):
        while bay.check["step"] != step:
            bay.command(do="skip")
        bay.command(do=press)
    bay.close()
    said = " ".join(run(store).output.split())
    assert "stand 1 not taken: The left foot carried 6" in said
    assert "smooth not taken: 1 of 6 swings count" in said or "2 of 6 swings count" in said
    found = json.loads(run(store, "--json").output)
    (trial,), (swung,) = found["trials"], found["sets"]
    assert (trial["step"], trial["taken"], trial["why"]) == ("stand", False, "one sided")
    assert (swung["intent"], swung["club"], swung["made"]) == ("smooth", "7 iron", 2)
    assert (swung["taken"], swung["why"]) == (False, "few swings")


@pytest.mark.dear
def test_a_session_without_a_check_says_so(store):
    """The recording's own marks of checks count as a check of the visit, too."""
    session = store_practice(store)
    said = " ".join(run(store).output.split())
    none = "There is no guided check in this session."
    assert said == f"{none} Marked by hand, and not judged: stand, walk."
    assert "check" in visit_of(store, store.session(session)).kind.split("+")
