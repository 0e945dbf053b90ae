"""The whole commissioning: checks, and only if they pass homing and trim.

Order (common practice): rails, link, encoders by hand, switches by hand, short jogs, homing,
trim. Findings and failures leave the arm stopped, on its stand, with the motor supply off; a
signal stops its motion and leaves the drives as they were, so that nothing falls.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from . import cautions
from .arm import Arm, Joint, load_arm
from .client import Card
from .diagnosis import Ranker, diagnosed
from .encoders import check_encoders
from .errors import CardError, CommissionError, GarbledReply
from .findings import Check, Kind, Symptom
from .hand import Hand
from .homing import Homed, HomingFailed, home
from .jogs import check_jogs
from .link import check_link
from .positions import Positions
from .rails import check_rails
from .result import JointResult, Outcome, Result
from .station import Progress, Station
from .suspects import rank
from .switches import check_switches
from .trim import Trimmed, trim_all

SETTLE_S = 0.2
# What we send is right, so a command error (SCPI -100 to -199) means that it did not arrive so.
COMMAND_ERRORS = range(-199, -99)
NO_COUNT = (Kind.COUNT_DEAD, Kind.COUNT_CLIMBS, Kind.COUNT_AMOUNT, Kind.COUNT_ELSEWHERE)


def _quiet(_text: str) -> None:
    """Progress nobody wants."""


def commission(
    port: str | Card,
    hand: Hand,
    arm_path: Path,
    progress: Progress = _quiet,
    ranker: Ranker | None = None,
) -> Result:
    """Check, home and trim an arm.

    `port` is the card's device path or pyserial URL, or a card already open (closed at the end);
    `hand` stays open. What goes wrong with the
    port, the card or the arm file makes a result "could not run", with the reason and whatever
    was found before; it is not raised. A line that garbles after a good start is a finding.
    `ranker` names the parts that explain the evidence (diagnosis.py); without one the rules of
    suspects.py stand alone.
    """
    try:
        arm = load_arm(arm_path)
        card = port if isinstance(port, Card) else Card.open(port)
    except CommissionError as error:
        return Result("could not run", str(arm_path), reason=str(error))
    job = _Job(Station(arm, card, hand, progress), Positions(arm, card))
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
    except BaseException:
        job.halt()
        raise
    finally:
        card.close()


@dataclass
class _Job:
    station: Station
    positions: Positions
    identity: str = ""
    rig_time_s: float | None = None
    checks: list[Check] = field(default_factory=list)
    first_homed: list[Homed] = field(default_factory=list)
    trimmed: dict[str, Trimmed] = field(default_factory=dict)
    angles_deg: dict[str, float] = field(default_factory=dict)

    def run(self) -> None:
        """All stages, until one forbids the next."""
        card, hand = self.station.card, self.station.hand
        self.identity = card.identify()
        began_s = card.clock_s()
        hand.caution(cautions.SUPPORT)
        hand.stand(True)
        card.reset()
        self._stages()
        if any(check.failed for check in self.checks):
            self.make_safe()
        self.rig_time_s = card.clock_s() - began_s

    def _stages(self) -> None:
        station = self.station
        self.checks += check_rails(station)
        if self.checks[0].failed:
            self._skip("a rail is out of range", "link", "encoders", "switches", "jogs")
            return
        self.checks.append(check_link(station))
        if self.checks[-1].failed:
            self._skip("the link garbles", "encoders", "switches", "jogs")
            return
        encoders = check_encoders(station)
        self.checks += encoders
        self.checks += check_switches(station)
        blind = {
            joint.channel
            for joint, check in zip(station.arm.joints, encoders, strict=True)
            if any(symptom.kind in NO_COUNT for symptom in check.symptoms)
        }
        self.checks += check_jogs(station, blind)
        if any(check.failed for check in self.checks):
            self._skip("a check before it failed")
            return
        if self._home():
            self._trim()

    def _home(self) -> bool:
        """Stage by stage, each then out of the way of the next."""
        station = self.station
        station.hand.caution(cautions.HOMING)
        station.card.enable(True, station.channels)
        station.card.pause(SETTLE_S)
        station.hand.stand(False)
        by_eye = {joint.name: station.hand.look_deg(joint) for joint in station.arm.joints}
        rest = self.positions.pose(station.arm.rest_pose_deg)
        for stage in sorted({joint.stage for joint in station.arm.joints}):
            joints = [joint for joint in station.arm.joints if joint.stage == stage]
            station.progress(f"homing: {', '.join(joint.name for joint in joints)}")
            try:
                self.positions.homed |= home(station.card, joints, by_eye)
                for joint in joints:
                    self._homing_passed(joint)
                self.positions.go({joint.name: rest[joint.name] for joint in joints})
            except HomingFailed as error:
                self.checks.append(_motion_failure("homing", error))
                self._skip_homing(error.joint.name)
                return False
        return True

    def _homing_passed(self, joint: Joint) -> None:
        homed = self.positions.homed[joint.name]
        self.first_homed.append(homed)
        apart = (homed.home_step - homed.fast_step) / joint.steps_per_deg
        self.checks.append(
            Check(
                "homing",
                joint.name,
                "pass",
                f"home at step {homed.home_step}, slow edge {apart:+.3f} {joint.unit} from the "
                "fast one, steps and counts agree",
            )
        )

    def _skip_homing(self, failed: str) -> None:
        done = {check.joint for check in self.checks if check.name == "homing"}
        for joint in self.station.arm.joints:
            if joint.name not in done:
                self.checks.append(_skipped("homing", joint.name, f"{failed} failed"))
        self.checks.append(_skipped("trim", None, f"homing of {failed} failed"))

    def _trim(self) -> None:
        trimmed: list[Trimmed] = []
        try:
            for check in trim_all(self.station, self.positions, trimmed):
                self.checks.append(check)
            self.trimmed = {one.joint.name: one for one in trimmed}
            if any(check.failed for check in self.checks):
                return
            self.positions.go(self.positions.pose(self.station.arm.rest_pose_deg))
        except HomingFailed as error:
            self.checks.append(_motion_failure("trim", error))
            return
        self.station.card.pause(SETTLE_S)
        self.angles_deg = self.positions.now_deg()

    def _skip(self, why: str, *names: str) -> None:
        self.checks += [_skipped(name, None, why) for name in (*names, "homing", "trim")]

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

    def halt(self) -> None:
        """Stop all motion, if the card still listens."""
        try:
            self.station.card.abort_unheard()
        except CommissionError:
            return

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
        found = any(check.failed for check in self.checks)
        verdict: Outcome = "could not run" if reason else "findings" if found else "pass"
        return Result(
            verdict,
            arm.title or arm.name,
            reason=reason,
            identity=self.identity,
            rig_time_s=self.rig_time_s,
            checks=self.checks,
            suspects=rank(self.checks),
            joints=[self._joint(arm, joint) for joint in arm.joints],
            gauge_accuracy_deg={
                "level": arm.gauges.level.accuracy_deg,
                "mark": arm.gauges.mark.accuracy_deg,
            },
            homed=self.first_homed,
        )

    def _joint(self, arm: Arm, joint: Joint) -> JointResult:
        trimmed = self.trimmed.get(joint.name)
        return JointResult(
            joint.name,
            joint.trim.gauge,
            joint.unit,
            arm.gauge_accuracy_deg(joint),
            angle_deg=self.angles_deg.get(joint.name),
            trim_deg=self.positions.trim_deg[joint.name] if trimmed else None,
            home_offset_deg=self.positions.home_offset_deg(joint) if trimmed else None,
            residue_deg=trimmed.residue_deg if trimmed else None,
            repeat_deg=trimmed.repeat_deg if trimmed else None,
        )


def _motion_failure(name: str, error: HomingFailed) -> Check:
    return Check(name, error.joint.name, "fail", str(error), (error.symptom,))


def _skipped(name: str, joint: str | None, why: str) -> Check:
    return Check(name, joint, "skipped", f"not done: {why}")
