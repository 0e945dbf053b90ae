"""Why a fault stays hidden from the reference commissioning, checked against the parts.

Each rule looks at a fault and gives a reason with its figures where it applies. A hidden fault that
no rule explains is a gap, in the rules or in the commissioning, and is shown as one.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from ..faults import parse_fault
from ..faults.grammar import Fault
from ..faults.places import joints_in, part_at
from ..scenes import IO, Joint, Scene
from ..sim import Rig
from ..sim.clock import ticks
from ..sim.heating import COPPER_PER_K, Warm
from .electrics import Electrics, electrics

Rule = Callable[[Fault, Scene], str]
_SAME = 0.02  # of a coil's current, and of what reads as the same
_ON_S = 300.0  # for which the drives are on in a commissioning, about
_REPLY_S = 10.0  # a host's usual time-out, and that of the reference

INDEX = "the commissioning does not use the index"
SECOND_CARD = "the commissioning does not use the second card"


def reason_for(fault: str, scene: Scene) -> str:
    """The reason, with figures in brackets where it was computed; empty where none is known."""
    parsed = parse_fault(fault)
    return next((why for rule in RULES if (why := rule(parsed, scene))), "")


def _index(fault: Fault, scene: Scene) -> str:
    at_z = all(place.endswith(".ENC.Z") for place in fault.places)
    dead_z = fault.kind.name == "dead" and fault.values["channel"] == 3
    return INDEX if at_z or dead_z or fault.kind.name == "index" else ""


def _line(fault: Fault, scene: Scene) -> str:
    held_s = fault.values.get("s", math.inf)
    if fault.kind.name in ("delay", "stall") and 2 * held_s < _REPLY_S:
        return f"late but right: every reply is there in time (2 x {held_s:g} s of {_REPLY_S:g} s)"
    if fault.kind.where == "line" and fault.values.get("per", 1.0) < 1e-2:
        return "by chance none of the bytes that matter was hit"
    return ""


def _card(fault: Fault, scene: Scene) -> str:
    if fault.kind.name == "autoreset":
        return "the port is opened once, before anything is set"
    if fault.kind.name == "reset":
        least, volts = fault.values["volts"], _sound(scene).rails["RAIL.5V"]
        return f"nothing pulls the 5 V rail below {least:g} V ({volts:.2f} V)" * (volts > least)
    if fault.kind.name == "overflow":
        joint = _joint(fault, scene)
        low, high = joint.travel_deg
        counts = joint.encoder.counts * joint.ratio / 360 * (high - low)
        half = 2 ** (fault.values["bits"] - 1)
        return f"the way from power-up stays within {half:.0f} counts (whole travel {counts:.0f})"
    return ""


def _supply(fault: Fault, scene: Scene) -> str:
    if fault.kind.name not in ("sag", "brownout"):
        return ""
    rail = fault.places[0]
    with_it = electrics(scene, [fault.text]).rails[rail]
    volts = _sound(scene).rails[rail]
    return f"so little hangs on this rail that it stays ({with_it:.2f} V of {volts:.2f} V)" * (
        volts - with_it < 0.05 * volts
    )


def _always_on(fault: Fault, scene: Scene) -> str:
    """An ENABLE input that is lit whatever the card says, and nothing else."""
    if not any(place.endswith(".ENA") for place in fault.places):
        return ""
    sound, broken = _sound(scene), electrics(scene, [fault.text])
    odd = {key for key, lit in sound.lit.items() if broken.lit[key] != lit}
    only_on = all(broken.lit[key][:2] == sound.lit[key][:2] and broken.lit[key][2] for key in odd)
    if not odd or not only_on or sound.levels != broken.levels:
        return ""
    return "the drive is on too often only, and no joint is turned by hand with its supply on"


def _second_card(fault: Fault, scene: Scene) -> str:
    """Something on the second card or its cable, and the first card is told the same as before."""
    if not any(IO in place.split(".") for place in fault.places):
        return ""
    sound, broken = _sound(scene), electrics(scene, [fault.text])
    same = sound.levels == broken.levels and sound.lit == broken.lit and _alike(sound, broken)
    return SECOND_CARD if same else ""


def _levels(fault: Fault, scene: Scene) -> str:
    """The circuit tells card and drives the same as the sound one."""
    if fault.kind.where not in ("conductor", "node", "plug") and fault.kind.name not in (
        ("worn", "drift", "hum", "chopper", "slow", "dim", "frozen")
    ):
        return ""
    sound, broken = _sound(scene), electrics(scene, [fault.text])
    if sound.levels != broken.levels or sound.lit != broken.lit or not _alike(sound, broken):
        return ""
    mine = {name for place in fault.places for name in joints_in(place, scene)}
    pins = [key for key in sound.volts if key[0].split(".")[1] in mine]
    parts = {part_at(place.removeprefix("CARD.")) for place in fault.places}
    pins = [key for key in pins if key[0].split(".")[2] in parts] or pins
    highs = [broken.volts[key] for key in pins if broken.levels[key] == 1]
    lows = [broken.volts[key] for key in pins if broken.levels[key] == 0]
    if fault.kind.name == "slow":
        return _slow(fault, scene)
    at_z = any(place.endswith(".ENC.Z") for place in fault.places)
    what = f"{INDEX}, and no other level changes" if at_z else "no level of any input changes"
    if not highs or not lows:
        return what
    return f"{what} (lowest high {min(highs):.2f} V, highest low {max(lows):.2f} V)"


def _slow(fault: Fault, scene: Scene) -> str:
    """Charging an input takes less than a quarter cycle at the fastest search."""
    joint, card = _joint(fault, scene), scene.card
    tau_s = fault.values["ohm"] * card.input_farad
    late_s = -tau_s * math.log1p(-card.input_high_v / scene.supplies.v5.volts)
    quarter_s = 360 / (joint.encoder.counts * joint.ratio * joint.home.fast_deg_s)
    return (
        f"no check turns fast enough (an edge is {1e6 * late_s:.0f} us late, a quarter cycle lasts "
        f"{1e6 * quarter_s:.0f} us)"
    ) * (late_s < quarter_s)


def _coils(fault: Fault, scene: Scene) -> str:
    """Both coils still get most of their current and little of each other's."""
    if not any(part_at(place) == "MOTOR" for place in fault.places) or fault.kind.name == "weak":
        return ""
    sound, broken = _sound(scene), electrics(scene, [fault.text])
    if sound.levels != broken.levels or sound.lit != broken.lit:
        return ""
    worst, mixed = 1.0, 0.0
    for (aa, ab), (ba, bb) in broken.coils.values():
        worst, mixed = min(worst, aa, bb), max(mixed, abs(ab), abs(ba))
    return (
        f"the motor has torque to spare (coils get {worst:.0%} of their current and {mixed:.0%} of "
        "each other's); a real drive may trip"
    ) * (worst > 0.3)


def _torque(fault: Fault, scene: Scene) -> str:
    """What is left of the torque is more than the poses of homing and trim ask for."""
    name = fault.kind.name
    if name not in ("weak", "idle", "slip"):
        return ""
    joint = _joint(fault, scene)
    needed = _needed_n_m(scene)[joint.name]
    whole = joint.motor.holding_n_m
    if name == "idle":
        return _at_rest(fault, scene)
    left = fault.values["n_m"] if name == "slip" else fault.values["current"] * whole
    return (
        f"the load asks for less than is left ({needed:.3f} of {left:.3f} N.m at the shaft)"
    ) * (needed < left)


def _at_rest(fault: Fault, scene: Scene) -> str:
    joint = _joint(fault, scene)
    needed, left = _needed_n_m(scene)[joint.name], fault.values["current"]
    left *= joint.motor.holding_n_m
    return f"the load at rest asks for less than is left ({needed:.3f} of {left:.3f} N.m)" * (
        needed < left
    )


def _mechanics(fault: Fault, scene: Scene) -> str:
    name, values = fault.kind.name, fault.values
    if name not in ("lag", "shift", "overrun", "sticky", "bounce", "bind", "resonance"):
        return ""
    joint = _joint(fault, scene)
    match name:
        case "lag":
            counts = 2 * joint.encoder.counts / joint.motor.full_steps / joint.microsteps
            return f"few reversals: each loses {counts:.1f} counts, less than a check minds"
        case "shift":
            return (
                "the bracket's own tolerance hides it on some arms "
                f"({values['deg']:g} deg, tolerance {scene.tolerances.switch_deg:g} deg either way)"
            )
        case "overrun":
            home = joint.home
            past_deg = home.fast_deg_s**2 / (2 * home.acceleration_deg_s2)
            return (
                "homing stops so near to the cam's end that the back-off finds the switch "
                f"({past_deg:.1f} deg past it, the end {values['deg']:g}, back by "
                f"{home.back_off_deg:g})"
            ) * (past_deg - values["deg"] < home.back_off_deg)
        case "bounce":
            return "an input without a pull keeps its level while the contact is open"
        case "sticky":
            return (
                "the back-off goes further than the lever lags "
                f"({joint.home.back_off_deg:g} deg, {values['deg']:g} deg)"
            ) * (values["deg"] + joint.home.differential_deg <= joint.home.back_off_deg)
        case "bind":
            return _off_the_way(fault, scene)
        case "resonance":
            return _off_the_band(joint, scene)
        case _:
            return ""


def _off_the_band(joint: Joint, scene: Scene) -> str:
    """No search runs at the speed at which full steps come at the rotor's natural frequency.

    P. Acarnley, Stepping Motors: f = sqrt(p T / J) / 2 pi (formula from memory).
    """
    with Rig(scene, 0, start_pose_deg=scene.rest_pose_deg) as rig:
        number = scene.joint_number(joint.name)
        inertia = rig.body.mass_matrix(rig.angles_rad())[number][number] / joint.ratio**2
    held = joint.motor.full_steps / 4 * joint.motor.holding_n_m * joint.efficiency
    natural_hz = math.sqrt(held / inertia) / (2 * math.pi)
    full_steps = joint.steps_per_deg / joint.microsteps
    rates = joint.home.slow_deg_s * full_steps, joint.home.fast_deg_s * full_steps
    return (
        "no search runs at the speed that excites the rotor "
        f"({rates[0]:.0f} and {rates[1]:.0f} full steps a second, natural {natural_hz:.0f} Hz)"
    ) * (not any(0.7 < rate / natural_hz < 1.1 for rate in rates))


def _mount(fault: Fault, scene: Scene) -> str:
    if fault.kind.name != "loose":
        return ""
    poses = [joint.trim.pose_deg for joint in scene.joint if joint.trim.gauge == "level"]
    with Rig(scene, 0, start_pose_deg=scene.rest_pose_deg) as rig:
        moments = [
            rig.body.overhang_n_m([math.radians(deg) for deg in pose])[0]
            for pose in (scene.rest_pose_deg, *poses)
        ]
    leans = (max(moments) - min(moments)) * fault.values["deg"]
    return (
        "nobody pushes the base, and the switches' own tolerance hides what the poses differ by "
        f"({leans:.2f} deg, tolerance {scene.tolerances.switch_deg:g} deg either way)"
    ) * (leans < scene.tolerances.switch_deg)


def _given_back(fault: Fault, scene: Scene) -> str:
    """Back-EMF of the fastest hand: torque for each ampere times the shaft's speed (SI units)."""
    if fault.kind.name != "surge":
        return ""
    hand_rad_s = math.radians(scene.gauges.hand.speed_deg_s)
    volts = max(
        joint.motor.holding_n_m / joint.motor.current_a * joint.ratio * hand_rad_s
        for joint in scene.joint
        if joint.kind != "linear"
    )
    return (
        "no check spins a motor without its drive so fast that it gives anything back "
        f"({volts:.1f} V by hand)"
    ) * (volts < scene.supplies.v24.volts)


def _off_the_way(fault: Fault, scene: Scene) -> str:
    """No check brings the joint to where it binds, or its drive overcomes it."""
    joint, number = _joint(fault, scene), scene.joint_number(_joint(fault, scene).name)
    middle, half = fault.values["deg"], fault.values["width"] / 2
    poses = [joint.home.switch_deg, scene.rest_pose_deg[number]]
    poses += [other.trim.pose_deg[number] for other in scene.joint]
    low, high = min(poses), max(poses)
    if middle - half > high or middle + half < low:
        return (
            f"homing and trim do not bring the joint there ({low:g} to {high:g} deg; it binds at "
            f"{middle:g})"
        )
    return ""


def _heat(fault: Fault, scene: Scene) -> str:
    """How warm a motor is once all is done: no check takes a temperature."""
    if fault.kind.name != "strong":
        return ""
    motor = _joint(fault, scene).motor
    kelvin_per_watt, joule_per_kelvin = motor.warming
    body = Warm(scene.ambient_c, kelvin_per_watt, joule_per_kelvin, COPPER_PER_K)
    body.heat(0, (fault.values["current"] * motor.current_a) ** 2 * motor.coil_ohm)
    after_c = body.celsius(ticks(_ON_S))
    return (
        "no check takes a temperature, nor waits until there is one "
        f"({after_c:.0f} deg C after {_ON_S / 60:.0f} minutes)"
    )


def _chance(fault: Fault, scene: Scene) -> str:
    return "by chance no operation met a film that matters" * (fault.kind.name == "dry")


RULES: tuple[Rule, ...] = (
    _chance,
    _heat,
    _index,
    _line,
    _card,
    _supply,
    _always_on,
    _second_card,
    _levels,
    _coils,
    _torque,
    _mechanics,
    _mount,
    _given_back,
)
"""In the order in which they are tried."""


def _joint(fault: Fault, scene: Scene) -> Joint:
    """The joint a fault is at; the last one for the whole arm's tool."""
    names = [name for place in fault.places for name in joints_in(place, scene)]
    return scene.joint[scene.joint_number(names[0]) if names else -1]


def _alike(sound: Electrics, broken: Electrics) -> bool:
    """Whether every coil gets the same currents."""
    for name, rows in sound.coils.items():
        for row, other in zip(rows, broken.coils[name], strict=True):
            if any(abs(a - b) > _SAME for a, b in zip(row, other, strict=True)):
                return False
    return True


_KEPT: dict[str, Electrics] = {}


def _sound(scene: Scene) -> Electrics:
    key = f"{scene.folder}/{scene.name}"
    if key not in _KEPT:
        _KEPT[key] = electrics(scene)
    return _KEPT[key]


_TORQUES: dict[str, dict[str, float]] = {}


def _needed_n_m(scene: Scene) -> dict[str, float]:
    """Torque at the shaft, friction included, that the poses of rest and trim ask for, N·m."""
    key = f"{scene.folder}/{scene.name}"
    if key not in _TORQUES:
        still = [0.0] * len(scene.joint)
        worst = dict.fromkeys((joint.name for joint in scene.joint), 0.0)
        with Rig(scene, 0) as rig:
            for pose in [scene.rest_pose_deg, *(joint.trim.pose_deg for joint in scene.joint)]:
                load = rig.body.inverse_dynamics([math.radians(d) for d in pose], still, still)
                for joint, torque in zip(scene.joint, load, strict=True):
                    needed = (abs(torque) + joint.friction_n_m) / (joint.ratio * joint.efficiency)
                    worst[joint.name] = max(worst[joint.name], needed)
        _TORQUES[key] = worst
    return _TORQUES[key]
