"""What a difference between steps and counts tells (common practice, no published source).

A motor that slips under torque loses whole electrical turns: multiples of four full steps. A
signal lost on its way to the drive loses single microsteps. Anything else is mechanics.
"""

from __future__ import annotations

from .arm import Joint

# The rotor lags its field by up to about a full step quarter under load: no loss.
LOAD_MOTOR_DEG = 1.1
# A microstep setting is a power of two; this near to one, the distance tells.
SCALE_TOLERANCE = 0.03


def load_counts(joint: Joint) -> float:
    """Counts by which a sound, loaded motor may differ from its command."""
    return _turn_counts(joint) * LOAD_MOTOR_DEG / 360.0


def slips(joint: Joint, missing_counts: float) -> int:
    """How many times four full steps `missing_counts` is, either way; 0 if it is no multiple."""
    quantum = _turn_counts(joint) * 4.0 / joint.motor.full_steps
    times = round(abs(missing_counts) / quantum)
    return times if abs(abs(missing_counts) - times * quantum) <= load_counts(joint) else 0


def classify(joint: Joint, missing_counts: float) -> str:
    """In words, what `missing_counts` is a multiple of."""
    turn_counts = _turn_counts(joint)
    missing = abs(missing_counts)
    if times := slips(joint, missing):
        return f"{times} x 4 full steps: the motor slipped under torque"
    if missing < turn_counts * 4.0 / joint.motor.full_steps:
        microsteps = missing / turn_counts * joint.motor.full_steps * joint.microsteps
        return f"about {microsteps:.0f} microsteps: step signals lost"
    return "no multiple of 4 full steps: mechanics or signals"


def power_of_two(ratio: float) -> int | None:
    """The k of a `ratio` that is 2**k within a few per cent; None for 1 and all others."""
    for exponent in (-5, -4, -3, -2, -1, 1, 2, 3, 4, 5):
        if abs(ratio / 2.0**exponent - 1.0) <= SCALE_TOLERANCE:
            return exponent
    return None


def _turn_counts(joint: Joint) -> float:
    """Counts for a turn of the motor."""
    return abs(joint.counts_per_deg) * 360.0 / joint.ratio
