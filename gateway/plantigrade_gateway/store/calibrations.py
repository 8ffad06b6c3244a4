"""The insoles' calibrations and their daily checks, as the store keeps them.

Every calibration stays: the latest of an insole counts, the others are its history.
"""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from plantigrade.block import Foot
from plantigrade.calibrate import FULL_SCALE, Calibration, default_calibration
from plantigrade.evidence import FootFit
from plantigrade_gateway import words
from plantigrade_gateway.record.settings import zones_of
from plantigrade_gateway.store.rows import kept_json, kept_time, utc_text
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.gatt import KnownInsole

DOUBTFUL_PERCENT = 5.0
"""A gain that repeats worse than this is said to be doubtful (ours)."""


@dataclass(frozen=True, slots=True)
class Check:
    """One daily check of a calibration.

    Attributes
    ----------
    made : datetime
        UTC.
    gain_percent : float or None
    zero_percent, air_n : float
        As `plantigrade.evidence.FootFit`.
    notes : tuple of str
        What it warns of; none: it passed.
    """

    made: datetime
    gain_percent: float | None
    zero_percent: float
    air_n: float
    notes: tuple[str, ...]

    @property
    def passed(self) -> bool:
        """Whether it found nothing to warn of."""
        return not self.notes


@dataclass(frozen=True, slots=True, eq=False)
class StoredCalibration:
    """One insole's calibration, with its quality and its latest check.

    Attributes
    ----------
    serial : int
    made : datetime
        UTC.
    calibration : Calibration
    gain_percent : float
        How far two one-leg stands on it differed.
    zero_percent : float
        How far the worst zone's zero moved between lifts, % of full scale.
    notes : tuple of str
    check : Check or None
    """

    serial: int
    made: datetime
    calibration: Calibration
    gain_percent: float
    zero_percent: float
    notes: tuple[str, ...]
    check: Check | None = None

    @property
    def description(self) -> str:
        """Date, quality and latest check, for people."""
        text = (
            f"calibrated {self.made:%Y-%m-%d}, gain repeats within {self.gain_percent:.1f} %, "
            f"zero within {self.zero_percent:.1f} %"
        )
        if self.gain_percent > DOUBTFUL_PERCENT:
            text += " (doubtful)"
        for note in self.notes:
            text += f"; {note}"
        if self.check is None:
            return text
        found = "passed" if self.check.passed else f"warned: {'; '.join(self.check.notes)}"
        return f"{text}; check of {self.check.made:%Y-%m-%d} {found}"


def keep(store: Store, fits: dict[int, FootFit], made: datetime | None = None) -> None:
    """Keep new calibrations by serial number: all of them, or (on any error) none.

    A curve that is there came before them. Where its date is later, by a clock that was ahead, it
    gets theirs: else it would go on counting.
    """
    when = utc_text(made or datetime.now(UTC))
    with store.database.writing() as db:
        for serial, fit in fits.items():
            db.execute(
                "INSERT INTO calibrations (serial, foot, made_utc, gain_percent, zero_percent,"
                " notes, body) VALUES (?, ?, ?, ?, ?, ?, ?)",
                (
                    serial,
                    str(fit.calibration.foot),
                    when,
                    fit.gain_percent,
                    fit.zero_percent,
                    json.dumps(fit.notes),
                    fit.calibration.to_json(),
                ),
            )
            db.execute(
                "UPDATE curves SET made_utc = ? WHERE serial = ? AND made_utc > ?",
                (when, serial, when),
            )


def keep_curves(
    store: Store, curves: Mapping[int, Calibration], made: datetime | None = None
) -> None:
    """Keep curves by serial number, all of them or none; the one that an insole has is left.

    Calibrations that are there came before them, as for `keep`.
    """
    now = made or datetime.now(UTC)
    when, before = utc_text(now), utc_text(now - timedelta(microseconds=1))
    with store.database.writing() as db:
        for serial, curve in curves.items():
            there = db.execute(
                "SELECT body FROM curves WHERE serial = ? ORDER BY curve_no DESC LIMIT 1", (serial,)
            ).fetchone()
            if there != (curve.to_json(),):
                db.execute(
                    "INSERT INTO curves (serial, made_utc, body) VALUES (?, ?, ?)",
                    (serial, when, curve.to_json()),
                )
                db.execute(
                    "UPDATE calibrations SET made_utc = ? WHERE serial = ? AND made_utc > ?",
                    (before, serial, before),
                )


def curve_of(store: Store, insole: KnownInsole) -> tuple[datetime, Calibration] | None:
    """Return an insole's latest curve and when it was kept; None where it has none that fits."""
    rows = store.database.read(
        "SELECT made_utc, body FROM curves WHERE serial = ? ORDER BY curve_no DESC",
        (insole.serial,),
    )
    for made, body in rows:
        curve = Calibration.from_json(body)
        if _fits(curve, insole):
            return kept_time(made), curve
    return None


def keep_check(store: Store, fits: dict[int, FootFit], made: datetime | None = None) -> None:
    """Keep a check of the latest calibrations by serial number: all of it, or none."""
    when = utc_text(made or datetime.now(UTC))
    with store.database.writing() as db:
        for serial, fit in fits.items():
            db.execute(
                "INSERT INTO calibration_checks (calibration_no, made_utc, gain_percent,"
                " zero_percent, air_n, notes) SELECT max(calibration_no), ?, ?, ?, ?, ?"
                " FROM calibrations WHERE serial = ?",
                (
                    when,
                    fit.gain_percent,
                    fit.zero_percent,
                    fit.air_n,
                    json.dumps(fit.notes),
                    serial,
                ),
            )


def history(store: Store, serial: int) -> list[StoredCalibration]:
    """Return an insole's calibrations, the latest first, each with its latest check."""
    rows = store.database.read(
        "SELECT calibration_no, serial, made_utc, body, gain_percent, zero_percent, notes"
        " FROM calibrations WHERE serial = ? ORDER BY calibration_no DESC",
        (serial,),
    )
    return [
        StoredCalibration(
            of,
            kept_time(made),
            Calibration.from_json(body),
            gain,
            zero,
            tuple(kept_json(notes)),
            _check(store, number),
        )
        for number, of, made, body, gain, zero, notes in rows
    ]


def _check(store: Store, calibration_no: int) -> Check | None:
    rows = store.database.read(
        "SELECT made_utc, gain_percent, zero_percent, air_n, notes FROM calibration_checks"
        " WHERE calibration_no = ? ORDER BY check_no DESC LIMIT 1",
        (calibration_no,),
    )
    for made, gain, zero, air_n, notes in rows:
        return Check(kept_time(made), gain, zero, air_n, tuple(kept_json(notes)))
    return None


def _fits(made: Calibration, insole: KnownInsole) -> bool:
    """Whether a calibration is of an insole's foot, zones and full scale."""
    n_zones = zones_of(insole.layout).n_zones
    wanted = (insole.foot, n_zones, insole.full_scale)
    return (made.foot, made.n_zones, made.full_scale) == wanted


def latest(store: Store, insole: KnownInsole) -> StoredCalibration | None:
    """Return the calibration that counts for an insole: the last that was made on its foot.

    None where there is none, or a curve came after it: it was fitted to another one.
    """
    made = next((c for c in history(store, insole.serial) if _fits(c.calibration, insole)), None)
    curve = curve_of(store, insole)
    if made is not None and curve is not None and curve[0] > made.made:
        return None
    return made


def start_of(store: Store, insole: KnownInsole) -> Calibration:
    """Return what an insole is read by: its calibration, else its curve, else the default."""
    if made := latest(store, insole):
        return made.calibration
    if curve := curve_of(store, insole):
        return curve[1]
    return default_calibration(zones_of(insole.layout), insole.foot, insole.full_scale)


def describe(store: Store, insole: KnownInsole) -> str:
    """Return what is shown of an insole's calibration."""
    if found := latest(store, insole):
        return found.description
    if curve := curve_of(store, insole):
        return f"{curve[1].note} ({curve[0]:%Y-%m-%d})"
    return words.NEVER_CALIBRATED


def with_descriptions(store: Store, insoles: Iterable[KnownInsole]) -> dict[Foot, Calibration]:
    """Return the calibrations of insoles as a record keeps them: what is said of each as its note.

    Those that were never calibrated are left out, unless their full scale has to be told.
    """
    found = {}
    for insole in insoles:
        text = describe(store, insole)
        if text != words.NEVER_CALIBRATED:
            found[insole.foot] = replace(start_of(store, insole), note=text)
        elif insole.full_scale != FULL_SCALE:
            found[insole.foot] = start_of(store, insole)
    return found
