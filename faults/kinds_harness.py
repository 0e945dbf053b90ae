"""Kinds of fault in the harness: conductors, terminals, plugs, and what their cables pick up."""

from __future__ import annotations

from .gates import Parameter
from .kind import POWER_OFF, Kind, cross, open_circuit, resist, setting, short, swap, unplug

KINDS = (
    Kind(
        name="open",
        where="conductor",
        what="A conductor is broken, a pin pushed back, a screw on insulation.",
        shows="What hangs on it is dead, frozen or floats: an input near 0 V that drifts.",
        look="Volts at both ends of the conductor; power off, plug out: ohms end to end.",
        mistaken=(
            "On DIR a sign setting; on STEP, ENABLE or 24 V a dead drive; on one coil low "
            "current; on an encoder wire a stall, a slipping coupling or a dead encoder; on a"
            " switch wire a bad switch."
        ),
        caution=POWER_OFF,
        model="ISO 13849-2 table D.4, open circuit of any conductor",
        apply=open_circuit,
    ),
    Kind(
        name="resist",
        where="conductor",
        what="A corroded contact or a loose crimp puts resistance into a conductor.",
        shows="Nothing on a signal that draws no current; sagging volts on one that does.",
        look="Volts along the conductor while it carries current; power off: ohms.",
        mistaken="A sound conductor: volts without current look right.",
        caution=POWER_OFF,
        model="ISO 13849-2 table D.4, with the resistance short of an open circuit",
        apply=resist,
        parameters={"ohm": Parameter(4700.0, 0.01, 1e12, "ohm")},
    ),
    Kind(
        name="short",
        where="node",
        places=2,
        what="Two conductors touch: clamped insulation, a whisker, a splash of solder.",
        shows="Both follow each other, or one rail pulls the other down.",
        look="Volts of both against 0 V; power off, plugs out: ohms between them.",
        mistaken="A weak supply; a dead part; noise.",
        caution=POWER_OFF,
        model="ISO 13849-2 table D.4, short circuit between any two conductors",
        apply=short,
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
        caution=POWER_OFF,
        model="ISO 13849-2 table D.7, interchanged or incorrectly inserted",
        apply=swap,
    ),
    Kind(
        name="unplug",
        where="plug",
        what="A plug is not in its socket, or not far enough.",
        shows="All that hangs on the plug is dead or floats, every conductor of it.",
        look="See and push every plug; volts at both sides of it.",
        mistaken="A dead part; a broken cable.",
        caution="Never plug or unplug a motor lead live. " + POWER_OFF,
        model="ISO 13849-2 table D.7, open circuit of connector pins, all at once",
        apply=unplug,
    ),
    Kind(
        name="cross",
        where="plug",
        places=2,
        what="Two plugs of the same sort sit in each other's sockets.",
        shows="One joint is told, another acts or answers: its motor, its count, its switch.",
        look="Move one joint by hand and see whose count and switch answer; read the labels.",
        mistaken="Encoder plugs for motor plugs; either for wrong axis numbers in the program.",
        caution="Another joint than the one you jog may move. " + POWER_OFF,
        model="ISO 13849-2 table D.7, interchanged or incorrectly inserted",
        apply=cross,
    ),
    Kind(
        name="hum",
        where="part",
        parts=("ENC", "SW"),
        what="A signal cable lies beside a mains cable, or its screen is not connected.",
        shows="Nothing while an input is driven; one that floats counts or chatters the more.",
        look="AC volts at the input, the cable moved away; the same with a conductor open.",
        mistaken="An open conductor alone; a bad encoder.",
        caution="Mains cables are for qualified people.",
        model="IEC 61508-2 table A.1, drift and oscillation (value from memory)",
        apply=setting("factor=pickup"),
        parameters={"factor": Parameter(30.0, 0.0, 1e6, "times the sound pick-up")},
    ),
    Kind(
        name="chopper",
        where="part",
        parts=("ENC", "SW"),
        what="A signal cable lies beside the motor's leads, without a screen between them.",
        shows="Counts or chatter only while that drive is on, and only where an input is driven "
        "weakly or not at all.",
        look="Disable the drives one by one; AC volts at the input, drive on and off.",
        mistaken="Mains hum, which stays with the drives off; a bad encoder.",
        caution="A drive that is off lets a limp link fall: support it first.",
        model="IEC 61508-2 table A.1, drift and oscillation (value from memory)",
        apply=setting("farad=coupled_f"),
        parameters={"farad": Parameter(100e-12, 1e-13, 1e-8, "F to the motor's leads")},
    ),
)
"""In the order in which they are listed."""
