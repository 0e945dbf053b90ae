"""The `dryrig` command: serve a rig, commission an arm, look up faults, see the demo.

Every command loads what it needs when it runs, so that the others start fast. Exit codes: 0 done
or passed, 1 findings, 2 could not run.
"""

from __future__ import annotations

import json
import signal
from pathlib import Path
from typing import Annotated

import typer

from .cli_common import SceneName, Seed, expected, fail, say, telling
from .cli_faults import faults_app
from .errors import DryrigError
from .stopping import Stopped, stoppable

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="A rig with no arm in it: a simulated six-axis stepper arm on a serial port.",
)
app.add_typer(faults_app, name="faults")
trace_app = typer.Typer(no_args_is_help=True, help="What a rig did over rig time.")
app.add_typer(trace_app, name="trace")


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
        fail("--pace and --lockstep: in lockstep no clock sets a pace; leave one out")
    if response and baud is None:
        fail("--response: only a line with a rate takes time; give --baud too")
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
        fail(error)
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
    from .study.asked import Asked, commission_asked

    to_person = Console(stderr=True)
    try:
        with stoppable():
            if report is not None:
                make_folder(report)
            asked = Asked(
                only, skip or [], thorough, resume, calibration, routine, program, replace
            )
            result = commission_asked(port, hands, arm, asked, to_person, diagnose)
            if report is not None:
                page = write_report(result, report)
                to_person.print(f"Report: {page}", soft_wrap=True, highlight=False, markup=False)
    except Stopped as stopped:
        unheard = getattr(stopped, "__notes__", ["motion stopped, drives as they were"])
        result = Result("could not run", arm, reason=f"stopped by {stopped}; {unheard[0]}")
    except Exception as error:
        if not expected(error):
            raise
        result = Result("could not run", arm, reason=str(error))
    again = ""
    if result.exit_code and port.startswith("dryrig://"):
        from .protocol.again import see_all_again

        again = see_all_again()
    if as_json:
        say(json.dumps(result.to_json(), ensure_ascii=False, allow_nan=False))
    elif result.verdict == "could not run":
        fail(f"{result.reason}\n{again}".rstrip())
    else:
        show(result, Console(), evidence=bool(only))
    if again:
        to_person.print(again, soft_wrap=True, highlight=False, markup=False)
    raise typer.Exit(result.exit_code)


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

    with telling():
        code = run_demo(
            Console(),
            scene_path("heron"),
            seed=seed,
            fault=fault,
            pace=pace,
            report=report,
        )
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
    with telling(f"the record is kept in {out}"):
        code = run_drill(scene, level, chosen, out, say)
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
    from .protocol.story import tell
    from .sim.clock import TICKS_PER_S

    try:
        with stoppable(), Console(stderr=True).status("replaying"):
            run = Run.read(file)
            # What has no last line was kept of a failure: there the story is what is wanted.
            stories: list[str] = []
            told = None if run.outcome else lambda notes: stories.append(tell(notes))
            outcome = run.replay(grammar, told)
    except Stopped as stopped:
        fail(f"stopped by {stopped}")
    except Diverged as error:
        typer.echo(f"dryrig: {error}\nsee it again: dryrig replay {file}", err=True)
        raise typer.Exit(1) from None
    except DryrigError as error:
        fail(error)
    compared = "the same" if run.outcome else "nothing to compare with (no last line)"
    say(f"{len(run.actions)} actions, {outcome.tick / TICKS_PER_S:.3f} s: {compared}")
    say(f"{outcome.edges} edges, trace {outcome.trace}")
    for story in stories:
        say(f"what happened:\n{story}")


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

    with telling(), Console(stderr=True).status("drawing"):
        path = plot(file, out, signal or (), begin_s=begin, end_s=end)
    say(f"plot: {path}")


def main() -> None:
    """Run the command."""
    # Until a command takes over, Ctrl-C just ends: no traceback out of half-loaded modules.
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    app(prog_name="dryrig")
