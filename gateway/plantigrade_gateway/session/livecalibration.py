"""A calibration of both insoles within a session, led through on the page of the guided check.

Nothing is kept before everything is there; whatever ends it earlier leaves the old calibration.
"""

from collections.abc import Callable, Sequence
from typing import Any

from plantigrade.block import Foot
from plantigrade.fitting import FITTING, Asked, Held, Refused, Step, Taken
from plantigrade.limits import G_M_S2
from plantigrade_gateway.analysis.calibration import Guide, pose_name, pose_prompt
from plantigrade_gateway.drills.model import Feedback
from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.formats import capital
from plantigrade_gateway.record.entries import INSOLE_OF, Batch
from plantigrade_gateway.record.settings import SessionSettings, zones_of
from plantigrade_gateway.session.check import BLANK
from plantigrade_gateway.session.session import LiveSession, StepResult
from plantigrade_gateway.store import calibrations
from plantigrade_gateway.store.insoles import layout_of
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.gatt import KnownInsole

LOOK = "calibrate"
KEPT = "No calibration was changed."
Message = dict[str, Any]
Calibrations = dict[int, bytes]
"""Each insole's new calibration, as a record's CALIBRATION entry holds it."""


class LiveCalibration:
    """Leads through the poses; it stands where a guided check stands.

    Parameters
    ----------
    store : Store
    pair : sequence of KnownInsole
    settings : SessionSettings
        The player's mass comes from them.
    live : LiveSession
        Goes on by the new calibration.
    made : callable
        Told the new calibrations.

    Attributes
    ----------
    moments : list of StepResult
        As of a `GuidedCheck`.

    Raises
    ------
    InputError
        An insole is not known, or the mass is not.
    """

    def __init__(
        self,
        store: Store,
        pair: Sequence[KnownInsole],
        settings: SessionSettings,
        live: LiveSession,
        made: Callable[[Calibrations], None],
    ) -> None:
        feet = {insole.foot: insole for insole in pair}
        for foot in Foot:
            if foot not in feet:
                raise InputError(f"calibrate: no {foot} insole of this program's is connected")
        if settings.mass_kg is None:
            raise InputError("calibrate: needs the player's mass: begin with --mass KG")
        start = {foot: calibrations.start_of(store, insole) for foot, insole in feet.items()}
        self._guide = Guide(zones_of(layout_of(pair)), start, settings.mass_kg * G_M_S2)
        self._store, self._pair, self._live, self._made = store, pair, live, made
        self.moments: list[StepResult] = [live.set_drill(None, Feedback.SILENT)]
        self._pose = FITTING[0]
        self._at = 0
        self._held_s = 0.0
        self._line, self._is_refused = "", False
        self._is_over = False
        self._spoken: Message = {"n": 0, "text": ""}

    def push(self, batch: Batch) -> None:
        """Take what the insoles sent."""
        if self._is_over:
            return
        try:
            for step in self._guide.push(batch):
                self._take(step)
            if self._guide.done:
                self._finish()
        except (InputError, StoreError) as error:
            self._end(f"{error} {KEPT}")

    def advance(self) -> None:
        """Do nothing: only what the insoles send leads on."""

    def obey(self, do: str, message: Message) -> str | None:
        """Do what a page asks for; return why not, in a sentence."""
        return None if do == "end" else f"calibrate: {do} is not possible now"

    def _take(self, step: Step) -> None:
        match step:
            case Asked():
                self._pose, self._at, self._held_s = step.pose, step.number - 1, 0.0
                self._say(pose_prompt(step.pose, self._guide.need_s))
            case Held():
                self._held_s = step.held_s
                self._is_refused = step.trouble is not None
                self._line = "" if step.trouble is None else f"{capital(step.trouble.text)}."
            case Taken():
                self._line, self._is_refused = f"Good{step.note and f', but {step.note}'}.", False
            case Refused():
                self._line, self._is_refused = f"Not good: {step.trouble.text}.", True

    def _finish(self) -> None:
        """Keep the result, where there is one, and go on by it."""
        refused = self._guide.refused
        if refused is not None:
            self._end(f"{capital(pose_name(refused.pose))}: {refused.trouble.text}. {KEPT}")
            return
        fits = self._guide.result()
        calibrations.keep(self._store, {one.serial: fits[one.foot] for one in self._pair})
        new = {
            INSOLE_OF[foot]: calibration.to_json().encode()
            for foot, calibration in calibrations.with_descriptions(self._store, self._pair).items()
        }
        self.moments.append(self._live.recalibrate(new))
        self._made(new)
        self._is_over, self._is_refused = True, False
        self._line = "Both calibrations are kept."
        self._say(self._line)

    def _end(self, line: str) -> None:
        self._line, self._is_refused, self._is_over = line, True, True

    def _say(self, text: str) -> None:
        self._spoken = {"n": self._spoken["n"] + 1, "text": text}
        self._live.announce(text)

    def message(self) -> Message:
        """Return what pages are told, as of a guided check."""
        need_s = self._guide.need_s
        return {
            **BLANK,
            "look": LOOK,
            "phase": "done" if self._is_over else "running",
            "step": str(self._pose),
            "title": capital(pose_name(self._pose)),
            "said": pose_prompt(self._pose, need_s),
            "times": 1,
            "left_s": None if self._is_over else max(0, round(need_s - self._held_s)),
            "line": self._line,
            "refused": self._is_refused,
            "spoken": self._spoken,
            "may": ["pain", "end"],
            "steps": [self._state_of(k) for k in range(len(FITTING))],
            "minutes": 2,
        }

    def _state_of(self, k: int) -> Message:
        pose = FITTING[k]
        is_kept = self._is_over and not self._is_refused
        state = "done" if is_kept or k < self._at else "now" if k == self._at else "to come"
        return {"name": str(pose), "title": capital(pose_name(pose)), "state": state}
