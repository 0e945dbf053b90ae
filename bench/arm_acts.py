"""Acts on the whole arm: rails, base, supplies, STOP, meter, gripper, the card's port."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing

from ..commission.arm import Joint
from ..commission.errors import CommissionError, NoAnswer
from ..sim.clock import TICKS_PER_S
from .act import Act
from .workplace import OVERLOAD_OHM, Workplace

QUERIES = 200
WARM_MIN = 30
"""Minutes for which drives are on."""


def press_and_look(place: Workplace, joints: Sequence[Joint], act: Act) -> None:
    """The motor supply off, a finger on the switch and off again: what the rails do meanwhile."""
    joint = joints[0]
    place.card.pause(0.1)
    place.hand.press(joint)
    place.card.pause(0.1)
    place.hand.release(joint)
    place.card.pause(0.1)
    level = place.card.levels([joint.channel])[joint.channel]
    act.gauges.append((f"switch input of {joint.name}, let go", str(level)))


def push(place: Workplace, joints: Sequence[Joint], act: Act) -> None:
    """Somebody leans on the base both ways, with a level on the link."""
    for way in ("OFF", "FORWARD", "BACK", "OFF"):
        place.hands.ask(f"PUSH {way}")
        when = "nobody pushes" if way == "OFF" else f"the base is pushed {way.lower()}"
        deg = place.hand.level_deg(joints[0])
        act.gauges.append((f"level on {joints[0].name}, {when}", f"{deg:+.2f} deg"))
        act.gauges.append((f"by eye, {when}", f"{place.hand.look_deg(joints[0]):+.0f} deg"))


def fall(place: Workplace, joints: Sequence[Joint], act: Act) -> None:
    """All drives off and no stand: what the 24 V rail does while the arm comes down."""
    place.card.enable(False, [joint.channel for joint in place.arm.joints])
    place.hand.stand(False)
    low_v, high_v = place.hands.numbers('MEAS:VOLT:HOLD? 2,"RAIL.24V","RAIL.0V"', 2)
    act.gauges += [
        ("24 V while the arm comes down, least", f"{low_v:.1f} V"),
        ("24 V while the arm comes down, greatest", f"{high_v:.1f} V"),
        ("24 V afterwards", f"{place.hand.volts('RAIL.24V', 'RAIL.0V'):.1f} V"),
    ]


def supplies_off_and_on(place: Workplace, joint: Joint, act: Act) -> None:
    """The switch of all supplies, and what the card's step counter is afterwards."""
    for on, when in ((True, "at first"), (False, "supplies off"), (True, "supplies on again")):
        place.main_supply(on)
        try:
            shown = f"{place.card.steps([joint.channel])[joint.channel]:+d}"
        except CommissionError:
            shown = "no reply"
        act.gauges.append((f"step counter, set to +1000 before, {when}", shown))


def reopen(place: Workplace, joints: Sequence[Joint], act: Act) -> None:
    """The card's port closed and opened again, as the next program would."""
    joint = joints[0]
    place.card.enable(True, [joint.channel])
    place.card.line.ask(f"STEP:COUN 1000,(@{joint.channel})")
    for when in ("before", "after the port was closed and opened again"):
        if when != "before":
            place.reopen_card()
        act.gauges += [
            (f"step counter, {when}", f"{place.card.steps([joint.channel])[joint.channel]:+d}"),
            (f"enabled, {when}", place.card.line.ask(f"DRIV:ENAB? (@{joint.channel})")[0]),
        ]


def prove(place: Workplace, joints: Sequence[Joint], act: Act) -> None:
    """Rails and an encoder, each twice, then the known source; then ohms, of its leads too."""
    joint, hand = joints[0], place.hand
    place.card.enable(True, [joint.channel])
    place.card.pause(0.2)
    for red, black in (
        ("RAIL.5V", "RAIL.0V"),
        ("RAIL.24V", "RAIL.0V"),
        (f"{joint.name}.ENC.5V", f"{joint.name}.ENC.0V"),
        ("PROVE.+", "PROVE.-"),
    ):
        shown = ", ".join(f"{hand.volts(red, black):.3f} V" for _ in range(2))
        act.gauges.append((f"{red} to {black}, read twice", shown))
    ac_v = place.hands.numbers('MEAS:VOLT:AC? "RAIL.5V","RAIL.0V"', 1)[0]
    act.gauges.append(("AC volts, RAIL.5V to RAIL.0V", f"{ac_v:.3f} V"))
    place.main_supply(False)
    for red, black, what in (
        ("RAIL.5V", "RAIL.5V", "the probes together"),
        (f"CARD.{joint.name}.MOTOR.A+", f"CARD.{joint.name}.MOTOR.A-", f"coil A of {joint.name}"),
        (f"{joint.name}.OPTO0V", "RAIL.0V", f"{joint.name}.OPTO0V to RAIL.0V"),
    ):
        ohm = place.ohms(red, black)
        shown = "overload" if ohm > OVERLOAD_OHM else f"{ohm:.1f} ohm"
        act.gauges.append((f"ohms, power off: {what}", shown))


def stop(place: Workplace, joints: Sequence[Joint], act: Act) -> None:
    """The button in and out again, as the check of the stop circuit does, then power on."""
    joint, hand = joints[0], place.hand
    place.card.enable(True, [joint.channel])
    place.card.pause(0.2)
    for when in ("at first", "the button in", "out again", "the motor supply switched on"):
        if when == "the motor supply switched on":
            hand.motor_supply(True)
        elif when != "at first":
            hand.press_stop(when == "the button in")
        place.card.pause(0.5)
        supply_v = hand.volts(f"{joint.name}.DRIVE.24V", f"{joint.name}.DRIVE.0V")
        act.gauges += [
            (f"supply of {joint.name}'s drive, {when}", f"{supply_v:.1f} V"),
            (f"stop input of the card, {when}", str(place.card.stop_level())),
            (f"volts at it, {when}", _volts_of(place, "CARD.STOP.21")),
            (f"coil of the contactor, {when}", _volts_of(place, "CARD.STOP.12")),
        ]


def _volts_of(place: Workplace, terminal: str) -> str:
    return f"{round(place.hand.volts(terminal, 'RAIL.0V'), 2) + 0.0:.2f} V"


def warm(place: Workplace, joints: Sequence[Joint], act: Act) -> None:
    """All drives on and still for half an hour, then ohms while the motors are warm."""
    joint, chosen = joints[0], f"(@{joints[0].channel})"
    coil = (f"CARD.{joint.name}.MOTOR.A+", f"CARD.{joint.name}.MOTOR.A-")
    place.main_supply(False)
    act.gauges.append((f"coil A of {joint.name}, cold", f"{place.ohms(*coil):.1f} ohm"))
    place.main_supply(True)
    place.card.enable(True, [each.channel for each in place.arm.joints])
    for minutes, more_s in ((0, 0.2), (1, 60.0), (5, 240.0), (WARM_MIN, 60.0 * (WARM_MIN - 5))):
        place.card.pause(more_s)
        amps = place.hands.numbers('MEAS:CURR? "RAIL.24V"', 1)[0]
        act.gauges.append((f"24 V supply, {minutes} min on", f"{amps:.2f} A"))
        case_c = place.hands.numbers(f"MEAS:TEMP? {chosen}", 1)[0]
        act.gauges.append(
            (f"case of {joint.name}'s motor, {minutes} min on", f"{case_c:.1f} deg C")
        )
    place.main_supply(False)
    act.gauges.append((f"coil A of {joint.name}, warm", f"{place.ohms(*coil):.1f} ohm"))


def grip(place: Workplace, _joints: Sequence[Joint], act: Act) -> None:
    """The gripper opened, and closed on nothing."""
    with closing(place.second_card()) as card:
        for width_s, when in ((2e-3, "asked to open"), (1e-3, "asked to close on nothing")):
            card.ask(f"SERV:WIDT {width_s:g};ENAB ON")
            place.card.pause(1.0)
            act.gauges += [
                (f"by rule, {when}", f"{place.hands.numbers('GRIP:GAP?', 1)[0]:g} mm"),
                (f"analog input, {when}", f"{card.numbers('ANAL:VOLT?', 1)[0]:.3f} V"),
                (f"digital inputs, {when}", card.ask("INP:LEV?")[0]),
                (f"5 V at the gripper, {when}", f"{place.hand.volts('IO.5V', 'IO.0V'):.3f} V"),
            ]


def talk(place: Workplace, _joints: Sequence[Joint], act: Act) -> None:
    """One query over and over: how many replies came, how many not, and what came instead."""
    right, silent, bad, longest_s = 0, 0, list[str](), 0.0
    for _ in range(QUERIES):
        asked = place.rig.now
        try:
            place.card.line.numbers("STEP:COUN? (@1:6)", 6)
            right += 1
        except NoAnswer:
            silent += 1
        except CommissionError as error:
            bad.append(str(error))
        longest_s = max(longest_s, (place.rig.now - asked) / TICKS_PER_S)
    act.gauges += [
        ("right replies", str(right)),
        ("no reply", str(silent)),
        ("garbled, or an error of the card", str(len(bad))),
        ("the first of these", bad[0] if bad else "none"),
        ("the longest took", f"{longest_s:.3f} s"),
    ]
