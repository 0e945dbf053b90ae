"""What a scene may say of its stop circuit: a button with two contacts, and a contactor."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from .part import Part, Positive, Wire

STOP = "STOP"
"""What the names of the stop circuit's conductors begin with, and the name of the button's plug."""
_STARTS = {"11": "card", "12": "card", "21": "card", "22": "0V"}
_COLOURS = {"11": "BN", "12": "BU", "21": "WH", "22": "BK"}


def _wires() -> dict[str, Wire]:
    return {
        name: Wire.model_validate({"ohm_per_m": 0.12, "colour": _COLOURS[name], "from": start})
        for name, start in _STARTS.items()
    }


class StopPart(Part):
    """A STOP button on a cable; its terminals as EN 50005 numbers those of opening contacts.

    11-12 lies between `volts` behind `source_ohm`, which the card passes on from the host's cable,
    and the coil of the contactor that switches the motor supply; it closes at `close_v` and holds
    down to `hold_v`. 21-22 ties the card's stop input to 0 V, which else is pulled up to `logic_v`.
    Values from memory for a small contactor with a coil for 5 V.
    """

    cable_m: Annotated[float, Field(gt=0, le=50)] = 1.5
    contact_ohm: Positive = 0.05
    volts: Positive = 5.0
    source_ohm: Positive = 10.0
    coil_ohm: Positive = 125.0
    close_v: Positive = 3.75
    hold_v: Positive = 1.5
    logic_v: Positive = 3.3
    pull_ohm: Positive = 4700.0
    wires: dict[str, Wire] = Field(default_factory=_wires)

    @model_validator(mode="after")
    def _consistent(self) -> StopPart:
        starts = {name: wire.from_ for name, wire in self.wires.items()}
        if starts != _STARTS:
            expected = ", ".join(f"{name} from {start}" for name, start in _STARTS.items())
            raise ValueError(f"wires: got {starts}; expected exactly {expected}")
        if not self.hold_v < self.close_v < self.volts:
            raise ValueError(
                f"hold_v {self.hold_v} must lie below close_v {self.close_v}, and that below "
                f"volts {self.volts}"
            )
        return self
