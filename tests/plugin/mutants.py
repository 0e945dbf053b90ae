"""Do the ready-made properties notice a broken homing? Mutants by cosmic-ray, one at a time.

    pip install cosmic-ray
    python tests/plugin/mutants.py homing --share 0.33 --for 280    # goes on where it stopped
    python tests/plugin/mutants.py homing --watch                   # what watches joints, all of it
    python tests/plugin/mutants.py homing --table

Each mutant of `commission/homing.py` (or `homing_failed`, `homing_methods`) is put in the place of
the original in a process of its own, and the properties are the only tests. What cosmic-ray changes
in annotations alone is no mutant, since they are never evaluated. Outcomes are kept in
`mutants-NAME.jsonl`.
Survivors are explained in `mutants.md`.
"""

from __future__ import annotations

import argparse
import ast
import difflib
import json
import os
import random
import select
import signal
import sys
import time
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator, operator_names
from hypothesis import seed

sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))
from reference_homing import alone, heron, indexed, of, says_why, sketched

import dryrig.commission.homing as homing
import dryrig.commission.homing_failed as homing_failed
import dryrig.commission.homing_methods as homing_methods

MODULES = {
    "homing": homing,
    "homing_failed": homing_failed,
    "homing_methods": homing_methods,
}
# What words a passed homing, and a figure that is the study's.
WORDS = ("homed_words", "NEAR_INDEX", "PRESS_LIMIT_S")
# What watches joints, those that stand too: the functions that are tried, and counted, apart.
WATCH = {
    "homing": ("home", "_together"),
    "homing_failed": ("STANDING_LOADS", "left", "out_of_step", "shaken", "strayed"),
    "homing_methods": (),
}
MOST_S = 120.0
NO_MUTANT = "no mutant"
Property = Callable[[], None]


class Mutant(NamedTuple):
    """One change: the tool's operator, which of its places, the lines before and after."""

    operator: str
    occurrence: int
    line: int
    before: str
    after: str
    code: str


class _Bare(ast.NodeTransformer):
    """Without annotations, and without what only others read."""

    def visit_arg(self, node: ast.arg) -> ast.arg:
        node.annotation = None
        return node

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST | None:
        if node.name in WORDS:
            return None
        node.returns = None
        return self.generic_visit(node)

    def visit_Assign(self, node: ast.Assign) -> ast.AST | None:
        return None if ast.unparse(node.targets[0]) in WORDS else self.generic_visit(node)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        node.annotation = ast.Constant(0)
        return self.generic_visit(node)


def bare(source: str) -> str:
    return ast.dump(_Bare().visit(ast.parse(source)))


def places(source: str) -> list[tuple[str, int, int]]:
    """All that the tool can do to a source: its operators, how often each finds a place, lines."""
    tree, found = get_ast(source), []
    for name in operator_names():
        made = get_operator(name)
        if not made.arguments():
            operator = made()
            starts = [at for node in ast_nodes(tree) for at in operator.mutation_positions(node)]
            found += [(name, which, at[0][0]) for which, at in enumerate(starts)]
    return found


def watches(module: str, source: str, line: int) -> bool:
    """Whether a line is of the watch."""
    for node in ast.parse(source).body:
        if node.lineno <= line <= (node.end_lineno or 0):
            name = ast.unparse(node.targets[0]) if isinstance(node, ast.Assign) else ""
            return getattr(node, "name", name) in WATCH[module]
    return False


def mutant(source: str, name: str, occurrence: int) -> Mutant | None:
    """One of them; None where it is no program, or changes annotations or report words only."""
    code = mutate_code(source, get_operator(name)(), occurrence)
    try:
        if bare(code) == bare(source):
            return None
    except SyntaxError:  # `not` before an assignment
        return None
    old, new = source.splitlines(), code.splitlines()
    (change, *_) = [
        each for each in difflib.SequenceMatcher(None, old, new).get_opcodes() if each[0] != "equal"
    ]
    _, a, b, c, d = change
    before, after = (" ".join(part).strip() for part in (old[a:b], new[c:d]))
    return Mutant(name.partition("/")[2], occurrence, a + 1, before, after, code)


def properties(few: int) -> Iterator[tuple[str, Property]]:
    """The ready-made ones, the quickest to notice first; `few` scales how many examples."""

    def some(examples: int) -> Any:
        return of(few * examples)

    def wrist(examples: int) -> Any:
        return heron("J4", "J5", settings=some(examples), limit_s=200.0)

    def other(examples: int, *joints: str) -> Any:
        return sketched(*joints, settings=some(examples), limit_s=200.0)

    def index(examples: int, *joints: str) -> Any:
        return indexed(*joints, settings=some(examples), limit_s=200.0)

    yield "homes a sound arm", wrist(2).homes_a_sound_arm(0.1)
    yield "homes a sound arm, at a hard stop", other(2, "J1").homes_a_sound_arm(0.05)
    yield "homes a sound arm, where a switch lets go", other(2, "J2").homes_a_sound_arm(0.8)
    yield "homes a sound arm, beside an index", index(2, "J2").homes_a_sound_arm(0.1)
    yield "twice agrees, with an index", index(2).twice_agrees(0.1)
    for fault, test in says_why(few):
        yield f"says why, {fault}", test
    yield "ends, at its other end", alone("J2", settings=some(4)).ends_within(30)
    yield "reports when impossible", wrist(5).reports_when_impossible()
    yield "never wrong and silent", wrist(8).never_wrong_and_silent(0.3)
    yield "never wrong and silent, other methods", other(8).never_wrong_and_silent(0.8)
    yield "leaves the card as found", wrist(4).leaves_the_card_as_found()
    yield "leaves the card as found, other methods", other(4).leaves_the_card_as_found()
    yield "stops on the edge", wrist(2).stops_on_the_edge(0.5)
    yield "ends", wrist(4).ends_within(30)
    yield "never presses a stop", wrist(4).never_presses_a_stop(5.0)
    yield "drives defined after a report", wrist(4).drives_defined_after_a_report(True)
    yield "twice agrees", wrist(2).twice_agrees(0.2)
    yield "twice agrees, other methods", other(2).twice_agrees(0.2)
    yield "start does not matter", wrist(2).start_does_not_matter(0.2)
    yield "tolerates slow replies", wrist(2).tolerates_slow_replies(0.5)
    yield "tolerates a bad line", wrist(3).tolerates_a_bad_line()


def noticed(few: int, only: str, first: str) -> str:
    """The first property that fails, or nothing; those with `first` in their names are tried so."""
    for name, test in sorted(properties(few), key=lambda named: first not in named[0]):
        if only not in name:
            continue
        try:
            seed(1)(test)()
        except BaseException as error:
            return f"{name}: {type(error).__name__}"
    return ""


def trial(name: str, code: str, few: int, only: str, first: str) -> str:
    """Who notices a mutant, in a process of its own."""
    read, write = os.pipe()
    if not (child := os.fork()):
        found = "could not be loaded"
        try:
            warnings.simplefilter("ignore")  # of what a mutant looks like
            exec(compile(code, f"{name}.py", "exec"), MODULES[name].__dict__)
            if name != "homing":  # has names of this one
                text = Path(str(homing.__file__)).read_text(encoding="utf-8")
                exec(compile(text, "homing.py", "exec"), homing.__dict__)
            found = noticed(few, only, first)
        finally:
            os.write(write, found.encode())
            os._exit(0)
    os.close(write)
    ready, _, _ = select.select([read], [], [], MOST_S)
    if not ready:
        os.kill(child, signal.SIGKILL)
    found = os.read(read, 9999).decode() if ready else "ran too long"
    os.close(read)
    os.waitpid(child, 0)
    return found


def table(outcomes: list[dict[str, Any]], places: int) -> str:
    """What was noticed by which property, and the survivors."""
    tried = [each for each in outcomes if each["by"] != NO_MUTANT]
    by = Counter(each["by"].partition(":")[0].partition(",")[0] for each in tried)
    killed = len(tried) - by[""]
    lines = [
        f"{killed} of {len(tried)} killed ({killed / max(1, len(tried)):.1%}); tried "
        f"{len(outcomes)} of {places} places, {len(outcomes) - len(tried)} of them in annotations "
        "and report words"
    ]
    lines += [f"  {number:4} {name or 'SURVIVED'}" for name, number in by.most_common()]
    for each in sorted(tried, key=lambda each: (each["line"], each["after"])):
        if not each["by"]:
            lines.append(f"{each['line']:4} {each['before']}\n  -> {each['after']}")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("module", choices=MODULES)
    parser.add_argument("--for", dest="most_s", type=float, default=1e9, metavar="S")
    parser.add_argument("--share", type=float, default=1.0, help="of all places, a fair sample")
    parser.add_argument("--few", type=int, default=1, help="times as many examples")
    parser.add_argument(
        "--only", default="", metavar="WORD", help="properties with it in their name"
    )
    parser.add_argument("--again", action="store_true", help="survivors once more, nothing else")
    parser.add_argument("--watch", action="store_true", help="functions of WATCH instead of others")
    parser.add_argument("--table", action="store_true", help="print the outcomes so far")
    asked = parser.parse_args()
    kept = Path(f"mutants-{asked.module}{'-watch' if asked.watch else ''}.jsonl")
    found = {}
    if kept.exists():
        for line in kept.read_text(encoding="utf-8").splitlines():
            each = json.loads(line)
            found[each["key"]] = each
    source = Path(str(MODULES[asked.module].__file__)).read_text(encoding="utf-8")
    whole = [
        (name, occurrence)
        for name, occurrence, line in places(source)
        if watches(asked.module, source, line) == asked.watch
    ]
    if asked.table:
        print(table(list(found.values()), len(whole)))
        return
    first = "watched" if asked.watch and not asked.again else ""
    how = (asked.few, asked.only, first)
    if by := trial(asked.module, source, *how):
        raise SystemExit(f"the original does not pass: {by}")
    random.Random(1).shuffle(whole)
    whole = whole[: round(len(whole) * asked.share)]
    end = time.monotonic() + asked.most_s
    for name, occurrence in whole:
        if time.monotonic() > end:
            break
        before = found.get(f"{name}:{occurrence}")
        if (before is None) == asked.again or (before is not None and before["by"]):
            continue
        made = mutant(source, name, occurrence)
        outcome: dict[str, Any] = {"key": f"{name}:{occurrence}", "by": NO_MUTANT}
        if made is not None:
            outcome |= {**made._asdict(), "by": trial(asked.module, made.code, *how)}
            del outcome["code"]
        found[outcome["key"]] = outcome
        with kept.open("a", encoding="utf-8") as file:
            file.write(json.dumps(outcome) + "\n")
    print(table(list(found.values()), len(whole)).splitlines()[0])


if __name__ == "__main__":
    main()
