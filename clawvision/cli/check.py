"""``clawvision check``: will this photo do, and if not, what to change."""

from __future__ import annotations

import json
from collections.abc import Sequence
from contextlib import closing
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from clawvision.apart import CheckOne, checked_of
from clawvision.checked import AskedView, Checked
from clawvision.errors import UsageError
from clawvision.manifest import PICTURE_SUFFIXES, kind_of
from clawvision.plain import listed, plain, wrapped
from clawvision.pool import run_tasks

ALL_WILL_DO, SOME_WILL_NOT, NONE_WILL = 0, 3, 4
SCHEMA = "clawvision/check/1"
_HEADS = {"will do": "Will do.", "will do, but": "Will do, but:", "take it again": "Take it again:"}


@click.command("check", short_help="Tell at once whether a photo will do, and what to change.")
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--view",
    type=click.Choice(["side", "sole"]),
    help="The view that the photos are meant to show.  [default: whichever each shows]",
)
@click.option("--json", "as_json", is_flag=True, help="The answers as JSON, for programs.")
def check(photos: tuple[Path, ...], view: AskedView | None, as_json: bool) -> int:
    """Tell whether PHOTOS will do, while there is still time to take them again.

    PHOTOS are files, or folders whose own photos are meant. For each, standard output says "Will do.", "Will do,
    but:" or "Take it again:", with what is wrong and what to change, the most important first. Nothing is measured and
    nothing is written.

    Looked at are the file, the card or ruler, light and sharpness, and at a glance the claw: is there one, in which
    view, is it whole, is its tip hidden. A photo that will do may still be sent to a person by clawvision assess, which
    looks closer; it never means that the claw is well.

    \b
    Examples:
      clawvision check IMG_0412.jpg
      clawvision check IMG_0412.jpg --view sole
      clawvision check photos/ --json

    \b
    Exit status:
      0  all will do
      2  wrong usage, or nothing to look at
      3  some have to be taken again
      4  all have to be taken again
    """
    by_index: dict[int, Checked] = {}
    files = _files(photos)
    with closing(run_tasks(CheckOne(view), files, 1)) as results:
        for index, result in results:
            found = by_index[index] = checked_of(result, plain(files[index].name))
            if not as_json:  # as each is done: somebody waits for it at the cow
                click.echo(text_of(found))
    told = [found for _, found in sorted(by_index.items())]
    if as_json:
        click.echo(json.dumps({"schema": SCHEMA, "photos": [_json(each) for each in told]}, indent=2))
    return exit_status(told)


def exit_status(told: Sequence[Checked]) -> int:
    """Return 0 if every photo will do, 4 if none will, 3 otherwise."""
    again = sum(each.answer == "take it again" for each in told)
    return ALL_WILL_DO if not again else NONE_WILL if again == len(told) else SOME_WILL_NOT


def text_of(found: Checked) -> str:
    """Return what is told of one photo."""
    lines = [wrapped(f"{found.photo}: {_HEADS[found.answer]}")]
    lines += [wrapped(f"{each.message} {each.advice}", "  - ", "    ") for each in found.reasons]
    return "\n".join(lines)


def _json(found: Checked) -> dict[str, Any]:
    return {
        "photo": found.photo,
        "answer": found.answer,
        "view": found.view,
        "reasons": [asdict(each) for each in found.reasons],
    }


def _files(photos: Sequence[Path]) -> list[Path]:
    """Return the photos named, and those of the folders named, each once."""
    missing = [plain(path) for path in photos if kind_of(path) is None]
    if missing:
        raise UsageError(
            f"Not there, or not to be read:\n{listed(missing)}\n",
            "Name photos that are there, or a folder that holds them.",
        )
    files: dict[Path, None] = {}
    for path in photos:
        if kind_of(path) == "file":
            files[path] = None
            continue
        try:
            own = sorted(path.iterdir())
        except OSError as error:
            raise UsageError(
                f"{plain(path)} cannot be read ({error.strerror}).", "Check that you may read it."
            ) from None
        for each in own:
            if each.suffix.casefold() in PICTURE_SUFFIXES and not each.name.startswith("."):
                files[each] = None
    if not files:
        raise UsageError("There are no photos to look at.", f"Photos end in {' '.join(PICTURE_SUFFIXES)}.")
    return list(files)
