"""The reference page of the command line, made from the commands themselves.

``python -m clawvision.cli.reference > docs/command-line.md``
"""

from __future__ import annotations

import inspect
from collections.abc import Iterator
from typing import get_args

import click

from clawvision.cli.group import HELP_OPTIONS, main
from clawvision.types import Foot, Sign, Stage, View

_HEAD = """# Command line

Made from the commands' own help by `python -m clawvision.cli.reference`; do not edit it by hand.
`clawvision --help` and `clawvision COMMAND --help` show the same on the terminal.
"""

_MANIFEST = f"""## The manifest

A table with one row a photo, as a spreadsheet saves it: comma, semicolon or tab between the cells, UTF-8 or UTF-16
(another encoding is taken as Windows-1252, with a note). Only the column `photo` is required; an empty cell means
unknown. Names of columns may be written in any case. A column that is not listed here is an error, since it is more
likely a slip than a wish; columns of your own begin with `x_`. Everything that is wrong is told at once, with its
line, before the first photo is read.

| column | content |
| --- | --- |
| `photo` | file, relative to the manifest; it may not lead out of the manifest's folder |
| `animal` | the herd's own identifier; one animal a folder if left out |
| `foot` | `{"`, `".join(get_args(Foot))}` |
| `view` | `{"`, `".join(get_args(View))}` |
| `claw` | `outer`, `inner`: the claw that a side view shows |
| `stage` | `{"`, `".join(get_args(Stage))}` (`check` if left out) |
| `taken` | ISO 8601 date or time, such as `2024-05-31T14:05`; the photo's own if left out |
| `profile` | name of a reference profile |
| `offset_mm` | how far the claw's plane lies behind the card, mm |
| `trimmed` | ISO 8601 date of the last trim before the photo |
| `locomotion` | locomotion score, 1 to 5 |
| `signs` | what a person saw, separated by `;`: `{"`, `".join(get_args(Sign))}` |
| `tick_mm` | tick spacing of a ruler in the photo, mm |
| `points` | two points of known distance: `x1 y1 x2 y2 mm`, in pixels of the upright photo, then their distance |

A row whose photo is not there gives a refused photo; the others go on. Where `--manifest` names a table that is kept
apart from the photos, a photo that is not beside it is looked for in the folders named.
"""


def reference() -> str:
    """Return the page as Markdown: each command with its text and all of its options."""
    context = click.Context(main, info_name="clawvision", help_option_names=HELP_OPTIONS)
    parts = [_HEAD, *_command(main, context)]
    for name in main.list_commands(context):
        command = main.get_command(context, name)
        assert command is not None
        inner = click.Context(command, parent=context, info_name=name)
        parts += _command(command, inner)
        if isinstance(command, click.Group):
            for each, subcommand in command.commands.items():
                parts += _command(subcommand, click.Context(subcommand, parent=inner, info_name=each))
    return "\n".join([*parts, _MANIFEST])


def _command(command: click.Command, context: click.Context) -> Iterator[str]:
    yield f"## {context.command_path}\n"
    yield f"```\n{context.command_path} {' '.join(command.collect_usage_pieces(context))}\n```\n"
    for paragraph in inspect.cleandoc(command.help or "").split("\n\n"):
        if paragraph.startswith("\b\n"):
            title, *lines = paragraph.removeprefix("\b\n").splitlines()
            yield f"**{title}**\n"
            yield "```\n" + inspect.cleandoc("\n".join(lines)) + "\n```\n"
        else:
            yield paragraph + "\n"
    options = [parameter for parameter in command.get_params(context) if isinstance(parameter, click.Option)]
    yield "**Options:**\n"
    yield from (_option(option) for option in options)
    yield ""


def _option(option: click.Option) -> str:
    names = ", ".join(f"`{name}`" for name in sorted((*option.opts, *option.secondary_opts), key=len))
    value = "" if option.is_flag else f" `{_value(option)}`"
    default = f" [default: {option.default}]" if option.show_default else ""
    return f"- {names}{value}: {' '.join((option.help or '').split())}{default}"


def _value(option: click.Option) -> str:
    if isinstance(option.type, click.Choice):
        return "|".join(str(choice) for choice in option.type.choices)
    return option.metavar or option.type.name.upper()


if __name__ == "__main__":
    click.echo(reference(), nl=False)
