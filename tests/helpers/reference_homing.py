"""The reference homing as a user's routine: an open port in, homed joints or a report out.

Step 0 is home afterwards, as the ready-made properties expect it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from pathlib import Path

import serial
from hypothesis import HealthCheck, Phase, settings

import dryrig.commission.homing as reference
from dryrig.commission.arm import load_arm
from dryrig.commission.client import Card
from dryrig.commission.errors import CommissionError
from dryrig.commission.hand import PortHand
from dryrig.commission.line import READ_TIMEOUT_S, Line
from dryrig.scenes import Axis, Sketch, scene_path
from dryrig.testing import Homing

SETTLE_S = 0.3


def homes(
    arm_file: str | Path, *, joints: Sequence[str] = (), looks: bool = False
) -> Callable[[serial.SerialBase], None]:
    """A routine that homes these joints (all, when none is named), stage by stage.

    With `looks` a person tells it roughly where they stand, over the hands' port. All drives are on
    and, as in commissioning, whoever does not move is watched.
    """
    arm = load_arm(scene_path(arm_file))
    wanted = [joint for joint in arm.joints if not joints or joint.name in joints]

    def home(port: serial.SerialBase) -> None:
        card = Card(Line(port, "card"))
        eyes = {}
        if looks:
            with closing(PortHand.open(str(port.port).replace("port=card", "port=hands"))) as hand:
                eyes = {joint.name: hand.look_deg(joint) for joint in wanted}
        card.enable(True, [joint.channel for joint in arm.joints])
        card.pause(SETTLE_S)
        for stage in sorted({joint.stage for joint in wanted}):
            now = [joint for joint in wanted if joint.stage == stage]
            for homed in reference.home(card, now, eyes, arm.others(now)).values():
                at = homed.joint.channel
                card.load_steps(at, card.steps([at])[at] - homed.home_step)

    return home


def heron(*joints: str, **options: object) -> Homing:
    """The reference on a Heron."""
    return Homing(
        homes("heron", joints=joints),
        joints=joints,
        reports=(CommissionError,),
        timeout_s=READ_TIMEOUT_S,
        **options,  # type: ignore[arg-type]
    )


SKETCH = Sketch((Axis(travel=30.0, method=-1), Axis(travel=30.0, method=17)))
"""A hard stop, met with little current, and a switch that is home where it lets go."""
INDEXED = Sketch((Axis(travel=30.0, method=1), Axis(travel=30.0, end="positive")))
"""An index beside the switch, and two searches of a switch."""

ALONE = Sketch((Axis(travel=30.0, method=34), Axis(travel=30.0, end="positive", method=18)))
"""An index without a switch, and a switch at the positive end that is home where it lets go."""


HEAVY = Sketch((Axis("pitch", travel=30.0, link_m=0.3, link_kg=2.0),))
"""Down to its switch, and up again with all its weight."""


def heavy(**options: object) -> Homing:
    """The reference where backing off is hard."""
    return Homing(
        homes(HEAVY.path),
        scene=str(HEAVY.path),
        reports=(CommissionError,),
        timeout_s=READ_TIMEOUT_S,
        **options,  # type: ignore[arg-type]
    )


def sketched(*joints: str, looks: bool = True, **options: object) -> Homing:
    """The reference by other methods than the Heron's; both joints are homed in any case.

    J1 has its zero at the stop of the drawing, J2 where its switch operates: home is where it lets
    go, which by the sketch is 0.4 deg away.
    """
    return Homing(
        homes(SKETCH.path, looks=looks),
        joints=joints,
        scene=str(SKETCH.path),
        reports=(CommissionError,),
        zero_deg={"J1": -38.0},
        timeout_s=READ_TIMEOUT_S,
        **options,  # type: ignore[arg-type]
    )


def indexed(*joints: str, **options: object) -> Homing:
    """The reference on an arm whose J1 has its home at an index; both joints are homed."""
    return Homing(
        homes(INDEXED.path),
        joints=joints,
        scene=str(INDEXED.path),
        reports=(CommissionError,),
        timeout_s=READ_TIMEOUT_S,
        **options,  # type: ignore[arg-type]
    )


def alone(*joints: str, **options: object) -> Homing:
    """The reference where J1 has nothing but its index; both joints are homed."""
    return Homing(
        homes(ALONE.path, looks=True),
        joints=joints,
        scene=str(ALONE.path),
        reports=(CommissionError,),
        timeout_s=READ_TIMEOUT_S,
        **options,  # type: ignore[arg-type]
    )


REASONS = {
    "swap@J1.SW.NC/J1.SW.NO": r"^J1: backed off .* still reads 1$",
    "swap@J2.SW.NC/J2.SW.NO": r"^J2: backed off .* still reads 1$",
    "sticky@J1.SW": r"^J1: backed off 5\.0 deg and the switch input still reads 1$",
    "sticky@J2.SW": r"^J2: backed off 5\.0 deg and the switch input still reads 1$",
    "frozen@CARD.J1.DIR": r"^J1: backed off 5\.0 deg .* -3\d counts .* about 28 microsteps",
    "frozen@CARD.J2.DIR,level=2": r"^J2: backed off 5\.0 deg .* \+11\d counts",
    "short@J1.ENC.Z/RAIL.0V": r"^J1: the search for the index ran 18\.9 deg, .* and met none$",
    "open@J2.ENC.A": r"^J2: .*counts",
    "play@J1.GEAR": r"^J1: the slow edge lies \+[01]\.\d\d deg from where the fast one puts it",
    "unplug@J1.MOTOR": r"^J1: the fast search was halted; .* counts of following error: [^;]*$",
    "open@J2.MOTOR.A+": r"^J2: the fast search was halted",
}
"""What the reference says of faults on the indexed sketch."""
STOP_REASONS = {
    "unplug@J1.MOTOR": r"^J1: it was stopped after [+-]0\.\d .* by the drawing",
    "open@J1.ENC.A": r"^J1: it was stopped after [+-]0\.0 deg",
    "slip@J1.COUPLING": r"^J1: ran .* and met no hard stop$",
    "unplug@J2.MOTOR": r"^J2: the fast search was halted",
    "swap@J2.MOTOR.A+/J2.MOTOR.B-": r"^J2: the fast search was halted( after -0.* gone|; \+5\d )",
    "cross@J1.INPUTS/J2.INPUTS": r"^J2: the fast search was halted; \+1[12]\d .* no multiple of 4",
    "sticky@J2.SW": r"^J2: backed off 5\.0 deg and the switch input still reads 1$",
    "short@J2.SW.NC/J2.SW.NO": r"^J2: the fast search ran .* met no edge; the input reads 0$",
    "play@J2.GEAR": r"^J2: the slow edge lies \+[01]\.\d\d deg",
    "overflow@J2.COUNTER,bits=10": (
        r"^J2: -\d{4,5} steps should give -\d{4,5} counts, the encoder made [+-]\d{1,3}: "
    ),
    "weak@J2.MOTOR": r"^J2: (the slow edge lies -0\.\d|-.* steps should give -.* counts)",
}
"""What it says where home is a hard stop, or where a switch lets go."""
BLIND_REASONS = {"slip@J1.COUPLING": r"^J1: ran 84\.0 deg and met no hard stop$"}
"""The same where nobody looks: all of the 76 deg between the stops, and 8 more."""
ALONE_REASONS = {
    "short@J1.ENC.Z/RAIL.0V": (
        r"^J1: the search for the index ran (18\.9 deg, more than a turn of the encoder, .* none$"
        r"|\d+\.0 deg to the end of travel and met none; a turn of the encoder is 18\.0 deg: )"
    ),
    "unplug@J1.MOTOR": r"^J1: the index search was halted; .*; or the travel ends here$",
}
"""What it says where there is an index only: a turn of it is 18 deg."""
SLOW_REASONS = {
    "stall@LINE,per=0.5": r"^homing has taken 1[0-3]\d s so far, and should have taken 1[01]\d s"
}
"""What it says of the wrist over a line on which each reply takes 4 s."""

WENT = r"moved, it went [+-](\d\d+\.\d|[1-9]\.\d|0\.[1-9])\d deg by count: it does not hold"
SHOOK = "stopped by a following error of it that has gone since$"
WRIST_REASONS = {
    "idle@J3.DRIVE,current=0": (
        r"^J3: told to stand while J4, J5 moved, it went [+-]0\.2\d deg by count: it does "
        r"not hold, or was pushed$"
    ),
}
"""What it says of the wrist when a joint under it does not stand: a well of J3 is 0.24 deg."""
WATCH_REASONS = {
    "idle@J3.DRIVE,current=0.1": (
        r"^J3: (\+\d+ steps should give \+\d+ counts, the encoder made \+"
        r"|told to stand while J4, J5, J6 moved, it went [+-]0\.2\d deg by count: it does not hold)"
    ),
    "resonance@J2.DRIVE": (
        rf"^J[3-6]: (told to stand while J1, J2, J3 {WENT}|the motion of J1, J2, J3 was {SHOOK})"
        r"|^J[23]: the fast search was halted; [+-]\d+ counts"
    ),
    "resonance@J1.DRIVE,deg=45": (
        r"^J1: the fast search was halted"
        r"|^J5: told to stand while J1, J2, J3 moved, it went [+-]0\.[34]"
    ),
    "stuck@J1.SW,on=1": r"^J1: the fast search was halted; \+[4-6]\d\d counts",
    "overload@TOOL,kg=8": (
        r"^J[13]: the fast search was halted|^J[23]: [+-]\d+ steps should give [+-]\d+ counts, "
    ),
}
"""What it says when one of six joints stops all: the first out of step, or whoever is so now."""
SHOULDER_REASONS = {
    "stuck@J2.SW,on=1": (
        r"^J2: the fast search was halted; \+[4-6]\d\d counts|^J3: \+\d+ steps should give"
    ),
}
"""What it says of a shoulder that runs into its stop: once the elbow is shaken before it."""
ELBOW_REASONS = {
    "resonance@J3.DRIVE,deg=22": (
        rf"^J3: (the (fast|leave) run|backing off) was {SHOOK}"
        r"|^J3: \+\d+ steps should give \+\d+ counts, the encoder made \+\d+: \d+ x 4 full steps"
        r"|^J3: backing off was halted; [+-]\d+ counts .*: \d+ x 4 .*; the switch input reads [01]$"
        r"|^J3: backed off 4\.[01] deg and the switch input still reads 1; [+-]\d+ counts"
        r"|^J3: the fast search was halted; [+-]\d+ counts"
        r"|^J5: told to stand while J3 moved, it went [+-]0\.4\d deg by count: it does not hold"
    ),
}
"""What it says of the elbow alone, whose steps are lost or which shakes, itself or the wrist."""
HEAVY_REASONS = {
    "resonance@J1.DRIVE,deg=26": r"^J1: the .* was halted after -[01]\.\d deg by .* since$",
    "resonance@J1.DRIVE,deg=20": (
        r"^J1: backing off was halted; -\d+ counts .*: \d+ x 4 .*; the switch input reads [01]$"
        r"|^J1: backed off 5\.0 deg and the switch input still reads 1; -"
        r"|^J1: -\d+ steps should give -\d+ counts, the encoder made -"
        r"|^J1: the fast search was halted; -"
    ),
    "bind@J1.GEAR,deg=-31.5,n_m=16,width=0.8": (
        r"^J1: backing off was halted; -\d{2,3} counts .*; the switch input reads [01]$"
        r"|^J1: backed off \d\.\d deg and the switch input still reads 1; -"
        r"|^J1: the (fast|slow) search was halted; \+"
    ),
}
"""What it says of steps that are lost backing off."""


def of(examples: int) -> settings:
    """So many examples, the same ones each time, and nothing made smaller."""
    return settings(
        max_examples=examples,
        database=None,
        deadline=None,
        phases=(Phase.generate,),
        suppress_health_check=list(HealthCheck),
    )


def says_why(few: int = 1) -> Iterator[tuple[str, Callable[[], None]]]:
    """For each fault above, the property that the report says why; `few` scales the examples."""
    blind = sketched(looks=False, settings=of(2 * few), limit_s=200.0)
    tables = (
        ("", indexed(settings=of(2 * few), limit_s=200.0), REASONS),
        ("", sketched(settings=of(2 * few), limit_s=200.0), STOP_REASONS),
        (", alone", alone(settings=of(6 * few), limit_s=200.0), ALONE_REASONS),
        (", that nobody sees", blind, BLIND_REASONS),
        (", wrist", heron("J4", "J5", settings=of(2 * few), limit_s=200.0), SLOW_REASONS),
        (", watched wrist", heron("J4", "J5", settings=of(2 * few), limit_s=200.0), WRIST_REASONS),
        (", watched arm", heron(settings=of(4 * few), limit_s=200.0), WATCH_REASONS),
        (", watched shoulder", heron(settings=of(8 * few), limit_s=200.0), SHOULDER_REASONS),
        (", watched elbow", heron("J3", settings=of(6 * few), limit_s=200.0), ELBOW_REASONS),
        (", watched axis", heavy(settings=of(6 * few), limit_s=200.0), HEAVY_REASONS),
    )
    for where, homing, reasons in tables:
        for fault, words in reasons.items():
            yield fault + where, homing.reports_when_impossible(saying={fault: words})
