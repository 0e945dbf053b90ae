"""Published fault models, row by row: what injects each, or why nothing does.

ISO 13849-2:2012 annex D and IEC 61508-2:2010 table A.1, as far as they bear on an arm like this.
Rows are told in our own words. Wording and numbering of the tables are quoted from memory, except
where a row names a published source in which it was read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

ISO = "ISO 13849-2:2012 annex D"
IEC = "IEC 61508-2:2010 table A.1"
MEMORY = "from memory"
_GT_AND_BECKHOFF = "gt-engineering.it; Beckhoff EL2911 p. 23"
_HAAKE = "partly Haake HST p. 5, else from memory"


@dataclass(frozen=True)
class Row:
    """One fault of one element in a standard's list.

    `injected` holds faults in the grammar, none where `reason` says why it does not apply or is
    not modelled; where both are there, `reason` says what the injecting leaves out. `source` is
    where the wording was read, or "from memory".
    """

    standard: str
    table: str
    element: str
    fault: str
    injected: tuple[str, ...] = ()
    reason: str = ""
    source: str = MEMORY


def _iso(
    table: str,
    element: str,
    fault: str,
    *injected: str,
    reason: str = "",
    source: str = MEMORY,
) -> Row:
    return Row(ISO, table, element, fault, injected, reason, source)


def _iec(element: str, fault: str, *injected: str, reason: str = "") -> Row:
    return Row(IEC, "A.1", element, fault, injected, reason)


_BOARDS = "boards are modelled by their terminals: it shows as the same fault of a conductor there"
_EARTH = (
    "the chassis is earthed and no bond ties 0 V to it: a first short to it shows only by ohms, or "
    "to a meter on it; shorts to 0 V show what a bonded arm does"
)
_NO_CPU = "the card is modelled without a processor: it has pins, counters and a serial line"

ROWS: tuple[Row, ...] = (
    _iso(
        "D.4", "conductor", "short between any two conductors",
        "short@J5.ENC.A/J5.ENC.B", "short@J2.STEP/J3.STEP", "short@RAIL.5V/RAIL.0V",
        source=_GT_AND_BECKHOFF,
    ),
    _iso(
        "D.4", "conductor", "short to an exposed conductive part, earth or protective conductor",
        "short@J5.DIR/CHASSIS", "short@J5.DIR/RAIL.0V", "short@J5.ENC.5V/RAIL.0V",
        "short@J2.MOTOR.A+/RAIL.0V",
        reason=_EARTH, source=_GT_AND_BECKHOFF,
    ),
    _iso(
        "D.4", "conductor", "open circuit",
        "open@J3.DIR", "open@J5.ENC.0V", "open@J1.MOTOR.B-", "open@J4.SW.COM",
        source=_GT_AND_BECKHOFF,
    ),
    _iso("D.5", "printed circuit", "short between adjacent tracks", reason=_BOARDS),
    _iso("D.5", "printed circuit", "open track", reason=_BOARDS),
    _iso(
        "D.6", "terminal block", "short between adjacent terminals",
        "short@J3.DIR/J3.STEP", "short@J3.ENA/J3.OPTO0V", "short@J3.DRIVE.24V/J3.DRIVE.0V",
    ),
    _iso("D.6", "terminal block", "open terminal", "open@J3.OPTO0V", "open@J3.DRIVE.24V"),
    _iso(
        "D.7", "multi-pin connector", "short between adjacent pins",
        "short@J2.ENC.5V/J2.ENC.0V", "short@J2.MOTOR.A-/J2.MOTOR.B+",
    ),
    _iso(
        "D.7", "multi-pin connector", "conductors interchanged, or plug in the wrong socket",
        "swap@J2.ENC.A/J2.ENC.B", "swap@J2.DIR/J2.STEP", "swap@J4.SW.NC/J4.SW.NO",
        "cross@J2.ENC/J3.ENC", "cross@J2.MOTOR/J3.MOTOR",
    ),
    _iso(
        "D.7", "multi-pin connector", "short to earth or a conductive part",
        "short@J2.ENC.A/CHASSIS", "short@J2.ENC.A/RAIL.0V", reason=_EARTH,
    ),
    _iso(
        "D.7", "multi-pin connector", "open pin",
        "open@J2.ENC.A", "unplug@J2.ENC", "unplug@J5.SW",
    ),
    _iso(
        "D.8", "position switch", "contact will not close",
        "open@J5.SW.NO", "open@J5.SW.NC", "worn@J5.SW,ohm=1e9", "stuck@J5.SW,on=1",
        "overrun@J5.SW", "dry@J5.SW", source=_HAAKE,
    ),
    _iso(
        "D.8", "position switch", "contact will not open", "stuck@J5.SW,on=2", "sticky@J5.SW",
        source=_HAAKE,
    ),
    _iso(
        "D.8", "position switch", "short between adjacent contacts insulated from each other",
        "short@J5.SW.COM/J5.SW.NC", "short@J5.SW.NC/J5.SW.NO", source=_HAAKE,
    ),
    _iso(
        "D.8", "position switch", "simultaneous short of the three change-over terminals",
        "soaked@J5.SW", source=_HAAKE,
    ),
    _iso(
        "D.8", "STOP button", "contact will not close",
        "open@STOP.11", "open@STOP.21", "resist@STOP.21", source=_HAAKE,
    ),
    _iso(
        "D.8", "STOP button", "contact will not open",
        "short@STOP.11/STOP.12", "short@STOP.21/STOP.22", source=_HAAKE,
    ),
    _iso(
        "D.8", "STOP button", "short between contacts insulated from each other",
        "short@STOP.11/STOP.21", "short@STOP.12/STOP.22", source=_HAAKE,
    ),
    _iso("D.9", "contactor of the motor supply", "contact will not open", "weld@CONTACTOR"),
    _iso(
        "D.9", "contactor of the motor supply", "stays de-energised, or contact will not close",
        "open@STOP.12", "unplug@STOP", "blown@RAIL.24V",
        reason="a main contact that stays open is the rail without its supply",
    ),
    _iso(
        "D.9", "contactor of the motor supply", "short between contact pairs and coil",
        "short@STOP.12/RAIL.24V",
    ),
    _iso(
        "D.9", "contactor of the motor supply", "closing and opening contacts closed together",
        reason="it has closing contacts only, and no change-over contact",
    ),
    _iso(
        "D.10", "proximity switch", "all rows",
        reason="the arm has mechanical limit switches; an encoder's outputs are rows of IEC 61508",
    ),
    _iso("D.14", "resistor of a drive's input", "open circuit", "open@J3.STEP"),
    _iso(
        "D.14", "resistor of a drive's input", "short circuit",
        reason="not modelled: the light-emitting diode behind it would burn, and stays sound here",
    ),
    _iso(
        "D.14", "resistor of a drive's input", "random value, half to twice the nominal",
        "dim@J3.DRIVE,factor=0.5", "dim@J3.DRIVE,factor=2", "resist@J3.STEP,ohm=330",
    ),
    _iso(
        "D.17", "capacitor", "open, short, value",
        reason="the only capacitance modelled is that of the card's inputs, which stays sound",
    ),
    _iso("D.18", "optocoupler of a drive's input", "open lead", "open@J3.DIR", "open@J3.OPTO0V"),
    _iso(
        "D.18", "optocoupler of a drive's input", "short between any two leads",
        "short@J3.DIR/J3.OPTO0V",
        reason="from input to output only as far as both are on terminals of the harness",
    ),
    _iso(
        "D.18", "optocoupler of a drive's input", "change of a parameter",
        "resist@J3.ENA,ohm=1000",
    ),
    _iso(
        "D.18", "transistors of a drive's output", "open lead, or short between any two leads",
        "open@J3.MOTOR.A+", "short@J3.MOTOR.A+/RAIL.24V", "short@J3.MOTOR.A+/RAIL.0V",
        "short@J3.MOTOR.A+/J3.MOTOR.A-",
    ),
    _iso(
        "D.18", "transistors of a drive's output", "change of a parameter",
        "weak@J2.MOTOR", "idle@J2.DRIVE",
    ),
    _iso(
        "D.20, D.21", "integrated circuit: card, encoder", "open pin",
        "open@J3.DIR", "open@J5.ENC.B",
    ),
    _iso(
        "D.20, D.21", "integrated circuit: card, encoder", "short between any two pins",
        "short@J3.DIR/J3.ENA", "short@J5.ENC.A/J5.ENC.5V",
    ),
    _iso(
        "D.20, D.21", "integrated circuit: card, encoder", "stuck at 0",
        "frozen@CARD.J3.DIR", "frozen@CARD.J5.ENC.A", "dead@J5.ENC", "short@J3.DIR/RAIL.0V",
    ),
    _iso(
        "D.20, D.21", "integrated circuit: card, encoder", "stuck at 1",
        "frozen@CARD.J3.DIR,level=2", "frozen@CARD.J5.SW.COM,level=2", "dead@J5.ENC,level=1",
        "short@J3.DIR/RAIL.5V",
    ),
    _iso(
        "D.20, D.21", "integrated circuit: card, encoder", "oscillating output",
        "open@J5.SW.COM,duty=0.5", "open@J3.ENA,duty=0.5", "frozen@CARD.J3.STEP,duty=0.5",
        reason="as an output that comes and goes at random; no oscillator of a chosen frequency",
    ),
    _iso(
        "D.20, D.21", "integrated circuit: card, encoder", "change of a value",
        "drift@CARD.J5.SW.COM", "slow@J5.ENC", "resist@J5.ENC.A,ohm=4700",
    ),
    _iec(
        "electromechanical device", "does not energise or de-energise",
        "weld@CONTACTOR", "open@STOP.12", "brake@J2.BRAKE", "brake@J2.BRAKE,on=2",
        reason="brakes are on the Heron of the scene heron_brake only",
    ),
    _iec("electromechanical device", "welded contacts", "stuck@J5.SW", "weld@CONTACTOR"),
    _iec(
        "discrete hardware: digital input and output", "low: stuck-at",
        "frozen@CARD.J3.STEP", "frozen@CARD.J5.SW.COM", "short@J3.STEP/RAIL.0V",
        "short@J5.SW.COM/RAIL.3V3",
    ),
    _iec(
        "discrete hardware: digital input and output",
        "medium, high: DC fault model (stuck-at, stuck-open, open, shorts between signal lines)",
        "open@J3.STEP", "open@J5.SW.COM", "short@J3.DIR/J3.STEP",
    ),
    _iec(
        "discrete hardware: digital input and output", "medium, high: drift and oscillation",
        "drift@CARD.J5.SW.COM", "hum@J5.SW", "open@J5.SW.COM,duty=0.5",
    ),
    _iec("discrete hardware: analogue input and output", "all", reason="the card has none"),
    _iec(
        "discrete hardware: power supply", "low: stuck-at",
        "blown@RAIL.5V", "open@J3.DRIVE.24V", "short@RAIL.5V/RAIL.0V",
    ),
    _iec(
        "discrete hardware: power supply", "medium, high: DC fault model",
        "short@RAIL.3V3/RAIL.0V", "short@RAIL.5V/RAIL.3V3",
    ),
    _iec(
        "discrete hardware: power supply", "medium, high: drift and oscillation",
        "brownout@RAIL.24V", "sag@RAIL.5V", "reset@CARD", "resist@J3.DRIVE.24V,ohm=30",
        "brownout@RAIL.5V,duty=0.5",
    ),
    _iec("sensor: encoder", "low: stuck-at", "dead@J5.ENC", "open@J5.ENC.5V"),
    _iec(
        "sensor: encoder", "medium, high: DC fault model, drift and oscillation",
        "open@J5.ENC.A", "short@J5.ENC.A/J5.ENC.B", "resist@J5.ENC.0V,ohm=100", "dirt@J5.ENC",
        "slow@J5.ENC", "index@J5.ENC",
    ),
    _iec(
        "sensor: limit switch", "low: stuck-at; medium, high: also drift and oscillation",
        "stuck@J5.SW", "shift@J5.SW", "bounce@J5.SW",
    ),
    _iec(
        "final element: drive, motor, transmission",
        "low: stuck-at; medium, high: DC fault model, drift and oscillation",
        "open@J3.MOTOR.A+", "weak@J2.MOTOR", "bind@J1.GEAR", "slip@J4.COUPLING",
    ),
    _iec(
        "clock", "sub- or super-harmonic, jitter",
        reason="the card's clock is the rig's own; a step rate wrong by a factor shows as "
        "microsteps@J3.DRIVE does",
    ),
    _iec("communication", "wrong data or address", "noise@LINE", "baud@LINE"),
    _iec("communication", "no transmission", "cut@LINE", "drop@LINE", "cut@LINE,from=5"),
    _iec("communication", "repetition, insertion", "double@LINE"),
    _iec("communication", "delay", "delay@LINE", "stall@LINE"),
    _iec(
        "communication", "wrong sequence", reason="not modelled: the line keeps its bytes in order",
    ),
    _iec(
        "processing unit", "counter or register: wrong value", "overflow@J2.COUNTER",
        reason="of the card's counters alone: " + _NO_CPU,
    ),
    _iec(
        "variable memory", "information lost", "forget@J3.DRIVE", "reset@CARD", "autoreset@CARD",
        reason="settings and counters; single bits are not modelled",
    ),
    _iec("invariable memory, bus", "all", reason=_NO_CPU),
)  # fmt: skip
"""All rows, in the order of the standards."""


def injecting(rows: Sequence[Row] = ROWS) -> list[str]:
    """Every fault that the rows name, once."""
    return list(dict.fromkeys(fault for row in rows for fault in row.injected))
