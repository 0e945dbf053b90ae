"""What somebody does to a joint to see a fault, with the trace and the gauges of it.

The same act is done to the sound arm and to the faulty one; it knows nothing of faults but where
to look.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..commission.arm import Arm, Joint
from ..commission.errors import CommissionError
from ..faults import parse_fault
from ..sim.clock import TICKS_PER_S
from ..sim.wave import Wave
from .act import Act, Signal
from .arm_acts import (
    QUERIES,
    WARM_MIN,
    fall,
    grip,
    press_and_look,
    prove,
    push,
    reopen,
    stop,
    supplies_off_and_on,
    talk,
    warm,
)
from .examples import joints_of, part_of
from .workplace import Workplace

JOG_DEG, LONG_DEG = 6.0, 25.0
NEAR_DEG, PAST_DEG = 8.0, 4.0
"""The hand leads a joint from so far before its switch to so far beyond."""
PULSES = 48
"""Counts by which an encoder is turned to see its channels one by one."""


def perform(arm: Arm, seed: int, fault: str, sound: bool) -> Act:
    """Do what shows `fault` best, on an arm with it, or (`sound`) on the same arm without it."""
    names, part = joints_of(fault), part_of(fault)
    joints = [joint for joint in arm.joints if joint.name in names] or [arm.joints[4]]
    start = list(arm.rest_pose_deg)
    if part == "SW":
        start[joints[0].channel - 1] = _near_switch(joints[0])
    if part in ("MOTION", "BRAKE"):
        start = list(joints[0].trim.pose_deg)
    with Workplace(arm, seed, "" if sound else fault, start) as place:
        act = Act(_WORDS[part].format(joint=joints[0].name))
        _prepare(place, part)
        place.rig.trace.start()
        began = place.rig.now
        try:
            _DOES[part](place, joints, act)
        except CommissionError as error:
            act.broke_off = str(error)
        act.end_s = (place.rig.now - began) / TICKS_PER_S
        found = place.rig.trace.signals()
        wanted = set(_names(joints, part, fault))
        act.signals = [_from(found.wave(name), began) for name in found.names if name in wanted]
    return act


def _near_switch(joint: Joint) -> float:
    return joint.home.switch_deg - joint.home_sign * NEAR_DEG


def _prepare(place: Workplace, part: str) -> None:
    if part in ("ENC", "SW", "RAIL"):
        place.hand.motor_supply(False)
    if part in ("MOTION", "BRAKE"):
        place.card.enable(True, [joint.channel for joint in place.arm.joints])
        place.card.pause(0.2)
        place.hand.stand(False)


def _jogs(place: Workplace, joints: Sequence[Joint], act: Act) -> None:
    joint = joints[0]
    place.card.enable(True, [joint.channel])
    place.card.pause(0.2)
    deg = JOG_DEG * place.inward(joint)
    _note(place, joint, act, "before")
    place.jog(joint, deg, 0.5 * joint.home.fast_deg_s)
    place.card.pause(0.2)
    _note(place, joint, act, f"after {deg:+.0f} deg")
    place.jog(joint, -deg, 0.5 * joint.home.fast_deg_s)
    place.card.pause(0.2)
    _note(place, joint, act, f"after {-deg:+.0f} deg")


def _there_and_back(place: Workplace, joints: Sequence[Joint], act: Act) -> None:
    joint = joints[0]
    deg = LONG_DEG * place.inward(joint)
    _note(place, joint, act, "before")
    place.jog(joint, deg, joint.home.fast_deg_s)
    place.card.pause(1.0)
    _note(place, joint, act, f"after {deg:+.0f} deg")
    place.jog(joint, -deg, joint.home.fast_deg_s)
    place.card.pause(1.0)
    _note(place, joint, act, f"after {-deg:+.0f} deg")


def _let_go(place: Workplace, joints: Sequence[Joint], act: Act) -> None:
    """A jog and back with the drive on, then the motor supply off, with no stand below."""
    joint = joints[0]
    for deg in (JOG_DEG, -JOG_DEG):
        place.jog(joint, deg, 0.5 * joint.home.fast_deg_s)
        place.card.pause(0.5)
        _note(place, joint, act, f"after {deg:+.0f} deg")
    place.hand.motor_supply(False)
    place.card.pause(2.0)
    _note(place, joint, act, "2 s after the motor supply went off")


def _note(place: Workplace, joint: Joint, act: Act, when: str) -> None:
    """What steps, count, eye and the joint's own gauge say now."""
    channel = joint.channel
    steps, count = place.card.steps([channel])[channel], place.card.counts([channel])[channel]
    act.gauges += [
        (f"steps sent, {when}", f"{steps:+d}"),
        (f"count, {when}", f"{count:+d}"),
        (f"by eye, {when}", f"{place.hand.look_deg(joint):+.0f} deg"),
    ]
    if joint.trim.gauge == "level":
        act.gauges.append((f"level, {when}", f"{place.hand.level_deg(joint):+.2f} deg"))
        return
    mark = place.hand.mark_deg(joint)
    shown = "out of its window" if mark is None else f"{mark:+.1f} deg"
    act.gauges.append((f"witness mark, {when}", shown))


def _turn_slowly(place: Workplace, joints: Sequence[Joint], act: Act) -> None:
    joint, began = joints[0], place.rig.now
    deg = PULSES / abs(joint.counts_per_deg)
    for sign, way in ((1, "forward"), (-1, "back")):
        before = _counts(place)
        felt = place.turn(joint, sign * deg, deg / 0.1)
        act.gauges.append((f"turned {way} by {deg:.2f} deg: felt", felt.lower()))
        act.gauges += _moved(place, joints, before, f"turned {way} by {deg:.2f} deg")
    act.first_s = (place.rig.now - began) / TICKS_PER_S
    turn_deg = 360.0 / joint.ratio
    for sign in (1, -1):
        before = _counts(place)
        place.turn(joint, sign * turn_deg, turn_deg)
        act.gauges += _moved(place, joints, before, f"one motor turn, {sign * turn_deg:+.1f} deg")


def _counts(place: Workplace) -> dict[int, int]:
    return place.card.counts([joint.channel for joint in place.arm.joints])


def _moved(
    place: Workplace, joints: Sequence[Joint], before: dict[int, int], when: str
) -> list[tuple[str, str]]:
    """Counts by which these joints have moved, and any other that has."""
    after = _counts(place)
    return [
        (f"count of {joint.name}, {when}", f"{after[joint.channel] - before[joint.channel]:+d}")
        for joint in place.arm.joints
        if joint in joints or after[joint.channel] != before[joint.channel]
    ]


def _over_the_switch(place: Workplace, joints: Sequence[Joint], act: Act) -> None:
    joint = joints[0]
    deg = joint.home_sign * (NEAR_DEG + PAST_DEG)
    for way in (1, -1):
        felt = place.turn(joint, way * deg, 10.0)
        place.card.pause(0.1)
        levels = place.card.levels([other.channel for other in joints])
        where = "beyond the switch" if way == 1 else "back before it"
        act.gauges += [
            (f"felt, {where}", felt.lower()),
            (f"by eye, {where}", f"{place.hand.look_deg(joint):+.0f} deg"),
            *((f"input of {j.name}, {where}", str(levels[j.channel])) for j in joints),
        ]


def _power_cycle(place: Workplace, joints: Sequence[Joint], act: Act) -> None:
    joint = joints[0]
    place.card.line.ask(f"STEP:COUN 1000,(@{joint.channel})")
    supplies_off_and_on(place, joint, act)
    _jogs(place, joints, act)


_WORDS = {
    "INPUTS": "{joint} alone is enabled, jogged, and jogged back.",
    "MOTION": "All drives are on, the stand is away: {joint} moves there and back at its fast "
    "search speed, and waits a second each time.",
    "ENC": "Motor supply off: a hand turns {joint} a little, and back; then one whole motor turn, "
    "and back.",
    "SW": "Motor supply off: a hand leads {joint} over its limit switch, and back.",
    "RAIL": "Motor supply off: the switch of {joint} is pressed and let go.",
    "POWER": "The switch of all supplies goes off and on again; then {joint} alone is enabled, "
    "jogged, and jogged back.",
    "REOPEN": "{joint} is enabled; the card's port is closed and opened again.",
    "BASE": "A level lies on {joint}'s link while somebody leans on the base, there and back.",
    "FALL": "All drives are off; the stand is taken away, and the arm comes down on the table.",
    "STOP": "{joint} is enabled; STOP is pushed in and pulled out, then the motor supply is "
    "switched on.",
    "BRAKE": "All drives are on, the stand is away: {joint} is jogged up and back; then the motor "
    "supply goes off.",
    "HEAT": f"All drives are on and stand still for {WARM_MIN} minutes, the stand in place.",
    "METER": "The meter is put on rails and at {joint}'s encoder, {joint} enabled, and only then "
    "proved on a known source; then ohms, all supplies off.",
    "GRIPPER": "The gripper is asked to open, and to close on nothing.",
    "LINE": f"The card is asked STEP:COUN? (@1:6) {QUERIES} times.",
}
_WORDS |= {"DRIVE": _WORDS["INPUTS"], "MOTOR": _WORDS["INPUTS"]}
_DOES = {
    "INPUTS": _jogs,
    "DRIVE": _jogs,
    "MOTOR": _jogs,
    "MOTION": _there_and_back,
    "ENC": _turn_slowly,
    "SW": _over_the_switch,
    "RAIL": press_and_look,
    "POWER": _power_cycle,
    "REOPEN": reopen,
    "BASE": push,
    "FALL": fall,
    "STOP": stop,
    "BRAKE": _let_go,
    "HEAT": warm,
    "METER": prove,
    "GRIPPER": grip,
    "LINE": talk,
}
_SHOWN = {
    "INPUTS": ("{}.STEP", "{}.DIR", "{}.DIR_V", "{}.DRIVE", "{}.ENC.A", "{}.ANGLE_DEG"),
    "DRIVE": ("{}.STEP", "{}.DRIVE.24V_V", "{}.DRIVE", "{}.ANGLE_DEG"),
    "MOTOR": ("{}.STEP", "{}.DIR", "{}.DRIVE", "{}.SHAFT_DEG", "{}.ANGLE_DEG"),
    "MOTION": ("{}.STEP", "{}.SHAFT_DEG", "{}.ANGLE_DEG", "{}.TORQUE_N_M"),
    "ENC": ("{}.ENC.A", "{}.ENC.B", "{}.ENC.Z", "{}.ENC.5V_V", "{}.ENC.0V_V", "{}.ANGLE_DEG"),
    "SW": ("{}.SW", "CARD.{}.SW.COM_V", "{}.SW.COM_V", "{}.SW.NC_V", "{}.SW.NO_V", "{}.ANGLE_DEG"),
    "RAIL": ("{}.SW", "{}.ENC.5V_V"),
    "POWER": ("{}.STEP", "{}.DRIVE", "{}.ANGLE_DEG", "{}.SHAFT_DEG"),
    "REOPEN": ("{}.DRIVE",),
    "BASE": ("{}.ANGLE_DEG",),
    "FALL": ("{}.ANGLE_DEG", "{}.SHAFT_DEG"),
    "STOP": ("{}.DRIVE", "RAIL.24V_V", "CARD.STOP.12_V", "CARD.STOP.21_V"),
    "BRAKE": ("{}.STEP", "{}.DRIVE", "{}.ANGLE_DEG", "{}.SHAFT_DEG"),
    "HEAT": ("{}.DRIVE", "{}.DRIVE.24V_V"),
    "METER": ("RAIL.24V_V", "RAIL.5V_V", "{}.DRIVE", "{}.ENC.5V_V"),
    "GRIPPER": ("GRIPPER.GAP_MM", "IO.DI1", "IO.DI2", "IO.5V_V"),
    "LINE": (),
}


def _names(joints: Sequence[Joint], part: str, fault: str) -> list[str]:
    """What to show of an act: at each joint, at the fault's own places, the rails."""
    names = [name.format(joint.name) for joint in joints for name in _SHOWN[part]]
    names += [f"{spot}_V" for spot in parse_fault(fault).places if spot != "RAIL.0V"]
    if "POWER" in part:
        names.append("RAIL.5V_V")
    if part in ("RAIL", "SW"):
        names.append("RAIL.3V3_V")
    if part == "RAIL":
        names += ["RAIL.5V_V", "RAIL.24V_V"]
    return names


def _from(wave: Wave, began: int) -> Signal:
    time = (np.asarray(wave.ticks) - began) / TICKS_PER_S
    return Signal(wave.name, wave.unit, time, np.asarray(wave.values, dtype=np.float64))
