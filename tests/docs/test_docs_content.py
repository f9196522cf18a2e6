"""What the pages say of the program is so."""

from __future__ import annotations

import re
import shlex
import tomllib
from dataclasses import fields
from pathlib import Path

import click
import pytest

from clawvision.cli import main
from clawvision.findings.book import load_rules, packaged_rules
from clawvision.findings.quantities import DERIVED
from clawvision.measure.depth import SIDE_SPREAD, SOLE_SPREAD, USUAL_SIDE, USUAL_SOLE
from clawvision.measure.side import SIDE_UNITS
from clawvision.measure.sole import FOOT_UNITS, SOLE_UNITS
from clawvision.outline.sidecar import parse_sidecar
from clawvision.output.wording import MEASURE_WORDS
from clawvision.reasons import REASONS
from clawvision.reasons_table import messages_page
from clawvision.scale.camera import U_FOCAL_ASSUMED, U_FOCAL_EXIF, U_FOCAL_EXIF_CROPPED
from clawvision.scale.find import U_HELD_OFFSET_MM, U_LEVEL_OFFSET_MM
from clawvision.scale.geometry import CARD_HEIGHT, CARD_WIDTH, MARKER_ORIGINS, MARKER_SIZE
from tests.docs import worked_example

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
_UNIT_WORDS = {"mm": "mm", "deg": "deg", "mm2": "mm²", "percent": "percent"}


def _page(name: str) -> str:
    return (DOCS / name).read_text(encoding="utf-8")


def _readme_command(name: str) -> str:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    found = re.search(rf"<!-- command:{name} -->\n```sh\n(.+?)\n```\n<!-- end -->", text, re.DOTALL)
    assert found is not None
    return found[1]


def test_messages_page_is_current() -> None:
    assert _page("messages.md") == messages_page(), "run: python -m clawvision.reasons_table > docs/messages.md"


def test_messages_page_holds_every_reason_without_templates() -> None:
    page = messages_page()
    for code in REASONS:
        assert f"| `{code}` |" in page
    assert "{" not in page


@pytest.mark.parametrize("name", [*SIDE_UNITS, *SOLE_UNITS, *FOOT_UNITS, "roll", "sole_tilt"])
def test_every_measure_is_defined_with_its_unit(name: str) -> None:
    units = {**SIDE_UNITS, **SOLE_UNITS, **FOOT_UNITS, "roll": "deg", "sole_tilt": "deg"}
    rows = [line for line in _page("measures.md").splitlines() if line.startswith("|") and f"`{name}`" in line]
    cells = [cell.strip() for row in rows for cell in row.split("|")]
    assert _UNIT_WORDS[units[name]] in cells, f"docs/measures.md has no row with the unit of {name}"


def test_every_measure_that_the_picture_names_is_defined() -> None:
    page = _page("measures.md")
    for name in MEASURE_WORDS:
        assert f"`{name}`" in page
        assert name not in DERIVED


def test_the_card_of_the_page_is_the_card_of_the_program() -> None:
    page = _page("measures.md")
    assert f"{CARD_WIDTH:.2f} × {CARD_HEIGHT:.2f} mm" in page
    assert f"{MARKER_SIZE:.2f} mm square" in page
    assert ", ".join(f"({x:.2f}, {y:.2f})" for _, (x, y) in sorted(MARKER_ORIGINS.items())) in page


@pytest.mark.parametrize("name", main.list_commands(click.Context(main)))
def test_every_command_is_documented(name: str) -> None:
    assert f"## clawvision {name}\n" in _page("command-line.md")
    told = [(ROOT / "README.md"), *DOCS.glob("*.md"), ROOT / "calibration" / "README.md"]
    elsewhere = [path for path in told if path.name != "command-line.md"]
    if name != "demo":  # what it does, the README's command does
        assert any(f"clawvision {name}" in path.read_text(encoding="utf-8") for path in elsewhere)


def test_the_readmes_commands_exist() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assess, tests = _readme_command("assess"), _readme_command("tests")
    for command in (assess, tests):
        setup = command.split(" && ")[:2]
        assert setup[0] == "python3 -m venv .venv"
        extra = re.fullmatch(r"\.\[(\w+)\]", shlex.split(setup[1])[-1])
        assert extra is not None
        assert extra[1] in project["optional-dependencies"]
    program, *arguments = shlex.split(assess.split(" && ")[-1])
    assert Path(program).name in project["scripts"]
    # As from a shell: the first context that asks for help fixes its names for the process.
    context = click.Context(main, **main.context_settings)
    subcommand = main.get_command(context, arguments[0])
    assert subcommand is not None
    parsed = subcommand.make_context("assess", [str(ROOT / arguments[1]), *arguments[2:]], parent=context)
    assert str(parsed.params["out"]) == "out"
    assert (ROOT / arguments[1] / "photos.csv").is_file()
    assert "-m pytest" in tests
    assert any(name.startswith("pytest-xdist") for name in project["optional-dependencies"]["test"])


def test_ci_runs_the_readmes_test_command() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "<!-- command:tests -->" in script
    assert _readme_command("tests") not in script  # read from the README, never written down a second time


def test_the_outline_file_of_the_page_can_be_read() -> None:
    found = re.search(r"```json\n(.+?)```", _page("outline-files.md"), re.DOTALL)
    assert found is not None
    sidecar = parse_sidecar(found[1].encode(), "page.outline.json")
    assert sidecar.view == "sole"
    assert set(sidecar.claws) == {"outer", "inner"}


def test_the_herds_own_rows_of_the_page_can_be_used(tmp_path: Path) -> None:
    section = _page("findings.md").split("## A herd's own rows\n")[1].split("\n## ")[0]
    found = re.search(r"```toml\n(.+?)```", section, re.DOTALL)
    assert found is not None
    (tmp_path / "our-rows.toml").write_text(found[1], encoding="utf-8")
    ids = [rule.id for rule in load_rules(tmp_path / "our-rows.toml").rule]
    packaged = [rule.id for rule in packaged_rules().rule]
    assert ids == ["our-steep-toe", *(each for each in packaged if each != "splayed-toes")]


def test_the_sizes_of_the_causes_are_the_programs() -> None:
    page = _page("uncertainty.md")
    for build, spread in ((USUAL_SIDE, SIDE_SPREAD), (USUAL_SOLE, SOLE_SPREAD)):
        for field in fields(build):
            name = field.name.removesuffix("_mm")
            row = next(line for line in page.splitlines() if line.startswith("| `") and f"`{name}`" in line)
            for value in (getattr(build, field.name), getattr(spread, field.name)):
                assert re.search(rf"\b{value:g}(\.0)?\b", row), f"{name}: {value:g}"
    offset = next(line for line in page.splitlines() if line.startswith("| `plane_offset`"))
    assert f"{U_HELD_OFFSET_MM:g} mm" in offset
    assert f"{U_LEVEL_OFFSET_MM:g} mm" in offset
    focal = next(line for line in page.splitlines() if line.startswith("| `focal_length`"))
    for share in (U_FOCAL_EXIF, U_FOCAL_EXIF_CROPPED, U_FOCAL_ASSUMED):
        assert f"{100 * share:g} %" in focal


def test_the_worked_example_is_current() -> None:
    """The numbers of the page are the program's, to what another processor's rounding may change."""
    page = _page("uncertainty.md")
    number = re.compile(r"[-+]?\d+\.\d+")
    stored, made = (number.findall(text) for text in (page, worked_example.renewed(page)))
    assert len(stored) == len(made), "run: python -m tests.docs.worked_example"
    for old, new in zip(stored, made, strict=True):
        assert abs(float(old) - float(new)) <= 0.051, "run: python -m tests.docs.worked_example"
