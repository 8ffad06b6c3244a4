"""Figures of the notes that follow from what they assume: ``python figures.py`` prints all.

Standard library only. `tests/test_hardware_notes.py` holds the pages to what is computed here.
"""

from math import exp, log, pi, sin, sqrt

ZONES = 18
PERIOD_S = {100: 1 / 100, 200: 1 / 200}
HALF_COUNT_12 = 1 / 2**13
"""Half of one count of 12 bits, as a part of full scale."""
SWEEPS = 5
"""Times that each zone is read in a sample period."""
POWERED_S = 50e-6
"""A cell is powered for so long at each reading (assumed)."""

# ---- sensing.md §2: the filter, the multiplexer, sweeps and their mean


def time_constant_s(corner_hz: float) -> float:
    """Time constant of one resistor and capacitor, s."""
    return 1 / (2 * pi * corner_hz)


def settled(time_s: float, corner_hz: float) -> float:
    """Part of a step that such a filter has gone after some time."""
    return 1 - exp(-time_s / time_constant_s(corner_hz))


def settling_s(corner_hz: float) -> float:
    """Time until it is within half a count of 12 bits, s."""
    return time_constant_s(corner_hz) * log(1 / HALF_COUNT_12)


def highest_time_constant_s(within_s: float) -> float:
    """Return the time constant that settles to half a count of 12 bits in time, s."""
    return within_s / log(1 / HALF_COUNT_12)


def left_of_the_zone_before(rate_hz: int, corner_hz: float) -> float:
    """Part of a reading that is still the zone before, behind one multiplexer and filter."""
    return exp(-PERIOD_S[rate_hz] / ZONES / time_constant_s(corner_hz))


def slot_s(rate_hz: int) -> float:
    """Time for one reading of one zone, where all are read `SWEEPS` times a period, s."""
    return PERIOD_S[rate_hz] / ZONES / SWEEPS


def mean_delay(sweeps: int = SWEEPS) -> float:
    """Delay of a mean of sweeps spread evenly over a period, periods: from middle to last."""
    return (sweeps - 1) / (2 * sweeps)


def mean_gain(hz: float, rate_hz: int, sweeps: int = SWEEPS) -> float:
    """Return what such a mean leaves of a sine, 0 to 1."""
    x = pi * hz / (rate_hz * sweeps)
    return abs(sin(sweeps * x) / (sweeps * sin(x))) if sin(x) else 1.0


def noise_left(sweeps: int = SWEEPS) -> float:
    """Return what it leaves of noise that differs from reading to reading."""
    return 1 / sqrt(sweeps)


def error_of_unread_lines(off_v: float, drive_v: float, unread: int) -> float:
    """Error where unread cells alike to the read one sit a voltage off the sense node's level."""
    return unread * off_v / drive_v


# ---- gatt_profile.md §5: air time

_GAP_S = 150e-6


def packet_s(value_bytes: int, megabit: int) -> float:
    """One notification on the air, s: value, 3 of ATT, 4 of L2CAP, and 10 (2M: 11) around them."""
    return (value_bytes + 7 + 9 + megabit) * 8e-6 / megabit


def exchange_s(value_bytes: int, megabit: int) -> float:
    """Return the same with the empty packet that acknowledges it, and two gaps, s."""
    empty_s = (9 + megabit) * 8e-6 / megabit
    return packet_s(value_bytes, megabit) + empty_s + 2 * _GAP_S


def air_share(rate_hz: int, megabit: int, frames: int = 2, feet: int = 1) -> float:
    """Part of the time that feet of eighteen zones, packed 12-bit, are on the air."""
    return feet * rate_hz / frames * exchange_s(16 + 27 * frames, megabit)


# ---- power_and_charging.md

RADIO_MA, PROCESSOR_MA, CELL_MA, ANALOGUE_MA = 6.0, 4.0, 1.0, 0.4
"""Currents while on (assumed)."""
AWAKE = {100: 0.10, 200: 0.20}
"""Part of the time that the processor is awake (assumed)."""
LISTENED_S = 100e-6
"""After each advertising packet and its gap (assumed)."""
SLEEP_MA = 0.005
"""Processor asleep with its memory kept, regulator included (assumed)."""
USABLE_MAH = 80.0
"""Of 100 mAh, a fifth kept."""


def cells_ma(rate_hz: int) -> float:
    """Mean current of all cells, mA."""
    return ZONES * SWEEPS * POWERED_S / PERIOD_S[rate_hz] * CELL_MA


def streaming_ma(rate_hz: int) -> float:
    """Mean current while streaming, mA."""
    radio = air_share(rate_hz, 1) * RADIO_MA
    return radio + AWAKE[rate_hz] * PROCESSOR_MA + cells_ma(rate_hz) + ANALOGUE_MA


def advertising_s() -> float:
    """One advertising event on three channels: 31 bytes of data, 16 around them, at 1M, s."""
    return 3 * ((31 + 16) * 8e-6 + _GAP_S + LISTENED_S)


def advertising_ma(every_s: float = 0.4175) -> float:
    """Mean current of advertising, mA."""
    return advertising_s() / every_s * RADIO_MA


def idle_ma() -> float:
    """Mean current while waiting for a host, mA."""
    return advertising_ma() + SLEEP_MA


def hours(current_ma: float) -> float:
    """How long a charge lasts, h."""
    return USABLE_MAH / current_ma


SLEEP_PPM, HOST_PPM = 500.0, 500.0


def widening_s(interval_s: float) -> float:
    """How much earlier a receiver opens for two sleep clocks that may part, s."""
    return (SLEEP_PPM + HOST_PPM) * 1e-6 * interval_s


def parted_ms_a_minute(ppm: float) -> float:
    """How far two clocks part in a minute, each off by so much the other way, ms."""
    return 2 * ppm * 1e-6 * 60e3


NTC_OHM, NTC_B, NTC_K = 10_000.0, 3380.0, 298.15
"""A usual thermistor (from memory): 10 kΩ at 25 °C."""


def thermistor_ohm(celsius: float) -> float:
    """Its resistance, Ω."""
    return NTC_OHM * exp(NTC_B * (1 / (celsius + 273.15) - 1 / NTC_K))


def figures() -> dict[str, str]:
    """Every figure as the pages say it, by what it is."""
    return {
        "time constant at 40 Hz": f"{1e3 * time_constant_s(40):.2f} ms",
        "settled after 50 µs": f"{100 * settled(POWERED_S, 40):.1f} %",
        "settling to half a count": f"{1e3 * settling_s(40):.0f} ms",
        "left of the zone before": f"{100 * left_of_the_zone_before(100, 40):.0f} %",
        "highest time constant for 20 µs": f"{1e6 * highest_time_constant_s(20e-6):.1f} µs",
        "slot at 100 Hz": f"{1e6 * slot_s(100):.0f} µs",
        "slot at 200 Hz": f"{1e6 * slot_s(200):.1f} µs",
        "delay of the mean": f"{mean_delay():.1f} T",
        "gain at 20 Hz": f"{mean_gain(20, 100):.2f}",
        "gain at half the rate": f"{mean_gain(50, 100):.2f}",
        "gain at 150 Hz": f"{mean_gain(150, 100):.2f}",
        "noise left": f"{noise_left():.2f}",
        "error of unread lines": f"{100 * error_of_unread_lines(5e-3, 1.0, 17):.1f} %",
        "exchange at 1M": f"{1e3 * exchange_s(70, 1):.2f} ms",
        "exchange at 2M": f"{1e3 * exchange_s(70, 2):.2f} ms",
        "air at 100 Hz, 1M": f"{100 * air_share(100, 1):.1f} %",
        "air at 200 Hz, 1M": f"{100 * air_share(200, 1):.1f} %",
        "air of both at 200 Hz, 1M": f"{100 * air_share(200, 1, feet=2):.1f} %",
        "air at 200 Hz, 2M": f"{100 * air_share(200, 2):.1f} %",
        "air of both at 200 Hz, 2M": f"{100 * air_share(200, 2, feet=2):.1f} %",
        "2M over 1M": f"{100 * exchange_s(70, 2) / exchange_s(70, 1):.0f} %",
        "radio": f"{air_share(100, 1) * RADIO_MA:.2f} mA",
        "cells": f"{cells_ma(100):.2f} mA",
        "streaming at 100 Hz": f"{streaming_ma(100):.1f} mA",
        "hours at 100 Hz": f"{hours(streaming_ma(100)):.0f} hours",
        "streaming at 200 Hz": f"{streaming_ma(200):.1f} mA",
        "hours at 200 Hz": f"{hours(streaming_ma(200)):.0f} hours",
        "advertising": f"{1e3 * advertising_ma():.0f} µA",
        "idle": f"{1e3 * idle_ma():.0f} µA",
        "days idle": f"{hours(idle_ma()) / 24:.0f} days",
        "widening at 15 ms": f"{1e6 * widening_s(0.015):.0f} µs",
        "widening at 4 s": f"{1e3 * widening_s(4.0):.0f} ms",
        "two sleep clocks": f"{parted_ms_a_minute(500):.0f} ms a minute",
        "two crystals": f"{parted_ms_a_minute(50):.0f} ms a minute",
        "thermistor at 0 °C": f"{thermistor_ohm(0) / 1e3:.1f} kΩ",
        "thermistor at 45 °C": f"{thermistor_ohm(45) / 1e3:.1f} kΩ",
    }


if __name__ == "__main__":
    for what, value in figures().items():
        print(f"{what:<34}{value}")
