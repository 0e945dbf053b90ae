"""The `dryrig` command: serve a rig, commission an arm, look up faults, see the demo.

Every command loads what it needs when it runs, so that the others start fast. Exit codes: 0 done
or passed, 1 findings, 2 could not run.
"""

from __future__ import annotations

import json
import os
import signal
import sys
from contextlib import ExitStack, closing
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple, NoReturn

import typer

from .errors import DryrigError
from .stopping import Stopped, stoppable

if TYPE_CHECKING:
    from rich.console import Console

    from .commission.plan import Options
    from .commission.result import Result
    from .study.ranker import SimulatedRanker

COULD_NOT_RUN = 2

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="A rig with no arm in it: a simulated six-axis stepper arm on a serial port.",
)
faults_app = typer.Typer(no_args_is_help=True, help="What can be wrong with an arm.")
app.add_typer(faults_app, name="faults")
trace_app = typer.Typer(no_args_is_help=True, help="What a rig did over rig time.")
app.add_typer(trace_app, name="trace")

SceneName = Annotated[str, typer.Argument(metavar="SCENE", help="Name or TOML file.")]
Seed = Annotated[int, typer.Option(min=0, help="Which individual arm.")]


def _say(text: str) -> None:
    """Print to standard output; a reader that has gone, or a full disk, is no success."""
    try:
        print(text, flush=True)
    except OSError as error:
        # What is left in the buffer must not fail once more at the end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        _fail(f"standard output: {error.strerror}")


def _fail(error: object) -> NoReturn:
    typer.echo(f"dryrig: {error}", err=True)
    raise typer.Exit(COULD_NOT_RUN)


@app.command()
def serve(
    scene: SceneName,
    seed: Seed = 0,
    fault: Annotated[
        list[str] | None, typer.Option(metavar="KIND@PLACE", help="May be given repeatedly.")
    ] = None,
    link: Annotated[Path | None, typer.Option(help="Link to the card's port.")] = None,
    hands_link: Annotated[Path | None, typer.Option(help="Link to the hands' port.")] = None,
    teacher_link: Annotated[Path | None, typer.Option(help="Link to the teacher's port.")] = None,
    io_link: Annotated[Path | None, typer.Option(help="Link to the second card's port.")] = None,
    listen: Annotated[
        str | None,
        typer.Option(
            metavar="[rfc2217://]HOST:PORT",
            help="TCP instead of ptys: the card there, the others on the ports after it.",
        ),
    ] = None,
    hands_listen: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="TCP address of the hands' port.")
    ] = None,
    teacher_listen: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="TCP address of the teacher's port.")
    ] = None,
    io_listen: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="TCP address of the second card's port.")
    ] = None,
    pace: Annotated[float | None, typer.Option(help="Rig seconds in a second.")] = None,
    lockstep: Annotated[
        bool, typer.Option("--lockstep", help="Bytes alone move rig time, no clock does.")
    ] = False,
    baud: Annotated[
        int | None,
        typer.Option(help="Bytes on the card's line take their time; the host must be at it too."),
    ] = None,
    response: Annotated[
        float, typer.Option(help="With --baud: seconds before the card begins a reply.")
    ] = 0.0,
    trace: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Trace to a .vcd or .csv, written at the end."),
    ] = None,
    log: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="All bytes with their rig times; `dryrig replay` does them again."
        ),
    ] = None,
    grammar: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="The card's: scpi, modbus, or your module:Class."),
    ] = None,
) -> None:
    """Serve an arm on serial ports until Ctrl-C.

    An address is PORT or HOST:PORT (port 0: any free one), spoken to as socket:// or rfc2217://.
    """
    if lockstep and pace is not None:
        _fail("--pace and --lockstep: in lockstep no clock sets a pace; leave one out")
    if response and baud is None:
        _fail("--response: only a line with a rate takes time; give --baud too")
    from .protocol.served import serve as serve_rig

    try:
        code = serve_rig(
            scene,
            seed=seed,
            faults=fault or (),
            link=link,
            hands_link=hands_link,
            teacher_link=teacher_link,
            io_link=io_link,
            listen=listen,
            hands_listen=hands_listen,
            teacher_listen=teacher_listen,
            io_listen=io_listen,
            pace=1.0 if pace is None else pace,
            lockstep=lockstep,
            baud=baud,
            response_s=response,
            trace=trace,
            log=log,
            grammar=grammar,
        )
    except DryrigError as error:
        _fail(error)
    raise typer.Exit(code)


@app.command()
def commission(
    port: Annotated[str, typer.Option(help="The card's port: a path or a pyserial address.")],
    hands: Annotated[
        str | None, typer.Option(help="The hands' port. Without it, a person is asked.")
    ] = None,
    arm: Annotated[str, typer.Option(help="The arm's name or TOML file.")] = "heron",
    as_json: Annotated[
        bool, typer.Option("--json", help="One JSON object on standard output.")
    ] = False,
    report: Annotated[
        Path | None, typer.Option(help="Folder for the report, and for the calibration.")
    ] = None,
    only: Annotated[
        str | None, typer.Option(metavar="NAME,NAME", help="Only these checks.")
    ] = None,
    skip: Annotated[
        list[str] | None,
        typer.Option(metavar='NAME="WHY"', help="Leave a check out, and say why. Repeatable."),
    ] = None,
    thorough: Annotated[
        bool, typer.Option("--thorough", help="Also what takes time: sweep, wiggle, index, load.")
    ] = False,
    resume: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Keeps the state; go on from it if it is there."),
    ] = None,
    calibration: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Home offsets of an earlier run.")
    ] = None,
    routine: Annotated[
        str | None, typer.Option(metavar="MODULE:FUNCTION", help="Your own, in Python.")
    ] = None,
    program: Annotated[
        str | None, typer.Option("--exec", metavar='"PROG {port}"', help="Your own, any language.")
    ] = None,
    replace: Annotated[
        str, typer.Option(metavar="NAME", help="What yours stands in for: a check, or all.")
    ] = "homing",
    diagnose: Annotated[
        bool, typer.Option("--diagnose", help="Name the part: try every fault on rigs of our own.")
    ] = False,
) -> None:
    """Check, home and trim an arm on a serial port.

    Checks, in their order: cold, rails, link, encoders, switches, stop, jogs, homing, trim, repeat;
    with --thorough also sweep, wiggle, index, load.
    Exit code 0: passed, or passed in part. 1: findings. 2: could not run. A simulator pass is no
    safety validation.
    """
    from rich.console import Console

    from .commission.report import make_folder, write_report
    from .commission.result import Result
    from .commission.terminal import show

    to_person = Console(stderr=True)
    try:
        with stoppable():
            if report is not None:
                make_folder(report)
            asked = _Asked(
                only, skip or [], thorough, resume, calibration, routine, program, replace
            )
            result = _commission(port, hands, arm, asked, to_person, diagnose)
            if report is not None:
                page = write_report(result, report)
                to_person.print(f"Report: {page}", soft_wrap=True, highlight=False, markup=False)
    except Stopped as stopped:
        result = Result(
            "could not run",
            arm,
            reason=f"stopped by {stopped}; motion stopped, drives as they were",
        )
    except Exception as error:
        if not _expected(error):
            raise
        result = Result("could not run", arm, reason=str(error))
    again = ""
    if result.exit_code and port.startswith("dryrig://"):
        from .protocol.again import see_all_again

        again = see_all_again()
    if as_json:
        _say(json.dumps(result.to_json(), ensure_ascii=False, allow_nan=False))
    elif result.verdict == "could not run":
        _fail(f"{result.reason}\n{again}".rstrip())
    else:
        show(result, Console())
    if again:
        to_person.print(again, soft_wrap=True, highlight=False, markup=False)
    raise typer.Exit(result.exit_code)


class _Asked(NamedTuple):
    """What a commissioning's options say, as typed."""

    only: str | None
    skip: list[str]
    thorough: bool
    resume: Path | None
    calibration: Path | None
    routine: str | None
    program: str | None
    replace: str


def _options(asked: _Asked) -> Options:
    """The same, read. Raises CommissionError."""
    from .commission.calibration import read_calibration
    from .commission.errors import PlanError
    from .commission.plan import Options
    from .commission.routine import Function, Program, Routine

    if asked.routine is not None and asked.program is not None:
        raise PlanError("--routine and --exec: one routine at a time; leave one out")
    replace: dict[str, Routine] = {}
    if asked.routine is not None:
        replace[asked.replace] = Function.load(asked.routine)
    elif asked.program is not None:
        replace[asked.replace] = Program(asked.program)
    parts = [text.partition("=") for text in asked.skip]
    return Options(
        only=tuple(name.strip() for name in asked.only.split(",")) if asked.only else (),
        skip={name.strip(): reason.strip().strip('"') for name, _, reason in parts},
        thorough=asked.thorough,
        replace=replace,
        resume=asked.resume,
        calibration=read_calibration(asked.calibration) if asked.calibration else None,
    )


def _commission(
    port: str, hands: str | None, arm: str, asked: _Asked, console: Console, diagnose: bool
) -> Result:
    from .commission.client import Card
    from .commission.hand import PortHand
    from .commission.person import PersonHand
    from .commission.run import commission as run
    from .commission.terminal import progress_on
    from .scenes.loader import scene_path

    path, options = scene_path(arm), _options(asked)
    person = PersonHand(console) if hands is None else None
    ranker = _ranker(arm, console) if diagnose else None
    with ExitStack() as stack:
        # The card first: of two in-process ports, the first one opened sets up the rig.
        card = stack.enter_context(closing(Card.open(port)))
        hand: PortHand | PersonHand = person or PortHand.open(str(hands))
        stack.enter_context(closing(hand))
        progress = stack.enter_context(progress_on(console, lines=hands is None))
        return run(card, hand, path, progress, options=options, ranker=ranker)


def _ranker(arm: str, console: Console) -> SimulatedRanker:
    from .study.library import Library
    from .study.ranker import SimulatedRanker

    def say(tasks: int) -> None:
        console.print(
            f"diagnosis: {tasks} rigs to try out first; kept for the next time",
            highlight=False, markup=False,
        )  # fmt: skip

    return SimulatedRanker(arm, Library.of(arm), learning=say)


def _expected(error: Exception) -> bool:
    from .commission.errors import CommissionError

    return isinstance(error, (CommissionError, DryrigError))


@app.command()
def demo(
    seed: Seed = 1,
    fault: Annotated[
        str | None, typer.Option(metavar="KIND@PLACE", help="Instead of a hidden one.")
    ] = None,
    pace: Annotated[float, typer.Option(help="Rig seconds in a second.")] = 40.0,
    report: Annotated[Path, typer.Option(help="Folder for the report.")] = Path("dryrig-report"),
) -> None:
    """Find a hidden fault, mend it, commission again and write the report."""
    from rich.console import Console

    from .bench.demo import run_demo
    from .scenes.loader import scene_path

    try:
        with stoppable():
            code = run_demo(
                Console(),
                scene_path("heron"),
                seed=seed,
                fault=fault,
                pace=pace,
                report=report,
            )
    except Stopped as stopped:
        _fail(f"stopped by {stopped}")
    except Exception as error:
        if not _expected(error):
            raise
        _fail(error)
    raise typer.Exit(code)


@app.command()
def drill(
    scene: SceneName,
    level: Annotated[int, typer.Option(help="1: clear, 2: mistaken for others, 3: hard.")] = 1,
    seed: Annotated[
        int | None, typer.Option(min=0, help="Which drill; without it, one by chance.")
    ] = None,
    out: Annotated[
        Path, typer.Option(metavar="DIR", help="Folder for the record and the picture.")
    ] = Path("dryrig-drill"),
) -> None:
    """Find a hidden fault, or none, with hands and meter; be marked, and see what it was.

    Exit code 0: handed in. 1: left, or ended by an unsafe act. 2: could not run.
    """
    import secrets

    from .bench.drill_terminal import run_drill

    chosen = secrets.randbelow(10_000) if seed is None else seed
    try:
        with stoppable():
            code = run_drill(scene, level, chosen, out, _say)
    except Stopped as stopped:
        _fail(f"stopped by {stopped}; the record is kept in {out}")
    except Exception as error:
        if not _expected(error):
            raise
        _fail(error)
    raise typer.Exit(code)


@app.command()
def replay(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="From `dryrig serve --log`.")],
    grammar: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Yes to a module:Class that the run needs."),
    ] = None,
) -> None:
    """Do a recorded run again, and compare it bit for bit.

    Exit code 0: the same. 1: it differs. 2: could not run.
    """
    from rich.console import Console

    from .protocol.run_file import Diverged, Run
    from .sim.clock import TICKS_PER_S

    try:
        with stoppable(), Console(stderr=True).status("replaying"):
            run = Run.read(file)
            outcome = run.replay(grammar)
    except Stopped as stopped:
        _fail(f"stopped by {stopped}")
    except Diverged as error:
        typer.echo(f"dryrig: {error}\nsee it again: dryrig replay {file}", err=True)
        raise typer.Exit(1) from None
    except DryrigError as error:
        _fail(error)
    compared = "the same" if run.outcome else "nothing to compare with (no last line)"
    _say(f"{len(run.actions)} actions, {outcome.tick / TICKS_PER_S:.3f} s: {compared}")
    _say(f"{outcome.edges} edges, trace {outcome.trace}")


@trace_app.command("plot")
def plot_trace(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A .vcd or .csv trace.")],
    out: Annotated[Path, typer.Option("-o", "--out", help="A .png or .svg to write.")],
    signal: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="Such as J4.ENC.A or 'J4.*'. May be given repeatedly."),
    ] = None,
    begin: Annotated[float | None, typer.Option("--from", help="Rig time, s.")] = None,
    end: Annotated[float | None, typer.Option("--to", help="Rig time, s.")] = None,
) -> None:
    """Draw chosen signals of a trace; without any, the pins that change and all joint angles."""
    from rich.console import Console

    from .sim.trace_plot import plot_trace as plot

    try:
        with stoppable(), Console(stderr=True).status("drawing"):
            path = plot(file, out, signal or (), begin_s=begin, end_s=end)
    except Stopped as stopped:
        _fail(f"stopped by {stopped}")
    except DryrigError as error:
        _fail(error)
    _say(f"plot: {path}")


OnlyJoints = Annotated[
    list[str] | None,
    typer.Option("--joint", metavar="J3", help="Only there. May be given repeatedly."),
]
OnlyParts = Annotated[
    list[str] | None,
    typer.Option("--part", metavar="ENC", help="Only there. May be given repeatedly."),
]
OnlyKinds = Annotated[
    list[str] | None,
    typer.Option("--kind", metavar="KIND", help="Only this. May be given repeatedly."),
]


@faults_app.command("list")
def list_faults(
    scene: SceneName,
    joint: OnlyJoints = None,
    part: OnlyParts = None,
    kind: OnlyKinds = None,
) -> None:
    """Print every single fault that an arm can have, one KIND@PLACE a line."""
    from .faults.catalogue import chosen_faults
    from .scenes.loader import load_scene

    try:
        found = chosen_faults(
            load_scene(scene), joints=joint or (), parts=part or (), kinds=kind or ()
        )
        lines = "\n".join(found)
    except DryrigError as error:
        _fail(error)
    _say(lines)


@faults_app.command("show")
def show_fault(kind: Annotated[str, typer.Argument(metavar="KIND")]) -> None:
    """Tell what a kind of fault is, how it shows, and how to look for it."""
    from .faults.told import tell_kind

    try:
        text = tell_kind(kind)
    except DryrigError as error:
        _fail(error)
    _say(text)


@faults_app.command("coverage")
def fault_coverage() -> None:
    """Print published fault models, row by row: what injects each, or why nothing does."""
    from rich.console import Console

    from .study.coverage_table import show_coverage

    show_coverage(Console())


@faults_app.command("latent")
def latent_faults(
    scene: SceneName,
    joint: OnlyJoints = None,
    part: OnlyParts = None,
    kind: OnlyKinds = None,
    seed: Seed = 0,
    arms: Annotated[int, typer.Option(min=1, max=100, help="Arms with each fault.")] = 2,
    sound: Annotated[int, typer.Option(min=2, max=1000, help="Sound arms beside them.")] = 16,
    processes: Annotated[int, typer.Option(min=1, max=64, help="At the same time.")] = 2,
) -> None:
    """Commission arms with each fault: which does the commissioning see, which stay hidden, why.

    Each hidden fault is printed as it is found, counts at the end. The whole catalogue of the
    Heron takes some ten minutes.
    """
    from rich.console import Console
    from rich.progress import Progress

    from .faults.catalogue import chosen_faults
    from .scenes.loader import load_scene
    from .study.latency import study_latency
    from .study.terminal import line_of, show

    console = Console(stderr=True)
    bar = Progress(console=console, transient=True, disable=not console.is_terminal)
    try:
        loaded = load_scene(scene)
        chosen = chosen_faults(loaded, joints=joint or (), parts=part or (), kinds=kind or ())
        total = max(sound, arms) + arms * len(chosen)
        with stoppable(), bar:
            task = bar.add_task("commissioning", total=total)
            tally = study_latency(
                loaded,
                chosen,
                name=scene,
                seed=seed,
                arms=arms,
                sound_arms=sound,
                processes=processes,
                found=lambda finding: None if finding.seen else _say(line_of(finding)),
                done=lambda: bar.advance(task),
            )
    except Stopped as stopped:
        _fail(f"stopped by {stopped}")
    except DryrigError as error:
        _fail(error)
    show(tally, Console())


@faults_app.command("learn")
def learn_faults(
    scene: SceneName,
    joint: OnlyJoints = None,
    part: OnlyParts = None,
    kind: OnlyKinds = None,
    processes: Annotated[int, typer.Option(min=1, max=64, help="At the same time.")] = 2,
) -> None:
    """Try out every fault for `dryrig commission --diagnose`, and keep what was seen.

    What was learned before is not learned again; a change of the scene or of dryrig asks anew.
    """
    from rich.console import Console
    from rich.progress import Progress

    from .faults.catalogue import chosen_faults
    from .scenes.loader import load_scene
    from .study.library import Library

    console = Console(stderr=True)
    bar = Progress(console=console, transient=True, disable=not console.is_terminal)
    try:
        chosen = chosen_faults(
            load_scene(scene), joints=joint or (), parts=part or (), kinds=kind or ()
        )
        library = Library.of(scene)
        tasks = len(library.tasks(chosen))
        with stoppable(), bar:
            task = bar.add_task("trying out", total=tasks)
            library.learn(chosen, processes, lambda: bar.advance(task))
    except Stopped as stopped:
        _fail(f"stopped by {stopped}; what was learned is kept")
    except OSError as error:
        _fail(f"cannot keep what was learned: {error}")
    except DryrigError as error:
        _fail(error)
    _say(f"{len(chosen)} faults known, {tasks} rigs tried out: {library.path}")


@faults_app.command("diagnosis")
def fault_diagnosis(
    scene: SceneName,
    joint: OnlyJoints = None,
    part: OnlyParts = None,
    kind: OnlyKinds = None,
    seed: Seed = 300,
    sample: Annotated[
        int, typer.Option(min=0, help="Only so many faults, drawn by the seed; 0 takes all.")
    ] = 0,
    processes: Annotated[int, typer.Option(min=1, max=64, help="At the same time.")] = 2,
) -> None:
    """Commission an arm with each fault, and see whether the diagnosis names it.

    The arms' seeds count up from the given one: none is an arm that the ranker learned from.
    """
    from rich.console import Console
    from rich.progress import Progress

    from .faults.catalogue import chosen_faults
    from .scenes.loader import load_scene
    from .study.diagnosed import sampled, study_diagnosis
    from .study.diagnosed_terminal import line_of, show

    console = Console(stderr=True)
    bar = Progress(console=console, transient=True, disable=not console.is_terminal)
    try:
        chosen = chosen_faults(
            load_scene(scene), joints=joint or (), parts=part or (), kinds=kind or ()
        )
        chosen = sampled(chosen, sample, seed)
        with stoppable(), bar:
            task = bar.add_task("diagnosing", total=None)
            tally = study_diagnosis(
                scene,
                chosen,
                seed=seed,
                processes=processes,
                found=lambda trial: None if trial.named else _say(line_of(trial)),
                begin=lambda total: bar.update(task, total=total),
                done=lambda: bar.advance(task),
            )
    except Stopped as stopped:
        _fail(f"stopped by {stopped}")
    except OSError as error:
        _fail(f"cannot keep what was learned: {error}")
    except DryrigError as error:
        _fail(error)
    show(tally, Console())


@faults_app.command("handbook")
def fault_handbook(
    out: Annotated[Path, typer.Option("-o", "--out", metavar="DIR", help="Folder for the pages.")],
    kind: Annotated[
        list[str] | None,
        typer.Option(metavar="KIND", help="Only this kind. May be given repeatedly."),
    ] = None,
) -> None:
    """Write the symptom handbook: every kind of fault tried out on the Heron, with pictures."""
    from rich.console import Console
    from rich.progress import Progress

    from .bench.handbook import planned, write_handbook

    console = Console(stderr=True)
    bar = Progress(console=console, transient=True, disable=not console.is_terminal)
    try:
        task = bar.add_task("trying out", total=len(planned(kind or ())))
        with stoppable(), bar:
            index = write_handbook(
                out, kind or (), lambda fault: bar.update(task, advance=1, description=fault)
            )
    except Stopped as stopped:
        _fail(f"stopped by {stopped}")
    except Exception as error:
        if not _expected(error):
            raise
        _fail(error)
    _say(f"handbook: {index}")


def main() -> None:
    """Run the command."""
    # Until a command takes over, Ctrl-C just ends: no traceback out of half-loaded modules.
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    app(prog_name="dryrig")
