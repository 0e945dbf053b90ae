"""A routine of the user's own at its work: what it leaves and what it says is looked at before
anything leans on it.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable
from dataclasses import dataclass

from .errors import MotionError
from .findings import Check, Kind, Symptom
from .positions import Positions
from .routine import Report, Routine
from .station import Station

SETTLE_S = 0.2
# Further than this between counter and eye is no bracket and no mark: a zero that is not there.
ZERO_OFF_DEG = 6.0


@dataclass(frozen=True)
class Own:
    """The routine, where it works, and what to forget when the step counters are its own."""

    station: Station
    positions: Positions
    routine: Routine
    reloaded: Callable[[], None]

    def run(self, name: str) -> list[Check]:
        """In the place of the check `name`: its own checks, and one of it as a whole.

        Raises CommissionError when the port does not come back.
        """
        station = self.station
        station.progress(f"{name}: {self.routine.told}")
        report = self.routine.run(station.card.line, name)
        errors = station.card.take_back()
        failure = report.failure or self._moves() or self._odd(report)
        checks = [check for check in report.checks if check.joint in (None, *self._names)]
        if failure:
            station.card.abort()
            return [*checks, self._check(name, None, failure)]
        words = "returned without complaint"
        if errors:
            words += f"; it left in the card's error queue: {errors}"
        checks.append(Check(name, None, "pass", f"{self.routine.told}: {words}"))
        if name == "homing":
            self.reloaded()
            self.positions.take_counters(report.zero_deg)
            checks += self._elsewhere()
        return checks

    @property
    def _names(self) -> list[str]:
        return [joint.name for joint in self.station.arm.joints]

    def _check(self, name: str, joint: str | None, said: str) -> Check:
        symptom = Symptom(Kind.ROUTINE, joint)
        return Check(name, joint, "fail", f"{self.routine.told}: {said}", (symptom,))

    def _moves(self) -> str:
        """What is wrong when it returned in the middle of a motion, which is stopped then."""
        try:
            self.station.card.until_still(self.station.channels, SETTLE_S)
        except MotionError:
            return "it returned while the arm still moved, which was stopped"
        return ""

    def _odd(self, report: Report) -> str:
        """What is wrong with the joints and the angles that it told."""
        told = [check.joint for check in report.checks if check.joint is not None]
        for name in (*report.zero_deg, *told):
            if name not in self._names:
                close = difflib.get_close_matches(name, self._names, n=1)
                hint = f"; is {close[0]!r} meant?" if close else ""
                return f"it told of {name!r}; expected one of {', '.join(self._names)}{hint}"
        for name, deg in report.zero_deg.items():
            if not math.isfinite(deg):
                return f"it told {deg!r} for {name}; expected an angle"
        return ""

    def _elsewhere(self) -> list[Check]:
        """Joints that by eye stand elsewhere than its zeros say: nothing is moved by such zeros."""
        found = []
        for joint in self.station.arm.joints:
            believed, eye = self.positions.now_deg()[joint.name], self.station.hand.look_deg(joint)
            if abs(believed - eye) > ZERO_OFF_DEG:
                said = (
                    f"by its step counter {joint.name} stands at {believed:+.1f} {joint.unit}, and "
                    f"by eye at {eye:+.0f} {joint.unit}: its zero is not where the routine says"
                )
                found.append(self._check("homing", joint.name, said))
        return found
