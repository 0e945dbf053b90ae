"""What a person at the arm can do and read."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from ..sim.clock import ticks
from .scpi import Channels, Command, Wait, Words
from .status import quoted
from .values import NOT_A_NUMBER, Number, Switched, Text, joined, real
from .words_common import common

if TYPE_CHECKING:
    from .dialect import ScpiDialect

Asked = Callable[["ScpiDialect", list[int]], str]


def _each(read: Callable[[ScpiDialect, int], str]) -> Asked:
    return lambda session, axes: joined([read(session, axis) for axis in axes])


def _turn(session: ScpiDialect, deg: float, deg_per_s: float | None, axes: list[int]) -> None:
    session.rig.hands.turn(axes[0], deg, deg_per_s)


def _press(session: ScpiDialect, axes: list[int]) -> None:
    for axis in axes:
        session.rig.hands.press(axis)


def _wiggle(session: ScpiDialect, axes: list[int]) -> None:
    for axis in axes:
        session.rig.hands.wiggle(axis)


def _release(session: ScpiDialect, axes: list[int]) -> None:
    for axis in axes:
        session.rig.hands.release(axis)


def _mark(session: ScpiDialect, axis: int) -> str:
    deg = session.rig.gauges.mark_deg(axis)
    return NOT_A_NUMBER if deg is None else real(deg)


def _volts(session: ScpiDialect, red: str, black: str) -> Wait:
    gauges = session.rig.gauges
    return Wait(
        done=lambda: False,
        until=session.rig.now + ticks(session.rig.scene.gauges.meter.reading_s),
        then=lambda _timed_out: real(gauges.volts(red, black)),
    )


def _terminals(session: ScpiDialect, prefix: str | None) -> str:
    names = session.rig.gauges.terminals(prefix or "")
    return joined([quoted(name) for name in names]) or quoted("")


def _supply(session: ScpiDialect, on: bool) -> None:
    session.rig.hands.set_motor_supply(on)


def _stand(session: ScpiDialect, on: bool) -> None:
    session.rig.hands.set_stand(on)


def _zero_level(session: ScpiDialect) -> None:
    session.rig.gauges.zero_level()


HANDS = Words(
    role="hands",
    pending=lambda session: session.rig.hands.busy,
    events=lambda session: session.rig.hands.events,
    # A reset never switches power on and never takes the stand away.
    reset=lambda session: _release(session, list(range(session.axes))),
    commands=(
        *common("takes the fingers off all switches; supply and stand stay as they are"),
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
            "LEVel",
            "a digital level on the joint's link: pitch, up positive, against where it was zeroed",
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
            "MARK",
            f"the witness mark: angle from zero as read; {NOT_A_NUMBER} outside its window",
            ask=_each(_mark),
            channels=Channels.ANY,
            replies="deg",
        ),
        Command(
            "MEASure:VOLTage[:DC]",
            "one reading of the meter; takes rig time",
            ask=_volts,
            asks=(Text("red"), Text("black")),
            replies="V",
            caution="One hand, insulated probes, never on amps or ohms.",
        ),
        Command(
            "TERMinals",
            "where a probe can be put; with a text only those that belong to it",
            ask=_terminals,
            asks=(Text("part", optional=True),),
            replies='"name","name",...',
        ),
        Command(
            "SUPPly:MOTor",
            "the switch of the 24 V motor supply; on at power-up",
            do=_supply,
            ask=lambda session: str(int(session.rig.hands.motor_supply)),
            takes=(Switched(),),
            replies="0|1",
            caution="Off: the arm falls where no stand holds it. On: arm clear, nobody in reach.",
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
