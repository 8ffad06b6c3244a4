"""What a virtual insole answers at its control point: the same table as the firmware's."""

from dataclasses import replace

import numpy as np
import pytest
from tests.plantigrade_gateway.wire.test_codec import ANSWERS, ANSWERS_CLOCK_US
from tests.support.firmware import random_request
from tests.support.firmware_model import CLOCK, Config, Model
from tests.support.vectors import by_name

from plantigrade.block import Foot
from plantigrade_gateway.virtual.control import Control
from plantigrade_gateway.virtual.player import SHORTEST_PERIOD_US, DeviceSettings
from plantigrade_gateway.wire.codec import encode
from plantigrade_gateway.wire.messages import Frames, Rate, SampleFormat, Start, Stop

KNOBS = DeviceSettings(Foot.LEFT, 1)


class Body:
    """An insole that does nothing but stream or not."""

    is_streaming = False

    def battery_percent(self) -> int:
        return 87

    def begin(self) -> None:
        self.is_streaming = True

    def end(self) -> None:
        self.is_streaming = False


@pytest.mark.parametrize("block", ANSWERS, ids=by_name)
def test_known_writes_get_the_known_answers(block):
    body = Body()
    control = Control(KNOBS, body)
    control.charging = block.get("charging") == "1"
    control.subscribed = block.get("subscribed") != "0"
    said = control.answer(bytes.fromhex(block["hex"]), ANSWERS_CLOCK_US)
    assert said == bytes.fromhex(block["answer"])
    assert body.is_streaming is (block["name"] == "answer_start")


@pytest.mark.dear
@pytest.mark.parametrize("sample_format", list(SampleFormat))
def test_random_writes_one_after_the_other_go_as_the_firmwares_model_goes(sample_format):
    """The model that the C is held against: every answer alike, and what they lead to."""
    rng = np.random.default_rng(41)
    config = Config(
        sample_format=sample_format, min_period_us=SHORTEST_PERIOD_US, firmware=0x0100, serial=1
    )
    model, body = Model(config, battery=87), Body()
    control = Control(replace(KNOBS, sample_format=sample_format), body)
    for _ in range(4000):
        odd = rng.random()
        if odd < 0.02:
            on = not control.charging
            control.charging = on
            model.charge(on)
            if on:
                body.end()
        elif odd < 0.04:
            mtu = int(rng.choice([23, 54, 70, 185, 247]))
            model.mtu(mtu)
            control.value_bytes = mtu - 3
            if not control.most_frames:
                body.end()
        data, clock_us = random_request(rng), int(rng.integers(CLOCK))
        assert control.answer(data, clock_us) == model.control(data, clock_us)
        assert body.is_streaming is model.streaming
        assert (control.period_us, control.frames) == (model.next_period, model.next_frames)
    assert len(control.requests) > 1500


def test_a_reset_brings_its_own_settings_back():
    control = Control(KNOBS, Body())
    control.answer(encode(Rate(0, 5000)), 0)
    control.answer(encode(Frames(0, 5)), 0)
    assert (control.period_us, control.frames_to_come) == (5000, 5)
    control.reset()
    assert (control.period_us, control.frames_to_come) == (10_000, 2)


def test_frames_that_no_longer_fit_are_fewer_until_they_fit_again():
    control = Control(KNOBS, Body())
    control.answer(encode(Frames(0, 8)), 0)
    control.value_bytes = 100 - 3
    assert control.frames_to_come == 3
    control.value_bytes = 20
    assert control.answer(encode(Start(1)), 0) == bytes([1, 0x20, 1, 0x10, 3])
    control.value_bytes = 244
    assert control.frames_to_come == 8


def test_it_streams_from_a_start_to_a_stop_and_notes_what_was_asked():
    body = Body()
    control = Control(KNOBS, body)
    control.answer(encode(Stop(1)), 0)
    assert not body.is_streaming
    control.answer(encode(Start(2)), 0)
    assert body.is_streaming
    control.answer(b"\x01\xff\x03", 0)  # of no kind that there is
    control.answer(encode(Stop(4)), 0)
    assert not body.is_streaming
    assert control.requests == [Stop(1), Start(2), Stop(4)]
