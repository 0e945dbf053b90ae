"""`dryrig faults`: what can be wrong with an arm, and what of it is seen and named."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from .cli_common import SceneName, Seed, fail, say, telling
from .errors import DryrigError
from .stopping import Stopped, stoppable

faults_app = typer.Typer(no_args_is_help=True, help="What can be wrong with an arm.")

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
Sample = Annotated[
    int, typer.Option(min=0, help="Only so many faults, drawn by the seed; 0 takes all.")
]
Processes = Annotated[
    int | None,
    typer.Option(min=1, max=64, help="At the same time; unless given, one for each CPU."),
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
        fail(error)
    say(lines)


@faults_app.command("show")
def show_fault(kind: Annotated[str, typer.Argument(metavar="KIND")]) -> None:
    """Tell what a kind of fault is, how it shows, and how to look for it."""
    from .faults.told import tell_kind

    try:
        text = tell_kind(kind)
    except DryrigError as error:
        fail(error)
    say(text)


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
    processes: Processes = None,
) -> None:
    """Commission arms with each fault: which does the commissioning see, which stay hidden, why.

    Each hidden fault is printed as it is found, counts at the end. The whole catalogue of the
    Heron takes some twenty minutes.
    """
    from rich.console import Console
    from rich.progress import Progress

    from .faults.catalogue import chosen_faults
    from .scenes.loader import load_scene
    from .study.latency import study_latency
    from .study.terminal import line_of, show

    console = Console(stderr=True)
    bar = Progress(console=console, transient=True, disable=not console.is_terminal)
    with telling():
        loaded = load_scene(scene)
        chosen = chosen_faults(loaded, joints=joint or (), parts=part or (), kinds=kind or ())
        total = max(sound, arms) + arms * len(chosen)
        with bar:
            task = bar.add_task("commissioning", total=total)
            tally = study_latency(
                loaded,
                chosen,
                name=scene,
                seed=seed,
                arms=arms,
                sound_arms=sound,
                processes=processes,
                found=lambda finding: None if finding.seen else say(line_of(finding)),
                done=lambda: bar.advance(task),
            )
    show(tally, Console())


@faults_app.command("truth")
def fault_truth(
    scene: SceneName,
    joint: OnlyJoints = None,
    part: OnlyParts = None,
    kind: OnlyKinds = None,
    seed: Seed = 300,
    sample: Sample = 0,
    processes: Processes = None,
) -> None:
    """Commission an arm with each fault, and hold what came of it against the truth.

    No run may hang, no arm may pass that is further off than it says, no joint may be driven into
    a hard stop for longer than is stated. Each arm has a seed of its own. Exit code 1 when a run
    broke any of that. The whole catalogue of the Heron takes some ten minutes.
    """
    from rich.console import Console
    from rich.progress import Progress

    from .faults.catalogue import chosen_faults
    from .scenes.loader import load_scene
    from .study.sampling import sampled
    from .study.truth import Held, study_truth
    from .study.truth_terminal import line_of, show

    console = Console(stderr=True)
    bar = Progress(console=console, transient=True, disable=not console.is_terminal)
    with telling():
        chosen = chosen_faults(
            load_scene(scene), joints=joint or (), parts=part or (), kinds=kind or ()
        )
        chosen = sampled(chosen, sample, seed)
        with bar:
            task = bar.add_task("commissioning", total=len(chosen))

            def done(held: Held) -> None:
                bar.advance(task)
                if held.wrongs:
                    say(line_of(held))

            tally = study_truth(scene, chosen, seed=seed, processes=processes, done=done)
    show(tally, Console())
    if tally.wrong:
        raise typer.Exit(1)


@faults_app.command("learn")
def learn_faults(
    scene: SceneName,
    joint: OnlyJoints = None,
    part: OnlyParts = None,
    kind: OnlyKinds = None,
    processes: Processes = None,
) -> None:
    """Try out every fault for `dryrig commission --diagnose`, and keep what was seen.

    What was learned before is not learned again; a change of the scene or of dryrig asks anew.
    """
    from rich.console import Console
    from rich.progress import Progress

    from .faults.catalogue import chosen_faults
    from .scenes.loader import load_scene
    from .study.candidates import candidates
    from .study.library import Library

    console = Console(stderr=True)
    bar = Progress(console=console, transient=True, disable=not console.is_terminal)
    try:
        arm = load_scene(scene)
        if joint or part or kind:
            chosen = chosen_faults(arm, joints=joint or (), parts=part or (), kinds=kind or ())
        else:
            chosen = candidates(arm)
        library = Library.of(scene)
        tasks = len(library.tasks(chosen))
        with stoppable(), bar:
            task = bar.add_task("trying out", total=tasks)
            library.learn(chosen, processes, lambda: bar.advance(task))
    except Stopped as stopped:
        fail(f"stopped by {stopped}; what was learned is kept")
    except OSError as error:
        fail(f"cannot keep what was learned: {error}")
    except DryrigError as error:
        fail(error)
    say(f"{len(chosen)} faults known, {tasks} rigs tried out: {library.path}")


@faults_app.command("diagnosis")
def fault_diagnosis(
    scene: SceneName,
    joint: OnlyJoints = None,
    part: OnlyParts = None,
    kind: OnlyKinds = None,
    seed: Seed = 300,
    sample: Sample = 0,
    processes: Processes = None,
) -> None:
    """Commission an arm with each fault, and see whether the diagnosis names it.

    The arms' seeds count up from the given one: none is an arm that the ranker learned from.
    """
    from rich.console import Console
    from rich.progress import Progress

    from .faults.catalogue import chosen_faults
    from .scenes.loader import load_scene
    from .study.diagnosed import study_diagnosis
    from .study.diagnosed_terminal import line_of, show
    from .study.sampling import sampled

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
                found=lambda trial: None if trial.named else say(line_of(trial)),
                begin=lambda total: bar.update(task, total=total),
                done=lambda: bar.advance(task),
            )
    except Stopped as stopped:
        fail(f"stopped by {stopped}")
    except OSError as error:
        fail(f"cannot keep what was learned: {error}")
    except DryrigError as error:
        fail(error)
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
    with telling():
        task = bar.add_task("trying out", total=len(planned(kind or ())))
        with bar:
            index = write_handbook(
                out, kind or (), lambda fault: bar.update(task, advance=1, description=fault)
            )
    say(f"handbook: {index}")
