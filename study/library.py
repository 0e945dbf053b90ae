"""What a commissioning sees of an arm with each fault: learned once, kept in the user's cache.

All faults are put into one individual arm, so that what tells two of them apart is the faults and
not the arms; sound arms, and more arms with what is no wiring, tell how far arms differ. A change
of the scene, of the package or of the Python version asks for another file.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import platform
from collections.abc import Callable, Iterable, Sequence
from dataclasses import astuple, dataclass, field
from functools import cache
from pathlib import Path

from ..commission.diagnosis import SOUND
from ..commission.errors import CommissionError
from ..commission.measurements import Measurement
from ..commission.result import Result
from ..scenes import load_scene, scene_path
from .commissioned import commissioned
from .executor import in_processes
from .menu import foretold, own_menu
from .ranking import Classes
from .scales import Scales
from .signature import Signature, signature_of

ARM = 9001
"""Seed of the arm that every fault is put into."""
SOUND_ARMS = 16
MORE_ARMS = 4
"""What is no wiring comes out differently from arm to arm: so many arms more."""
WIRING = ("open", "resist", "short", "swap", "cross", "unplug", "frozen", "dead")
_SAVE_EVERY = 500
_ROOMS = ("scenes", "sim", "faults", "protocol", "commission")
_BESIDE = ("signature.py", "menu.py", "commissioned.py")

Task = tuple[str, int, str, bool]
"""Scene, seed, fault (`sound` for none), and whether the meter is to be asked instead."""
Reads = dict[Measurement, float]


def learned(task: Task) -> Signature | Reads:
    """What a commissioning sees of an arm, or what the meter reads where the fault is."""
    scene, seed, fault, by_meter = task
    if by_meter:
        return _by_meter(scene, fault)
    try:
        return signature_of(commissioned(scene, seed, "" if fault == SOUND else fault))
    except CommissionError as error:  # the ports themselves: that is seen too
        return signature_of(Result("could not run", scene, reason=str(error)))


def _by_meter(scene: str, fault: str) -> Reads:
    return foretold(scene, ARM, fault, own_menu(load_scene(scene), fault))


def cache_folder() -> Path:
    """Where libraries are kept: `$XDG_CACHE_HOME/dryrig`, by default `~/.cache/dryrig`."""
    base = os.environ.get("XDG_CACHE_HOME")
    return (Path(base) if base else Path.home() / ".cache") / "dryrig"


@cache
def _package_hash() -> str:
    root = Path(__file__).parent.parent
    digest = hashlib.sha256(platform.python_version().encode())
    for room in _ROOMS:
        for path in sorted((root / room).rglob("*.py")):
            digest.update(path.read_bytes())
    for name in _BESIDE:
        digest.update((root / "study" / name).read_bytes())
    return digest.hexdigest()


def _by_disc(fault: str) -> bool:
    """Whether a short reaches further or not by where an encoder's disc stands.

    An output feeds a supply that is off, and with it whatever else is fed from there.
    """
    return ".ENC." in fault and fault.endswith("/RAIL.24V")


@dataclass
class Library:
    """Signatures by arm's seed and fault, of one scene. `path` is its file.

    A `closed` one learns nothing more: its faults are all there are.
    """

    scene: str
    path: Path
    seen: dict[tuple[int, str], Signature] = field(default_factory=dict)
    reads: dict[str, Reads] = field(default_factory=dict)
    closed: bool = False

    @classmethod
    def of(cls, scene: str, folder: Path | None = None) -> Library:
        """The library of a scene as far as it was learned. Raises SceneError."""
        file = scene_path(scene)
        digest = hashlib.sha256(_package_hash().encode())
        for part in sorted([file, *file.parent.glob(f"{file.stem}*")]):
            if part.is_file():
                digest.update(part.read_bytes())
        path = (folder or cache_folder()) / f"{file.stem}-{digest.hexdigest()[:16]}.json.gz"
        library = cls(scene, path)
        library._read()
        return library

    def tasks(self, faults: Iterable[str], *, metered: bool = True) -> list[Task]:
        """What must still be tried out to know these faults, sound arms among it.

        Unless `metered`, the meter is left out: most faults are never measured.
        """
        if self.closed:
            return []
        wanted = [(ARM + number, SOUND) for number in range(SOUND_ARMS)]
        for fault in faults:
            more = MORE_ARMS if fault.partition("@")[0] not in WIRING or _by_disc(fault) else 0
            wanted += [(ARM + number, fault) for number in range(1 + more)]
        missing = [
            (self.scene, seed, fault, False)
            for seed, fault in wanted
            if (seed, fault) not in self.seen
        ]
        if not metered:
            return missing
        meter = [fault for fault in (SOUND, *faults) if fault not in self.reads]
        return missing + [(self.scene, ARM, fault, True) for fault in meter]

    def learn(
        self,
        faults: Sequence[str],
        processes: int | None = None,
        done: Callable[[], None] = lambda: None,
        *,
        metered: bool = True,
    ) -> None:
        """Try out what is missing, and keep it. Raises OSError when the file cannot be kept."""
        tasks = self.tasks(faults, metered=metered)
        try:
            for count, (task, one) in enumerate(in_processes(learned, tasks, processes), 1):
                if isinstance(one, Signature):
                    self.seen[task[1], task[2]] = one
                else:
                    self.reads[task[2]] = one
                done()
                if count % _SAVE_EVERY == 0:
                    self.save()
        finally:
            if tasks:
                self.save()

    def reading(self, fault: str) -> Reads:
        """What the meter reads where a fault is; tried out now if it is not known."""
        if fault not in self.reads:
            self.reads[fault] = _by_meter(self.scene, fault)
        return self.reads[fault]

    def classes(self) -> Classes:
        """What a ranking needs: signatures by fault, and how far arms differ."""
        by_fault: dict[str, dict[int, Signature]] = {}
        for (seed, fault), one in self.seen.items():
            by_fault.setdefault(fault, {})[seed] = one
        return Classes(by_fault, Scales.over([list(arms.values()) for arms in by_fault.values()]))

    def save(self) -> None:
        """Write the file, whole or not at all."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        data = {
            "seen": [
                [seed, fault, [[words, *numbers] for words, numbers in one.segments.items()]]
                for (seed, fault), one in self.seen.items()
            ],
            "reads": [
                [fault, [[*astuple(what), value] for what, value in reads.items()]]
                for fault, reads in self.reads.items()
            ],
        }
        new = self.path.with_name(f".{self.path.name}.{os.getpid()}")
        with gzip.open(new, "wt", encoding="utf-8", compresslevel=3) as file:
            json.dump(data, file)
        new.replace(self.path)

    def _read(self) -> None:
        try:
            with gzip.open(self.path, "rt", encoding="utf-8") as file:
                data = json.load(file)
        except (OSError, EOFError, ValueError):
            return  # not there, or cut short: it is learned anew
        for seed, fault, segments in data["seen"]:
            self.seen[seed, fault] = Signature({words: tuple(n) for words, *n in segments})
        for fault, rows in data["reads"]:
            self.reads[fault] = {Measurement(*what): value for *what, value in rows}
