"""``clawvision repeatability``: how far repeated photos of the same claws agree, from assessments on file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

import click

import clawvision
from clawvision.errors import OutputError, UsageError
from clawvision.output.atomic import write_atomic
from clawvision.output.models import AssessmentRecord, RunInfo
from clawvision.output.read import read_assessment
from clawvision.output.record import dumps
from clawvision.plain import did_you_mean, listed, plain
from clawvision.repeatability.hand import HandReading, read_hand
from clawvision.repeatability.record import repeatability_record
from clawvision.repeatability.repeats import GROUPINGS, By, Gathered, gather
from clawvision.repeatability.study import Study, measure_names, study
from clawvision.repeatability.summary import summary
from clawvision.repeatability.table import repeatability_csv

_ASSESSMENT = "assessment.json"
REPORT = "repeatability.json"
TABLE = "repeatability.csv"
_ADVICE = "Take at least 3 photos of each of 10 claws on one day, and place the card anew before each."


@click.command("repeatability", short_help="Tell how far repeated photos of the same claws agree.")
@click.argument("assessments", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--out", required=True, type=click.Path(path_type=Path), metavar="DIR", help="Folder for the results.")
@click.option(
    "--hand",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Measures by hand to compare with: a CSV table with the columns animal, foot, claw, measure, value, and if"
    " you like taken, stage, operator. Values in the unit of the measure: mm, degrees, mm², percent.",
)
@click.option(
    "--by",
    type=click.Choice(GROUPINGS),
    help="What stands for a group in ISO 5725 and for a rater in ICC(2,1) and (3,1): the camera that the photo names;"
    " the day; the stage; or the operator, each ASSESSMENT being one operator's.",
)
@click.option(
    "--measure", "measures", multiple=True, metavar="NAME", help="Only this measure; may be given several times."
)
@click.option("--with-review", is_flag=True, help="Count photos that need a person's look as well.")
def repeatability(
    assessments: tuple[Path, ...],
    out: Path,
    hand: Path | None,
    by: By | None,
    measures: tuple[str, ...],
    with_review: bool,
) -> None:
    """Tell from repeated photos of the same claws how large a difference has to be before it means anything.

    ASSESSMENTS are files assessment.json, or folders that clawvision assess wrote. Repeats are photos of the same
    animal, foot, claw, view and stage on the same day, of status measured. A photo given twice counts once. Nothing is
    left out for being far off: it is only told.

    For each measure come the spread within claws and the technical error of measurement, intraclass correlations, the
    smallest detectable change, the limits of repeatability and reproducibility (ISO 5725), how the stated uncertainty
    compares with the repeats, and, with --hand, the limits of agreement with measures by hand. What too few repeats
    cannot tell is null with the reason. Standard output has the summary, DIR has repeatability.json and
    repeatability.csv.

    \b
    Examples:
      clawvision repeatability result/ --out repeats/
      clawvision repeatability result/ --hand tape.csv --measure toe_length --out repeats/
      clawvision repeatability anna/ boris/ --by operator --out repeats/

    \b
    Exit status:
      0  the results were written
      2  wrong usage, a file that cannot be read, or too few repeats for any figure; nothing is written
      5  the results cannot be written
    """
    started = _now()
    gathered = gather(_named(assessments), with_review=with_review)
    names = measure_names(gathered)
    for name in measures:
        if names and name not in names:
            raise UsageError(
                f"The photos give no measure '{plain(name[:60])}'.{did_you_mean(name, names)}",
                f"They give: {', '.join(names)}.",
            )
    rows, notes = _hand_rows(hand, gathered, measures)
    found = study(gathered, rows, by, measures)
    _check(found, gathered)
    run = RunInfo(
        version=clawvision.__version__,
        started=started,
        finished=_now(),
        command=("clawvision", "repeatability", *(str(path) for path in assessments)),
        parameters={
            "by": by,
            "hand": None if hand is None else str(hand),
            "measures": list(measures),
            "with_review": with_review,
        },
    )
    record = repeatability_record(run, gathered, found, by)
    content = {REPORT: dumps(record), TABLE: repeatability_csv(record)}
    if out.exists() and not out.is_dir():
        raise OutputError(f"{out} is there already and is no folder.", "Name a folder with --out.")
    for name, data in content.items():
        write_atomic(out / name, data)
    for note in notes:
        click.echo(f"Note: {note}", err=True)
    click.echo(summary(record))
    click.echo(f"{plain(out / REPORT)} and {TABLE} written.", err=True)


def _named(paths: Sequence[Path]) -> Iterator[tuple[str, AssessmentRecord]]:
    """Give each assessment with a name of its own: that of its folder, numbered where two have the same."""
    taken: dict[str, int] = {}
    for path in paths:
        folder = path.parent if path.name == _ASSESSMENT else path
        name = folder.resolve().name or "folder"
        taken[name] = taken.get(name, 0) + 1
        yield (name if taken[name] == 1 else f"{name} ({taken[name]})"), read_assessment(path)


def _hand_rows(
    hand: Path | None, gathered: Gathered, measures: Sequence[str]
) -> tuple[tuple[HandReading, ...], tuple[str, ...]]:
    if hand is None:
        return (), ()
    keys = {key for photo in gathered.seen for key in photo.values}
    names = measure_names(gathered)
    of_claws = [name for name in names if any((claw, name) in keys for claw in ("outer", "inner"))]
    rows, notes = read_hand(hand, of_claws, [name for name in names if (None, name) in keys])
    return tuple(row for row in rows if not measures or row.measure in measures), notes


def _check(found: Study, gathered: Gathered) -> None:
    """Refuse where nothing at all can be told, with what was found."""
    if any(each.told for each in found.results):
        return
    counted = [f"{each.measure} ({each.view}): {each.within_sd.reason}" for each in found.results]
    left_out = gathered.left_out.words()
    lines = [*counted, *(f"Left out: {words}" for words in left_out)] or ["No photo of a named foot was measured."]
    raise UsageError(f"No figure can be told.\n{listed([plain(line) for line in lines])}\n", _ADVICE)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
