"""The table of fault kinds: what each is in iron, how it shows, how one looks for it.

Every kind is a preset over five primitives: set a resistance, bridge two nodes, permute
conductors, set a part's parameter, filter the line. Symptoms are common practice, no published
source; the fault models named are those of ISO 13849-2:2012 annex D (numbering from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from ..sim.parts import Parts
from .gates import Parameter

OPEN_OHM = 1e12

Where = Literal["conductor", "node", "part", "plug", "line"]


Apply = Callable[[Parts, tuple[str, ...], Mapping[str, float]], None]


@dataclass(frozen=True)
class Kind:
    """One entry of the table. `apply` changes parts; a kind on the line has none.

    `mistaken` names what the symptom is easily taken for (common practice, no published source).
    """

    name: str
    where: Where
    places: int
    part: str = field(default="", kw_only=True)
    what: str
    shows: str
    look: str
    mistaken: str = field(default="", kw_only=True)
    caution: str
    model: str
    apply: Apply | None
    parameters: Mapping[str, Parameter] = field(default_factory=dict)


def _open(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
    parts.set_resistance(places[0], OPEN_OHM)


def _resist(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
    parts.set_resistance(places[0], parts.ohm[places[0]] + values["ohm"])


def _short(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
    one, other = (parts.far_end.get(place, place) for place in places)
    parts.bridge(one, other, values["ohm"])


def _swap(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
    parts.permute(*places)


def plug_of(conductor: str) -> str:
    """The plug at the part in which a conductor ends: `J5.SW` for `J5.SW.COM`.

    That of the drive's inputs (`J5.DIR`) is `J5.INPUTS`.
    """
    joint, _, wire = conductor.partition(".")
    part, dot, _ = wire.partition(".")
    return f"{joint}.{part if dot else 'INPUTS'}"


def _pins(parts: Parts, plug: str) -> list[str]:
    return [conductor for conductor in parts.far_end if plug_of(conductor) == plug]


def _unplug(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
    for pin in _pins(parts, places[0]):
        parts.set_resistance(pin, OPEN_OHM)


def _cross(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
    for one, other in zip(*(_pins(parts, plug) for plug in places), strict=True):
        parts.permute(one, other)


def _join(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
    for throw in ("NC", "NO"):
        parts.bridge(f"{places[0]}.COM", f"{places[0]}.{throw}", values["ohm"])


def _set(*names: str) -> Apply:
    """Set parameters of the part at the place: each `fault parameter=part parameter`."""
    pairs = [tuple(name.split("=")) for name in names]

    def apply(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
        for ours, theirs in pairs:
            parts.set_parameter(f"{places[0]}.{theirs}", values[ours])

    return apply


_POWER_OFF = "Switch off, lock off, wait, prove the meter, prove dead before ohms or a plug."

KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind(
            name="open",
            where="conductor",
            places=1,
            what="A conductor is broken, a pin pushed back, a screw on insulation.",
            shows="What hangs on it is dead, frozen or floats: an input near 0 V that drifts.",
            look="Volts at both ends of the conductor; power off, plug out: ohms end to end.",
            mistaken=(
                "On DIR a sign setting; on STEP, ENABLE or 24 V a dead drive; on one coil low "
                "current; on an encoder wire a stall, a slipping coupling or a dead encoder; on a"
                " switch wire a bad switch."
            ),
            caution=_POWER_OFF,
            model="ISO 13849-2 table D.4, open circuit of any conductor",
            apply=_open,
        ),
        Kind(
            name="resist",
            where="conductor",
            places=1,
            what="A corroded contact or a loose crimp puts resistance into a conductor.",
            shows="Nothing on a signal that draws no current; sagging volts on one that does.",
            look="Volts along the conductor while it carries current; power off: ohms.",
            mistaken="A sound conductor: volts without current look right.",
            caution=_POWER_OFF,
            model="ISO 13849-2 table D.4, with the resistance short of an open circuit",
            apply=_resist,
            parameters={"ohm": Parameter(4700.0, 0.01, 1e9, "ohm")},
        ),
        Kind(
            name="short",
            where="node",
            places=2,
            what="Two conductors touch: clamped insulation, a whisker, a splash of solder.",
            shows="Both follow each other, or one rail pulls the other down.",
            look="Volts of both against 0 V; power off, plugs out: ohms between them.",
            mistaken="A weak supply; a dead part; noise.",
            caution=_POWER_OFF,
            model="ISO 13849-2 table D.4, short circuit between any two conductors",
            apply=_short,
            parameters={"ohm": Parameter(0.05, 0.001, 1e6, "ohm")},
        ),
        Kind(
            name="swap",
            where="conductor",
            places=2,
            what="Two conductors have changed places at the part.",
            shows="Each does the other's work: STEP in DIR's place, ground in the common's.",
            look="Colours and numbers against the wiring list; volts of each under a known level.",
            mistaken=(
                "DIR and STEP: a dead drive. A and B: a reversed coil. Switch throws: a polarity "
                "setting; common and ground: a weak supply."
            ),
            caution=_POWER_OFF,
            model="ISO 13849-2 table D.7, interchanged or incorrectly inserted",
            apply=_swap,
        ),
        Kind(
            name="unplug",
            where="plug",
            places=1,
            what="A plug is not in its socket, or not far enough.",
            shows="All that hangs on the plug is dead or floats, every conductor of it.",
            look="See and push every plug; volts at both sides of it.",
            mistaken="A dead part; a broken cable.",
            caution="Never plug or unplug a motor lead live. " + _POWER_OFF,
            model="ISO 13849-2 table D.7, open circuit of connector pins, all at once",
            apply=_unplug,
        ),
        Kind(
            name="cross",
            where="plug",
            places=2,
            what="Two plugs of the same sort sit in each other's sockets.",
            shows="One joint is told, another acts or answers: its motor, its count, its switch.",
            look="Move one joint by hand and see whose count and switch answer; read the labels.",
            mistaken="Encoder plugs for motor plugs; either for wrong axis numbers in the program.",
            caution="Another joint than the one you jog may move. " + _POWER_OFF,
            model="ISO 13849-2 table D.7, interchanged or incorrectly inserted",
            apply=_cross,
        ),
        Kind(
            name="weak",
            where="part",
            part="MOTOR",
            places=1,
            what="A drive's current is set too low for its motor.",
            shows="Lifting or fast moves fall short by whole multiples of four full steps.",
            look="The drive's setting; supply current; a slow move against a fast one.",
            mistaken="A slipping coupling; a joint that binds.",
            caution="Support the links: an arm that slips may fall.",
            model="IEC 61508-2 table A.1, drift (value from memory)",
            apply=_set("current=current"),
            parameters={"current": Parameter(0.3, 0.0, 1.0, "of the set current")},
        ),
        Kind(
            name="shift",
            where="part",
            part="SW",
            places=1,
            what="A limit switch's bracket has moved.",
            shows="Homing succeeds; every position of the joint is off by the same angle.",
            look="Level or witness mark at the trim pose.",
            mistaken="A wrong home offset; a slipping coupling.",
            caution="Nobody under the links; take the level off before moving.",
            model="ISO 13849-2 table D.8, mechanical position of the actuator (value from memory)",
            apply=_set("deg=deg"),
            parameters={"deg": Parameter(2.0, -5.0, 5.0, "deg")},
        ),
        Kind(
            name="micro",
            where="part",
            part="DRIVE",
            places=1,
            what="A drive's microstep setting is not what the arm file says.",
            shows="Travel and count are wrong by exactly a power of two.",
            look="The drive's setting; a jog of known length against the count.",
            mistaken="A wrong ratio in the arm file.",
            caution="A run of half the speed arrives late, one of double the speed hits harder.",
            model="IEC 61508-2 table A.1, wrong data (value from memory)",
            apply=_set("factor=microsteps"),
            parameters={"factor": Parameter(2.0, 0.0625, 16.0, "times the microsteps set")},
        ),
        Kind(
            name="doze",
            where="part",
            part="DRIVE",
            places=1,
            what="A drive cuts its current at standstill further than the load allows.",
            shows="A joint sags, or slips, half a second after it has stopped.",
            look="Level or mark over time after a stop.",
            mistaken="A slack belt; an arm that bends under its load.",
            caution="Support the links: an arm that slips may fall.",
            model="IEC 61508-2 table A.1, drift (value from memory)",
            apply=_set("current=standstill"),
            parameters={"current": Parameter(0.3, 0.0, 1.0, "of the running current")},
        ),
        Kind(
            name="late",
            where="part",
            part="DRIVE",
            places=1,
            what="A drive's DIR optocoupler goes dark more slowly than it lights.",
            shows="Two microsteps are lost for each there-and-back, always the same way.",
            look="Many short reversals against one long way: it grows with their number.",
            mistaken="A slipping coupling; backlash: both stay within bounds, this one adds up.",
            caution="A joint that creeps with every reversal reaches its stop in the end.",
            model="IEC 61508-2 table A.1, drift (value from memory)",
            apply=_set("s=late_s"),
            parameters={"s": Parameter(50e-6, 1e-6, 0.01, "s")},
        ),
        Kind(
            name="dirt",
            where="part",
            part="ENC",
            places=1,
            what="An encoder's disc is dirty or scratched: lines are missing.",
            shows="The same counts are lost once in every turn, fast or slow.",
            look="Counts from index to index, against the counts a turn.",
            mistaken="Motor current set too low: that loses multiples of four full steps; noise.",
            caution="Positions that drift with the way travelled end at a stop.",
            model="IEC 61508-2 table A.1, sensors: DC fault model (value from memory)",
            apply=_set("lines=lines"),
            parameters={"lines": Parameter(8.0, 1.0, 1000.0, "lines", whole=True)},
        ),
        Kind(
            name="slip",
            where="part",
            part="COUPLING",
            places=1,
            what="A coupling's or pulley's set screw is loose.",
            shows="The count is right, the joint falls short; homing scatters.",
            look="A witness mark across the coupling.",
            mistaken="Motor current set too low.",
            caution="Motor supply locked off before fingers go near a coupling.",
            model="ISO 13849-2 table A.4, loosening (value from memory)",
            apply=_set("n_m=n_m"),
            parameters={"n_m": Parameter(0.02, 0.0, 10.0, "N.m at the shaft")},
        ),
        Kind(
            name="play",
            where="part",
            part="GEAR",
            places=1,
            what="A worn gear or slack belt.",
            shows="By hand a dead band; a reversal falls short at the joint, not in the count.",
            look="Rock the joint with the shaft held; approach a mark from both sides.",
            mistaken="Motor current set too low.",
            caution="Motor supply locked off; pinch points.",
            model="ISO 13849-2 table A.4, wear (value from memory)",
            apply=_set("deg=play_deg"),
            parameters={"deg": Parameter(1.0, 0.01, 10.0, "deg at the joint")},
        ),
        Kind(
            name="pulley",
            where="part",
            part="GEAR",
            places=1,
            what="A pulley with the wrong number of teeth.",
            shows="Travel is wrong in proportion; the count agrees with the steps.",
            look="Count the teeth; jog a known angle and level it.",
            mistaken="A wrong microstep setting: that is off by a power of two.",
            caution="A joint that goes further than told reaches its stop.",
            model="none: an assembly fault (common practice, no published source)",
            apply=_set("factor=ratio"),
            parameters={"factor": Parameter(1.25, 0.2, 5.0, "times the right ratio")},
        ),
        Kind(
            name="bind",
            where="part",
            part="GEAR",
            places=1,
            what="A fouling cable or screw, or a bent shaft, binds at an angle.",
            shows="A stall, or lost steps, always at the same angle.",
            look="Drives off, sweep the joint by hand and feel.",
            mistaken="Motor current set too low: that scatters with load, not with the angle.",
            caution="Motor supply locked off; pinch points.",
            model="ISO 13849-2 table A.4, binding (value from memory)",
            apply=_set("deg=bind_deg", "n_m=bind_n_m", "width=bind_width_deg"),
            parameters={
                "deg": Parameter(0.0, -360.0, 360.0, "deg"),
                "n_m": Parameter(60.0, 0.1, 1000.0, "N.m at the joint"),
                "width": Parameter(4.0, 0.1, 90.0, "deg"),
            },
        ),
        Kind(
            name="sticky",
            where="part",
            part="SW",
            places=1,
            what="A switch's lever is slow to let go.",
            shows="Released later than it should be; the back-off does not free it.",
            look="Press and let go slowly; listen for the snap.",
            mistaken="A broken ground throw: the input lingers too.",
            caution="A switch that sticks protects nothing.",
            model="ISO 13849-2 table D.8, contact will not open",
            apply=_set("deg=sticky_deg"),
            parameters={"deg": Parameter(6.0, 0.1, 60.0, "deg at the joint")},
        ),
        Kind(
            name="overrun",
            where="part",
            part="SW",
            places=1,
            what="The cam passes beyond the switch and leaves its lever again.",
            shows="Pressed on the way, released again near the stop: 'not on the switch'.",
            look="A slow hand sweep to the stop, watching the input.",
            mistaken="A broken 3.3 V throw; a stop out of place.",
            caution="Homing from beyond the switch drives into the stop.",
            model="ISO 13849-2 table D.8, contact will not close",
            apply=_set("deg=overrun_deg"),
            parameters={"deg": Parameter(2.0, 0.1, 30.0, "deg past the operating point")},
        ),
        Kind(
            name="worn",
            where="part",
            part="SW",
            places=1,
            what="A switch's contacts are worn or dry.",
            shows="Nothing on an input that draws no current; a divider where there is a pull.",
            look="Ohms over repeated presses, plug out.",
            mistaken="A sound switch, as long as no current flows.",
            caution=_POWER_OFF,
            model="ISO 13849-2 table D.8, contact will not close, short of it",
            apply=_set("ohm=ohm"),
            parameters={"ohm": Parameter(1000.0, 0.1, 1e9, "ohm")},
        ),
        Kind(
            name="bounce",
            where="part",
            part="SW",
            places=1,
            what="A switch's contacts bounce when they make.",
            shows="Chatter at the contact. An input with a pull sees more than one edge for one "
            "operation; one without holds its level meanwhile.",
            look="A trace of the input around the edge.",
            mistaken="Noise on the input; two operations.",
            caution="Latch the first edge, not the last.",
            model="none: a property of contacts (J. Ganssle's survey: 1.6 ms mean, 6.2 ms worst)",
            apply=_set("s=bounce_s"),
            parameters={"s": Parameter(1.557e-3, 1e-4, 0.157, "s")},
        ),
        Kind(
            name="stuck",
            where="part",
            part="SW",
            places=1,
            what="A switch's contact is welded or its blade jammed: once on that throw, it stays.",
            shows="The input never changes again, whatever lever and cam do.",
            look="Press and let go, plug out: ohms from the common to both throws.",
            mistaken="A cam that misses the switch; a broken conductor of the other throw.",
            caution="A switch that sticks protects nothing.",
            model="ISO 13849-2 table D.8, contact will not open; contact will not close",
            apply=_set("on=stuck"),
            parameters={"on": Parameter(2.0, 1.0, 2.0, "1: at rest, 2: pressed", whole=True)},
        ),
        Kind(
            name="join",
            where="part",
            part="SW",
            places=1,
            what="The three terminals of a changeover switch are shorted: water, a stray strand.",
            shows="The 3.3 V rail collapses on 0 V, for every switch of the arm.",
            look="Volts of the 3.3 V rail while switch plugs come out one by one.",
            mistaken="A weak or dead 3.3 V supply.",
            caution=_POWER_OFF,
            model="ISO 13849-2 table D.8, simultaneous short of three change-over terminals",
            apply=_join,
            parameters={"ohm": Parameter(0.05, 0.001, 1e6, "ohm")},
        ),
        Kind(
            name="drop",
            where="line",
            places=1,
            what="Bytes get lost on the serial line.",
            shows="Missing or garbled replies, unknown commands in the error queue.",
            look="Repeat one query many times; compare replies.",
            mistaken="A program that falls over; a wrong baud rate.",
            caution="A program that repeats a move after a lost reply moves twice.",
            model="IEC 61508-2 table A.1, communication: no transmission (value from memory)",
            apply=None,
            parameters={"per": Parameter(1e-3, 0.0, 1.0, "lost per byte")},
        ),
    )
}
"""All kinds by name."""
