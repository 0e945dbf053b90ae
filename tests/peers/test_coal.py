"""Gaps between links, and with the table, against Coal, the collision library of Pinocchio.

Coal reads the same URDF by itself and measures by another method (its own GJK/EPA).
"""

from __future__ import annotations

import coal
import numpy as np
import pinocchio as pin

from dryrig.scenes import load_scene
from dryrig.sim.body import Body, Pair
from dryrig.sim.clearance import Clearance

SCENE = load_scene("heron")
assert SCENE.table_m is not None
LOOK_M = 0.5


class Peer:
    """The Heron's shapes in Coal, posed by Pinocchio."""

    def __init__(self) -> None:
        self.model = pin.buildModelFromUrdf(str(SCENE.urdf_path))
        self.data = self.model.createData()
        self.shapes = pin.buildGeomFromUrdf(
            self.model, str(SCENE.urdf_path), pin.GeometryType.COLLISION
        )
        self.posed = self.shapes.createData()
        self.table = coal.Box(10.0, 10.0, 10.0)
        self.under = coal.Transform3s(np.eye(3), np.array([0.0, 0.0, SCENE.table_m - 5.0]))

    def pose(self, angles_rad: list[float]) -> None:
        pin.updateGeometryPlacements(
            self.model, self.data, self.shapes, self.posed, np.array(angles_rad)
        )

    def _of(self, link: int) -> list[tuple[coal.CollisionGeometry, coal.Transform3s]]:
        found = []
        for shape, place in zip(self.shapes.geometryObjects, self.posed.oMg, strict=True):
            if shape.parentJoint == link + 1:
                found.append((shape.geometry, coal.Transform3s(place.rotation, place.translation)))
        assert found
        return found

    def gap_m(self, pair: Pair) -> float:
        others = [(self.table, self.under)] if pair.one is None else self._of(pair.one)
        gaps = []
        for one, there in self._of(pair.other):
            for other, here in others:
                result = coal.DistanceResult()
                coal.distance(one, there, other, here, coal.DistanceRequest(), result)
                gaps.append(result.min_distance)
        return float(min(gaps))


def test_every_gap_is_coals() -> None:
    """Of 40 poses from stop to stop: to 1.2 mm, by which the engine rounds edges."""
    random, peer, worst, apart = np.random.default_rng(4), Peer(), 0.0, 0
    body = Body(SCENE)
    try:
        assert len(body.pairs) == 20  # 15 of links that are no neighbours, 5 with the table
        for _ in range(40):
            angles = [float(np.radians(random.uniform(*joint.stops_deg))) for joint in SCENE.joint]
            body.set_state(angles, [0.0] * len(angles))
            peer.pose(angles)
            for pair in body.pairs:
                ours, theirs = body.gap_m(pair, LOOK_M), min(peer.gap_m(pair), LOOK_M)
                if theirs > 0.0:
                    worst, apart = max(worst, abs(ours - theirs)), apart + 1
                else:
                    assert ours < 1.2e-3
    finally:
        body.close()
    assert apart > 600
    assert worst < 1.2e-3


def test_a_way_that_is_called_free_is_free_by_coal() -> None:
    """Straight ways between poses: none is met before, and one where Coal sees it."""
    random, peer, met = np.random.default_rng(5), Peer(), 0
    body = Body(SCENE)
    clearance = Clearance(body)

    def least_m(angles: np.ndarray) -> float:
        peer.pose(list(angles))
        return min(peer.gap_m(pair) for pair in clearance.pairs)

    try:
        while met < 12:
            ends = [
                np.radians([random.uniform(*joint.travel_deg) for joint in SCENE.joint])
                for _ in range(2)
            ]
            if least_m(ends[0]) < 0.01:
                continue
            way = ends[1] - ends[0]

            def at(tick: int, start: np.ndarray = ends[0], way: np.ndarray = way) -> list[float]:
                return [float(angle) for angle in start + way * tick / 12_000_000]

            near = clearance.until(0, 12_000_000, at, at(0))
            shares = np.linspace(0.0, near / 12e6, 120)
            assert min(least_m(ends[0] + way * share) for share in shares) > 0.0005
            if near < 12_000_000:
                met += 1
                assert least_m(np.array(at(near))) < 0.0035
    finally:
        body.close()
