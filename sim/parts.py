"""The state of the parts that a fault can break: resistances, bridges, plugs and parameters.

This is all a fault may touch. It can be written out and read back as plain data, so that a rig
can be rebuilt from its parts alone.
"""

from __future__ import annotations

import copy
import math
from dataclasses import asdict, dataclass, field
from typing import Any

PARAMETERS: dict[str, dict[str, float]] = {
    "MOTOR": {"current": 1.0},
    "DRIVE": {
        "microsteps": 1.0,
        "forgets": 0.0,
        "standstill": 1.0,
        "late_s": 0.0,
        "opto_ohm": 1.0,
        "ripple_deg": 0.0,
    },
    "ENC": {
        "lines": 0.0,
        "dead": 0.0,
        "dead_level": 0.0,
        "pull_up_ohm": 0.0,
        "index_turn": math.inf,
        "pickup": 1.0,
        "coupled_f": 0.0,
    },
    "COUPLING": {"n_m": math.inf},
    "GEAR": {
        "play_deg": 0.0,
        "ratio": 1.0,
        "bind_n_m": 0.0,
        "bind_deg": 0.0,
        "bind_width_deg": 4.0,
    },
    "SW": {
        "deg": 0.0,
        "sticky_deg": 0.0,
        "overrun_deg": 0.0,
        "ohm": 0.0,
        "bounce_s": 0.0,
        "stuck": 0.0,
        "film_ohm": 0.0,
        "pickup": 1.0,
        "coupled_f": 0.0,
    },
    "BRAKE": {"holds": 1.0, "drags": 0.0},
    "TOOL": {"kg": 0.0},
    "GRIPPER": {"jam_n": 0.0, "jam_mm": 0.0},
    "BASE": {"deg_per_n_m": 0.0},
    "CARD": {"reset_v": 0.0, "open_resets": 0.0},
    "CONTACTOR": {"welded": 0.0},
    "COUNTER": {"bits": 0.0},
    "PIN": {"stuck": 0.0, "shift_v": 0.0},
    "METER": {"red_ohm": 0.0, "black_ohm": 0.0, "in_amps": 0.0, "on_chassis": 0.0},
    "RAIL": {"volts": 1.0, "ohm": 0.0, "trip_v": math.inf},
}
"""What can be set on a part, with its sound value.

MOTOR: current, a fraction of the set current.
DRIVE: microsteps for each one that was set; the same once its supply has been away (0: it
remembers); the share of the current left at standstill; what the DIR input takes longer to go dark;
series resistors of its inputs as a multiple of the right ones; by how many electrical degrees its
field runs ahead and behind between full steps.
ENC: lines missing from the disc; a dead channel (1, 2, 3: A, B, Z) and the level it stays at;
resistance through which a high output is pulled up; where the index is, in turns of the disc from
where the limit switch operates (infinite: as assembled); pick-up of its cable as a multiple;
capacitance from each of its conductors to the motor's leads, farad.
COUPLING: the torque at the shaft at which it slips.
GEAR: more play; the ratio as a multiple of the right one; friction over a span of angles.
SW: shift of the bracket; a lag in letting go; how far beyond its operating point the cam leaves the
lever again (0: never); contact resistance; time for which contacts bounce; the throw that the
contact does not leave again (1: at rest, 2: pressed, 0: neither); the most that a film on its
contacts has, another at each operation; pick-up of its cable, and capacitance to the motor's leads
as of an encoder's.
BRAKE: the share of its torque that it holds with; the share that stays when it is released.
TOOL: mass beyond the payload that the scene tells of.
GRIPPER: the force that it takes to bring the fingers past a gap, and that gap.
BASE: by how much its mount gives.
CARD: volts of the 5 V rail below which the card resets (0: it lives on the host's cable); whether
opening the port resets it.
CONTACTOR: whether the motor supply's contacts have welded together.
COUNTER: bits of the card's counter of a joint (0: as the scene says).
PIN: the level that a pin of the card stays at (1: low, 2: high, 0: neither); what its thresholds
have shifted by.
METER: resistance of its red and its black lead; whether the red one is in the amps socket; whether
the black one is on the chassis where 0 V is meant.
RAIL: a supply's volts as a multiple; more internal resistance; volts at which one that takes
nothing back trips (infinite: it takes what motors give back).
"""

OUTPUTS = ("DIR", "STEP", "ENA")
INPUTS = ("SW.COM", "ENC.A", "ENC.B", "ENC.Z")
"""Pins of the card, by the conductors of a joint that start there."""


def sort_of(part: str) -> str:
    """The key of `PARAMETERS` for a part such as `J2.MOTOR`, `RAIL.5V`, `CARD.J3.DIR`, `TOOL`."""
    first, dot, rest = part.partition(".")
    if not dot:
        return first
    return {"RAIL": "RAIL", "CARD": "PIN"}.get(first, rest)


@dataclass
class Parts:
    """Resistance and far end of every conductor, extra resistors, set parameters."""

    ohm: dict[str, float]
    far_end: dict[str, str]
    bridges: list[tuple[str, str, float]] = field(default_factory=list)
    parameters: dict[str, float] = field(default_factory=dict)

    def set_resistance(self, conductor: str, ohm: float) -> None:
        """First primitive: the resistance of a conductor, ohms."""
        self.ohm[conductor] = ohm

    def bridge(self, one: str, other: str, ohm: float) -> None:
        """Second primitive: a resistor between two nodes, ohms."""
        self.bridges.append((one, other, ohm))

    def permute(self, one: str, other: str) -> None:
        """Third primitive: exchange the far ends of two conductors."""
        self.far_end[one], self.far_end[other] = self.far_end[other], self.far_end[one]

    def set_parameter(self, name: str, value: float) -> None:
        """Fourth primitive: a parameter of a part, e.g. `J2.MOTOR.current`."""
        self.parameters[name] = value

    def parameter(self, part: str, name: str) -> float:
        """A parameter as it is now."""
        return self.parameters.get(f"{part}.{name}", PARAMETERS[sort_of(part)][name])

    def copy(self) -> Parts:
        """An independent copy."""
        return copy.deepcopy(self)

    def to_dict(self) -> dict[str, Any]:
        """Plain data, fit for JSON."""
        return asdict(self)

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> Parts:
        """The inverse of `to_dict`."""
        bridges = [(str(a), str(b), float(ohm)) for a, b, ohm in data["bridges"]]
        return cls(dict(data["ohm"]), dict(data["far_end"]), bridges, dict(data["parameters"]))
