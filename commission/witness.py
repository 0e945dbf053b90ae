"""A witness across motor and joint: what the count made of a motion, and what the eye saw of it.

An encoder on the motor tells of its shaft alone. Whether the joint went with it is seen at the
joint: by eye here, as by a mark across the coupling (common practice, no published source).
"""

from __future__ import annotations

from collections.abc import Mapping

from .arm import Joint
from .station import Station

# Two judgements of whole degrees, and the step between them.
EYE_DEG = 2.0
WITH_SHAFT = "the joint went with its motor's shaft"
NOT_WITH_SHAFT = "the joint did not go with its motor's shaft"


class Witness:
    """How all joints stood, by eye and by count, before what is watched."""

    def __init__(self, station: Station, by_eye_deg: Mapping[str, float]) -> None:
        self._station = station
        self._by_eye_deg = dict(by_eye_deg)
        self._counts = station.card.counts(station.channels)

    def words(self, joint: Joint) -> str:
        """What has become of a joint since, now that it stands still. Asks the eye."""
        count = self._station.card.counts([joint.channel])[joint.channel]
        by_count = (count - self._counts[joint.channel]) / joint.counts_per_deg
        by_eye = self._station.hand.look_deg(joint) - self._by_eye_deg[joint.name]
        words = (
            f"since it was energised it went {by_eye:+.0f} {joint.unit} by eye and "
            f"{by_count:+.0f} by count"
        )
        if joint.encoder.mount != "motor":
            return words
        apart = abs(by_eye - by_count) > EYE_DEG
        return f"{words}; {NOT_WITH_SHAFT if apart else WITH_SHAFT}"
