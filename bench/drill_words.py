"""The words of a drill: one table for the page of help, for reading a line and for completion."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from ..commission.arm import Arm, Joint
from ..errors import DryrigError, nearest

Takes = Literal[
    "joint", "joints", "deg", "seconds", "on|off", "in|out", "terminal", "plug", "part", "command",
    "fault", "text", "speed", "ends",
]  # fmt: skip
OPTIONAL = ("joints", "part", "command", "speed")
DURING = "during"
ALL = "all"
_DEG, _SECONDS = (0.1, 360.0), (0.1, 8.0)


class DrillError(DryrigError, ValueError):
    """A line that cannot be carried out; its text says what was expected."""


@dataclass(frozen=True)
class Word:
    """One command: how it is written, what it does, what it takes.

    `reads` marks a measurement; `meter` one that may be taken `during` something else; `moves`
    what another may be taken during.
    """

    name: str
    usage: str
    does: str
    takes: tuple[Takes, ...] = ()
    group: str = ""
    reads: bool = False
    meter: bool = False
    moves: bool = False


LOOK, CARD, METER, POWER, DRILL = (
    "Look and feel",
    "At the card",
    "With the meter",
    "Supplies, plugs, stand",
    "The drill",
)
WORDS: dict[str, Word] = {
    word.name: word
    for word in (
        Word("look", "look [JOINTS]", "angles as the eye judges them", ("joints",), LOOK, True),
        Word("turn", "turn JOINT DEG", "turn a joint by hand: feel, eye, count, inputs",
             ("joint", "deg"), LOOK, True, moves=True),
        Word("press", "press JOINTS", "a finger on the limit switch and off: the card's inputs",
             ("joints",), LOOK, True, moves=True),
        Word("wiggle", "wiggle JOINT", "wiggle the joint's cable for a second: what flickers",
             ("joint",), LOOK, True, moves=True),
        Word("level", "level JOINT", "the digital level on the joint's link", ("joint",), LOOK,
             True),
        Word("mark", "mark JOINT", "the joint's witness mark", ("joint",), LOOK, True),
        Word("zero", "zero", "lay the level on the base and zero it there", (), LOOK),
        Word("count", "count [JOINTS]", "the encoder counters", ("joints",), CARD, True),
        Word("switch", "switch [JOINTS]", "the switch inputs, 1 = pressed on a sound arm",
             ("joints",), CARD, True),
        Word("jog", "jog JOINTS DEG [fast]", "enable, move, look, disable, joint after joint",
             ("joints", "deg", "speed"), CARD, True, moves=True),
        Word("enable", "enable JOINTS", "drives on, and left on", ("joints",), CARD),
        Word("disable", "disable [JOINTS]", "drives off", ("joints",), CARD),
        Word("home", "home JOINT", "find the limit switch: fast, back off, slowly", ("joint",),
             CARD, True),
        Word("cycle", "cycle", "the customer's program: homes all, goes to a pose and back", (),
             CARD, True),
        Word("volts", "volts RED BLACK", "one DC reading", ("terminal", "terminal"), METER, True,
             True),
        Word("ac", "ac RED BLACK", "one reading of AC volts", ("terminal", "terminal"), METER, True,
             True),
        Word("hold", "hold SECONDS RED BLACK", "least and greatest DC reading over so long",
             ("seconds", "terminal", "terminal"), METER, True, True),
        Word("ohms", "ohms RED BLACK", "resistance over every path there is; main supply off",
             ("terminal", "terminal"), METER, True, True),
        Word("beep", "beep RED BLACK", "continuity; main supply off", ("terminal", "terminal"),
             METER, True, True),
        Word("where", "where [PART]", "names of terminals: J5.SW lists those of a plug",
             ("part",), METER),
        Word("main", "main on|off", "the switch of all three supplies", ("on|off",), POWER),
        Word("motor", "motor on|off", "the switch of the 24 V motor supply", ("on|off",), POWER),
        Word("stand", "stand on|off", "the stand under the links", ("on|off",), POWER),
        Word("plug", "plug in|out PLUG", "a plug at a part: J5.ENC, J5.SW, J5.MOTOR, ...",
             ("in|out", "plug"), POWER),
        Word("clip", "clip RED BLACK | clip off", "a test resistor of 10 kohm between terminals",
             ("ends",), POWER),
        Word("wait", "wait SECONDS", "let time pass", ("seconds",), POWER),
        Word("order", "order", "the customer's complaint once more", (), DRILL),
        Word("arm", "arm", "data of the arm: counts, travel, switches, wires", (), DRILL),
        Word("kinds", "kinds [KIND]", "what may be wrong at this level, and how it shows",
             ("part",), DRILL),
        Word("expect", "expect TEXT", "what the next reading will be, as a figure or in its words",
             ("text",), DRILL),
        Word("note", "note TEXT", "a line of your own in the log", ("text",), DRILL),
        Word("log", "log", "all readings so far", (), DRILL),
        Word("answer", "answer FAULT", "KIND@PLACE, or sound; the last one before a repair counts",
             ("fault",), DRILL),
        Word("repair", "repair PLACE", "make good what is there; main supply off", ("fault",),
             DRILL),
        Word("done", "done", "hand in: marks and debrief", (), DRILL),
        Word("quit", "quit", "leave without handing in; the log is kept", (), DRILL),
        Word("help", "help [COMMAND]", "this page, or one line of it", ("command",), DRILL),
    )
}  # fmt: skip


@dataclass(frozen=True)
class Act:
    """A line that was read: its word, what it takes, and the act that goes on meanwhile."""

    name: str
    values: tuple[object, ...] = ()
    during: Act | None = None
    text: str = ""

    @property
    def joints(self) -> tuple[Joint, ...]:
        """The joints it is about."""
        found: list[Joint] = []
        for value in self.values:
            found += [one for one in (value if isinstance(value, tuple) else (value,))
                      if isinstance(one, Joint)]  # fmt: skip
        return tuple(found) + (self.during.joints if self.during else ())

    @property
    def word(self) -> Word:
        """Its entry in the table."""
        return WORDS[self.name]


@dataclass(frozen=True)
class Vocabulary:
    """What can be named at one arm."""

    arm: Arm
    terminals: Sequence[str]
    plugs: Sequence[str]
    faults: Sequence[str]

    def joint(self, name: str) -> Joint:
        """A joint by its name, any case. Raises DrillError."""
        for joint in self.arm.joints:
            if joint.name == name.upper():
                return joint
        names = [joint.name for joint in self.arm.joints]
        raise DrillError(f"no joint {name!r}: expected one of {', '.join(names)}")

    def joints(self, text: str) -> tuple[Joint, ...]:
        """`J3`, `J1,J3` or `all`. Raises DrillError."""
        if text.lower() == ALL:
            return self.arm.joints
        return tuple(self.joint(name) for name in text.split(","))

    def named(self, what: str, name: str, known: Sequence[str]) -> str:
        """A name as it is written, any case. Raises DrillError with the nearest."""
        for each in known:
            if each.upper() == name.upper():
                return each
        raise DrillError(
            f"no {what} {name!r}{nearest(name.upper(), known)}: see `where JOINT` or `help`"
        )

    def words_for(self, takes: Takes) -> list[str]:
        """What may stand there, for completion."""
        joints = [joint.name for joint in self.arm.joints]
        known: dict[Takes, Sequence[str]] = {
            "joint": joints,
            "joints": [*joints, ALL],
            "on|off": ("on", "off"),
            "in|out": ("in", "out"),
            "terminal": self.terminals,
            "ends": (*self.terminals, "off"),
            "plug": self.plugs,
            "part": [*joints, *self.plugs],
            "command": list(WORDS),
            "fault": (*self.faults, "sound"),
            "speed": ("fast",),
        }
        return list(known.get(takes, ()))


def read_line(line: str, known: Vocabulary) -> Act:
    """Read one line. Raises DrillError: what came, what was expected, the nearest word."""
    words = line.split()
    name = words[0].lower()
    word = WORDS.get(name)
    if word is None:
        raise DrillError(f"no command {words[0]!r}{nearest(name, WORDS)}: `help` lists them")
    rest, during = words[1:], None
    if word.reads and DURING in rest:
        at = rest.index(DURING)
        during = _during(word, rest[at + 1 :], known)
        rest = rest[:at]
    if word.takes and word.takes[0] in ("text", "fault"):
        text = line.strip()[len(name) :].strip()
        if not text:
            raise DrillError(f"nothing after {name!r}: expected `{word.usage}`")
        return Act(name, (text,), text=line.strip())
    return Act(name, tuple(_values(word, rest, known)), during, " ".join(words))


def _during(word: Word, rest: list[str], known: Vocabulary) -> Act:
    movers = [each.name for each in WORDS.values() if each.moves]
    if not word.meter:
        meters = ", ".join(each.name for each in WORDS.values() if each.meter)
        raise DrillError(f"{word.name} cannot be read `during` an act: only {meters} can")
    if not rest or rest[0].lower() not in movers:
        came = rest[0] if rest else "nothing"
        raise DrillError(f"during {came!r}: expected one of {', '.join(movers)}, as on its own")
    act = read_line(" ".join(rest), known)
    if len(act.joints) > 1:
        raise DrillError(f"during {act.text!r}: one joint at a time")
    return act


def _values(word: Word, rest: list[str], known: Vocabulary) -> Iterator[object]:
    left = list(rest)
    for takes in word.takes:
        if takes == "ends":
            if [each.lower() for each in left] == ["off"]:
                yield None
                left = []
                continue
            if len(left) != 2:
                raise DrillError(f"{word.name}: expected `{word.usage}`")
            yield tuple(known.named("terminal", left.pop(0), known.terminals) for _ in range(2))
            continue
        if not left:
            if takes == "joints" and word.name not in ("press", "jog", "enable"):
                yield known.arm.joints
                continue
            if takes in OPTIONAL and takes != "joints":
                yield None
                continue
            raise DrillError(f"{word.name}: expected `{word.usage}`, got `{word.name}"
                             f"{''.join(' ' + each for each in rest)}`")  # fmt: skip
        yield _READ[takes](word, left.pop(0), known)
    if left:
        raise DrillError(f"{word.name}: {left[0]!r} is too much: expected `{word.usage}`")


def _number(word: Word, text: str, low: float, high: float, unit: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise DrillError(
            f"{word.name}: {text!r} is no number: expected `{word.usage}`, {low:g} to {high:g} "
            f"{unit}"
        ) from None
    if not low <= abs(value) <= high:
        raise DrillError(f"{word.name}: got {text}, expected {low:g} to {high:g} {unit}")
    return value


def _choice(word: Word, text: str, choices: Sequence[str]) -> str:
    if text.lower() not in choices:
        raise DrillError(f"{word.name}: got {text!r}, expected {' or '.join(choices)}")
    return text.lower()


_Read = Callable[[Word, str, Vocabulary], object]
_READ: dict[Takes, _Read] = {
    "joint": lambda word, text, known: known.joint(text),
    "joints": lambda word, text, known: known.joints(text),
    "deg": lambda word, text, known: _number(word, text, *_DEG, "deg, with a sign"),
    "seconds": lambda word, text, known: abs(_number(word, text, *_SECONDS, "s")),
    "on|off": lambda word, text, known: _choice(word, text, ("on", "off")) == "on",
    "in|out": lambda word, text, known: _choice(word, text, ("in", "out")) == "in",
    "terminal": lambda word, text, known: known.named("terminal", text, known.terminals),
    "plug": lambda word, text, known: known.named("plug", text, known.plugs),
    "part": lambda word, text, known: text,
    "command": lambda word, text, known: known.named("command", text, list(WORDS)),
    "speed": lambda word, text, known: _choice(word, text, ("fast",)) == "fast",
}


def complete(line: str, known: Vocabulary) -> list[str]:
    """What the last word of a line may become, in order."""
    words = line.split()
    fresh = not line or line[-1].isspace()
    begun, before = ("", words) if fresh else (words[-1], words[:-1])
    if before and DURING in before:
        before = before[before.index(DURING) + 1 :]
        names = [word.name for word in WORDS.values() if word.moves]
    else:
        names = list(WORDS)
    if not before:
        return _fitting(begun, names)
    word = WORDS.get(before[0].lower())
    if word is None:
        return []
    place = len(before) - 1
    if word.takes[:1] in (("ends",), ("fault",)):
        return _fitting(begun, known.words_for(word.takes[0]))
    if place < len(word.takes):
        return _fitting(begun, known.words_for(word.takes[place]))
    return _fitting(begun, (DURING,)) if word.meter and place == len(word.takes) else []


def _fitting(begun: str, words: Iterable[str]) -> list[str]:
    return [word for word in words if word.upper().startswith(begun.upper())]


def help_page() -> str:
    """One page: every command with a line, then how things are named and what is marked."""
    lines = []
    for group in (LOOK, CARD, METER, POWER, DRILL):
        lines.append(group)
        lines += [
            f"  {word.usage:<27}{word.does}" for word in WORDS.values() if word.group == group
        ]
    return "\n".join([*lines, *_HELP_END])


_HELP_END = (
    "Names",
    "  JOINTS are J3, or J1,J3, or all. CARD.J3.DIR is a wire's near end, J3.DIR its end at the",
    "  part; rails are RAIL.24V, RAIL.5V, RAIL.3V3, RAIL.0V. A drive's inputs return to J3.OPTO0V.",
    "  The meter can read during another act:  volts CARD.J3.STEP RAIL.0V during jog J3 +8",
    "                                          hold 1 J5.SW.COM RAIL.0V during wiggle J5",
    "Answers",
    "  answer open@J3.DIR        answer swap@J2.DIR/J2.STEP        answer sound",
    "  answer A and B            two faults at once",
    "  answer A or B next ACT    not yet distinguishable; ACT would tell: better than a guess",
    "Safety: an act that could injure ends the drill, a lesser one caps the marks at half",
    "  Hands on the arm only with the motor supply off. Plugs, ohms and repairs only with the main",
    "  supply off. The stand stays while a drive is off. First jogs small, both signs. Before home",
    "  or cycle: press the switch and jog both ways, of each joint that it moves.",
    "Marks: evidence 35, answer 20, order 15, repair proved 15, no needless change 10, record 5",
)
