"""The whole commissioning: the plan's checks in their order, and what came of them.

Findings and failures leave the arm stopped, on its stand, with the motor supply off; a signal
stops its motion and leaves the drives as they were, so that nothing falls.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from . import cautions, thorough
from .arm import Arm, Joint, load_arm
from .calibration import calibration_text
from .client import Card
from .cold import check_cold
from .diagnosis import Ranker, diagnosed
from .encoders import check_encoders
from .errors import CardError, CommissionError, GarbledReply, HandError
from .findings import Check, Kind, Symptom
from .hand import Hand
from .homing import Homed, home, homed_words
from .homing_failed import HomingFailed
from .homing_methods import method_of
from .jogs import check_jogs
from .link import check_link
from .own import Own
from .plan import NAMES, PLAN, Options, Step, blocked
from .positions import Positions
from .rails import check_rails
from .repeat import check_repeat
from .result import JointResult, Outcome, Result
from .state import State, read_state
from .station import Progress, Station
from .stop_circuit import check_stop
from .suspects import rank
from .switches import check_switches
from .trim import Trimmed, trim_all
from .witness import Witness, motion_failure, sunk

SETTLE_S = 0.2
# For a joint that does not hold to sink so far that an eye sees it, also where a drive cuts its
# current at standstill: half a second to a second after the last step (common practice).
HOLD_S = 1.5
# What we send is right, so a command error (SCPI -100 to -199) means that it did not arrive so.
COMMAND_ERRORS = range(-199, -99)
NO_COUNT = (Kind.COUNT_DEAD, Kind.COUNT_CLIMBS, Kind.COUNT_AMOUNT, Kind.COUNT_ELSEWHERE)
EVERYTHING = Options()


def _quiet(_text: str) -> None:
    """Progress nobody wants."""


def commission(
    port: str | Card,
    hand: Hand,
    arm_path: Path,
    progress: Progress = _quiet,
    *,
    options: Options = EVERYTHING,
    ranker: Ranker | None = None,
) -> Result:
    """Check, home and trim an arm.

    `port` is the card's device path or pyserial URL, or a card already open (closed at the end);
    `hand` stays open. What goes wrong with the port, the card or the arm file makes a result
    "could not run", with the reason and whatever was found before; it is not raised. A line that
    garbles after a good start is a finding. `ranker` names the parts that explain the evidence
    (diagnosis.py); without one the rules of suspects.py stand alone.
    """
    try:
        arm = load_arm(arm_path)
        state = State(arm.name) if options.resume is None else read_state(options.resume, arm.name)
        offsets = options.calibration.offsets(arm, options.homed_by) if options.calibration else {}
        card = port if isinstance(port, Card) else Card.open(port)
    except CommissionError as error:
        return Result("could not run", str(arm_path), reason=str(error))
    positions = Positions(arm, card)
    positions.calibrate(offsets)
    job = _Job(Station(arm, card, hand, progress), positions, options, state)
    reason = ""
    try:
        try:
            job.run()
        except CommissionError as error:
            if not job.line_garbles(error):
                reason = str(error)
            job.make_safe()
        result = job.result(reason)
        if ranker is not None:
            job.diagnose(ranker, result)
        return result
    except BaseException as error:
        job.halt(error)
        raise
    finally:
        card.close()


@dataclass
class _Job:
    station: Station
    positions: Positions
    options: Options
    state: State
    identity: str = ""
    kept: str = ""
    rig_time_s: float | None = None
    checks: list[Check] = field(default_factory=list)
    first_homed: list[Homed] = field(default_factory=list)
    homings: dict[str, list[float]] = field(default_factory=dict)
    trimmed: dict[str, Trimmed] = field(default_factory=dict)
    angles_deg: dict[str, float] = field(default_factory=dict)
    by_choice: list[str] = field(default_factory=list)
    witness: Witness | None = None

    def run(self) -> None:
        """All steps of the plan, each if nothing found before forbids it."""
        card, hand = self.station.card, self.station.hand
        self.identity = card.identify()
        began_s = card.clock_s()
        hand.caution(cautions.SUPPORT)
        try:
            hand.stand(True)
        except CardError as error:  # at the first word of all, that is no bad line
            raise HandError(f"{error}. Are the card's and the hands' port mixed up?") from error
        card.reset()
        if any(check.failed for check in self.state.checks):
            hand.caution(cautions.AFTER_REPAIR)
        kept, self.checks = self.state.kept(
            step.name for step in PLAN if self.options.why_not(step) is None
        )
        self.state.done, self.state.checks = list(kept), list(self.checks)
        if kept:
            self.kept = f"kept from {self.state.date}: {', '.join(kept)}"
            self.station.progress(f"resume: {self.kept}")
        if "all" in self.options.replace:
            self._own("all")
        for step in PLAN:
            if step.name not in kept:
                self._step(step)
        if any(check.failed for check in self.checks):
            self.make_safe()
        elif self.positions.homed:
            card.pause(SETTLE_S)
            self.angles_deg = self.positions.now_deg()
        self.rig_time_s = card.clock_s() - began_s

    def _step(self, step: Step) -> None:
        """One step: left out by choice, forbidden by a finding, or done and noted."""
        why = self.options.why_not(step)
        if why is not None:
            if why and not self.options.only:
                self.checks.append(_skipped(step.name, None, why))
            if why:
                self.by_choice.append(step.name)
            return
        why = blocked(step, self.checks) or self._not_homed(step)
        if why:
            self.checks.append(_skipped(step.name, None, why))
            return
        if step.name in self.options.replace:
            self._own(step.name)
        else:
            self._do(step.name)
        if self.options.resume is not None:
            self.state.done.append(step.name)
            self.state.checks = list(self.checks)
            self.state.save(self.options.resume)

    def _not_homed(self, step: Step) -> str:
        missing = len(self.positions.homed) < len(self.station.arm.joints)
        return "the joints are not homed" if step.needs_homed and missing else ""

    def _do(self, name: str) -> None:
        station, positions = self.station, self.positions
        acts: dict[str, Callable[[], Iterable[Check]]] = {
            "cold": lambda: check_cold(station),
            "rails": lambda: check_rails(station),
            "link": lambda: [check_link(station)],
            "encoders": lambda: check_encoders(station),
            "switches": lambda: check_switches(station),
            "sweep": lambda: thorough.check_sweep(station),
            "wiggle": lambda: thorough.check_wiggle(station),
            "stop": lambda: check_stop(station),
            "jogs": lambda: check_jogs(station, self._blind()),
            "trim": self._trim,
            "repeat": self._repeat,
            "index": lambda: thorough.check_index(station, positions),
            "load": lambda: thorough.check_load(station, positions),
        }
        if name == "homing":
            self._home()
            return
        try:
            for check in acts[name]():
                self.checks.append(check)
        except HomingFailed as error:
            self.checks.append(self._motion_failure(name, error))

    def _blind(self) -> set[int]:
        """Channels whose count the check by hand has found wanting."""
        names = {
            symptom.joint
            for check in self.checks
            if check.name == "encoders"
            for symptom in check.symptoms
            if symptom.kind in NO_COUNT
        }
        return {joint.channel for joint in self.station.arm.joints if joint.name in names}

    def _stand_clear(self) -> bool:
        """Drives on, the stand away; whether everything holds."""
        station = self.station
        station.hand.caution(cautions.HOMING)
        if any(method_of(joint).needs == "hard stop" for joint in station.arm.joints):
            station.hand.caution(cautions.LIMITED)
        station.hand.motor_supply(True)
        station.card.enable(True, station.channels)
        station.card.pause(SETTLE_S)
        self.witness = Witness(station)
        station.hand.stand(False)
        station.card.pause(HOLD_S)
        fallen = sunk(self.witness.went())
        self.checks += fallen
        return not fallen

    def _home(self) -> None:
        """Stage by stage, each then out of the way of the next."""
        station = self.station
        if not self._stand_clear() or self.witness is None:
            self._skip_homing("the arm does not hold")
            return
        by_eye = self.witness.by_eye_deg
        rest = self.positions.pose(station.arm.rest_pose_deg)
        for stage in sorted({joint.stage for joint in station.arm.joints}):
            joints = [joint for joint in station.arm.joints if joint.stage == stage]
            standing = station.arm.others(joints)
            station.progress(f"homing: {', '.join(joint.name for joint in joints)}")
            try:
                self.positions.take(home(station.card, joints, by_eye, standing))
                for joint in joints:
                    self._homing_passed(self.positions.homed[joint.name])
                self.positions.go({joint.name: rest[joint.name] for joint in joints})
            except HomingFailed as error:
                self.checks.append(self._motion_failure("homing", error))
                self._skip_homing(f"{error.joint.name} failed")
                return

    def _motion_failure(self, name: str, error: HomingFailed) -> Check:
        return motion_failure(self.station, self.witness, name, error)

    def _homing_passed(self, homed: Homed) -> None:
        self.first_homed.append(homed)
        self.homings[homed.joint.name] = [0.0]
        self.checks.append(Check("homing", homed.joint.name, "pass", homed_words(homed)))

    def _skip_homing(self, why: str) -> None:
        done = {check.joint for check in self.checks if check.name == "homing"}
        for joint in self.station.arm.joints:
            if joint.name not in done:
                self.checks.append(_skipped("homing", joint.name, why))

    def _trim(self) -> Iterable[Check]:
        trimmed: list[Trimmed] = []
        try:
            yield from trim_all(self.station, self.positions, trimmed)
        finally:
            self.trimmed = {one.joint.name: one for one in trimmed}
            for one in trimmed:
                so_far = self.homings[one.joint.name]
                for apart in one.repeats_deg:
                    so_far.append(so_far[-1] + apart)
        if not any(check.failed for check in self.checks):
            self.positions.go(self.positions.pose(self.station.arm.rest_pose_deg))

    def _own(self, name: str) -> None:
        """A routine of the user's own in the place of a check, of homing, or of all."""
        if name in ("homing", "all") and not self._stand_clear():
            return
        self.checks += self._routine(name).run(name)
        if self.positions.homed:
            self.homings = {joint.name: [0.0] for joint in self.station.arm.joints}

    def _routine(self, name: str) -> Own:
        forget = self.witness.forget_steps if self.witness is not None else lambda: None
        return Own(self.station, self.positions, self.options.replace[name], forget)

    def _repeat(self) -> Iterable[Check]:
        own = self._routine("homing") if "homing" in self.options.replace else None
        times = self.options.homings
        return check_repeat(self.station, self.positions, self.homings, times, own)

    def line_garbles(self, error: CommissionError) -> bool:
        """Whether `error` is a bad line's, once the card has answered well; then a finding too."""
        misread = isinstance(error, CardError) and error.number in COMMAND_ERRORS
        if not self.identity or not (misread or isinstance(error, GarbledReply)):
            return False
        symptom = Symptom(Kind.LINK, None)
        self.checks.append(Check("link", None, "fail", f"later on, {error}", (symptom,)))
        return True

    def diagnose(self, ranker: Ranker, result: Result) -> None:
        """Put the diagnosis into the result; a port that fails meanwhile ends the measuring."""
        try:
            result.diagnosis = diagnosed(ranker, result, self.station)
        except CommissionError as error:
            result.reason = result.reason or f"the diagnosis was cut short: {error}"
            self.make_safe()

    def halt(self, why: BaseException) -> None:
        """Stop all motion; if the card does not listen any more, `why` gets a note that says so."""
        try:
            self.station.card.abort_midway()
        except CommissionError:
            why.add_note("the card did not answer to a stop: push the STOP button")

    def make_safe(self) -> None:
        """Stop, stand under the links, supply and drives off, as far as the ports still answer."""
        if not self.identity:
            return
        station = self.station
        for act in (
            station.card.abort,
            lambda: station.hand.stand(True),
            lambda: station.hand.motor_supply(False),
            lambda: station.card.enable(False, station.channels),
        ):
            try:
                act()
            except CommissionError:
                continue

    def result(self, reason: str) -> Result:
        """The job's outcome as it stands."""
        arm = self.station.arm
        self.checks.sort(key=lambda check: NAMES.index(check.name) if check.name in NAMES else -1)
        found = any(check.failed for check in self.checks)
        verdict: Outcome = "passed in part" if self.by_choice else "pass"
        if self.by_choice and not reason and not found:
            reason = f"not done: {', '.join(self.by_choice)}"
        elif reason or found:
            verdict = "could not run" if reason else "findings"
        return Result(
            verdict,
            arm.title or arm.name,
            reason=reason,
            identity=self.identity,
            kept=self.kept,
            rig_time_s=self.rig_time_s,
            checks=self.checks,
            suspects=rank(self.checks),
            joints=[self._joint(arm, joint) for joint in arm.joints],
            gauge_accuracy_deg={
                "level": arm.gauges.level.accuracy_deg,
                "mark": arm.gauges.mark.accuracy_deg,
            },
            homed=self.first_homed,
            calibration="" if reason or found else self._calibration(arm),
        )

    def _joint(self, arm: Arm, joint: Joint) -> JointResult:
        trimmed = self.trimmed.get(joint.name)
        homed = joint.name in self.positions.homed
        return JointResult(
            joint.name,
            joint.trim.gauge,
            joint.unit,
            arm.gauge_accuracy_deg(joint),
            angle_deg=self.angles_deg.get(joint.name),
            trim_deg=self.positions.trim_deg[joint.name] if trimmed else None,
            home_offset_deg=self.positions.home_offset_deg(joint) if trimmed else None,
            residue_deg=trimmed.residue_deg if trimmed else None,
            repeat_deg=self._repeat_deg(joint) if trimmed else None,
            method=None if self.options.homed_by or not homed else method_of(joint).number,
            soft_limits_steps=self.positions.soft_limits_steps(joint) if trimmed else None,
        )

    def _repeat_deg(self, joint: Joint) -> float | None:
        """The last homing while it was trimmed, or by a routine of the user's own at all."""
        if not self.options.homed_by:
            return self.trimmed[joint.name].repeat_deg
        homings = self.homings[joint.name]
        return homings[-1] - homings[-2] if len(homings) > 1 else None

    def _calibration(self, arm: Arm) -> str:
        """The calibration file's text, once every joint has been trimmed."""
        if len(self.trimmed) < len(arm.joints):
            return ""
        offsets = {joint.name: self.positions.home_offset_deg(joint) for joint in arm.joints}
        date = datetime.now().astimezone().isoformat(timespec="seconds")
        return calibration_text(arm, date, offsets, self.options.homed_by)


def _skipped(name: str, joint: str | None, why: str) -> Check:
    return Check(name, joint, "skipped", why if why.startswith("skipped") else f"not done: {why}")
