"""The help is complete, and so is the page made from it."""

from __future__ import annotations

from pathlib import Path

import click
import pytest
from click.testing import CliRunner

import clawvision
from clawvision.cli import main
from clawvision.cli.reference import reference
from clawvision.columns import COLUMNS

PAGE = Path(__file__).parents[2] / "docs" / "command-line.md"
NAMES = main.list_commands(click.Context(main))
ALL = [
    *NAMES,
    *(
        f"{name} {each}"
        for name in NAMES
        if isinstance(group := main.get_command(click.Context(main), name), click.Group)
        for each in group.commands
    ),
]
"""Commands of groups too, by all of their words."""


def test_the_page_is_current() -> None:
    assert PAGE.read_text(encoding="utf-8") == reference(), (
        "run: python -m clawvision.cli.reference > docs/command-line.md"
    )


def test_commands() -> None:
    assert NAMES == [
        "assess",
        "explain",
        "check",
        "triage",
        "report",
        "card",
        "calibrate",
        "demo",
        "herd",
        "repeatability",
        "compare",
        "history",
        "review",
    ]
    history = main.get_command(click.Context(main), "history")
    assert isinstance(history, click.Group)
    assert list(history.commands) == ["add", "export", "import", "research", "verify", "show", "due", "plot"]


@pytest.mark.parametrize("name", ALL)
def test_every_command_and_option_is_on_the_page(name: str) -> None:
    command: click.Command | None = main
    for word in name.split():
        assert isinstance(command, click.Group)
        command = command.get_command(click.Context(command), word)
    assert command is not None
    assert command.help
    assert command.short_help
    section = PAGE.read_text(encoding="utf-8").split(f"## clawvision {name}\n")[1].split("\n## ")[0]
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert parameter.help, parameter.name
            for word in parameter.opts:
                assert f"`{word}`" in section
        else:
            assert (parameter.metavar or parameter.name or "").upper() in section


@pytest.mark.parametrize("name", ["", *ALL])
def test_help_reads_like_a_manual_page(name: str) -> None:
    result = CliRunner().invoke(main, [*name.split(), "--help"])
    assert result.exit_code == 0
    assert result.stderr == ""
    for part in ("Usage: clawvision", "Exit status:", "--help"):
        assert part in result.stdout


def test_the_manifests_columns_are_on_the_page() -> None:
    text = reference()
    for column in COLUMNS:
        assert f"| `{column}` |" in text


def test_no_command_is_wrong_usage_that_shows_the_help() -> None:
    result = CliRunner().invoke(main, [])
    assert result.exit_code == 2
    assert result.stdout == ""
    assert "clawvision assess photos/ --out result/" in result.stderr


def test_version() -> None:
    result = CliRunner().invoke(main, ["--version"])
    assert (result.exit_code, result.stdout) == (0, f"clawvision {clawvision.__version__}\n")
