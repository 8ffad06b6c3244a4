"""Measures of how feet stand, walk and push, from the samples of multi-zone pressure insoles.

Takes samples as NumPy arrays, gives events and summaries as frozen dataclasses; reads no file and
writes none. The names below are the library; each is imported from its module on first use, so that
``import plantigrade`` loads neither NumPy nor SciPy.

Samples
    `PressureBlock` (one foot's zones), `LoadBlock` (one foot's loads), `PairBlock` (both feet on
    one time line), `Column`, `Foot`.
Insoles
    `ZoneLayout`, `eighteen` (the built-in layout), `parse_layout` (from TOML), `REGIONS`,
    `Calibration`, `Calibrator`, `default_calibration`.
Loads
    `LoadReducer`, `total_load`, `centre_of_pressure`, `share`, `body_weight_n`, `Pairing`.
Analysis
    `Analyser`, `StepDetector`, `StandDetector`, `SwingDetector`, `run_whole`, `Limits`, `Setup`,
    `setup_for`, `ANALYSIS_VERSION`.
Events
    `Step`, `Stand`, `Swing`, `Phase` and their parts and classes.
Summaries
    `summarise_walk`, `summarise_swings`, `bouts_of`, `Walk`, `FootWalk`, `SwingSet`, `Stat`,
    `stat_of`.
Change and reliability
    `compare_in_visit`, `compare_visits`, `repeat_error`, `mdc95`, `Change`, `RepeatError`, `Kind`,
    `Verdict`, `icc`, `proportion`, `welch`, `newcombe`, `Difference`.
Sway
    `Sway`, `lowpass`, `mean_frequency`, `prediction_ellipse_area`.
Errors
    `SignalError` and its kinds.

Examples
--------
One sample of a left foot, every zone at 100 kPa: its load is 100 kPa on the whole sensing area.

>>> import numpy as np
>>> from plantigrade import Foot, LoadReducer, PressureBlock, eighteen, total_load
>>> layout = eighteen()
>>> block = PressureBlock(Foot.LEFT, np.array([0.0]), np.full((1, layout.n_zones), 100.0))
>>> loads = LoadReducer(layout).reduce(block)
>>> bool(np.isclose(total_load(loads.values)[0], 100.0 * layout.area_mm2.sum() / 1000.0))
True

Ten seconds of standing with 350 N on each foot are one stand, half of the load on each side.

>>> from plantigrade import Analyser, PairBlock, Stand, setup_for
>>> def foot(load_n):
...     heel, midfoot, forefoot, toes = 0.5, 0.1, 0.3, 0.1
...     shares = [heel, midfoot, forefoot, toes, 0.5, 0.5, midfoot / 2, 6 / load_n]
...     return np.tile(load_n * np.array(shares), (1000, 1))
>>> analyser = Analyser(setup_for(layout, rate_hz=100.0, bw_n=700.0, lead=Foot.LEFT))
>>> rows = PairBlock(0, np.arange(1000) / 100.0, foot(350.0), foot(350.0))
>>> (event,) = analyser.push(rows) + analyser.flush()
>>> isinstance(event, Stand), round(event.left_share, 3)
(True, 0.5)
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from plantigrade.analyser import ANALYSIS_VERSION, Analyser, run_whole
    from plantigrade.block import Column, Foot, LoadBlock, PairBlock, PressureBlock
    from plantigrade.calibrate import Calibration, Calibrator, default_calibration
    from plantigrade.change import (
        Change,
        Kind,
        RepeatError,
        Verdict,
        compare_in_visit,
        compare_visits,
        mdc95,
        repeat_error,
    )
    from plantigrade.errors import CalibrationError, LayoutError, SampleError, SignalError
    from plantigrade.events import (
        Bearing,
        FootStand,
        HeelLift,
        HeelLiftState,
        Manner,
        Phase,
        PhaseKind,
        Push,
        RegionTiming,
        Roll,
        Stand,
        Step,
        Swing,
        Timing,
    )
    from plantigrade.interval import Difference, newcombe, welch
    from plantigrade.limits import Limits, Setup, setup_for
    from plantigrade.load import LoadReducer, body_weight_n, centre_of_pressure, share, total_load
    from plantigrade.pairing import Pairing
    from plantigrade.reliability import Icc, Proportion, icc, proportion
    from plantigrade.stand import StandDetector
    from plantigrade.stat import Stat, stat_of
    from plantigrade.steps import StepDetector
    from plantigrade.summary import (
        FootWalk,
        SwingSet,
        Walk,
        bouts_of,
        summarise_swings,
        summarise_walk,
    )
    from plantigrade.sway import Sway, lowpass, mean_frequency, prediction_ellipse_area
    from plantigrade.swings import SwingDetector
    from plantigrade.zones import REGIONS, ZoneLayout, eighteen, parse_layout

_MODULES = {
    "analyser": ("ANALYSIS_VERSION", "Analyser", "run_whole"),
    "block": ("Column", "Foot", "LoadBlock", "PairBlock", "PressureBlock"),
    "calibrate": ("Calibration", "Calibrator", "default_calibration"),
    "change": (
        *("Change", "Kind", "RepeatError", "Verdict"),
        *("compare_in_visit", "compare_visits", "mdc95", "repeat_error"),
    ),
    "errors": ("CalibrationError", "LayoutError", "SampleError", "SignalError"),
    "events": (
        *("Bearing", "FootStand", "HeelLift", "HeelLiftState", "Manner", "Phase", "PhaseKind"),
        *("Push", "RegionTiming", "Roll", "Stand", "Step", "Swing", "Timing"),
    ),
    "interval": ("Difference", "newcombe", "welch"),
    "limits": ("Limits", "Setup", "setup_for"),
    "load": ("LoadReducer", "body_weight_n", "centre_of_pressure", "share", "total_load"),
    "pairing": ("Pairing",),
    "reliability": ("Icc", "Proportion", "icc", "proportion"),
    "stand": ("StandDetector",),
    "stat": ("Stat", "stat_of"),
    "steps": ("StepDetector",),
    "summary": (
        *("FootWalk", "SwingSet", "Walk", "bouts_of", "summarise_swings", "summarise_walk"),
    ),
    "sway": ("Sway", "lowpass", "mean_frequency", "prediction_ellipse_area"),
    "swings": ("SwingDetector",),
    "zones": ("REGIONS", "ZoneLayout", "eighteen", "parse_layout"),
}
_MODULE_OF = {name: module for module, names in _MODULES.items() for name in names}

__all__ = [
    "ANALYSIS_VERSION",
    "REGIONS",
    "Analyser",
    "Bearing",
    "Calibration",
    "CalibrationError",
    "Calibrator",
    "Change",
    "Column",
    "Difference",
    "Foot",
    "FootStand",
    "FootWalk",
    "HeelLift",
    "HeelLiftState",
    "Icc",
    "Kind",
    "LayoutError",
    "Limits",
    "LoadBlock",
    "LoadReducer",
    "Manner",
    "PairBlock",
    "Pairing",
    "Phase",
    "PhaseKind",
    "PressureBlock",
    "Proportion",
    "Push",
    "RegionTiming",
    "RepeatError",
    "Roll",
    "SampleError",
    "Setup",
    "SignalError",
    "Stand",
    "StandDetector",
    "Stat",
    "Step",
    "StepDetector",
    "Sway",
    "Swing",
    "SwingDetector",
    "SwingSet",
    "Timing",
    "Verdict",
    "Walk",
    "ZoneLayout",
    "body_weight_n",
    "bouts_of",
    "centre_of_pressure",
    "compare_in_visit",
    "compare_visits",
    "default_calibration",
    "eighteen",
    "icc",
    "lowpass",
    "mdc95",
    "mean_frequency",
    "newcombe",
    "parse_layout",
    "prediction_ellipse_area",
    "proportion",
    "repeat_error",
    "run_whole",
    "setup_for",
    "share",
    "stat_of",
    "summarise_swings",
    "summarise_walk",
    "total_load",
    "welch",
]


def __getattr__(name: str) -> object:
    """Return a public name from its module; Python asks here once for each (PEP 562)."""
    if name not in _MODULE_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f"{__name__}.{_MODULE_OF[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """Return the public names, for completion."""
    return sorted({*globals(), *__all__})
