"""``clawvision explain``: what an assessment says about one animal, and why."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Literal, get_args

import click

from clawvision.cli.names import known_animal
from clawvision.errors import UsageError
from clawvision.output.explanation import explanation, feet_of, one_animal_json
from clawvision.output.models import AnimalRecord, AssessmentRecord
from clawvision.output.read import read_assessment
from clawvision.types import Foot


@click.command("explain", short_help="Tell what is said about one animal, and why.")
@click.argument("out", type=click.Path(path_type=Path))
@click.argument("animal")
@click.option("--foot", type=click.Choice(get_args(Foot), case_sensitive=False), help="Only this foot.")
@click.option("--all-dates", is_flag=True, help="Also what was seen of each foot on earlier days.")
@click.option(
    "--words",
    type=click.Choice(["plain", "exact"]),
    default="plain",
    show_default=True,
    help="Findings in a farmer's words, or in a veterinarian's.",
)
@click.option("--checked", is_flag=True, help="Also every rule that was looked at, shown or not, and what decided it.")
@click.option("--json", "as_json", is_flag=True, help="The records of the animal and its feet as JSON, for programs.")
def explain(
    out: Path,
    animal: str,
    foot: Foot | None,
    all_dates: bool,
    words: Literal["plain", "exact"],
    checked: bool,
    as_json: bool,
) -> None:
    """Tell what is said about ANIMAL and why, down to each photo, limit, source and rule.

    OUT is a folder that clawvision assess wrote, or a file assessment.json. ANIMAL is a name in it.

    First comes how soon somebody must look, with the reasons and what is worth asking. Then each foot as last seen:
    every finding with the values it rests on, the limits they were compared with and where those come from, the rule,
    what else would explain it, where to look and what for; what is said about trimming; and, after a trim, what it
    did.

    Everything is taken from the assessment; nothing is judged again. It is written to standard output.

    \b
    Examples:
      clawvision explain result/ Bracken
      clawvision explain result/ Bracken --foot RF --words exact
      clawvision explain result/ Bracken --checked --all-dates
      clawvision explain result/ Bracken --json

    \b
    Exit status:
      0  it was told
      2  wrong usage, an assessment that cannot be read, or no such animal or foot in it
    """
    record = read_assessment(out)
    found = _animal(record, animal, out)
    feet = feet_of(record, found.animal, foot, all_dates=all_dates)
    if foot is not None and not feet:
        seen = dict.fromkeys(each.foot or "a foot not named" for each in feet_of(record, found.animal))
        raise UsageError(f"{out} holds no photos of {foot} of {found.animal}.", f"There are: {', '.join(seen)}.")
    if as_json:
        _print(one_animal_json(found, feet))
    else:
        _print(explanation(record, found, feet, exact=words == "exact", checked=checked, one_foot=foot is not None))


def _animal(record: AssessmentRecord, name: str, out: Path) -> AnimalRecord:
    known = known_animal(name, [each.animal for each in record.animals], str(out))
    return next(each for each in record.animals if each.animal == known)


def _print(text: str) -> None:
    """Write to standard output, also where it takes fewer characters than the text may hold."""
    encoding = sys.stdout.encoding or "utf-8"
    click.echo(text.encode(encoding, "backslashreplace").decode(encoding))
