"""How an arm gets into the engine: its links from the URDF, rotors, what it carries, the table.

A rotor counts as ratio² times its inertia, added to its link about the joint axis, because pybullet
has no rotor inertia of its own. That is exact for the joint itself; joints nearer the base see the
rotor as well (on the Heron at most 6 %, on J4 11 %, where J6's rotor lies parallel to it).
"""

from __future__ import annotations

from typing import NamedTuple

from ..errors import SceneError
from ..scenes import Scene
from .engine import engine

_TABLE_HALF_M = (5.0, 5.0, 5.0)
_SLIDING = 0.5  # friction of bodies that touch: painted metal on wood (common practice)


class Loaded(NamedTuple):
    """Numbers in the engine: the arm, the table if there is one, the link of each joint."""

    arm: int
    table: int | None
    joints: list[int]


def load(client: int, scene: Scene, extra_kg: float) -> Loaded:
    """Load a scene's arm into an empty client, `extra_kg` more than its payload at its tool.

    Raises SceneError where URDF and scene do not agree.
    """
    arm = engine.loadURDF(
        str(scene.urdf_path),
        useFixedBase=True,
        flags=engine.URDF_USE_INERTIA_FROM_FILE
        | engine.URDF_USE_IMPLICIT_CYLINDER
        | engine.URDF_USE_SELF_COLLISION
        | engine.URDF_USE_SELF_COLLISION_EXCLUDE_PARENT,
        physicsClientId=client,
    )
    table = None if scene.table_m is None else _lay_table(client, scene.table_m)
    joints = _find_joints(client, arm, scene)
    if extra_kg:
        last = _tool(client, arm, joints)
        mass, _, inertia, *_ = engine.getDynamicsInfo(arm, last, client)
        # With a mass the engine takes the inertia of the link's shape, for the URDF's.
        for change in ({"mass": mass + extra_kg}, {"localInertiaDiagonal": inertia}):
            engine.changeDynamics(arm, last, physicsClientId=client, **change)
    _add_rotors(client, arm, joints, scene)
    return Loaded(arm, table, joints)


def _lay_table(client: int, height_m: float) -> int:
    shape = engine.createCollisionShape(
        engine.GEOM_BOX, halfExtents=_TABLE_HALF_M, physicsClientId=client
    )
    place = (0.0, 0.0, height_m - _TABLE_HALF_M[2])
    return int(engine.createMultiBody(0.0, shape, basePosition=place, physicsClientId=client))


def _find_joints(client: int, arm: int, scene: Scene) -> list[int]:
    links, kinds = {}, {}
    for link in range(engine.getNumJoints(arm, physicsClientId=client)):
        info = engine.getJointInfo(arm, link, physicsClientId=client)
        links[info[1].decode()], kinds[info[1].decode()] = link, info[2]
    missing = [joint.name for joint in scene.joint if joint.name not in links]
    if missing:
        raise SceneError(f"{scene.urdf}: no joint {', '.join(missing)}; it has {', '.join(links)}")
    moving = (engine.JOINT_REVOLUTE, engine.JOINT_PRISMATIC)
    movable = {name for name, kind in kinds.items() if kind in moving}
    strange = sorted(movable - {joint.name for joint in scene.joint})
    wrong = [
        joint.name
        for joint in scene.joint
        if (kinds[joint.name] == engine.JOINT_PRISMATIC) != (joint.kind == "linear")
    ]
    if strange or wrong:
        raise SceneError(
            f"{scene.urdf}: {', '.join(strange or wrong)}: expected the moving joints of the "
            "scene and no others, prismatic where the scene has a linear axis"
        )
    return [links[joint.name] for joint in scene.joint]


def _tool(client: int, arm: int, joints: list[int]) -> int:
    """The link at the end of the longest chain."""
    parent = {
        link: engine.getJointInfo(arm, link, physicsClientId=client)[16]
        for link in range(engine.getNumJoints(arm, physicsClientId=client))
    }

    def depth(link: int) -> int:
        return 0 if link < 0 else 1 + depth(parent[link])

    return max(joints, key=depth)


def _add_rotors(client: int, arm: int, joints: list[int], scene: Scene) -> None:
    for link in range(-1, engine.getNumJoints(arm, physicsClientId=client)):
        engine.changeDynamics(
            arm,
            link,
            linearDamping=0.0,
            angularDamping=0.0,
            jointDamping=0.0,
            lateralFriction=_SLIDING,
            restitution=0.0,
            physicsClientId=client,
        )
    for joint, link in zip(scene.joint, joints, strict=True):
        rotor = joint.ratio**2 * joint.motor.rotor_kg_m2
        if joint.kind == "linear":
            _add_mass(client, arm, scene, link, rotor)
            continue
        axis = engine.getJointInfo(arm, link, physicsClientId=client)[13]
        inertia = list(engine.getDynamicsInfo(arm, link, client)[2])
        inertia = [own + rotor * abs(part) for own, part in zip(inertia, axis, strict=True)]
        # In a call of its own: beside a damping the engine drops it without a word.
        engine.changeDynamics(arm, link, localInertiaDiagonal=inertia, physicsClientId=client)


def _add_mass(client: int, arm: int, scene: Scene, link: int, rotor_kg: float) -> None:
    """The rotor of a linear axis as mass that slides along, but weighs nothing."""
    info = engine.getJointInfo(arm, link, physicsClientId=client)
    if info[16] >= 0 or abs(info[13][2]) > 1e-9:
        raise SceneError(
            f"{scene.urdf}: {info[1].decode()}: a linear axis lies level and on the base"
        )
    mass = engine.getDynamicsInfo(arm, link, client)[0] + rotor_kg
    engine.changeDynamics(arm, link, mass=mass, physicsClientId=client)
