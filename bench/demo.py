"""The demo: a rig with a hidden fault, commissioned over its ports, mended, commissioned again.

The rig is a child process; this process knows its three ports. The commissioning uses those of the
card and the hands; the demo itself plays the teacher.
"""

from __future__ import annotations

import random
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from rich.console import Console

from ..commission.hand import PortHand
from ..commission.line import Line
from ..commission.report import make_folder, write_report
from ..commission.result import Result
from ..commission.run import commission
from ..commission.terminal import progress_on, show
from ..errors import DryrigError

SCENE = "heron"
# What a beginner meets first: broken and crossed wires.
FAULTS = ("open@{0}.DIR", "swap@{0}.DIR/{0}.STEP", "open@{0}.SW.COM", "open@{0}.ENC.A",
          "open@{0}.ENC.0V")  # fmt: skip
JOINTS = 6
ROLES = ("card", "hands", "teacher")
END_S = 5.0


class DemoError(DryrigError):
    """The rig of the demo could not be started."""


def run_demo(
    console: Console, arm: Path, *, seed: int, fault: str | None, pace: float, report: Path
) -> int:
    """Play the demo; `report` is the folder for the page.

    Returns 0 when the fault was named and the mended arm passed, 1 otherwise, 2 when a
    commissioning could not run. Raises DemoError, or CommissionError from the teacher's port.
    """
    make_folder(report)
    hidden = fault or _hide(seed)
    console.print(f"A {SCENE} (seed {seed}) with one hidden fault, at {pace:g} times real time.")
    with _served(seed, hidden, pace) as ports:
        console.print(f"card {ports['card']}, hands {ports['hands']}\n", highlight=False)
        first = _commission(console, ports, arm)
        if first.verdict == "could not run":
            return first.exit_code
        with closing(Line.open(ports["teacher"], "teacher")) as teacher:
            console.print(f"\nThe teacher tells: it was {teacher.ask('FAUL:LIST?')[0]}.")
            teacher.ask("FAUL:CLE")
        console.print("Mended. Once more:\n")
        second = _commission(console, ports, arm)
        page = write_report(second, report)
    console.print(f"\nReport: {page}", soft_wrap=True, highlight=False)
    place = hidden.partition(",")[0]
    named = any(suspect.fault == place for suspect in first.suspects)
    if not named:
        console.print(f"The first run did not name {place} among its suspects.")
    return 0 if named and second.verdict == "pass" else max(second.exit_code, 1)


def _hide(seed: int) -> str:
    generator = random.Random(seed)
    return generator.choice(FAULTS).format(f"J{generator.randint(1, JOINTS)}")


def _commission(console: Console, ports: dict[str, str], arm: Path) -> Result:
    with closing(PortHand.open(ports["hands"])) as hand, progress_on(console) as progress:
        result = commission(ports["card"], hand, arm, progress)
    show(result, console)
    return result


@contextmanager
def _served(seed: int, fault: str, pace: float) -> Iterator[dict[str, str]]:
    """A rig in a child process, ended with the block; gives the paths of its ports."""
    command = [sys.executable, "-m", "dryrig", "serve", SCENE, "--seed", str(seed),
               "--fault", fault, "--pace", str(pace)]  # fmt: skip
    child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        yield _ports(child)
    finally:
        child.terminate()
        try:
            child.communicate(timeout=END_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.communicate()


def _ports(child: subprocess.Popen[str]) -> dict[str, str]:
    assert child.stdout is not None
    assert child.stderr is not None
    ports = {}
    for line in child.stdout:
        role, _, path = line.strip().partition(": ")
        if role in ROLES:
            ports[role] = path
        if len(ports) == len(ROLES):
            return ports
    raise DemoError(f"the rig did not start: {child.stderr.read().strip()}")
