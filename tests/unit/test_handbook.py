"""The symptom handbook: pages that stand alone, and no figure that no run gave."""

from __future__ import annotations

import re
from dataclasses import fields, is_dataclass
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from dryrig.bench.act import Signal, Span
from dryrig.bench.examples import examples, joints_of, part_of, scene_for
from dryrig.bench.handbook import Chapter, HandbookError, chapter, planned, write_handbook
from dryrig.bench.lanes import figure, steady
from dryrig.cli import app
from dryrig.faults import KINDS, parse_fault
from dryrig.faults.coverage import ROWS, injecting
from dryrig.scenes import load_scene

NUMBER = re.compile(r"(?<![\w.])[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?")
SCENE = load_scene("heron")
TRIED = ("stuck", "resist")


class Page(HTMLParser):
    """Visible text, text of what a run gave, ids, links, and whatever would be fetched."""

    VOID = ("meta", "rect", "path", "br", "img", "link", "input", "hr")

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[tuple[str, bool]] = []
        self.visible: list[str] = []
        self.from_runs: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.fetched: list[str] = []
        self.pictures = 0
        self.named_pictures = 0
        self.headings = 0
        self.feed(text)
        assert self.open == []

    @property
    def visible_text(self) -> str:
        return " ".join(" ".join(self.visible).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        held = dict(attrs)
        self.ids += [held["id"] or ""] if "id" in held else []
        self.links += [held["href"] or ""] if tag == "a" else []
        if tag in ("script", "link", "img", "iframe", "object") or "src" in held:
            self.fetched.append(tag)
        self.headings += tag == "h1"
        if tag == "svg":
            self.pictures += 1
            self.named_pictures += held.get("role") == "img" and "aria-labelledby" in held
        if tag not in self.VOID:
            self.open.append((tag, "data-run" in held))

    def handle_endtag(self, tag: str) -> None:
        if tag not in self.VOID:
            assert self.open.pop()[0] == tag

    def handle_data(self, data: str) -> None:
        tags = [tag for tag, _ in self.open]
        if "style" in tags or "title" in tags:
            return
        self.visible.append(data)
        if any(run for _, run in self.open):
            self.from_runs.append(data)


def numbers(text: str) -> set[str]:
    return set(NUMBER.findall(text))


def texts(thing: object) -> list[str]:
    """Every text and number in a tree of dataclasses, by the names that templates use."""
    if isinstance(thing, str):
        return [thing]
    if isinstance(thing, (int, float)):
        return [f"{thing:g}", str(thing)]
    if isinstance(thing, dict):
        return [text for pair in thing.items() for part in pair for text in texts(part)]
    if isinstance(thing, (list, tuple, set)):
        return [text for part in thing for text in texts(part)]
    if is_dataclass(thing):
        own = [text for each in fields(thing) for text in texts(getattr(thing, each.name))]
        return own + ([thing.text] if hasattr(thing, "text") else [])  # a meter's reading
    return []


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_handbook(tmp_path_factory.mktemp("handbook") / "pages", TRIED).parent


@pytest.fixture(scope="module")
def again() -> dict[str, Chapter]:
    """The same kinds, tried out a second time."""
    return {name: chapter(name) for name in TRIED}


def test_an_index_and_a_page_for_each_kind(folder: Path) -> None:
    assert {path.name for path in folder.iterdir()} == {"index.html", "stuck.html", "resist.html"}
    pages = {path.name: path.read_text(encoding="utf-8") for path in folder.iterdir()}
    parsed = {name: Page(text) for name, text in pages.items()}
    for name, page in parsed.items():
        assert page.headings == 1
        assert page.fetched == []
        assert "://" not in pages[name]
        assert "url(" not in pages[name]
        assert len(page.ids) == len(set(page.ids))
        assert page.named_pictures == page.pictures
        for link in page.links:
            target, _, spot = link.partition("#")
            assert target in parsed
            assert not spot or spot in parsed[target].ids
    assert parsed["index.html"].pictures == 0
    assert parsed["stuck.html"].pictures >= 2 * len(examples("stuck", SCENE))


@pytest.mark.parametrize("kind", TRIED)
def test_every_number_on_a_page_is_one_of_its_runs(
    folder: Path, again: dict[str, Chapter], kind: str
) -> None:
    page = Page((folder / f"{kind}.html").read_text(encoding="utf-8"))
    given = again[kind]
    known = {n for text in texts(given) for n in numbers(text)}
    # The counts of readings and suspects, and how the page says which arm it was.
    known |= {str(sum(not row.changed for row in each.meter)) for each in given.examples}
    known |= {str(len(each.result.suspects) - 4) for each in given.examples} | {"0"}
    shown = numbers(" ".join(page.visible))
    assert len(shown) > 30
    assert shown <= known
    told = " ".join(page.from_runs)
    for each in given.examples:
        for row in each.meter:
            assert row.sound.text in told
            assert row.faulty.text in told
        for seen in each.checks:
            assert seen.faulty.evidence in " ".join(told.split())


def test_what_a_page_shows_of_4700_ohm_in_a_switch_common(again: dict[str, Chapter]) -> None:
    """Trade practice, no published source: volts normal; off, ohms 4.7 kohm; all checks pass."""
    each = again["resist"].examples[0]
    assert each.fault == "resist@J1.SW.COM"
    assert each.result.verdict == "pass"
    changed = [row for row in each.meter if row.changed]
    assert [(row.faulty.unit, row.sound.red) for row in changed] == [("ohm", "CARD.J1.SW.COM")]
    assert changed[0].faulty.value == pytest.approx(4700, rel=0.01)
    assert changed[0].sound.value < 1.0


def test_what_a_page_shows_of_a_broken_dir_conductor() -> None:
    """By hand: 5.05 V, 25 ohm of the output, 330 ohm and 1.2 V of the optocoupler: 4.78 V."""
    each = chapter("open").examples[0]
    assert each.fault == "open@J3.DIR"
    pair = [
        row for row in each.meter if (row.sound.red, row.sound.black) == ("J3.DIR", "J3.OPTO0V")
    ]
    after = {row.sound.state.split()[-2]: row for row in pair}
    lit_v = 1.2 + 330 * (5.05 - 1.2) / (330 + 25)
    assert after["positive"].sound.value == pytest.approx(lit_v, rel=0.015)
    assert abs(after["positive"].faulty.value) < 0.02
    assert abs(after["negative"].faulty.value) < 0.02
    dead = next(row for row in each.meter if row.sound.unit == "ohm")
    assert (dead.sound.text.endswith(" ohm"), dead.faulty.text) == (True, "overload")
    # Both jogs go the same way, by eye and by the level.
    moved = {pair.what: pair for pair in each.pairs}
    eye = [float(moved[f"by eye, after {deg:+} deg"].faulty.split()[0]) for deg in (6, -6)]
    assert eye == pytest.approx([-96, -102], abs=1)
    assert [seen.joint for seen in each.checks if seen.faulty.failed] == ["J3"]
    lane = next(lane for lane in each.figures[0][1].lanes if lane.label.startswith("J3.DIR, pin"))
    assert lane.range == "0 at first, 2 edges"  # the card's own pin is as it should be


def test_every_kind_can_be_tried_out_somewhere() -> None:
    for name, kind in KINDS.items():
        assert kind.mistaken, name
        faults = examples(name, load_scene(scene_for(name)))
        assert faults, name
        assert (scene_for(name) == "heron") == (name != "brake")  # the Heron has none
        for fault in faults:
            assert parse_fault(fault).kind is kind
            whole = ("LINE", "RAIL", "POWER", "REOPEN", "BASE", "FALL", "GRIPPER", "METER", "STOP")
            assert part_of(fault) in whole or joints_of(fault) or fault == "overload@TOOL"
    assert planned(["drop", "stuck", "drop"]) == [
        *examples("drop", SCENE), *examples("stuck", SCENE),
    ]  # fmt: skip


def test_a_kind_that_the_heron_has_no_part_for_is_shown_on_an_arm_that_has(tmp_path: Path) -> None:
    index = write_handbook(tmp_path / "pages", ["brake"])
    assert "brake@J2.BRAKE,on=2" in Page(index.read_text(encoding="utf-8")).visible_text
    page = Page((tmp_path / "pages" / "brake.html").read_text(encoding="utf-8"))
    assert "Heron with brakes on shoulder and elbow" in page.visible_text
    assert KINDS["brake"].look in page.visible_text
    dragging, letting_go = chapter("brake").examples
    moved = {pair.what: pair for pair in dragging.pairs}
    assert moved["by eye, after +6 deg"].sound == "+6 deg"
    assert float(moved["by eye, after +6 deg"].faulty.split()[0]) < 1
    left = {pair.what: pair for pair in letting_go.pairs}[
        "by eye, 2 s after the motor supply went off"
    ]
    assert left.sound == "+0 deg"
    assert float(left.faulty.split()[0]) < -10


def test_an_unknown_kind_and_a_bad_folder_say_so(tmp_path: Path) -> None:
    with pytest.raises(HandbookError, match=r"^no fault kind 'opn': .* \(did you mean 'open'\?\)$"):
        write_handbook(tmp_path / "none", ["opn"])
    assert not (tmp_path / "none").exists()
    (tmp_path / "file").write_text("")
    with pytest.raises(HandbookError, match=r"^cannot write the handbook to "):
        write_handbook(tmp_path / "file" / "pages", ["drop"])


def test_lanes_of_a_pin_and_a_curve() -> None:
    span = Span(1.0, 3.0, "all")
    pin = Signal("J1.SW", "", np.array([0.0, 2.0]), np.array([0.0, 1.0]))
    volts = Signal("J1.DIR_V", "V", np.array([0.0, 2.0]), np.array([5.0, 0.0]))
    half = Signal("J1.DIR_V", "V", np.array([0.0]), np.array([2.5]))
    drawn = figure("x", [pin, volts], [half], span)
    middle = (drawn.left + drawn.right) / 2
    switch, curve = drawn.lanes
    assert (switch.label, switch.range) == ("J1.SW, input of the card", "0 at first, 1 edge")
    points = re.findall(r"[MHV]([\d.]+)", switch.path)
    assert float(points[0]) == drawn.left
    assert float(re.findall(r"H([\d.]+)V", switch.path)[0]) == pytest.approx(middle, abs=0.1)
    assert (curve.label, curve.range) == ("J1.DIR, volts", "0.00 to 5.00 V")
    assert float(re.findall(r"V([\d.]+)", curve.path)[0]) == pytest.approx(curve.bottom - 2)
    assert curve.range in drawn.summary
    assert [text for _, text in drawn.ticks] == ["1.0", "1.5", "2.0", "2.5", "3.0"]


def test_a_curve_begins_where_it_was_at_the_beginning_of_its_span() -> None:
    angle = Signal("J1.ANGLE_DEG", "deg", np.array([0.0, 4.0]), np.array([0.0, 40.0]))
    (lane,) = figure("x", [angle], [], Span(1.0, 3.0, "part")).lanes
    assert lane.range == "10.00 to 30.00 deg"


def test_only_what_is_the_same_all_the_time_in_both_runs_is_left_out() -> None:
    def flat(name: str, value: float) -> Signal:
        return Signal(name, "V", np.array([0.0]), np.array([value]))

    moving = Signal("J1.DIR_V", "V", np.array([0.0, 1.0]), np.array([0.0, 5.0]))
    sound = [flat("RAIL.5V_V", 5.0), flat("RAIL.3V3_V", 3.3), moving]
    faulty = [flat("RAIL.5V_V", 5.0), flat("RAIL.3V3_V", 0.4), moving]
    assert steady(sound, faulty, 2.0) == {"RAIL.5V_V": "RAIL.5V, volts 5.00 V"}


def dryrig(*words: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, words)
    assert result.exception is None or isinstance(result.exception, SystemExit)
    return result.exit_code, result.stdout, result.stderr


def test_the_handbook_command(tmp_path: Path) -> None:
    out = tmp_path / "book"
    code, said, _ = dryrig("faults", "handbook", "-o", str(out), "--kind", "drop")
    assert (code, said.strip()) == (0, f"handbook: {out / 'index.html'}")
    assert (out / "drop.html").read_text(encoding="utf-8").startswith("<!doctype html>")
    code, _, wrong = dryrig("faults", "handbook", "-o", str(out), "--kind", "dorp")
    assert code == 2
    assert re.search(r"^dryrig: no fault kind 'dorp': .* \(did you mean 'drop'\?\)$", wrong, re.M)


def test_the_coverage_command_prints_every_row(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "400")
    code, said, _ = dryrig("faults", "coverage")
    assert code == 0
    for row in ROWS:
        assert row.fault in said
        assert row.reason in said
        assert row.source in said
    assert all(fault in said for fault in injecting())
    without = sum(not row.injected for row in ROWS)
    assert f"{len(ROWS)} rows: {len(ROWS) - without} injected" in said
