"""The stand under the links, as live joints meet it that cannot hold their load.

Limp links rest on it where they are (`slipping`), and a motor that holds lifts its link clear. One
that slips sinks by a well, to where the stand catches it. A person who jogs an arm on its stand
lowers the stand with the link, so its place follows the field down, but not up.
"""

from __future__ import annotations

from collections.abc import Sequence

from .pose import Pose

_N_M_PER_RAD = 5000.0
_N_M_S_PER_RAD = 4.0


class _Prop:
    """What stands under one link: `up` (1 or -1) is away from the ground, in joint rad."""

    __slots__ = ("field", "floor", "up")

    def __init__(self, floor: float, up: float, field: float) -> None:
        self.floor, self.up, self.field = floor, up, field


class Stand:
    """The props under the links of live joints, while the engine moves them."""

    def __init__(self, pose: Pose) -> None:
        self._pose = pose
        self._props: dict[int, _Prop] = {}

    def clear(self) -> None:
        """Take all props away."""
        self._props.clear()

    def set(self) -> None:
        """Put props under the links of joints that have come live, and take away the others."""
        pose, props = self._pose, self._props
        drives = pose.drives if pose.stand else []
        live = [joint for joint, drive in enumerate(drives) if drive.live and drive.regular]
        for joint in [joint for joint in props if joint not in live]:
            del props[joint]
        new = [joint for joint in live if joint not in props]
        if new:
            weight = pose.body.weight(pose.position)
            for joint in new:
                gear = pose.gears[joint]
                if abs(weight[joint]) > gear.friction_n_m:
                    up = 1.0 if weight[joint] > 0 else -1.0
                    well = pose.drives[joint].well_rad / abs(gear.to_motor)
                    props[joint] = _Prop(pose.position[joint] - up * well, up, self._field(joint))

    def follow(self) -> None:
        """Lower the props as far as fields have been moved down."""
        for joint, prop in self._props.items():
            field = self._field(joint)
            prop.floor += prop.up * min(0.0, prop.up * (field - prop.field))
            prop.field = field

    def push(self, position: Sequence[float], torques: list[float]) -> None:
        """Add what the props give to links that have sunk onto them, N·m."""
        for joint, prop in self._props.items():
            depth = prop.up * (prop.floor - position[joint])
            if depth > 0.0:
                sinks = -prop.up * self._pose.body.state()[1][joint]
                borne = _N_M_PER_RAD * depth + _N_M_S_PER_RAD * sinks
                torques[joint] += prop.up * max(0.0, borne)

    def _field(self, joint: int) -> float:
        pose = self._pose
        return pose.drives[joint].field(pose.tick)[0] / pose.gears[joint].to_motor
