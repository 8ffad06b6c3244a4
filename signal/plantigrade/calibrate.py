"""Counts to pressure: each zone's curve, its zero in the air, and the foot's gain from stands.

A curve may come from the bench: what each zone read at known pressures.
"""

import json
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from plantigrade.block import FloatArray, Foot, PressureBlock
from plantigrade.errors import CalibrationError, ForeignError, shown
from plantigrade.foreign import read_json
from plantigrade.load import total_load
from plantigrade.zones import ZoneLayout

FULL_SCALE = 4095
"""Largest count of a 12-bit converter, the usual one."""
FULL_SCALES = tuple((1 << bits) - 1 for bits in range(8, 17))
"""Largest counts that can be: of converters of 8 to 16 bits."""
DEFAULT_TOP_KPA = 800.0
"""Pressure at full scale of the default curve: above published barefoot peaks of 367–794 kPa
(Shorten et al. 1989)."""
MOVED_COUNTS = 12.0
"""A zone whose counts spread (SD) by more than this was not left alone while zeroing; counts of
`FULL_SCALE`, of another full scale in proportion."""
LOADED_COUNTS = 400
"""A zone that reads more than this in the air is pressed, or faulty; counts as above."""
GAIN_RANGE = (0.5, 3.0)
"""A foot's gain outside this is a wrong stand, a wrong mass or feet swapped."""
DEFAULT_NOTE = "default"
"""The note of an insole's calibration that was never calibrated."""


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """One insole's calibration.

    Attributes
    ----------
    foot : Foot
    knots : ndarray of float64, shape (k,)
        Counts above zero at which the curves are given, rising from 0.
    pressure : ndarray of float64, shape (n_zones, k)
        Pressure (the layout's unit) at the knots, 0 at the first, never falling.
    zero : ndarray of float64, shape (n_zones,)
        Counts in the air.
    gain : float
        The foot's load is multiplied by it (`plantigrade.load.LoadReducer`).
    note : str
        Where it comes from, for people: "default", or date and quality.
    full_scale : int
        The converter's largest count, one of `FULL_SCALES`.
    """

    foot: Foot
    knots: FloatArray
    pressure: FloatArray
    zero: FloatArray
    gain: float = 1.0
    note: str = DEFAULT_NOTE
    full_scale: int = FULL_SCALE

    def __post_init__(self) -> None:
        if type(self.full_scale) is not int or self.full_scale not in FULL_SCALES:
            raise CalibrationError(
                f"{self.foot} calibration: full scale {shown(self.full_scale)}, expected that of 8 "
                "to 16 bits"
            )
        for name in ("knots", "pressure", "zero"):
            if not np.isfinite(getattr(self, name)).all():
                raise CalibrationError(
                    f"{self.foot} calibration: {name} holds a value that is no number"
                )
        n_zones, k = self.pressure.shape
        if (
            self.knots.shape != (k,)
            or k < 2
            or self.knots[0] != 0
            or np.any(np.diff(self.knots) <= 0)
        ):
            raise CalibrationError(
                f"{self.foot} calibration: expected at least 2 knots rising from 0"
            )
        if self.zero.shape != (n_zones,):
            raise CalibrationError(
                f"{self.foot} calibration: {self.zero.shape[0]} zeros for {n_zones} zones"
            )
        if np.any(self.pressure[:, 0] != 0) or np.any(np.diff(self.pressure, axis=1) < 0):
            zone = int(
                np.argmax((self.pressure[:, 0] != 0) | (np.diff(self.pressure, axis=1) < 0).any(1))
            )
            raise CalibrationError(
                f"{self.foot} calibration: zone {zone + 1}: expected a curve that starts at 0 "
                "and never falls"
            )
        if not np.isfinite(self.gain) or self.gain <= 0:
            raise CalibrationError(f"{self.foot} calibration: gain {self.gain}, expected over 0")

    @property
    def n_zones(self) -> int:
        """Number of zones."""
        return len(self.zero)

    def table(self) -> FloatArray:
        """Return the pressure of every count, shape (n_zones, full_scale + 1).

        Counts under zero go on along the first piece of the curve, so that noise about zero keeps
        its mean.
        """
        counts = np.arange(self.full_scale + 1, dtype=np.float64)
        rows = np.empty((self.n_zones, self.full_scale + 1))
        for zone in range(self.n_zones):
            above = counts - self.zero[zone]
            curve = self.pressure[zone]
            slope = curve[1] / self.knots[1]
            rows[zone] = np.where(above < 0.0, above * slope, np.interp(above, self.knots, curve))
        return rows

    def counts(self, pressure: FloatArray) -> NDArray[np.uint16]:
        """Return the counts that read nearest to `pressure` (n, n_zones): the curve backwards.

        For simulated insoles. Pressure is clipped to what the curve can read; NaN is refused.

        Raises
        ------
        CalibrationError
            A value is NaN.
        """
        if np.isnan(pressure).any():
            raise CalibrationError(f"{self.foot} foot: NaN pressure has no count")
        out = np.empty(pressure.shape)
        for zone in range(self.n_zones):
            curve = self.pressure[zone]
            slope = curve[1] / self.knots[1]
            p = pressure[:, zone]
            with np.errstate(divide="ignore"):
                above = np.where(p < 0.0, p / slope, np.interp(p, curve, self.knots))
            out[:, zone] = above + self.zero[zone]
        return np.clip(np.rint(out), 0, self.full_scale).astype(np.uint16)

    def to_json(self) -> str:
        """Return the calibration as JSON, exact to the last bit.

        Of schema 1 where the full scale is the usual one; else of schema 2, which names it, and
        which a program that does not know it refuses.
        """
        usual = self.full_scale == FULL_SCALE
        return json.dumps(
            {
                "schema": 1 if usual else 2,
                "foot": self.foot.value,
                "knots": self.knots.tolist(),
                "pressure": self.pressure.tolist(),
                "zero": self.zero.tolist(),
                "gain": self.gain,
                "note": self.note,
                **({} if usual else {"full_scale": self.full_scale}),
            }
        )

    @classmethod
    def from_json(cls, text: str | bytes) -> "Calibration":
        """Read what `to_json` wrote.

        Raises
        ------
        CalibrationError
            Not JSON of schema 1 or 2, or a calibration that cannot be.
        """
        try:
            table = read_json(text, "calibration")
            if table["schema"] not in (1, 2):
                raise CalibrationError(
                    f"calibration of schema {shown(table['schema'])}, expected 1 or 2"
                )
            return cls(
                foot=Foot(table["foot"]),
                knots=np.array(table["knots"], dtype=np.float64),
                pressure=np.array(table["pressure"], dtype=np.float64),
                zero=np.array(table["zero"], dtype=np.float64),
                gain=float(table["gain"]),
                note=str(table["note"]),
                full_scale=FULL_SCALE if table["schema"] == 1 else table["full_scale"],
            )
        except CalibrationError:
            raise
        except ForeignError as error:
            raise CalibrationError(str(error)) from error
        except (ValueError, KeyError, TypeError) as error:
            raise CalibrationError(f"calibration: not readable: {shown(error)}") from error


def default_calibration(
    layout: ZoneLayout, foot: Foot, full_scale: int = FULL_SCALE
) -> Calibration:
    """Return the calibration of an insole that was never calibrated.

    A gently curved resistive cell (conductance rises a little faster than pressure at the top),
    0 to `DEFAULT_TOP_KPA` over the converter's range, the same for every zone, no zero.
    """
    knots = np.linspace(0.0, full_scale, 65)
    u = knots / full_scale
    top = np.full(layout.n_zones, DEFAULT_TOP_KPA)
    if layout.unit == "N":
        top *= layout.area_mm2 / 1000.0
    pressure = top[:, None] * ((u + 0.5 * u * u) / 1.5)[None, :]
    return Calibration(foot, knots, pressure, np.zeros(layout.n_zones), full_scale=full_scale)


class Calibrator:
    """Turn one insole's counts into pressure blocks.

    Parameters
    ----------
    calibration : Calibration

    Attributes
    ----------
    saturated : int
        Zone samples at full scale so far.
    """

    def __init__(self, calibration: Calibration) -> None:
        self.calibration = calibration
        self.saturated = 0
        self._table = calibration.table().ravel()
        self._top = calibration.full_scale
        self._offset = np.arange(calibration.n_zones) * (self._top + 1)

    def block(self, t_s: FloatArray, counts: NDArray[np.uint16]) -> PressureBlock:
        """Return the pressure of counts, shape (n, n_zones); over full scale counts as full scale.

        Raises
        ------
        CalibrationError
            Another number of zones than the calibration.
        """
        if counts.shape[1] != self.calibration.n_zones:
            raise CalibrationError(
                f"{self.calibration.foot} foot: packets of {counts.shape[1]} zones, the "
                f"calibration has {self.calibration.n_zones}"
            )
        if counts.size and np.maximum.reduce(counts, axis=None) >= self._top:
            counts = np.minimum(counts, self._top)
            self.saturated += int(np.count_nonzero(counts == self._top))
        return PressureBlock(self.calibration.foot, t_s, self._table.take(counts + self._offset))


def zeroed(calibration: Calibration, air: NDArray[np.uint16]) -> Calibration:
    """Return the calibration with the zero of counts read in the air.

    Parameters
    ----------
    calibration : Calibration
    air : ndarray of uint16, shape (n, n_zones)
        Counts with the insole in the air, a second or more.

    Raises
    ------
    CalibrationError
        Too few samples, a zone moved, or a zone is pressed.
    """
    if air.ndim != 2 or air.shape[1] != calibration.n_zones or len(air) < 20:
        raise CalibrationError(
            f"{calibration.foot} foot: zeroing with {air.shape}, expected at least 20 samples of "
            f"{calibration.n_zones} zones"
        )
    scale = calibration.full_scale / FULL_SCALE
    spread = air.std(axis=0)
    if (worst := int(np.argmax(spread))) >= 0 and spread[worst] > MOVED_COUNTS * scale:
        raise CalibrationError(
            f"{calibration.foot} foot: zone {worst + 1} moved while zeroing, hold the foot still "
            "in the air"
        )
    zero = np.median(air, axis=0).astype(np.float64)
    if zero.max() > LOADED_COUNTS * scale:
        raise CalibrationError(
            f"{calibration.foot} foot: zone {int(np.argmax(zero)) + 1} reads {zero.max():.0f} "
            f"counts in the air, expected at most {LOADED_COUNTS * scale:.0f}"
        )
    return replace(calibration, zero=zero)


def with_gain(calibration: Calibration, one_leg: FloatArray, bw_n: float) -> Calibration:
    """Return the calibration with the gain that makes a one-leg stand carry body weight.

    Parameters
    ----------
    calibration : Calibration
    one_leg : ndarray of float64, shape (n, 8)
        Load columns of this foot while it carries the whole body, made with gain 1, net of the
        baseline.
    bw_n : float
        Body weight, N: mass × standard gravity.

    Raises
    ------
    CalibrationError
        The load is not steady within 10 %, or the gain would lie outside `GAIN_RANGE`.
    """
    load = total_load(one_leg)
    load = load[~np.isnan(load)]
    if len(load) < 20 or not load.mean() > 0.0 or load.std() > 0.1 * load.mean():
        raise CalibrationError(
            f"{calibration.foot} foot: the one-leg stand is not steady within 10 %, try again"
        )
    gain = bw_n / float(load.mean())
    if not GAIN_RANGE[0] <= gain <= GAIN_RANGE[1]:
        raise CalibrationError(
            f"{calibration.foot} foot: a one-leg stand of {load.mean():.0f} N for {bw_n:.0f} N "
            "body weight, check the mass and which foot stood"
        )
    return replace(calibration, gain=gain)


def bench_calibration(
    foot: Foot,
    kpa: FloatArray,
    counts: FloatArray,
    full_scale: int = FULL_SCALE,
    note: str = "bench",
) -> Calibration:
    """Return the calibration of zones that were pressed one by one at the bench, with gain 1.

    Parameters
    ----------
    foot : Foot
    kpa : ndarray of float64, shape (k,)
        Pressures, rising from 0.
    counts : ndarray of float64, shape (n_zones, k)
        What each zone read at them.
    full_scale : int
    note : str

    Returns
    -------
    Calibration
        Each zone's curve goes straight through its readings; its knots are every count that was
        read in some zone, above that zone's zero.

    Raises
    ------
    CalibrationError
        Pressures that do not rise from 0, or a zone that reads no more at a higher one.
    """
    if len(kpa) < 2 or kpa[0] != 0.0 or not np.all(np.diff(kpa) > 0.0):
        raise CalibrationError(f"{foot} foot: expected at least 2 pressures that rise from 0 kPa")
    if not (np.isfinite(counts).all() and counts.min() >= 0.0 and counts.max() <= full_scale):
        raise CalibrationError(f"{foot} foot: expected counts of 0 to {full_scale}")
    falls = np.diff(counts, axis=1) <= 0.0
    if falls.any():
        zone, k = (int(i) for i in np.argwhere(falls)[0])
        raise CalibrationError(
            f"{foot} foot: zone {zone + 1} reads {counts[zone, k]:g} counts at {kpa[k]:g} kPa and "
            f"{counts[zone, k + 1]:g} at {kpa[k + 1]:g} kPa, expected more"
        )
    above = counts - counts[:, :1]
    knots = np.unique(above)
    pressure = np.array([np.interp(knots, row, kpa) for row in above])
    return Calibration(foot, knots, pressure, counts[:, 0], note=note, full_scale=full_scale)
