"""Sound arms: no finding, and a true zero no worse than gauge and switch allow.

Accuracy of the gauges as the scene states it: level 0.1 deg (J2, J3, J5), witness mark 0.2 deg
(J1, J4, J6). Repeatability of a switch: 0.05 deg at its joint, either side (both figures lie in the
ranges of common practice, no published source).
"""

from __future__ import annotations

import pytest
import serial

from dryrig.commission.hand import PortHand
from dryrig.commission.run import commission
from dryrig.scenes import load_scene, scene_path

SCENE = load_scene("heron")


@pytest.mark.parametrize("seed", range(50))
def test_a_sound_arm_passes_and_knows_where_it_is(seed: int) -> None:
    url = f"dryrig://heron?seed={seed}&rig=sound"
    with serial.serial_for_url(f"{url}&port=teacher", timeout=10) as teacher:
        hand = PortHand.open(f"{url}&port=hands")
        try:
            result = commission(url, hand, scene_path("heron"))
        finally:
            hand.close()
        assert [check for check in result.checks if check.verdict != "pass"] == []
        assert result.verdict == "pass"
        teacher.write(b"TRUT:ANGL?\n")
        truth = [float(word) for word in teacher.readline().decode().split(",")]
    for joint, believed, true_deg in zip(SCENE.joint, result.joints, truth, strict=True):
        gauge = getattr(SCENE.gauges, joint.trim.gauge).accuracy_deg
        assert believed.angle_deg is not None
        error = believed.angle_deg - true_deg
        assert abs(error) <= gauge + SCENE.switch.repeat_deg, joint.name


def test_commissioning_never_speaks_to_the_teacher() -> None:
    from dryrig.protocol.lease import Lease
    from dryrig.protocol.url import parse_url

    lease = Lease(parse_url("dryrig://heron?seed=1&rig=log&port=teacher"))
    try:
        hand = PortHand.open("dryrig://heron?rig=log&port=hands")
        commission("dryrig://heron?rig=log", hand, scene_path("heron"))
        hand.close()
        assert lease.station.ports["card"].received_count > 1000
        assert lease.station.ports["teacher"].received_count == 0
    finally:
        lease.release()
