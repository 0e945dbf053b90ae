"""A drill in the terminal: a complaint, a hidden fault or none, acts by short words, marks.

It reads lines from a person or from a pipe and writes plain text; everything said and typed goes
into a record beside the picture of the decisive signal.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator
from pathlib import Path

from ..closing import Closing
from ..commission import cautions
from ..commission.errors import CommissionError
from ..errors import DryrigError, nearest
from ..faults import KINDS, enumerate_faults, parse_fault
from ..faults.kinds import plug_of
from ..sim.clock import TICKS_PER_S
from .drill_acts import ACTS, perform
from .drill_answer import read_answer, same
from .drill_cases import LEVEL_WORDS, Case, check_kind, kinds_of, plain, pool
from .drill_debrief import (
    best_reading,
    fault_lines,
    marking_lines,
    other_cause_lines,
    reading_lines,
    wiring_lines,
)
from .drill_marks import Conduct, Marking, grade
from .drill_picture import draw
from .drill_readings import alike, met, told
from .drill_safety import hazard
from .drill_site import Site
from .drill_suspects import Done, Evidence, sound_differs, vocabulary, weigh
from .drill_words import WORDS, Act, DrillError, Word, help_page, read_line

RECORD = "drill.txt"
WIDTH = 100
HANDED_IN, LEFT, ENDED = "handed in", "left", "ended"
_ADVICE = {
    "motor": "Motor supply on: arm clear, nobody in reach, the stop in hand.",
    "main": "Supplies on: arm clear, nobody in reach.",
    "volts": cautions.LIVE_VOLTS,
    "ohms": "Prove the meter on a known source, prove dead, then measure.",
    "level": cautions.LEVELLING,
}


class Drill(Closing):
    """One drill on one arm. `say` prints a line; `ask` puts a question to a person, or is None."""

    def __init__(
        self,
        case: Case,
        folder: Path,
        say: Callable[[str], None],
        ask: Callable[[str], str] | None = None,
        progress: Callable[[float], None] = lambda _share: None,
    ) -> None:
        self.case, self.folder = case, folder
        self.known = vocabulary(case, list(enumerate_faults(case.scene)))
        self.site = Site(case.arm, case.seed, case.faults, case.whats, case.before)
        self.conduct = Conduct()
        self.outcome = ""
        self.marking: Marking | None = None
        self.record: list[str] = []
        self._say, self._ask, self._progress = say, ask, progress
        self._expected = ""
        self._readings = 0
        self._warned: set[str] = set()
        self._asked_twice = False
        self._checked = True

    def close(self) -> None:
        """Give the site's rig back."""
        self.site.close()

    # --- saying ----------------------------------------------------------------------------

    def say(self, text: str = "", indent: str = "") -> None:
        """Print and keep; long lines are wrapped."""
        for number, line in enumerate(text.split("\n")):
            wrapped = textwrap.wrap(line, WIDTH, initial_indent=indent if number else "",
                                    subsequent_indent=indent, break_long_words=False,
                                    break_on_hyphens=False, drop_whitespace=True)  # fmt: skip
            for each in wrapped or [""]:
                self.record.append(each)
                self._say(each)

    def typed(self, line: str) -> None:
        """Keep a line that was typed."""
        self.record.append(f"> {line}")

    def welcome(self) -> None:
        """The work order."""
        case = self.case
        self.say(f"Drill on the {case.arm.title or case.arm.name}")
        self.say(f"Level {case.level}: {LEVEL_WORDS[case.level]}. Seed {case.seed}.")
        self.say()
        self._order()
        self.say()
        self.say(
            "The arm rests on its stand. The main supply is on, the motor supply off, all drives "
            "off. `help` shows the page of commands, `arm` the arm's data."
        )
        self.say(cautions.NO_VALIDATION)

    # --- lines -----------------------------------------------------------------------------

    def handle(self, line: str) -> bool:
        """Carry out one line; False when the drill is over. A bad line changes nothing."""
        if self.outcome or not line.strip() or line.lstrip().startswith("#"):
            return not self.outcome
        try:
            act = read_line(line, self.known)
            if act.name in ACTS:
                self._do(act)
            else:
                _SAYS[act.name](self, *act.values)
        except DrillError as error:
            self.say(f"? {error}")
        return not self.outcome

    def _hazard(self, act: Act) -> bool:
        """Say what speaks against an act; whether it is to be left undone."""
        found = hazard(self.site, act)
        if found is None:
            return False
        if found.ends:
            self.say(f"STOP. {found.text} Somebody could have been hurt: the drill ends here.")
            self._end(act)
            return True
        self.say(f"CAUTION. {found.text}")
        self.conduct.cautions.append(act.text)
        return found.undone

    def _do(self, act: Act) -> None:
        if self._hazard(act):
            return
        self._advise(act)
        readings = perform(self.site, act)
        done = Done(act, readings, after_repair=self.conduct.repaired)
        if act.word.reads:
            self._readings += 1
            done.number, done.expected = self._readings, self._expected
            self._expected, self._checked = "", True
        self.conduct.acts.append(done)
        self._tell(done)

    def _advise(self, act: Act) -> None:
        if act.name in _ADVICE and act.name not in self._warned and act.values[:1] != (False,):
            self._warned.add(act.name)
            self.say(f"     {_ADVICE[act.name]}", indent="     ")

    def _tell(self, done: Done) -> None:
        if not done.number:
            self.say(f"     {told(done.readings) or 'done'}", indent="     ")
            return
        text = told(done.readings)
        state = self.site.state
        if done.act.name in ("jog", "home", "cycle") and not (state.main and state.motor):
            text += "; the motor supply is off"
        if done.expected:
            as_said = "as" if met(done.expected, done.readings) else "not as"
            text += f" [{as_said} expected: {done.expected}]"
        self.say(f"{done.number:>3}  {text}", indent="     ")

    # --- words of the drill ----------------------------------------------------------------

    def _order(self) -> None:
        self.say(f"The customer: {self.case.order}", indent="  ")

    def _help(self, name: str | None) -> None:
        if name is None:
            self.say(help_page())
            return
        word: Word = WORDS[name]
        self.say(f"{word.usage}   {word.does}")

    def _arm(self) -> None:
        scene = self.case.scene
        self.say("joint                 travel, deg   switch at   counts a deg   rest   cable")
        for joint, rest in zip(scene.joint, scene.rest_pose_deg, strict=True):
            arm_joint = self.known.joint(joint.name)
            low, high = joint.travel_deg
            name = f"{joint.name} {joint.what.partition(',')[0]}"
            self.say(
                f"{name:<20}{low:>7.0f} to {high:<4.0f} {joint.home.switch_deg:>9.0f}   "
                f"{arm_joint.counts_per_deg:>12.1f}   {rest:>4.0f}   {joint.cable_m:g} m"
            )
        self.say("wires of each joint (IEC 60757), by plug:")
        plugs: dict[str, list[str]] = {}
        for name, wire in scene.harness.wires.items():
            part, dot, pin = name.partition(".")
            plugs.setdefault(part if dot else "INPUTS", []).append(f"{pin or name} {wire.colour}")
        for plug, wires in plugs.items():
            self.say(f"  {plug:<8}{', '.join(wires)}")

    def _kinds(self, name: str | None) -> None:
        level = self.case.level
        if name is None:
            self.say(f"Level {level}: {LEVEL_WORDS[level]}.")
            for each in kinds_of(level):
                self.say(f"  {each:<9}{KINDS[each].what}", indent=" " * 11)
            return
        kind = KINDS[check_kind(level, name)]
        self.say(f"{kind.name}: {kind.what}")
        self.say(f"  How it shows: {kind.shows}", indent="  ")
        self.say(f"  How to look: {kind.look}", indent="  ")
        self.say(f"  Caution: {kind.caution}", indent="  ")

    def _where(self, part: str | None) -> None:
        if part is None:
            plugs = [plug for plug in self.known.plugs if plug.startswith(f"{self.case.joint}.")]
            self.say(f"Rails: RAIL.24V RAIL.5V RAIL.3V3 RAIL.0V. Plugs: {' '.join(plugs)} ...")
            self.say("With a plug out, its loose ends are PLUG.J5.SW.COM and so on.")
            return
        wanted = part.upper()
        names = [name for name in self.known.terminals
                 if _inside(name.removeprefix("CARD."), wanted)]  # fmt: skip
        if not names:
            known = [*self.known.plugs, *(joint.name for joint in self.case.arm.joints)]
            raise DrillError(f"nothing at {part!r}{nearest(wanted, known)}: J5, J5.SW or RAIL")
        self.say(" ".join(names), indent="  ")

    def _expect(self, text: str) -> None:
        self._expected = text
        self.say(f"     the next reading: {text}")

    def _note(self, text: str) -> None:
        self.conduct.notes += 1
        self.conduct.notes_after += self.conduct.repaired
        self.say("     noted")

    def _log(self) -> None:
        for done in self.conduct.acts:
            number = f"{done.number:>3}" if done.number else "   "
            self.say(f"{number}  {done.act.text}: {told(done.readings) or 'done'}", indent="     ")
        if not self.conduct.acts:
            self.say("     nothing yet")

    def _answer(self, text: str) -> None:
        if self.conduct.repaired:
            raise DrillError("an answer counts before the first repair only; it stands as it was")
        answer = read_answer(text, self.known)
        self.conduct.answer, self.conduct.answered_at = answer, len(self.conduct.acts)
        self.say("     put down; it is judged at the end")

    def _repair(self, text: str) -> None:
        if self.conduct.answer is None:
            raise DrillError("answer first: what you put down before a repair is what counts")
        places = self._places(text)
        if self._hazard(Act("repair", (text,), text=f"repair {text}")):
            return
        self.conduct.untested += not self._checked
        self._checked = False
        mended = [fault for fault in self.site.place.injector.listed()
                  if places & set(parse_fault(fault).places)]  # fmt: skip
        for fault in mended:
            self.site.place.injector.remove(fault)
        if not mended:
            self.conduct.needless.append(text)
        self.conduct.repaired = True
        for place in places:
            self.site.state.proved.pop(place.partition(".")[0], None)
        self.say(
            f"     {', '.join(sorted(places))}: made good as the wiring list and the data say."
        )
        self.say(f"     {cautions.AFTER_REPAIR}", indent="     ")

    def _places(self, text: str) -> set[str]:
        known = {place for fault in self.known.faults for place in parse_fault(plain(fault)).places}
        found = set()
        for word in text.replace(" and ", " ").split():
            for place in word.partition("@")[2].split("/") if "@" in word else word.split("/"):
                name = place.partition(",")[0]
                if name not in known:
                    raise DrillError(
                        f"nothing to repair at {name!r}{nearest(name, known)}: expected a place "
                        "such as J3.DIR, J2.ENC, J4.COUPLING"
                    )
                found.add(name)
        return found

    def _done(self) -> None:
        if self.conduct.answer is None and not self._asked_twice:
            self._asked_twice = True
            raise DrillError(
                "no answer yet (`answer sound` if nothing is wrong); `done` once more hands in "
                "without one"
            )
        self._hand_in()

    def _quit(self) -> None:
        self.outcome = LEFT
        self.say("Left without handing in.")

    # --- handing in ------------------------------------------------------------------------

    def _hand_in(self) -> None:
        self.outcome = HANDED_IN
        conduct, case = self.conduct, self.case
        before = [done for done in conduct.acts if not done.after_repair]
        at = conduct.answered_at if conduct.answer else len(before)
        evidence = weigh(case, before[:at], self.known, self._progress)
        state = self.site.state
        conduct.restored = state.main and state.stand and not state.clip and not state.plugs_out
        conduct.next_splits = self._next_splits(before[:at])
        differing = sound_differs(case, before)
        self.marking = grade(conduct, evidence, case.faults, differing, case.joint)
        self._debrief(evidence)

    def _end(self, act: Act) -> None:
        """An act that could injure: no marks, but what it was all the same."""
        self.outcome = ENDED
        self.say()
        self.say("DEBRIEF")
        self._truth()
        self.say(f"No marks: `{act.text}` could have injured somebody.")
        self._picture()

    def _truth(self) -> None:
        self._all(fault_lines(self.case), "  ")
        self._all(wiring_lines(self.case), "    ")

    def _next_splits(self, acts: list[Done]) -> bool:
        """Whether the measurement named next would tell the alternatives of an answer apart."""
        answer = self.conduct.answer
        if answer is None or answer.next_act is None or len(answer.alternatives) < 2:
            return False
        seen = []
        for said in answer.alternatives:
            faults = next((one for one in pool(self.case) if same(one, said)), said)
            with Site(self.case.arm, self.case.seed, faults, self.case.whats,
                      self.case.before) as site:  # fmt: skip
                for done in acts:
                    perform(site, done.act)
                if answer.next_act.name in ("ohms", "beep"):
                    # It goes without saying that the power is off for that.
                    perform(site, Act("main", (False,)))
                seen.append(perform(site, answer.next_act))
        return any(not alike(seen[0], other) for other in seen[1:])

    def _debrief(self, evidence: Evidence) -> None:
        self.say()
        self.say("DEBRIEF")
        best = best_reading(evidence)
        if self._ask is not None and best:
            said = self._ask("Which reading changed your mind (its number)? ")
            self.typed(said)
            self.say(f"By the sum, reading {best} removed most.")
        assert self.marking is not None
        taken = sum(bool(done.number) for done in evidence.acts)
        rig_s = self.site.place.rig.now / TICKS_PER_S
        self._truth()
        self.say("What your readings told:")
        self._all(reading_lines(evidence), "      ")
        self._all(other_cause_lines(evidence), "  ")
        for act in self.conduct.cautions:
            self.say(f"Caution earned by: {act}")
        self.say("Marks:")
        self._all(marking_lines(self.marking, rig_s, taken, evidence.par), "      ")
        self._picture()

    def _all(self, lines: Iterator[str], indent: str) -> None:
        for line in lines:
            self.say(line, indent)

    def _picture(self) -> None:
        try:
            drawn = draw(self.case, self.folder)
        except (CommissionError, DryrigError) as error:
            self.say(f"No picture: {error}")
            return
        if drawn is None:
            self.say("No picture: no signal differs from a sound arm's.")
        else:
            self.say(f"Picture: {drawn[0]}")
            self.say(f"  {drawn[1]}", indent="  ")

    def write_record(self) -> Path:
        """Write what was said and typed into the folder. Raises DrillError."""
        path = self.folder / RECORD
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            path.write_text("\n".join(self.record) + "\n", encoding="utf-8")
        except OSError as error:
            raise DrillError(
                f"cannot write the record to {str(path)!r}: {error.strerror}"
            ) from None
        return path


def _inside(name: str, wanted: str) -> bool:
    """Whether a terminal is the one wanted, or belongs to that joint or plug."""
    if name == wanted or name.startswith(f"{wanted}."):
        return True
    return not name.startswith("RAIL") and name.startswith("J") and plug_of(name) == wanted


_SAYS: dict[str, Callable[..., None]] = {
    "order": Drill._order,
    "help": Drill._help,
    "arm": Drill._arm,
    "kinds": Drill._kinds,
    "where": Drill._where,
    "expect": Drill._expect,
    "note": Drill._note,
    "log": Drill._log,
    "answer": Drill._answer,
    "repair": Drill._repair,
    "done": Drill._done,
    "quit": Drill._quit,
}
