"""What a person at the arm can do and read."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from ..sim.base import WAYS
from ..sim.clock import ticks
from .headers import short_form
from .scpi import Channels, Command, Wait, Words
from .status import quoted
from .values import INFINITY, NOT_A_NUMBER, Choice, Number, Switched, Text, joined, real
from .words_common import common, gripper_of

if TYPE_CHECKING:
    from ..sim.meter import Meter
    from .dialect import ScpiDialect

_TURNING = 256  # bits 8 to 12 of OPERation are the designer's
Asked = Callable[["ScpiDialect", list[int]], str]

_WAYS = {short_form(way): way for way in WAYS}
_PROBES = (Text("red"), Text("black"))
_LIVE_VOLTS = "One hand, insulated probes, never on amps or ohms."
_DEAD = "Isolate, lock, wait, prove the meter, prove dead; support the links first: the arm falls."


def _each(read: Callable[[ScpiDialect, int], str]) -> Asked:
    return lambda session, axes: joined([read(session, axis) for axis in axes])


def _turn(session: ScpiDialect, deg: float, deg_per_s: float | None, axes: list[int]) -> None:
    session.rig.hands.turn(axes[0], deg, deg_per_s)


def _push(session: ScpiDialect, way: str) -> None:
    session.rig.hands.push(_WAYS.get(way))


def _pushed(session: ScpiDialect) -> str:
    way = session.rig.hands.pushed
    return "OFF" if way is None else short_form(way)


def _press(session: ScpiDialect, axes: list[int]) -> None:
    for axis in axes:
        session.rig.hands.press(axis)


def _brake(session: ScpiDialect, is_open: bool, axes: list[int]) -> None:
    for axis in axes:
        session.rig.hands.pull_brake(axis, is_open)


def _wiggle(session: ScpiDialect, axes: list[int]) -> None:
    for axis in axes:
        session.rig.hands.wiggle(axis)


def _release(session: ScpiDialect, axes: list[int]) -> None:
    for axis in axes:
        session.rig.hands.release(axis)


def _let_go(session: ScpiDialect) -> None:
    _release(session, list(range(session.axes)))
    for axis, joint in enumerate(session.rig.scene.joint):
        if joint.brake_n_m:
            session.rig.hands.pull_brake(axis, False)
    session.rig.hands.push(None)


def _mark(session: ScpiDialect, axis: int) -> str:
    deg = session.rig.gauges.mark_deg(axis)
    return NOT_A_NUMBER if deg is None else real(deg)


def _measured(
    read: Callable[[Meter, str, str], str], *, live: bool
) -> Callable[[ScpiDialect, str, str], Wait]:
    """One reading; `live`: the probes lie on a live circuit meanwhile."""

    def measure(session: ScpiDialect, red: str, black: str) -> Wait:
        rig = session.rig
        if live:
            rig.meter.touch(red, black)
        return Wait(
            done=lambda: False,
            until=rig.now + ticks(rig.scene.gauges.meter.reading_s),
            then=lambda _timed_out: read(rig.meter, red, black),
        )

    return measure


def _hold(session: ScpiDialect, time_s: float, red: str, black: str) -> Wait:
    held = session.rig.meter.hold(red, black, time_s)
    return Wait(
        done=lambda: held.complete,
        until=session.rig.now + ticks(time_s) + 1,
        then=lambda _timed_out: joined([real(held.low_v), real(held.high_v)]),
    )


def _terminals(session: ScpiDialect, prefix: str | None) -> str:
    return _named(session.rig.meter.terminals(prefix or ""))


def _named(names: Iterable[str]) -> str:
    return joined([quoted(name) for name in names]) or quoted("")


def _plug(session: ScpiDialect, way: str, name: str) -> None:
    session.rig.hands.plug(name, way == "IN")


def _clip(session: ScpiDialect, one: str, other: str) -> None:
    session.rig.hands.put_clip((one, other))


def _unclip(session: ScpiDialect) -> None:
    session.rig.hands.put_clip(None)


def _main(session: ScpiDialect, on: bool) -> None:
    session.rig.hands.set_main_supply(on)


def _reverse_level(session: ScpiDialect, on: bool) -> None:
    session.rig.gauges.level_reversed = on


def _supply(session: ScpiDialect, on: bool) -> None:
    session.rig.hands.set_motor_supply(on)


def _stop(session: ScpiDialect, pressed: bool) -> None:
    session.rig.hands.press_stop(pressed)


def _stand(session: ScpiDialect, on: bool) -> None:
    session.rig.hands.set_stand(on)


def _zero_level(session: ScpiDialect) -> None:
    session.rig.gauges.zero_level()


def _put_object(session: ScpiDialect, width_mm: float) -> None:
    gripper_of(session).put_object(width_mm)


HANDS = Words(
    role="hands",
    pending=lambda session: session.rig.hands.busy,
    events=lambda session: session.rig.hands.events,
    operation=lambda session: _TURNING if session.rig.hands.busy else 0,
    # A reset never switches power on, never puts a plug in and never takes the stand away.
    reset=lambda session: _let_go(session),
    commands=(
        *common(
            "takes the hands off switches, levers, base; supplies, STOP, plugs, stand stay as is",
            operation=f"{_TURNING} a hand turns a joint",
        ),
        Command(
            "TURN",
            "turns one joint by hand; *OPC? or WAIT? wait for its end",
            do=_turn,
            takes=(
                Number("angle", "deg", -360, 360),
                Number("speed", "deg/s", 0.1, 90, optional=True),
            ),
            channels=Channels.ONE,
            caution="Motor supply locked off, not merely disabled; mind the pinch points.",
        ),
        Command(
            "FEEL",
            "how the last TURN of that joint felt",
            ask=_each(lambda session, axis: session.rig.hands.feel(axis)),
            channels=Channels.ANY,
            replies="FREE|STIFF|STOP",
        ),
        Command(
            "PRESs",
            "a finger on the joint's limit switch",
            do=_press,
            channels=Channels.ANY,
        ),
        Command(
            "RELease",
            "the finger off again",
            do=_release,
            channels=Channels.ANY,
        ),
        Command(
            "BRAKe:RELease",
            "holds a joint's brake open by its lever, or lets go; -221 for a joint without a brake",
            do=_brake,
            ask=_each(lambda session, axis: str(int(session.rig.hands.brake_open(axis)))),
            takes=(Switched(),),
            channels=Channels.ONE,
            replies="0|1",
            caution="The link supported first: the arm falls.",
        ),
        Command(
            "PUSH",
            "leans on the column of the base that way, or lets go (OFF): what is firm stays",
            do=_push,
            ask=_pushed,
            takes=(Choice("way", (*WAYS, "OFF")),),
            replies="|".join((*_WAYS, "OFF")),
            caution="The base, not the links; nobody else in reach.",
        ),
        Command(
            "WIGGle",
            "wiggles the joint's cable for a second: what is loose in it comes and goes",
            do=_wiggle,
            channels=Channels.ANY,
        ),
        Command(
            "LOOK",
            "the joint's angle as the eye judges it against the drawing",
            ask=_each(lambda session, axis: f"{session.rig.gauges.look_deg(axis) + 0.0:.0f}"),
            channels=Channels.ANY,
            replies="whole deg",
        ),
        Command(
            "GRIPper:OBJect",
            "an object of this width between the fingers; 0 takes it out",
            do=_put_object,
            ask=lambda session: real(gripper_of(session).object_mm),
            takes=(Number("width", "mm", 0, 200),),
            replies="mm",
            caution="Servo supply off, or the object in tongs: fingers close without warning.",
        ),
        Command(
            "GRIPper:GAP",
            "the gap between the fingers by a rule",
            ask=lambda session: real(gripper_of(session).rule_mm()),
            replies="whole mm",
        ),
        Command(
            "GRIPper:FEEL",
            "how the fingers feel when pushed a little: held by the servo, or limp",
            ask=lambda session: "FREE" if gripper_of(session).limp else "STIFF",
            replies="FREE|STIFF",
            caution="Only a little, and not while they move.",
        ),
        Command(
            "GRIPper:LAMP",
            "whether the lamp at the gripper is lit",
            ask=lambda session: str(int(gripper_of(session).lamp_lit())),
            replies="0|1",
        ),
        Command(
            "LEVel",
            "a digital level on the joint's link: pitch, up positive, against where it was zeroed; "
            "blind to a turn about a vertical axis",
            ask=_each(lambda session, axis: real(session.rig.gauges.level_deg(axis))),
            channels=Channels.ANY,
            replies="deg",
            caution="Nobody under the links; take the level off before moving.",
        ),
        Command(
            "LEVel:ZERO",
            "lays the level on the base and zeroes it there",
            do=_zero_level,
        ),
        Command(
            "LEVel:REVersed",
            "whether the level lies turned end for end: the pitch then has the other sign, its own "
            "error has not; half the difference of both ways is free of that error and of the zero",
            do=_reverse_level,
            ask=lambda session: str(int(session.rig.gauges.level_reversed)),
            takes=(Switched(),),
            replies="0|1",
        ),
        Command(
            "MARK",
            f"the witness mark: angle from zero as read; {NOT_A_NUMBER} outside its window",
            ask=_each(_mark),
            channels=Channels.ANY,
            replies="deg",
        ),
        Command(
            "MEASure:VOLTage[:DC]",
            "one reading of the meter; takes rig time",
            ask=_measured(lambda meter, red, black: real(meter.volts(red, black)), live=True),
            asks=_PROBES,
            replies="V",
            caution=_LIVE_VOLTS,
        ),
        Command(
            "MEASure:VOLTage:AC",
            "one reading of AC volts: true RMS of what swings about the mean",
            ask=_measured(lambda meter, red, black: real(meter.volts_ac(red, black)), live=True),
            asks=_PROBES,
            replies="V",
            caution=_LIVE_VOLTS,
        ),
        Command(
            "MEASure:VOLTage:HOLD",
            "least and greatest of the DC readings over so long",
            ask=_hold,
            asks=(Number("time", "s", 0.1, 60.0), *_PROBES),
            replies="V,V",
            caution=_LIVE_VOLTS,
        ),
        Command(
            "MEASure:RESistance",
            f"one reading of ohms, over every path there is: pull plugs; {INFINITY} on overload; "
            "refused while the main supply is on",
            ask=_measured(lambda meter, red, black: real(meter.ohms(red, black)), live=False),
            asks=_PROBES,
            replies="ohm",
            caution=_DEAD,
        ),
        Command(
            "MEASure:CONTinuity",
            "whether the meter beeps between two terminals; refused while the main supply is on",
            ask=_measured(
                lambda meter, red, black: str(int(meter.continuous(red, black))), live=False
            ),
            asks=_PROBES,
            replies="0|1",
            caution=_DEAD,
        ),
        Command(
            "MEASure:CURRent[:DC]",
            'what a supply gives, by its own display: "RAIL.24V", "RAIL.5V" or "RAIL.3V3"',
            ask=lambda session, rail: real(session.rig.gauges.supply_a(rail)),
            asks=(Text("rail"),),
            replies="A",
        ),
        Command(
            "MEASure:TEMPerature",
            "a thermometer on the case of a joint's motor",
            ask=_each(lambda session, axis: real(session.rig.gauges.case_c(axis))),
            channels=Channels.ANY,
            replies="deg C",
            caution="Above some 60 deg C metal burns skin: the back of a hand near it first.",
        ),
        Command(
            "CLIP",
            "clips a test resistor of 10 kohm between two terminals; what floats follows it",
            do=_clip,
            ask=lambda session: _named(session.rig.hands.clip or ()),
            takes=(Text("one"), Text("other")),
            replies='"one","other" or ""',
            caution="One hand, insulated clips.",
        ),
        Command("CLIP:OFF", "takes the test resistor off", do=_unclip),
        Command(
            "PLUG",
            "pulls a plug at a part, or puts it in: a joint's INPUTS, DRIVE, MOTOR, ENC, SW, IO or "
            'STOP; its conductors then end at terminals such as "PLUG.J5.SW.COM"; asked, the plugs '
            "that are out",
            do=_plug,
            ask=lambda session: _named(session.rig.hands.plugs_out),
            takes=(Choice("way", ("OUT", "IN")), Text("plug")),
            replies='"plug",... or ""',
            caution="Never pull or put in a motor plug live: switch off, lock, prove dead.",
        ),
        Command(
            "TERMinals",
            "where a probe can be put; with a text only those that belong to it",
            ask=_terminals,
            asks=(Text("part", optional=True),),
            replies='"name","name",...',
        ),
        Command(
            "SUPPly:MAIN",
            "the switch of all three supplies; on at power-up. The card's logic lives on the "
            "host's cable; its outputs' high level is the 5 V rail's",
            do=_main,
            ask=lambda session: str(int(session.rig.hands.main_supply)),
            takes=(Switched(),),
            replies="0|1",
            caution="Off: the arm falls where no stand holds it. On: arm clear, nobody in reach.",
        ),
        Command(
            "SUPPly:MOTor",
            "the switch of the 24 V motor supply; on at power-up; -221 for ON while STOP is in",
            do=_supply,
            ask=lambda session: str(int(session.rig.hands.motor_supply)),
            takes=(Switched(),),
            replies="0|1",
            caution="Off: the arm falls where no stand holds it. On: arm clear, nobody in reach.",
        ),
        Command(
            "STOP",
            "the STOP button: in, it opens the stop circuit, whose contactor takes 24 V from the "
            "drives; pulled out, power stays off until SUPPly:MOTor ON",
            do=_stop,
            ask=lambda session: str(int(session.rig.hands.stop)),
            takes=(Switched(),),
            replies="0|1",
            caution="The arm falls where no stand holds it. A person's button and its wiring stop "
            "an arm; no word on the card's port does.",
        ),
        Command(
            "STANd",
            "the stand under the links: limp links rest where they are; in place at power-up",
            do=_stand,
            ask=lambda session: str(int(session.rig.hands.stand)),
            takes=(Switched(),),
            replies="0|1",
            caution="Taking it away lets limp links fall.",
        ),
    ),
)
