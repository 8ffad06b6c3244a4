"""The steps of a calibration within a session, told by hand: what is said, shown and kept."""

from types import SimpleNamespace
from typing import Any, cast

import pytest
from tests.support.fakelive import FakeLive

from plantigrade.block import Foot
from plantigrade.fitting import FITTING, Asked, Held, Refused, Taken
from plantigrade.poses import Flaw, Trouble
from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.record.entries import INSOLE_OF, Batch
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.session import livecalibration
from plantigrade_gateway.session.livecalibration import LiveCalibration
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.gatt import KnownInsole

PAIR = [
    KnownInsole(k + 1, foot, "v", f"C0:00:00:00:00:0{k + 1}", 270) for k, foot in enumerate(Foot)
]
BATCH = Batch.of([])
SHAKY = Trouble(Flaw.MOVED, "the left foot is not still", Foot.LEFT)
KEPT = "No calibration was changed."


class Guide:
    """Stands for the guide: says what a test lets it say."""

    need_s = 3.0

    def __init__(self, layout: object, start: dict[Foot, str], weight_n: float) -> None:
        assert start == {Foot.LEFT: "start 1", Foot.RIGHT: "start 2"}
        assert weight_n == pytest.approx(80.0 * 9.80665)  # standard gravity, ISO 80000-3
        self.says: list[Any] = []
        self.done = False
        self.refused: Refused | None = None

    def push(self, batch: Batch) -> list[Any]:
        said, self.says = self.says, []
        for one in said:
            if isinstance(one, Exception):
                raise one
        return said

    def result(self) -> dict[Foot, str]:
        return {foot: f"fit of {foot}" for foot in Foot}


class Live(FakeLive):
    def recalibrate(self, new: dict[int, bytes]) -> Any:
        return self._did(f"recalibrated {sorted(new)}")


class Led:
    """A calibration, its session and what was kept."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.kept: list[Any] = []
        self.made: list[dict[int, bytes]] = []
        told = SimpleNamespace(to_json=lambda: '{"told": 1}')
        monkeypatch.setattr(livecalibration, "Guide", Guide)
        monkeypatch.setattr(
            livecalibration,
            "calibrations",
            SimpleNamespace(
                start_of=lambda store, insole: f"start {insole.serial}",
                keep=lambda store, fits: self.kept.append(fits),
                with_descriptions=lambda store, pair: dict.fromkeys(Foot, told),
            ),
        )
        self.session = Live()
        self.one = LiveCalibration(
            cast(Store, None),
            PAIR,
            SessionSettings(mass_kg=80.0),
            self.session.live,
            self.made.append,
        )
        self.guide = cast(Guide, self.one._guide)

    def __getitem__(self, key: str) -> Any:
        return self.one.message()[key]

    def push(self, *steps: Any) -> None:
        self.guide.says = list(steps)
        self.one.push(BATCH)


@pytest.fixture
def led(monkeypatch: pytest.MonkeyPatch) -> Led:
    return Led(monkeypatch)


def test_it_begins_silent_at_the_first_pose(led):
    assert led.session.taken() == ["drill None, silent"]
    assert (led["look"], led["phase"], led["step"]) == ("calibrate", "running", str(FITTING[0]))
    assert (led["left_s"], led["may"], led["minutes"]) == (3, ["pain", "end"], 2)
    assert led["said"].endswith(": 3 s.") and led["times"] == 1
    assert [s["state"] for s in led["steps"]] == ["now"] + ["to come"] * (len(FITTING) - 1)
    assert led.one.obey("end", {}) is None
    assert led.one.obey("skip", {}) == "calibrate: skip is not possible now"


def test_what_is_held_good_and_not_good_is_told(led):
    led.push(Asked(FITTING[1], 2, len(FITTING)))
    assert led["step"] == str(FITTING[1])
    assert [s["state"] for s in led["steps"]][:3] == ["done", "now", "to come"]
    assert led["spoken"] == {"n": 1, "text": led["said"]}
    led.push(Held(FITTING[1], 1.2, 3.0, SHAKY))
    assert (led["left_s"], led["refused"]) == (2, True)
    assert led["line"] == "The left foot is not still."
    led.push(Held(FITTING[1], 2.0, 3.0, None))
    assert (led["left_s"], led["line"], led["refused"]) == (1, "", False)
    led.push(Refused(FITTING[1], SHAKY))
    assert (led["line"], led["refused"]) == ("Not good: the left foot is not still.", True)
    led.push(Taken(FITTING[1]))
    assert (led["line"], led["refused"]) == ("Good.", False)
    led.push(Taken(FITTING[1], "a little short"))
    assert led["line"] == "Good, but a little short."
    led.push(Held(FITTING[1], 4.0, 3.0, None))
    assert led["left_s"] == 0
    led.push(Asked(FITTING[0], 1, len(FITTING)))
    assert led["left_s"] == 3 and led["spoken"]["n"] == 2


def test_both_calibrations_are_kept_at_the_end_and_the_session_goes_on_by_them(led):
    led.session.taken()
    led.guide.done = True
    led.push()
    assert led.kept == [{PAIR[0].serial: "fit of left", PAIR[1].serial: "fit of right"}]
    assert led.made == [{INSOLE_OF[foot]: b'{"told": 1}' for foot in Foot}]
    assert led.session.taken() == [
        f"recalibrated {sorted(INSOLE_OF[foot] for foot in Foot)}",
        "say Both calibrations are kept.",
    ]
    assert (led["phase"], led["line"], led["refused"]) == (
        *("done", "Both calibrations are kept."),
        False,
    )
    assert led["left_s"] is None and {s["state"] for s in led["steps"]} == {"done"}
    led.push(Asked(FITTING[0], 1, 2))  # nothing more is taken
    assert led["phase"] == "done" and len(led.made) == 1


def test_what_cannot_be_used_leaves_the_calibration_from_before(led):
    led.guide.done, led.guide.refused = True, Refused(FITTING[0], SHAKY)
    led.push()
    assert led["line"].endswith(f": the left foot is not still. {KEPT}")
    assert led["line"][0].isupper() and led["refused"] and led["phase"] == "done"
    assert led.kept == led.made == []
    assert led["steps"][0]["state"] == "now"


@pytest.mark.parametrize("error", [InputError("It is no fit."), StoreError("The disk is full.")])
def test_an_error_ends_it_in_a_sentence(led, error):
    led.push(error)
    assert (led["line"], led["refused"]) == (f"{error} {KEPT}", True)
    assert led["phase"] == "done" and led.made == []


@pytest.mark.parametrize(
    ("pair", "mass_kg", "said"),
    [
        (PAIR[:1], 80.0, "calibrate: no right insole of this program's is connected"),
        (PAIR[1:], 80.0, "calibrate: no left insole of this program's is connected"),
        (PAIR, None, "calibrate: needs the player's mass: begin with --mass KG"),
    ],
)
def test_without_both_insoles_or_the_mass_there_is_none(pair, mass_kg, said):
    with pytest.raises(InputError) as caught:
        LiveCalibration(
            cast(Store, None),
            pair,
            SessionSettings(mass_kg=mass_kg),
            FakeLive().live,
            lambda _: None,
        )
    assert str(caught.value) == said
