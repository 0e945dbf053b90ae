import pytest
import wrist_homing

from dryrig.testing import assert_homed


@pytest.mark.rig(seed=3, faults=["hum@J5.SW"])
def test_one_arm(rig, rig_time):
    wrist_homing.home(rig.port(timeout=1))
    assert_homed(rig, within_deg=0.3, joints=["J4", "J5"])
