"""An arm of our own to hold the plant to: no engine, no closed form, none of the plant's code.

Equations of motion from the URDF's numbers by Newton and Euler with the links' Jacobians
(Siciliano et al., Robotics, ch. 7: value from memory), each motor with its whole torque-angle
curve T = Th sin(p (phi - theta)), rotor inertia, Coulomb friction that sticks and slides, rigid
hard stops. Integrated by scipy's DOP853 from one change of friction or contact to the next.
"""

from __future__ import annotations

import math
import signal
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from reference_trial import Reference, Trial
from scipy.integrate import solve_ivp

Array = np.ndarray[Any, Any]
_CROSS = np.zeros((3, 9))
_CROSS[[0, 0, 1, 1, 2, 2], [7, 5, 2, 6, 3, 1]] = [1, -1, 1, -1, 1, -1]
_TOUCH_RAD = 1e-12
_STUCK_RAD_S, _START_RAD_S = 1e-10, 1e-8


def _skew(vectors: Array) -> Array:
    """Matrices (n, 3, 3) that multiply from the left as vectors (n, 3) do in a cross product."""
    return (vectors @ _CROSS).reshape(-1, 3, 3)


def _numbers(element: ET.Element, key: str) -> Array:
    return np.array([float(part) for part in element.attrib[key].split()])


def _rotation(rpy: Array) -> Array:
    (cr, cp, cy), (sr, sp, sy) = np.cos(rpy), np.sin(rpy)
    return np.array(
        [
            [cy * cp, cy * sp * sr - sy * cr, cy * sp * cr + sy * sr],
            [sy * cp, sy * sp * sr + cy * cr, sy * sp * cr - cy * sr],
            [-sp, cp * sr, cp * cr],
        ]
    )


class Links:
    """Rigid links of a serial arm, read from a URDF; `rotor_kg_m2` at the joint, one a joint.

    `rotor_on_link` counts a rotor as the plant says it does: as inertia of the driven link about
    its joint's axis. Otherwise it is a true rotor, which only its own joint feels.
    """

    def __init__(self, urdf: Path, rotor_kg_m2: Array, *, rotor_on_link: bool = True) -> None:
        robot = ET.parse(urdf).getroot()
        joints = [joint for joint in robot.findall("joint") if joint.get("type") == "revolute"]
        links = {link.get("name"): link for link in robot.findall("link")}
        self.count = len(joints)
        turn, first, second, inertia, axes = [], [], [], [], []
        offset, lever, mass = [], [], []
        for joint, rotor in zip(joints, rotor_kg_m2, strict=True):
            origin, axis = joint.find("origin"), _numbers(joint.find("axis"), "xyz")
            offset.append(_numbers(origin, "xyz"))
            fixed = _rotation(_numbers(origin, "rpy"))
            skew = np.array(
                [[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]]
            )
            turn.append(fixed)
            first.append(fixed @ skew)
            second.append(fixed @ skew @ skew)
            axes.append(axis)
            inertial = links[joint.find("child").get("link")].find("inertial")
            place, tensor = inertial.find("origin"), inertial.find("inertia")
            own = {key: float(value) for key, value in tensor.attrib.items()}
            matrix = np.array(
                [
                    [own["ixx"], own["ixy"], own["ixz"]],
                    [own["ixy"], own["iyy"], own["iyz"]],
                    [own["ixz"], own["iyz"], own["izz"]],
                ]
            )
            turned = _rotation(_numbers(place, "rpy"))
            matrix = turned @ matrix @ turned.T
            if rotor_on_link:
                matrix = matrix + rotor * np.outer(axis, axis)
            inertia.append(matrix)
            mass.append(float(inertial.find("mass").get("value")))
            lever.append(_numbers(place, "xyz"))
        self._turn, self._first, self._second = map(np.array, (turn, first, second))
        self._offset, self._lever = np.array(offset)[..., None], np.array(lever)[..., None]
        self._axes, self._inertia = np.array(axes)[..., None], np.array(inertia)
        self._weight = np.repeat(mass, 3)
        self._armature = np.zeros(self.count) if rotor_on_link else np.asarray(rotor_kg_m2)
        self._outer = np.triu(np.ones((self.count, self.count)))[..., None]
        self.gravity_m_s2 = np.array([0.0, 0.0, -9.81])

    def equations(self, q: Array, rate: Array) -> tuple[Array, Array]:
        """Mass matrix and the torques of gravity, centrifugal and Coriolis forces."""
        n = self.count
        steps = (
            self._turn
            + np.sin(q)[:, None, None] * self._first
            + (1 - np.cos(q))[:, None, None] * self._second
        )
        before, turn = np.empty((n, 3, 3)), np.empty((n, 3, 3))
        here = np.eye(3)
        for i in range(n):
            before[i] = here
            here = turn[i] = here @ steps[i]
        hops = before @ self._offset
        origin = np.cumsum(hops, axis=0)[..., 0]
        z = (turn @ self._axes)[..., 0]
        arm = turn @ self._lever
        inertia = turn @ self._inertia @ turn.transpose(0, 2, 1)
        centre = origin + arm[..., 0]
        # First index: joint, second: link that it moves, zero for links before it.
        move = (centre - origin[:, None, :]) @ _skew(z).transpose(0, 2, 1) * self._outer
        spin = z[:, None, :] * self._outer
        by_joint, spin_by_joint = move.reshape(n, 3 * n), spin.reshape(n, 3 * n)
        turning = (inertia @ spin[..., None])[..., 0].reshape(n, 3 * n)
        mass = (by_joint * self._weight) @ by_joint.T + turning @ spin_by_joint.T
        mass.flat[:: n + 1] += self._armature
        # Accelerations that remain with no joint accelerating.
        own = z * rate[:, None]
        w = np.cumsum(own, axis=0)
        around = _skew(w)
        alpha = np.cumsum((around @ own[..., None])[..., 0], axis=0)  # own x own vanishes
        swing = _skew(alpha) + around @ around
        acceleration = swing @ arm
        acceleration[1:] += np.cumsum(swing[:-1] @ hops[1:], axis=0)
        force = self._weight * (acceleration[..., 0] - self.gravity_m_s2).ravel()
        moment = inertia @ alpha[..., None] + around @ (inertia @ w[..., None])
        return mass, by_joint @ force + spin_by_joint @ moment.ravel()


class Arm:
    """Links driven by stepping motors. Everything at the joint unless said.

    `field_rad(t)` gives the electrical angles of the fields, `current(t)` the motor currents as
    fractions of the set ones; an entry a joint. A joint's motor pulls with
    `sign * peak * current * sin(field - (gear * q + phase))`, N m, gear signed as `sign` is.
    """

    def __init__(
        self,
        links: Links,
        *,
        peak_n_m: Array,
        gear: Array,
        phase_rad: Array,
        friction_n_m: Array,
        stops_rad: Array,
        field_rad: Callable[[float], Array],
        current: Callable[[float], Array],
    ) -> None:
        self.links, self.count = links, links.count
        self._pull, self._gear = np.sign(gear) * peak_n_m, gear
        self._phase, self._friction = phase_rad, friction_n_m
        self._low, self._high = stops_rad.T
        self.field_rad, self.current = field_rad, current
        self._mode = np.zeros(self.count)  # -1, +1: sliding that way; 0: stuck

    def _forces(self, t: float, q: Array, rate: Array) -> tuple[Array, Array]:
        mass, bias = self.links.equations(q, rate)
        angle = self.field_rad(t) - (self._gear * q + self._phase)
        return mass, self._pull * self.current(t) * np.sin(angle) - bias

    def _accelerate(self, mass: Array, push: Array, mode: Array) -> tuple[Array, Array]:
        """Accelerations, and the force each stuck joint needs to stay."""
        result, hold = np.zeros(self.count), np.zeros(self.count)
        free = mode != 0
        if free.any():
            drive = push[free] - mode[free] * self._friction[free]
            result[free] = np.linalg.solve(mass[np.ix_(free, free)], drive)
        stuck = ~free
        hold[stuck] = mass[stuck] @ result - push[stuck]
        return result, hold

    def _limits(self, q: Array) -> tuple[Array, Array]:
        """What friction and a hard stop can give to keep a joint where it is."""
        least, most = -self._friction.copy(), self._friction.copy()
        most[q <= self._low + _TOUCH_RAD] = math.inf
        least[q >= self._high - _TOUCH_RAD] = -math.inf
        return least, most

    def _stick(self, t: float, q: Array, rate: Array) -> None:
        """Which of the standing joints stick, and which way the others start to slide.

        Friction is the force within its limits that keeps a joint still or, where it cannot,
        works against it: found by Gauss-Seidel's method, each force clipped to its limits.
        """
        mode = np.sign(rate)
        mass, push = self._forces(t, q, rate)
        still = np.flatnonzero(mode == 0)
        least, most = self._limits(q)
        inverse = np.linalg.inv(mass)
        give = inverse[np.ix_(still, still)]
        change = inverse[still] @ (push - mode * self._friction)
        force, before = np.zeros(len(still)), np.full(len(still), math.inf)
        while np.abs(force - before).max(initial=0.0) > 1e-12:
            before = force.copy()
            for i, joint in enumerate(still):
                pull = force[i] - (change[i] + give[i] @ force) / give[i, i]
                force[i] = min(max(pull, least[joint]), most[joint])
        mode[still] = np.where(force == most[still], -1.0, np.where(force == least[still], 1.0, 0))
        self._mode = mode

    def _slope(self, t: float, state: Array) -> Array:
        q, rate = state[: self.count], state[self.count :]
        mass, push = self._forces(t, q, rate)
        acceleration, _ = self._accelerate(mass, push, self._mode)
        return np.concatenate((np.where(self._mode != 0, rate, 0.0), acceleration))

    def _events(self) -> list[Callable[[float, Array], float]]:
        n, mode = self.count, self._mode
        sliding, stuck = np.flatnonzero(mode), np.flatnonzero(mode == 0)
        events: list[Callable[[float, Array], float]] = []
        if sliding.size:
            way = mode[sliding]

            def slower(t: float, state: Array) -> float:
                return float(np.min(way * state[n + sliding]))

            edge = np.where(way > 0, self._high[sliding], self._low[sliding])

            def nearer(t: float, state: Array) -> float:
                return float(np.min(way * (edge - state[sliding])))

            events += [slower, nearer]
        if stuck.size and sliding.size < n:

            def firmer(t: float, state: Array) -> float:
                mass, push = self._forces(t, state[:n], state[n:])
                _, hold = self._accelerate(mass, push, mode)
                least, most = self._limits(state[:n])
                return float(np.min(np.minimum(most - hold, hold - least)[stuck])) + 1e-7

            events.append(firmer)
        for event in events:
            event.terminal = True  # type: ignore[attr-defined]
            event.direction = -1.0  # type: ignore[attr-defined]
        return events

    def _strike(self, q: Array, rate: Array) -> Array:
        """A joint that reaches its stop is brought to rest there, inelastic; others are kicked."""
        for joint in range(self.count):
            low = q[joint] <= self._low[joint] + _TOUCH_RAD
            high = q[joint] >= self._high[joint] - _TOUCH_RAD
            if (low and rate[joint] < 0) or (high and rate[joint] > 0):
                q[joint] = self._low[joint] if low else self._high[joint]
                mass, _ = self.links.equations(q, rate)
                kick = np.linalg.inv(mass)[joint]
                rate = rate - kick * rate[joint] / kick[joint]
                rate[joint] = 0.0
        return rate

    def run(
        self,
        start_rad: Sequence[float],
        times_s: Sequence[float],
        *,
        rate_rad_s: Sequence[float] | None = None,
        corners_s: Sequence[float] = (),
        rtol: float = 1e-7,
        longest_s: float = math.inf,
    ) -> Array:
        """Joint angles (rad) at `times_s` (ascending, from the first on), shape (times, joints).

        `corners_s` are the times at which the command's acceleration jumps.
        """
        q, n = np.array(start_rad, dtype=float), self.count
        rate = np.zeros(n) if rate_rad_s is None else np.array(rate_rad_s, dtype=float)
        t, end = float(times_s[0]), float(times_s[-1])
        cuts = sorted({c for c in corners_s if t < c < end} | {end})
        wanted, out, done = np.asarray(times_s, dtype=float), np.empty((len(times_s), n)), 0
        step = 1e-4
        while t < end:
            while cuts[0] <= t:
                cuts.pop(0)
            self._stick(t, q, rate)
            # What starts to slide gets a trace of speed, so that its event starts off zero.
            rate = np.where((rate == 0) & (self._mode != 0), self._mode * _START_RAD_S, rate)
            solution = solve_ivp(
                self._slope,
                (t, cuts[0]),
                np.concatenate((q, rate)),
                method="DOP853",
                rtol=rtol,
                atol=1e-10,
                events=self._events(),
                first_step=min(step, cuts[0] - t),
                max_step=longest_s,
                dense_output=True,
            )
            assert solution.success, solution.message
            reached = float(solution.t[-1])
            while done < len(wanted) and wanted[done] <= reached:
                out[done] = solution.sol(wanted[done])[:n]
                done += 1
            t, state = reached, solution.y[:, -1]
            q, rate = state[:n].copy(), state[n:].copy()
            if solution.status == 1:
                rate = self._strike(q, rate)
                # A joint that has just come to rest or that turned round rests for this instant.
                turned = (self._mode != 0) & (self._mode * rate <= _STUCK_RAD_S)
                rate[turned] = 0.0
                q = np.clip(q, self._low, self._high)
        self.rate_rad_s = rate
        return out


@pytest.fixture(scope="session")
def reference_links() -> type[Links]:
    return Links


@pytest.fixture(scope="session")
def reference_arm() -> type[Arm]:
    return Arm


@contextmanager
def _serving(folder: Path, *options: str) -> Iterator[dict[str, str]]:
    roles = ("card", "hands", "teacher")
    command = [sys.executable, "-m", "dryrig", "serve", "heron", "--pace", "20", *options]
    command += ["--link", str(folder / "card"), "--hands-link", str(folder / "hands")]
    command += ["--teacher-link", str(folder / "teacher")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            lines = [process.stdout.readline().strip() for _ in roles]
            yield dict(line.split(": ", 1) for line in lines)
        finally:
            process.send_signal(signal.SIGTERM)
            assert process.wait(60) == 0


@pytest.fixture(scope="session")
def serving() -> Callable[..., Any]:
    """`with serving(folder, *options) as paths`: a Heron at 20 times real time, paths by port."""
    return _serving


@pytest.fixture(scope="module")
def follow(reference_links: Any, reference_arm: Any) -> Reference:
    return Reference(reference_links, reference_arm)


@pytest.fixture
def attempt() -> Iterator[Callable[..., Trial]]:
    trials = []

    def begin(*args: Any, **options: Any) -> Trial:
        trials.append(Trial(*args, **options))
        return trials[-1]

    yield begin
    for trial in trials:
        trial.rig.close()
