import wrist_homing

from dryrig.testing import Homing

wrist = Homing(wrist_homing.home, joints=("J4", "J5"), reports=(wrist_homing.HomingError,))

test_homes_a_sound_arm = wrist.homes_a_sound_arm(within_deg=0.3)
test_never_wrong_and_silent = wrist.never_wrong_and_silent(within_deg=0.3)
test_ends = wrist.ends_within(30)
test_tolerates_slow_replies = wrist.tolerates_slow_replies(most_delay_s=0.5)
