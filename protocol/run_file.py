r"""A run as one small text file: what was done to a rig and when, and what came of it.

    dryrig run 1
    scene heron
    seed 3
    start 0 20 -60 0 10 0
    fault open@J3.DIR
    grammar modbus,address=7
    at 1200 card send *IDN?\n
    at 1200 card reply Dryrig,heron card,0,0.1.0\n
    end 48000000 replies 5e0c... edges 62377 trace 07dc...

Times are ticks of 1/12,000,000 s. Bytes stand as text, everything outside printable ASCII escaped
as in Python. `start` is there when the pose was given, a `fault` line for each fault the rig began
with, `grammar` when the card had another than the default; `lockstep` says that bytes alone moved
time: a `send` line holds bytes that began then; `uart` how the card's serial port was set, baud and
seconds to a reply, `host_at` the host's end. Replies are for readers, and for a replay to say where
it first differs. The last line holds the tick at which the run ended, a SHA-256 over all replies in
the order they came, and the number and digest of all edges of the trace.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from ..errors import DryrigError, nearest
from .intake import Lockstep
from .port import ACTIONS
from .station import ROLES, Station, no_port
from .uart import Uart

HEADER = "dryrig run 1"
REPLY = "reply"
WORDS = ("scene", "seed", "start", "grammar", "lockstep", "uart")


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
    """One thing done to a port: `what` is one of `ACTIONS`; or that came of it, a reply."""

    tick: int
    role: str
    what: str
    data: bytes = b""

    def __str__(self) -> str:
        line = f"at {self.tick} {self.role} {self.what}"
        if self.what not in ("send", "host_at", REPLY):
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
        self.begun_with = tuple(faults)
        self.scene_name = scene
        self.ended: tuple[str, ...] | None = None
        self._actions: list[tuple[int, str, str, bytes]] = []
        head = [HEADER, f"scene {scene}", f"seed {station.rig.seed}"]
        if start_pose_deg is not None:
            head.append("start " + " ".join(repr(float(angle)) for angle in start_pose_deg))
        if station.lockstep:
            head.append("lockstep")
        if (uart := station.ports["card"].uart) is not None:
            head.append(f"uart {uart.baud} {uart.response_s!r}")
        head += [f"fault {fault}" for fault in faults]
        if station.grammar is not None:
            head.append(f"grammar {station.grammar}")
        self._head = head
        for port in station.ports.values():
            port.tap = self._note

    def _note(self, role: str, what: str, data: bytes) -> None:
        if what != REPLY and not self.full:
            self._keep(self._station.rig.now, role, what, data)

    def _keep(self, tick: int, role: str, what: str, data: bytes) -> None:
        self._actions.append((tick, role, what, data))

    @property
    def station(self) -> Station:
        """The station whose run this is, perhaps closed by now."""
        return self._station

    @property
    def actions(self) -> list[Action]:
        """What was done so far."""
        return [Action(*each) for each in self._actions]

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
    """Notes with the replies, and with what came of the run, by its trace, which it starts."""

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
        self._keep(self._station.rig.now, role, what, data)
        if what == REPLY:
            self._replies.update(data)

    @property
    def replies(self) -> list[Action]:
        """All replies so far."""
        return [Action(*each) for each in self._actions if each[2] == REPLY]

    def outcome(self) -> Outcome:
        """What has come of the run so far."""
        rig = self._station.rig
        return Outcome(rig.now, self._replies.hexdigest(), rig.trace.edges, rig.trace.digest())

    def text(self) -> str:
        """The run file of the run so far."""
        return f"{super().text()}{self.outcome()}\n"


class Log(Recorder):
    """A run file that is written while the run goes on; `finish` adds what came of it.

    Raises RunFileError when the file cannot be written: at once, or else at the end.
    """

    def __init__(
        self,
        path: str | Path,
        station: Station,
        scene: str,
        faults: Sequence[str] = (),
        start_pose_deg: Sequence[float] | None = None,
    ) -> None:
        super().__init__(station, scene, faults, start_pose_deg)
        self._path = path
        self._error: OSError | None = None
        try:
            # A line at a time, so that somebody can watch, and a killed rig leaves what there was.
            self._file = open(path, "w", buffering=1, encoding="utf-8")  # noqa: SIM115
            self._file.write("\n".join(self._head) + "\n")
        except OSError as error:
            raise RunFileError(f"log {str(path)!r}: {error.strerror}") from None

    def _keep(self, tick: int, role: str, what: str, data: bytes) -> None:
        self._write(Action(tick, role, what, data))

    def _write(self, line: Action | Outcome) -> None:
        if self._error is not None:
            return
        try:
            self._file.write(f"{line}\n")
        except OSError as error:  # the rig goes on without its log
            self._error = error

    def finish(self) -> None:
        """Write the last line."""
        self._write(self.outcome())
        self.close()
        if self._error is not None:
            raise RunFileError(f"log {str(self._path)!r}: {self._error.strerror}")

    def close(self) -> None:
        """Write no more."""
        try:
            self._file.close()
        except OSError as error:
            self._error = self._error or error


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
    lockstep: bool = False
    uart: Uart | None = None

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
                elif word in WORDS:
                    said[word] = rest
                elif word:
                    known = (*WORDS, "fault", "at", "end")
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
            "lockstep" in said,
            _uart(said["uart"]) if "uart" in said else None,
        )

    def replay(
        self, own_grammar: str | None = None, told: Callable[[Notes], object] | None = None
    ) -> Outcome:
        """Do it all again on a rig of its own; `told` gets its notes at the end, the rig still up.

        A grammar named as module:Class is code that a file must not start by itself: `own_grammar`
        must name the same one. Raises Diverged when it does not end as recorded, RunFileError for
        such a grammar and for a port that the rig has not, SceneError, FaultError or GrammarError
        when the rig cannot be built.
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
            station.lockstep = self.lockstep
            station.ports["card"].uart = self.uart
            recorder = Recorder(station, self.scene, self.faults)
            station.writes_files = False  # a run from elsewhere writes nothing here
            for action in self.actions:
                station.rig.advance(action.tick)
                if action.role not in station.ports:
                    raise RunFileError(no_port(action.role, station.rig.scene.name))
                port = station.ports[action.role]
                if action.what == "send" and self.lockstep:
                    Lockstep().feed(port, action.data)
                elif action.what == "send":
                    port.write(action.data)
                elif action.what == "host_at":
                    port.host_at(int(action.data))
                elif action.what != REPLY:
                    getattr(port, action.what)()
            if self.outcome is not None:
                station.rig.advance(self.outcome.tick)
            outcome = recorder.outcome()
            if told is not None:
                told(recorder)
            self._compare_replies(recorder.replies)
        if self.outcome is not None and outcome != self.outcome:
            raise Diverged(f"the replay differs:\n  recorded {self.outcome}\n  replayed {outcome}")
        return outcome

    def _compare_replies(self, replayed: Sequence[Action]) -> None:
        recorded = [action for action in self.actions if action.what == REPLY]
        for number, reply in enumerate(recorded):
            again = replayed[number] if number < len(replayed) else "nothing"
            if reply != again:
                raise Diverged(f"the replay differs:\n  recorded {reply}\n  replayed {again}")


def _action(text: str) -> Action:
    tick, _, rest = text.partition(" ")
    role, _, rest = rest.partition(" ")
    what, _, escaped = rest.partition(" ")
    known = (*ACTIONS, REPLY)
    if role not in ROLES or what not in known:
        raise RunFileError(
            f"got {role!r} {what!r}, expected one of {', '.join(ROLES)} and one of "
            f"{', '.join(known)}"
        )
    data = escaped.encode("ascii").decode("unicode_escape").encode("latin-1")
    if what == "host_at" and not data.isdigit():
        raise RunFileError(f"got host_at {escaped!r}, expected a baud rate")
    return Action(int(tick), role, what, data)


def _uart(text: str) -> Uart:
    try:
        baud, response_s = text.split()
        return Uart(int(baud), float(response_s))
    except ValueError as error:
        raise RunFileError(f"got 'uart {text}', expected uart BAUD SECONDS: {error}") from None


def _outcome(text: str) -> Outcome:
    words = text.split()
    if len(words) != 7 or words[1::2] != ["replies", "edges", "trace"]:
        raise RunFileError(f"got 'end {text}', expected end TICK replies H edges N trace H")
    return Outcome(int(words[0]), words[2], int(words[4]), words[6])
