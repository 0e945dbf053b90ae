"""Speed of a whole homing, in ratios of one run on one machine: `make speed`.

Sound: the reference homing of the Heron over the in-process port, against a bare loop of the
engine's step at 240 Hz with the same arm over as much rig time. Goal: at most 0.5.
Stalled: the base driven against its hard stop for some seconds, its following error not watched,
so that the engine steps all the while; rig seconds per wall second. Goal: at least 15.
Fallen: with a shoulder motor too weak for its arm, which slips down and lies on the table while its
motors push: contact costs the engine as much again. No goal.
Traced: the sound homing with its trace on, against without. Goal: at most 1.2.

Figures are printed, not asserted: wall time is no subject for a test.
"""

from __future__ import annotations

import statistics
import sys
import time
from typing import NamedTuple

import pybullet
import serial
from rich.console import Console
from rich.progress import track

from dryrig.commission.arm import Arm, load_arm
from dryrig.commission.client import Card
from dryrig.commission.hand import PortHand
from dryrig.commission.homing import home
from dryrig.commission.homing_failed import HomingFailed
from dryrig.commission.positions import Positions
from dryrig.scenes import load_scene, scene_path

ROUNDS = 5
SEED = 3
STEP_HZ = 240
SOUND_GOAL = 0.5
STALLED_GOAL = 15.0
TRACED_GOAL = 1.2
STALLED = "start=-165,60,-60,0,0,0"
STALLED_DEG = -90.0  # at 15 deg/s some 5 s of pressing
# Stretched, the shoulder asks for 32 % of its holding torque; a fifth of the current gives 20 %.
FALLEN = "start=0,10,-10,0,0,0&fault=weak@J2.MOTOR,current=0.2"


class Homing(NamedTuple):
    """How long a homing took, and why it failed if it did."""

    rig_s: float
    wall_s: float
    failure: HomingFailed | None


def homing(url: str, arm: Arm, *, traced: bool = False) -> Homing:
    """Home all joints over the in-process port."""
    card = Card.open(url)
    hand = PortHand.open(f"{url}&port=hands")
    failure = None
    try:
        if traced:
            with serial.serial_for_url(f"{url}&port=teacher", timeout=1) as teacher:
                teacher.write(b"TRAC:STAR\n")
        card.enable(True, [joint.channel for joint in arm.joints])
        hand.stand(False)
        began_s, began_wall_s = card.clock_s(), time.perf_counter()
        try:
            stages(card, arm)
        except HomingFailed as error:
            failure = error
        wall_s = time.perf_counter() - began_wall_s
        return Homing(card.clock_s() - began_s, wall_s, failure)
    finally:
        hand.close()
        card.close()


def stall(url: str, arm: Arm) -> tuple[float, float]:
    """Drive the base on against its hard stop: rig and wall seconds."""
    card, base = Card.open(url), arm.joints[0]
    try:
        card.enable(True, [joint.channel for joint in arm.joints])
        card.set_speed({1: base.speed(base.home.fast_deg_s)})
        began_s, began_wall_s = card.clock_s(), time.perf_counter()
        card.move({1: base.steps(STALLED_DEG)})
        card.until_still([1], 60.0)
        return card.clock_s() - began_s, time.perf_counter() - began_wall_s
    finally:
        card.close()


def stages(card: Card, arm: Arm) -> None:
    """Shoulder side first, then to rest, then the wrist: as the commissioning does."""
    positions = Positions(arm, card)
    rest = positions.pose(arm.rest_pose_deg)
    for stage in sorted({joint.stage for joint in arm.joints}):
        joints = [joint for joint in arm.joints if joint.stage == stage]
        positions.take(home(card, joints))
        positions.go({joint.name: rest[joint.name] for joint in joints})


def bare_loop(rig_s: float) -> float:
    """Wall seconds of stepping the same arm, motors holding, and nothing else."""
    client = pybullet.connect(pybullet.DIRECT)
    try:
        pybullet.setGravity(0, 0, -9.81, physicsClientId=client)
        pybullet.setTimeStep(1 / STEP_HZ, physicsClientId=client)
        arm = pybullet.loadURDF(
            str(load_scene("heron").urdf_path),
            useFixedBase=True,
            flags=pybullet.URDF_USE_INERTIA_FROM_FILE,
            physicsClientId=client,
        )
        for joint in range(pybullet.getNumJoints(arm, physicsClientId=client)):
            pybullet.setJointMotorControl2(
                arm, joint, pybullet.POSITION_CONTROL, 0.0, force=200.0, physicsClientId=client
            )
        began_s = time.perf_counter()
        for _ in range(round(rig_s * STEP_HZ)):
            pybullet.stepSimulation(client)
        return time.perf_counter() - began_s
    finally:
        pybullet.disconnect(client)


def main() -> None:
    """Measure, after one round each that warms up, and print."""
    arm = load_arm(scene_path("heron"))
    sound: list[tuple[float, float]] = []
    stalled: list[float] = []
    fallen: list[float] = []
    traced: list[float] = []
    for number in track(range(ROUNDS + 1), "homing", console=Console(stderr=True)):
        good = homing(f"dryrig://heron?seed={SEED}&rig=sound", arm)
        if good.failure is not None:
            sys.exit(f"the sound arm did not home: {good.failure}")
        followed = homing(f"dryrig://heron?seed={SEED}&rig=traced", arm, traced=True)
        bare_s = bare_loop(good.rig_s)
        pressed_s, pressed_wall_s = stall(f"dryrig://heron?seed={SEED}&rig=stalled&{STALLED}", arm)
        down = homing(f"dryrig://heron?seed={SEED}&rig=fallen&{FALLEN}", arm)
        if down.failure is None:
            sys.exit("the weak shoulder homed: this measures no fall")
        if number > 0:
            sound.append((good.wall_s, bare_s))
            stalled.append(pressed_s / pressed_wall_s)
            fallen.append(down.rig_s / down.wall_s)
            traced.append(followed.wall_s / good.wall_s)
    ratio = statistics.median(wall_s / bare_s for wall_s, bare_s in sound)
    wall_s, bare_s = (statistics.median(column) for column in zip(*sound, strict=True))
    print(f"sound homing   {good.rig_s:6.2f} s of rig time in {wall_s:.3f} s of wall time")
    print(f"bare loop      {good.rig_s:6.2f} s of rig time in {bare_s:.3f} s, {STEP_HZ} Hz")
    print(f"ratio          {ratio:6.2f}   goal: at most {SOUND_GOAL}")
    print(f"stalled move   {pressed_s:6.2f} s of rig time")
    print(
        f"               {statistics.median(stalled):6.1f} times real time "
        f"goal: at least {STALLED_GOAL:g}"
    )
    print(f"fallen homing  {down.rig_s:6.2f} s of rig time, ended by: {down.failure}")
    print(f"               {statistics.median(fallen):6.1f} times real time, no goal")
    print(f"traced homing  {statistics.median(traced):6.2f}   goal: at most {TRACED_GOAL}")


if __name__ == "__main__":
    main()
