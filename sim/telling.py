"""What a recorder of moves is told: each stretch as it ends, and on demand the one under way."""

from __future__ import annotations

import math

from .locked import Arrival, Field, Locked
from .moves import Moves
from .pose import Pose


class Telling:
    """Tells one recorder at a time, or nobody, of a pose and how it moves."""

    def __init__(self, pose: Pose, locked: Locked) -> None:
        self._pose, self._locked = pose, locked
        self._recorder: Moves | None = None
        self._corner = True  # the stretch under way began with another acceleration
        self._told = 0  # tick of the engine's last word, and its torques then
        self._torques = [0.0] * pose.count

    def start(self, now: int, *, in_engine: bool) -> Moves:
        """Record every stretch from the one under way on."""
        pose = self._pose
        # The engine is a part of a sub-step behind: what it then does counts from here.
        began = self._told = now if in_engine else pose.tick
        self._recorder = moves = Moves(began, pose.recorded(pose.position, pose.shaft))
        moves.geared([gear.to_motor for gear in pose.gears])
        stretch = None if in_engine else self._locked.stretch
        torque = [0.0] * pose.count if stretch is None else self._locked.drive_torques(stretch)
        moves.add(began, began, moves.start, torque)
        return moves

    def stop(self) -> None:
        """No more of that."""
        self._recorder = None

    def geared(self) -> None:
        """Ratios may be others from here on."""
        if self._recorder is not None:
            self._recorder.geared([gear.to_motor for gear in self._pose.gears])

    def stood(self, tick: int) -> None:
        """The pose was set anew at a tick, with nothing live."""
        if self._recorder is not None:
            pose = self._pose
            after = pose.recorded(pose.position, pose.shaft)
            self._recorder.add(tick, tick, after, [0.0] * pose.count)

    def arrived(self, arrival: Arrival, held: list[float]) -> None:
        """A stretch in closed form, which began with shafts at `held`, ended at the pose."""
        if self._recorder is not None:
            pose = self._pose
            self._stretch(self._recorder, arrival, held, pose.position, pose.shaft, pose.tick)
        start, end = arrival.start, arrival.end
        self._corner = start is None or start.acceleration != end.acceleration

    def engine_from(self, tick: int) -> None:
        """The engine's next stretch begins at a tick."""
        self._told = tick

    def slipped(self, tick: int, torques: list[float]) -> None:
        """The engine came to a tick, the pose there."""
        before, self._told, self._torques = self._told, tick, torques
        if self._recorder is not None:
            pose = self._pose
            self._recorder.add(before, tick, pose.recorded(pose.position, pose.shaft), torques)

    def until(self, tick: int, *, in_engine: bool) -> Moves:
        """All stretches recorded, and as much as there is of the one under way at `tick`."""
        assert self._recorder is not None
        pose, locked = self._pose, self._locked
        moves = self._recorder.copy()
        if in_engine and tick > self._told:  # what the engine has done since its last word
            moves.add(self._told, tick, pose.recorded(pose.position, pose.shaft), self._torques)
        if in_engine or not locked.movers or tick == pose.tick:
            return moves
        field, reached = locked.evaluate(tick)
        under_way = Arrival(pose.tick, locked.stretch, field, None)
        self._stretch(moves, under_way, pose.shaft, reached.position, reached.shaft, tick)
        return moves

    def _stretch(
        self,
        moves: Moves,
        arrival: Arrival,
        held: list[float],
        position: list[float],
        shaft: list[float],
        tick: int,
    ) -> None:
        """Record a stretch that began with shafts at `held` and ends with these."""
        pose, start, end = self._pose, arrival.start, arrival.end
        first = last = acceleration = None
        if start is not None and tick > arrival.begin:
            acceleration = start.acceleration
            if self._corner:
                first = self._loose(start, held)
            if arrival.last is not None:
                last = pose.recorded(arrival.last.position, arrival.last.shaft)
        torque = self._locked.drive_torques(end)
        after = pose.recorded(position, shaft)
        moves.add(arrival.begin, tick, after, torque, acceleration, first, last)

    def _loose(self, start: Field, held: list[float]) -> list[float]:
        """Where a stretch would begin if friction did not hold shafts until their lag comes by."""
        behind = list(held)
        for joint in self._locked.movers:
            sense = start.velocity[joint] or start.acceleration[joint]
            if sense:
                behind[joint] = start.place[joint] - math.copysign(1.0, sense)
        reached = self._locked.behind(start, behind)
        return self._pose.recorded(reached.position, reached.shaft)
