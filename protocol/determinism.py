"""Does a scene repeat itself? Random runs, replayed in processes of their own."""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
from pathlib import Path

from ..faults.catalogue import enumerate_faults
from ..scenes import load_scene
from ..sim.clock import TICKS_PER_S
from .run_file import Diverged, Recorder
from .station import Station

_LONGEST_TICKS = TICKS_PER_S // 2
_REPLAY = """
import sys
from pathlib import Path
from dryrig.errors import DryrigError
from dryrig.protocol.run_file import Run
for name in sys.argv[1:]:
    try:
        Run.read(Path(name)).replay()
    except DryrigError as error:
        sys.exit(f"{error}\\nsee it again: dryrig replay {name}")
"""


def random_run(scene: str | Path, seed: int, actions: int = 20) -> str:
    """The text of a run file: a random arm, sometimes faulty, used at random by cards and hands.

    Raises SceneError.
    """
    draw = random.Random(f"run {seed}")
    catalogue = list(enumerate_faults(load_scene(scene)))
    faults = draw.sample(catalogue, draw.choice((0, 0, 1, 2)))
    with Station.build(scene, seed=seed, faults=faults) as station:
        recorder = Recorder(station, str(scene), faults)
        for port in station.ports.values():
            port.connect()
        for _ in range(actions):
            station.rig.advance(station.rig.now + draw.randrange(_LONGEST_TICKS))
            role = draw.choice(("card", "card", "card", "hands", "io"))
            words = _WORDS[role] if role in station.ports else _card_words
            port = station.ports.get(role, station.ports["card"])
            port.write(words(draw, station).encode() + b"\n")
        station.rig.advance(station.rig.now + _LONGEST_TICKS)
        return recorder.text()


def _card_words(draw: random.Random, station: Station) -> str:
    axis = f"(@{draw.randint(1, station.rig.card.axes)})"
    return draw.choice(
        (
            f"DRIV:ENAB {draw.choice(('ON', 'ON', 'OFF'))}",
            f"STEP:RATE {draw.randint(100, 8000)},{axis}",
            f"STEP:ACC {draw.randint(1000, 50000)},{axis}",
            f"STEP:MOVE {draw.randint(-6000, 6000)},{axis}",
            f"STEP:RUN {draw.choice(('POS', 'NEG'))},{axis}",
            f"HALT:EDGE {draw.choice(('RISE', 'FALL'))},{axis}",
            f"ABOR {axis}",
            f"STEP:JOG {draw.randint(-4000, 4000)},{axis}",
            f"STEP:LOAD {draw.randint(-2000, 2000)},{axis}",
            "*TRG;:SUMM?",
            f"HALT:GRO {draw.choice(('ON', 'OFF'))},{axis}",
            f"FOLL:SCAL 1.25,{axis};HALT {draw.choice(('ON', 'OFF'))},{axis}",
            f"EVEN:LIN {draw.choice(('ON', 'OFF'))};:STAT:OPER?;:STAT:QUES?;:FOLL:ERR? {axis}",
            "*OPC?",
            "ENC:COUN?;:STEP:COUN?;:SWIT:LEV?",
            f"HALT:LATC? {axis}",
            "CLOC:TIME?;*ESR?;:SYST:ERR?",
        )
    )


def _hand_words(draw: random.Random, station: Station) -> str:
    axis = f"(@{draw.randint(1, station.rig.card.axes)})"
    terminals = station.rig.meter.terminals()
    return draw.choice(
        (
            f"TURN {draw.randint(-20, 20)},{axis}",
            f"PRES {axis}",
            f"REL {axis}",
            f"FEEL? {axis}",
            f"GRIP:OBJ {draw.randint(0, 40)};GAP?;FEEL?;LAMP?",
            f"LOOK? {axis};:LEV? {axis}",
            f'MEAS:VOLT? "{draw.choice(terminals)}","{draw.choice(terminals)}"',
            f'MEAS:VOLT:AC? "{draw.choice(terminals)}","{draw.choice(terminals)}"',
            f'MEAS:RES? "{draw.choice(terminals)}","{draw.choice(terminals)}"',
            f"SUPP:MOT {draw.choice(('ON', 'ON', 'OFF'))}",
            f"STOP {draw.choice(('ON', 'OFF', 'OFF'))}",
            f"SUPP:MAIN {draw.choice(('ON', 'ON', 'OFF'))}",
            f'PLUG {draw.choice(("IN", "OUT"))},"{draw.choice(station.rig.harness.plugs.names)}"',
        )
    )


def _io_words(draw: random.Random, station: Station) -> str:
    return draw.choice(
        (
            f"SERV:WIDT {draw.randint(500, 2500)} US",
            f"SERV:ENAB {draw.choice(('ON', 'ON', 'OFF'))}",
            f"OUTP:LEV {draw.choice(('ON', 'OFF'))}",
            "INP:LEV?;:ANAL:VOLT?",
            "WAIT? 0.3",
        )
    )


_WORDS = {"card": _card_words, "hands": _hand_words, "io": _io_words}


def check_determinism(scene: str | Path = "heron", *, runs: int = 5, seed: int = 0) -> None:
    """Replay `runs` random runs of a scene in another process, and compare bit for bit.

    Raises Diverged with both outcomes and a line that shows the difference again (the run file is
    kept then), or SceneError.
    """
    folder = Path(tempfile.mkdtemp(prefix="dryrig-runs-"))
    paths = []
    for number in range(seed, seed + runs):
        path = folder / f"{number}.run"
        path.write_text(random_run(scene, number), encoding="utf-8")
        paths.append(path)
    replay = subprocess.run(
        [sys.executable, "-c", _REPLAY, *map(str, paths)], capture_output=True, text=True
    )
    if replay.returncode:
        raise Diverged(replay.stderr.strip())
    for path in paths:
        path.unlink()
    folder.rmdir()
