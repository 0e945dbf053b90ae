"""The command: what it prints, what it says of mistakes, and its exit codes."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from dryrig.cli import app
from dryrig.faults import KINDS, enumerate_faults
from dryrig.scenes import load_scene


def dryrig(*words: str) -> Result:
    return CliRunner().invoke(app, words)


def test_faults_list_is_the_catalogue_one_a_line() -> None:
    result = dryrig("faults", "list", "heron")
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert lines == list(enumerate_faults(load_scene("heron")))
    assert {"open@J3.DIR", "swap@J2.DIR/J2.STEP", "open@J5.SW.COM", "open@J1.ENC.0V"} <= set(lines)
    assert all(re.fullmatch(r"[a-z]+@\S+", line) for line in lines)


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_faults_show_tells_what_to_look_for(kind: str) -> None:
    result = dryrig("faults", "show", kind)
    assert result.exit_code == 0
    assert result.stdout.startswith(f"{kind}\n")
    for text in (KINDS[kind].what, KINDS[kind].shows, KINDS[kind].look, KINDS[kind].caution):
        assert text in result.stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("faults", "show", "opn"), r"^dryrig: no fault kind 'opn': .* \(did you mean 'open'\?\)$"),
        (("faults", "list", "hern"), r"^dryrig: no scene 'hern': .* \(did you mean 'heron'\?\)$"),
        (("serve", "hern"), r"^dryrig: no scene 'hern': expected "),
        (("serve", "heron", "--fault", "opn@J3.DIR"), r"^dryrig: fault 'opn@J3.DIR': "),
        (("serve", "heron", "--pace", "0"), r"^dryrig: pace 0: expected "),
        (("serve", "heron", "--pace", "2", "--lockstep"), r"^dryrig: --pace and --lockstep: in "),
        (("serve", "heron", "--response", "0.01"), r"^dryrig: --response: only a line with a rate"),
        (("serve", "heron", "--grammar", "modbs"), r"^dryrig: no grammar 'modbs': expected "),
        (("demo", "--fault", "open@J9.DIR", "--report", "{tmp}"), r"^dryrig: the rig did not "),
        (("demo", "--report", "{file}/report"), r"^dryrig: cannot make the folder "),
        (
            ("commission", "--port", "{tmp}/card", "--hands", "{tmp}/hands"),
            r"^dryrig: cannot open the card port '.*/card': ",
        ),
        (("commission", "--port", "{tmp}/card"), r"^dryrig: no hands: standard input is not a "),
    ],
)
def test_mistakes(words: tuple[str, ...], said: str, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    places = {"tmp": str(tmp_path), "file": str(tmp_path / "file")}
    result = dryrig(*(word.format(**places) for word in words))
    assert result.exit_code == 2
    assert re.search(said, result.stderr, re.MULTILINE)
    assert result.exception is None or isinstance(result.exception, SystemExit)


def test_a_link_path_that_is_taken(tmp_path: Path) -> None:
    taken = tmp_path / "card"
    taken.write_text("mine")
    result = dryrig("serve", "heron", "--link", str(taken))
    assert result.exit_code == 2
    assert result.stderr.startswith(f"dryrig: {taken}: something is there already")
    assert taken.read_text() == "mine"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("servee",), "No such command 'servee'"),
        (("serve",), "Missing argument 'SCENE'"),
        (("serve", "heron", "--seed", "x"), "Invalid value for '--seed'"),
        (("serve", "heron", "--seed", "-1"), "Invalid value for '--seed'"),
        (("serve", "heron", "--pace", "fast"), "Invalid value for '--pace'"),
        (("commission",), "Missing option '--port'"),
    ],
)
def test_misuse(words: tuple[str, ...], said: str) -> None:
    result = dryrig(*words)
    assert result.exit_code == 2
    assert said in result.stderr
    assert "Traceback" not in result.stderr


def ports(rig: str, fault: str = "") -> tuple[str, ...]:
    url = f"dryrig://heron?seed=4&rig={rig}" + (f"&fault={fault}" if fault else "")
    return ("--port", url, "--hands", f"{url}&port=hands")


def test_commission_prints_one_object(tmp_path: Path) -> None:
    report = tmp_path / "report"
    result = dryrig("commission", *ports("cli1"), "--json", "--report", str(report))
    assert result.exit_code == 0
    assert len(result.stdout.splitlines()) == 1
    told = json.loads(result.stdout)
    assert told["verdict"] == "pass"
    assert told == json.loads((report / "report.json").read_text(encoding="utf-8"))
    # Progress is for people, and not on standard output.
    assert "homing ..." in result.stderr


def test_commission_of_a_faulty_arm_exits_1() -> None:
    result = dryrig("commission", *ports("cli2", "open@J3.DIR"), "--json")
    assert result.exit_code == 1
    told = json.loads(result.stdout)
    assert told["verdict"] == "findings"
    assert told["suspects"][0]["fault"] == "open@J3.DIR"


def test_commission_for_people_shows_findings_and_suspects() -> None:
    result = dryrig("commission", *ports("cli3", "open@J5.SW.COM"))
    assert result.exit_code == 1
    assert result.stdout.startswith("findings: Heron, six-axis desk arm")
    assert "open@J5.SW.COM" in result.stdout


@pytest.mark.parametrize(
    "words",
    [
        ("--port", "{tmp}/no", "--hands", "{tmp}/no"),
        ("--port", "{tmp}/no"),
        ("--port", "{tmp}/no", "--hands", "dryrig://heron?port=hands"),
        ("--port", "{tmp}/no", "--hands", "dryrig://heron?port=hands", "--arm", "herno"),
        ("--port", "loop://", "--hands", "dryrig://heron?port=hands"),
    ],
)
def test_commission_that_cannot_run_says_so_in_json_too(
    words: tuple[str, ...], tmp_path: Path
) -> None:
    result = dryrig("commission", *(word.format(tmp=tmp_path) for word in words), "--json")
    assert result.exit_code == 2
    told = json.loads(result.stdout)
    assert told["verdict"] == "could not run"
    assert told["reason"]
    assert told["checks"] == []


def test_an_arm_file_of_ones_own(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text("name = 'own'\n")
    result = dryrig("commission", *ports("cli4"), "--arm", str(own))
    assert result.exit_code == 2
    assert result.stderr.startswith(f"dryrig: {own}: rest_pose_deg is missing")


def test_a_check_that_was_asked_for_shows_what_it_read() -> None:
    url = "dryrig://heron?seed=3&rig=asked"
    result = dryrig("commission", "--port", url, "--hands", f"{url}&port=hands", "--only", "stop")
    assert result.exit_code == 0
    assert "\n1 check passed, 0 failed\n" in result.stdout
    told = " ".join(result.stdout.replace("│", " ").split())
    assert "stop all stop input 0, 1, 0 before, in and out again; with the button in no" in told
