"""The commissioning report: one self-contained page, the same as JSON for programs, and, once all
joints are trimmed, the calibration file. `report.schema.json` describes the JSON.
"""

from __future__ import annotations

import json
from pathlib import Path

import jinja2

from . import cautions
from .errors import CommissionError
from .plot import plots
from .result import Result

PAGE, DATA, CALIBRATION = "report.html", "report.json", "calibration.toml"
_TEMPLATES = Path(__file__).parent / "templates"


def render(result: Result) -> str:
    """The page as HTML."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
    )
    homed = [joint for joint in result.joints if joint.trim_deg is not None]
    page: str = environment.get_template("report.html.j2").render(
        result=result,
        cautions=cautions.REPORT,
        bad=[check for check in result.checks if check.verdict != "pass"],
        good=[check for check in result.checks if check.verdict == "pass"],
        homed=homed,
        plots=plots(result.homed),
    )
    return page


def make_folder(folder: Path) -> None:
    """Make the report's folder, so that a bad one is told before the work and not after.

    Raises CommissionError when it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CommissionError(f"cannot make the folder {str(folder)!r}: {error}") from error


def write_report(result: Result, folder: Path) -> Path:
    """Write page and data into `folder`, made if need be; returns the page's path.

    Raises CommissionError when the folder cannot be written.
    """
    make_folder(folder)
    page = folder / PAGE
    try:
        page.write_text(render(result), encoding="utf-8")
        data = json.dumps(result.to_json(), indent=2, ensure_ascii=False)
        (folder / DATA).write_text(data + "\n", encoding="utf-8")
        if result.calibration:
            (folder / CALIBRATION).write_text(result.calibration, encoding="utf-8")
    except OSError as error:
        raise CommissionError(f"cannot write the report to {str(folder)!r}: {error}") from error
    return page
