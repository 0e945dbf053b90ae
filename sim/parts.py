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
    "DRIVE": {"microsteps": 1.0, "standstill": 1.0, "late_s": 0.0},
    "ENC": {"lines": 0.0},
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
    },
}
"""What can be set on a part, with its sound value.

MOTOR: current, a fraction of the set current.
DRIVE: microsteps for each one that was set; the share of the current left at standstill; what the
DIR input takes longer to go dark.
ENC: lines missing from the disc.
COUPLING: the torque at the shaft at which it slips.
GEAR: more play; the ratio as a multiple of the right one; friction over a span of angles.
SW: shift of the bracket; a lag in letting go; how far beyond its operating point the cam leaves the
lever again (0: never); contact resistance; time for which contacts bounce; the throw that the
contact does not leave again (1: at rest, 2: pressed, 0: neither).
"""


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
        kind = part.split(".", 1)[1]
        return self.parameters.get(f"{part}.{name}", PARAMETERS[kind][name])

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
