r"""A run as one small text file: what was done to a rig and when, and what came of it.

    dryrig run 1
    scene heron
    seed 3
    start 0 20 -60 0 10 0
    fault open@J3.DIR
    grammar modbus,address=7
    at 1200 card send *IDN?\n
    end 48000000 replies 5e0c... edges 62377 trace 07dc...

Times are ticks of 1/12,000,000 s. Bytes stand as text, everything outside printable ASCII escaped
as in Python. `start` is there when the pose was given, a `fault` line for each fault the rig began
with, `grammar` when the card had another than the default. The last line holds the tick at which
the run ended, a SHA-256 over all replies in the order they came, and the number and digest of all
edges of the trace.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ..errors import DryrigError, nearest
from .port import ACTIONS
from .station import ROLES, Station

HEADER = "dryrig run 1"


class RunFileError(DryrigError, ValueError):
    """A run file that cannot be read or written."""


class Diverged(DryrigError, AssertionError):
    """A replay that did not end as the recorded run did."""


@dataclass(frozen=True)
class Outcome:
    """What came of a run."""

    tick: int
    replies: str
    edges: int
    trace: str

    def __str__(self) -> str:
        return f"end {self.tick} replies {self.replies} edges {self.edges} trace {self.trace}"


@dataclass(frozen=True)
class Action:
    """One thing done to a port: `what` is one of `ACTIONS`."""

    tick: int
    role: str
    what: str
    data: bytes = b""

    def __str__(self) -> str:
        line = f"at {self.tick} {self.role} {self.what}"
        if self.what != "send":
            return line
        text = self.data.decode("latin-1").encode("unicode_escape").decode("ascii")
        if text != text.strip():  # blanks at either end would not survive an editor
            text = text.replace(" ", "\\x20")
        return f"{line} {text}"


class Notes:
    """Notes all that is done to a station's ports, `limit` actions at most.

    Start it before the first byte.
    """

    def __init__(
        self,
        station: Station,
        scene: str,
        faults: Sequence[str] = (),
        start_pose_deg: Sequence[float] | None = None,
        limit: int | None = None,
    ) -> None:
        self._station = station
        self._limit = limit
        self.partial = False
        self._actions: list[tuple[int, str, str, bytes]] = []
        head = [HEADER, f"scene {scene}", f"seed {station.rig.seed}"]
        if start_pose_deg is not None:
            head.append("start " + " ".join(repr(float(angle)) for angle in start_pose_deg))
        head += [f"fault {fault}" for fault in faults]
        if station.grammar is not None:
            head.append(f"grammar {station.grammar}")
        self._head = head
        for port in station.ports.values():
            port.tap = self._note

    def _note(self, role: str, what: str, data: bytes) -> None:
        if what != "reply" and not self.full:
            self._actions.append((self._station.rig.now, role, what, data))

    @property
    def own_grammar(self) -> str:
        """The card's grammar if its name says which code to run, else an empty text."""
        grammar = self._station.grammar or ""
        return grammar if ":" in grammar else ""

    @property
    def full(self) -> bool:
        """Whether what there is cannot be the whole run: `partial` was set, or no more is noted."""
        return self.partial or (self._limit is not None and len(self._actions) >= self._limit)

    def text(self) -> str:
        """The run file of the run so far."""
        return "\n".join([*self._head, *(str(Action(*each)) for each in self._actions)]) + "\n"


class Recorder(Notes):
    """Notes that also say what came of the run, by its trace, which it starts."""

    def __init__(
        self,
        station: Station,
        scene: str,
        faults: Sequence[str] = (),
        start_pose_deg: Sequence[float] | None = None,
    ) -> None:
        super().__init__(station, scene, faults, start_pose_deg)
        self._replies = hashlib.sha256()
        station.rig.trace.start()

    def _note(self, role: str, what: str, data: bytes) -> None:
        super()._note(role, what, data)
        if what == "reply":
            self._replies.update(data)

    def outcome(self) -> Outcome:
        """What has come of the run so far."""
        rig = self._station.rig
        return Outcome(rig.now, self._replies.hexdigest(), rig.trace.edges, rig.trace.digest())

    def text(self) -> str:
        """The run file of the run so far."""
        return f"{super().text()}{self.outcome()}\n"


def check_folder(path: str | Path) -> None:
    """Raises RunFileError when a run file cannot be written there."""
    folder = Path(path).parent
    if not folder.is_dir():
        raise RunFileError(f"run file {str(path)!r}: there is no folder {str(folder)!r}")


def save_run(recorder: Recorder, path: str | Path) -> None:
    """Write the run so far. Raises RunFileError."""
    try:
        Path(path).write_text(recorder.text(), encoding="utf-8")
    except OSError as error:
        raise RunFileError(f"run file {str(path)!r}: {error.strerror}") from None


@dataclass(frozen=True)
class Run:
    """A run file taken apart. `outcome` is None when it lacks its last line."""

    scene: str
    seed: int
    start_pose_deg: tuple[float, ...] | None
    faults: tuple[str, ...]
    actions: tuple[Action, ...]
    outcome: Outcome | None
    grammar: str | None = None

    @classmethod
    def read(cls, path: Path) -> Run:
        """Read a run file. Raises RunFileError with file and line."""
        try:
            text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise RunFileError(f"{path}: cannot be read: {error}") from None
        return cls.parse(text, str(path))

    @classmethod
    def parse(cls, text: str, name: str = "run") -> Run:
        """Take a run file's text apart. Raises RunFileError with name and line."""
        lines = text.splitlines()
        if not lines or lines[0].strip() != HEADER:
            first = lines[0][:40] if lines else ""
            raise RunFileError(f"{name}: line 1: got {first!r}, expected {HEADER!r}")
        said: dict[str, str] = {}
        faults: list[str] = []
        actions: list[Action] = []
        outcome = None
        for number, line in enumerate(lines[1:], start=2):
            word, _, rest = line.partition(" ")
            try:
                if word == "fault":
                    faults.append(rest)
                elif word == "at":
                    actions.append(_action(rest))
                elif word == "end":
                    outcome = _outcome(rest)
                elif word in ("scene", "seed", "start", "grammar"):
                    said[word] = rest
                elif word:
                    known = ("scene", "seed", "start", "fault", "grammar", "at", "end")
                    raise RunFileError(
                        f"unknown word {word!r}{nearest(word, known)}; expected {', '.join(known)}"
                    )
            except ValueError as error:
                raise RunFileError(f"{name}: line {number}: {error}") from None
        if "scene" not in said or not said.get("seed", "").isdigit():
            raise RunFileError(f"{name}: expected a line 'scene NAME' and a line 'seed N'")
        return cls(
            said["scene"],
            int(said["seed"]),
            tuple(map(float, said["start"].split())) if "start" in said else None,
            tuple(faults),
            tuple(actions),
            outcome,
            said.get("grammar"),
        )

    def replay(self, own_grammar: str | None = None) -> Outcome:
        """Do it all again on a rig of its own.

        A grammar named as module:Class is code that a file must not start by itself: `own_grammar`
        must name the same one. Raises Diverged when it does not end as recorded, RunFileError for
        such a grammar, SceneError, FaultError or GrammarError when the rig cannot be built.
        """
        if self.grammar is not None and ":" in self.grammar and own_grammar != self.grammar:
            raise RunFileError(
                f"this run needs the grammar {self.grammar}, code that a run file may not start by "
                f"itself: add --grammar {self.grammar}"
            )
        with Station.build(
            self.scene,
            seed=self.seed,
            faults=self.faults,
            start_pose_deg=self.start_pose_deg,
            card_dialect=self.grammar,
        ) as station:
            recorder = Recorder(station, self.scene)
            station.writes_files = False  # a run from elsewhere writes nothing here
            for action in self.actions:
                station.rig.advance(action.tick)
                port = station.ports[action.role]
                if action.what == "send":
                    port.write(action.data)
                else:
                    getattr(port, action.what)()
            if self.outcome is not None:
                station.rig.advance(self.outcome.tick)
            outcome = recorder.outcome()
        if self.outcome is not None and outcome != self.outcome:
            raise Diverged(f"the replay differs:\n  recorded {self.outcome}\n  replayed {outcome}")
        return outcome


def _action(text: str) -> Action:
    tick, _, rest = text.partition(" ")
    role, _, rest = rest.partition(" ")
    what, _, escaped = rest.partition(" ")
    if role not in ROLES or what not in ACTIONS:
        raise RunFileError(
            f"got {role!r} {what!r}, expected one of {', '.join(ROLES)} and one of "
            f"{', '.join(ACTIONS)}"
        )
    data = escaped.encode("ascii").decode("unicode_escape").encode("latin-1")
    return Action(int(tick), role, what, data)


def _outcome(text: str) -> Outcome:
    words = text.split()
    if len(words) != 7 or words[1::2] != ["replies", "edges", "trace"]:
        raise RunFileError(f"got 'end {text}', expected end TICK replies H edges N trace H")
    return Outcome(int(words[0]), words[2], int(words[4]), words[6])
