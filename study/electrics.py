"""What a harness tells card and drives, in every state that a commissioning brings it into.

Two arms with the same levels, the same lit inputs and the same coil currents are one to whoever
does not measure in between.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..faults import Injector
from ..scenes import Scene
from ..sim import Rig
from ..sim.circuit import RAILS
from ..sim.drive import Coils
from ..sim.parts import OUTPUTS

_SEED = 0
_STATES = 4  # of A and B; the index is left out


@dataclass(frozen=True)
class Electrics:
    """One arm's. Volts and levels (0, 1, None: undecided or floating) by pin and state."""

    volts: dict[tuple[str, int], float]
    levels: dict[tuple[str, int], int | None]
    lit: dict[tuple[str, str], tuple[bool, bool, bool]]
    coils: dict[str, Coils]
    rails: dict[str, float]


def electrics(scene: Scene, faults: Sequence[str] = ()) -> Electrics:
    """Those of one arm of a scene with these faults in it, supplies on and drives off."""
    with Rig(scene, _SEED, start_pose_deg=scene.rest_pose_deg) as rig:
        injector = Injector(rig)
        for fault in faults:
            injector.insert(fault)
        return _read(rig)


def _read(rig: Rig) -> Electrics:
    harness, volts, levels, lit = rig.harness, {}, {}, {}
    for joint in rig.scene.joint:
        name = joint.name
        looked = [(f"{name}.ENC", range(_STATES), [f"CARD.{name}.ENC.{c}" for c in ("A", "B")])]
        looked.append((f"{name}.SW", range(2), [f"CARD.{name}.SW.COM"]))
        for part, settings, pins in looked:
            kept = harness.settings[part]
            for setting in settings:
                harness.settings[part] = setting
                for pin in pins:
                    seen = harness.look(pin)
                    read, ohm = seen.volt(pin), seen.source_ohm(pin)
                    volts[pin, setting] = read
                    low, high = rig.pins[pin].thresholds
                    solid = not rig.pins[pin].floats(ohm) and not low < read < high
                    levels[pin, setting] = int(read >= high) if solid else None
            harness.settings[part] = kept
        for output in ("", *OUTPUTS):
            if output:
                harness.settings[f"{name}.{output}"] = 1
            lit[name, output] = harness.lit(joint)
            if output:
                harness.settings[f"{name}.{output}"] = 0
    coils = {joint.name: harness.coil_currents(joint) for joint in rig.scene.joint}
    rails = {rail: harness.look(rail).volt(rail) for rail in RAILS[:-1]}
    return Electrics(volts, levels, lit, coils, rails)
