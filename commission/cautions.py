"""What to say before an act that can hurt someone.

Common practice, no published source; where a figure or a rule is quoted: lock-out and proving
dead after 29 CFR 1910.147(d), slow motion with nobody in reach after ISO 10218-1/-2 practice
(value from memory).
"""

from __future__ import annotations

SUPPORT = "Support the links before power goes: an arm that is not held falls."
FIRST_POWER = (
    "First power: cold checks done, nobody and nothing within the arm's reach, the motor supply "
    "comes last."
)
OHMS = (
    "Ohms: isolate, lock, wait for capacitors, prove the meter on a known source, then prove dead. "
    "The mains side is for qualified people."
)
STOP = (
    "Stop circuit: nobody in reach, the stand in place. It is this button and its wiring that stop "
    "an arm, no word on a serial line."
)
HANDS_ON = (
    "Hands on the arm: the motor supply is switched off and locked, not merely disabled. Mind the "
    "pinch points."
)
BRAKE = "Brake: the stand in place and the link held before its lever is opened: the arm falls."
LIVE_VOLTS = "Live volts: one hand, insulated probes, never the amps or ohms range."
DEAD = "Ohms: isolate, lock, wait, prove the meter on a known source, prove dead, then measure."
FIRST_JOG = (
    "First motion: emergency stop proved and in hand, one axis, small and slow, nobody in reach."
)
HOMING = (
    "Homing: switches and directions proved, the path is clear, nobody in reach, the stop proved "
    "and in hand."
)
LIMITED = "A hard stop is met: nobody near the joint, fingers off the end of its travel."
LEVELLING = "Levelling: nobody under the links; take the level off before the next motion."
AFTER_REPAIR = "After a repair: restore guards and settings, and run the affected checks again."
NO_VALIDATION = (
    "A simulator pass is no safety validation: the real arm needs its own risk assessment (ISO "
    "12100) and validated safety functions (ISO 13849-2)."
)

REPORT = (NO_VALIDATION, AFTER_REPAIR, SUPPORT, HANDS_ON, LIVE_VOLTS, FIRST_JOG)
