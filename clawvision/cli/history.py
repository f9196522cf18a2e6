"""``clawvision history``: every assessed photo in one store, and what comes out of it again.

Each command imports what it needs when it runs: the store's packages are an extra.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from clawvision.cli import report
from clawvision.cli.history_growth import due, plot, show
from clawvision.cli.options import CALIBRATION, running_options, usual_calibration, usual_jobs
from clawvision.errors import UsageError
from clawvision.findings.herd import counted
from clawvision.history import need
from clawvision.output.read import read_assessment
from clawvision.plain import plain

if TYPE_CHECKING:
    from clawvision.history.rows import Counts
    from clawvision.history.verify import Verified

DONE = 0
SOME_DIFFER = 3
NONE_VERIFIED = 4


@click.group("history", short_help="Keep every assessed photo in one store, and take it out again.")
def history() -> None:
    """Keep every assessed photo in one store, so that a foot can be followed over the years.

    The store is one file, which the first history add makes, or a PostgreSQL database
    (postgresql://USER@HOST/DATABASE, with an extra package). Its tables, and what happens to a photo that comes
    twice, are told in docs/history.md. Where a photo was taken on earth is never kept.

    \b
    Examples:
      clawvision history add herd.sqlite june/ july/
      clawvision history export herd.sqlite --to herd.jsonl.gz
      clawvision history import postgresql://byre@server/herd herd.jsonl.gz
      clawvision history research herd.sqlite --to tables/
      clawvision history verify herd.sqlite photos/
      clawvision history show herd.sqlite Clover
      clawvision history due herd.sqlite --by 2031-06-30
      clawvision history plot herd.sqlite Clover --to pictures/

    \b
    Exit status:
      0    done
      2    wrong usage, or a store or file that cannot be read
      3    verify: some photos differ, or are not there
      4    verify: no photo could be measured again
      5    the store or the output cannot be written
      6    an optional package is missing; the message says how to install it
      130  interrupted; what was stored is kept, and the same command goes on
    """


@history.command("add", short_help="Store assessments.")
@click.argument("address")
@click.argument("assessments", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="ASSESSMENT...")
def add(address: str, assessments: tuple[Path, ...]) -> None:
    """Store all photos of ASSESSMENT..., which are files assessment.json or folders that clawvision assess wrote.

    ADDRESS is a file, made if it is missing, or postgresql://USER@HOST/DATABASE. Refused photos are stored too.

    A photo is known by the hash of its file. The same photo with the same row of the manifest, the same settings and
    the same version is stored once, however often it is added. Where any of these is another, it is stored beside the
    older one and is read in its place; the photo that was assessed last counts.

    Photos are stored 500 at a time, each group whole or not at all: after an interruption the same command goes on.
    Standard error tells how many were new, known, or took the place of an older version.

    \b
    Examples:
      clawvision history add herd.sqlite result/
      clawvision history add postgresql://byre@server/herd june/ july/assessment.json

    \b
    Exit status:
      0  everything is stored
      2  wrong usage, or an assessment that cannot be read or stored
      5  the store cannot be written
      6  an optional package is missing; the message says how to install it
    """
    need("history")
    from clawvision.history.store import add as add_to
    from clawvision.history.store import open_store

    first = read_assessment(assessments[0])  # before a store is made for nothing
    with open_store(address, "create") as store:
        for number, path in enumerate(assessments):
            record = first if number == 0 else read_assessment(path)
            counts = add_to(store, record, str(path))
            report.tell(f"{plain(path)}: {_counts(counts)}", quiet=False)


@history.command("export", short_help="Write a whole store to one file.")
@click.argument("address")
@click.option(
    "--to",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="The file to write, ending in .jsonl.gz; an older one is replaced.",
)
def export(address: str, to: Path) -> None:
    """Write all that the store at ADDRESS holds to one file: a backup, or the way to another database.

    The file is JSON, one value a line, packed with gzip. clawvision history import reads it into any store, and
    nothing is lost on the way. Equal stores give equal files.

    \b
    Example:
      clawvision history export herd.sqlite --to herd.jsonl.gz

    \b
    Exit status:
      0  the file was written
      2  wrong usage, or a store that cannot be read
      5  the file cannot be written
      6  an optional package is missing; the message says how to install it
    """
    need("history")
    from clawvision.history.exchange import export_store
    from clawvision.history.store import open_store

    if not to.name.endswith(".jsonl.gz"):
        raise UsageError(f"--to {to} does not end in .jsonl.gz.", f"Write it to {to.name}.jsonl.gz.")
    with open_store(address) as store:
        done = export_store(store, to)
    photos, feet = counted(done.photos, "photo", "photos"), counted(done.feet, "foot", "feet")
    report.tell(f"{plain(to)} written: {photos}, what was found on {feet}.", quiet=False)


@history.command("import", short_help="Add what another store exported.")
@click.argument("address")
@click.argument("file", type=click.Path(path_type=Path))
@running_options
def import_(address: str, file: Path, jobs: int | None, quiet: bool) -> None:
    """Add all that FILE holds, which clawvision history export wrote, to the store at ADDRESS.

    ADDRESS is a file, made if it is missing, or postgresql://USER@HOST/DATABASE. What is there already stays as it
    is, so that stores can be put together and an interrupted import is simply started again. Every line is checked;
    one that is wrong is named, and what came before it is stored.

    \b
    Example:
      clawvision history import postgresql://byre@server/herd herd.jsonl.gz

    \b
    Exit status:
      0  everything is stored
      2  wrong usage, or a file that is damaged, cut off or something else
      5  the store cannot be written
      6  an optional package is missing; the message says how to install it
    """
    need("history")
    from clawvision.history.exchange import import_store
    from clawvision.history.store import open_store

    if not file.is_file():
        raise UsageError(f"{file} is not there, or is no file.", "Name a file that clawvision history export wrote.")
    with open_store(address, "create") as store:
        counts = import_store(store, file, jobs=jobs or usual_jobs())
    report.tell(f"{plain(file)}: {_counts(counts)}", quiet=quiet)


@history.command("research", short_help="Write tables for statistics.")
@click.argument("address")
@click.option(
    "--to",
    required=True,
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Folder for the tables; made if missing.",
)
@click.option("--no-parquet", is_flag=True, help="Leave out measures.parquet, which needs an extra package.")
def research(address: str, to: Path, no_parquet: bool) -> None:
    """Write what the store at ADDRESS holds as tables for statistics.

    measures.csv and measures.parquet have one row a measure, outlines.jsonl one line an outline, outlines.csv the same
    as well-known text, and data-dictionary.csv tells what each column means. Every row names the photo's hash, the
    settings' hash, the outline model's hash and the version of the program. Refused photos are left out, and so are
    versions of a photo that a later assessment has superseded.

    \b
    Example:
      clawvision history research herd.sqlite --to tables/

    \b
    Exit status:
      0  the tables were written
      2  wrong usage, or a store that cannot be read
      5  a table cannot be written
      6  an optional package is missing; the message says how to install it
    """
    need("history")
    from clawvision.history.research import write_research
    from clawvision.history.store import open_store

    with open_store(address) as store:
        done = write_research(store, to, parquet=not no_parquet)
    measures, outlines = counted(done.measures, "measure", "measures"), counted(done.outlines, "outline", "outlines")
    report.tell(f"{plain(to)} written: {measures}, {outlines}.", quiet=False)


@history.command("verify", short_help="Measure stored photos again and compare.")
@click.argument("address")
@click.argument("photos", type=click.Path(path_type=Path), metavar="PHOTOS")
@click.option(
    "--calibration",
    "calibration_dirs",
    multiple=True,
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    metavar="DIR",
    help="Folder with the lens calibrations that the photos were measured with; may be given several times."
    f"  [default: {CALIBRATION} where the command is given, if there is one]",
)
@running_options
def verify(address: str, photos: Path, calibration_dirs: tuple[Path, ...], jobs: int | None, quiet: bool) -> int:
    """Measure the stored photos that lie in the folder PHOTOS, or in folders of it, again, and compare.

    Photos are known by their hash. Each is measured with what its row said then and with the settings of then, and its
    measures are compared as they are stored, to the last digit. Standard output has one line a photo: identical, or
    what differs. A newer version of the program, another outline model or another outline file beside the photo may
    be why.

    \b
    Example:
      clawvision history verify herd.sqlite photos/

    \b
    Exit status:
      0  all photos are there, and all are identical
      2  wrong usage, or a store that cannot be read
      3  some differ, are not there, or cannot be measured again
      4  none could be measured again
      6  an optional package is missing; the message says how to install it
    """
    need("history")
    from clawvision.history.store import open_store
    from clawvision.history.verify import verify as measure_again

    results: list[Verified] = []
    with open_store(address) as store:
        for each in measure_again(
            store, photos, calibration_dirs=calibration_dirs or usual_calibration(), jobs=jobs or usual_jobs()
        ):
            results.append(each)
            click.echo(_verified(each))
    report.tell(_summary(results), quiet=quiet)
    return _status(results)


for _command in (show, due, plot):
    history.add_command(_command)


def _counts(counts: Counts) -> str:
    words = [
        f"{counts.new} new",
        f"{counts.known} known",
        f"{counts.superseded} in place of an older version",
    ]
    if counts.outdated:
        words.append(f"{counts.outdated} older than what is stored")
    total = counts.new + counts.known + counts.superseded + counts.outdated
    refused = f" Of the new ones {counts.refused} could not be measured." if counts.refused else ""
    return f"{counted(total, 'photo', 'photos')}: {', '.join(words)}.{refused}"


def _verified(each: Verified) -> str:
    name = f"{plain(each.photo)} ({each.sha256[:12]})"
    return "\n  ".join([f"{name}: {each.outcome}", *map(plain, each.differences)])


def _summary(results: Sequence[Verified]) -> str:
    if not results:
        return "The store holds no photos."
    outcomes = [each.outcome for each in results]
    told = ", ".join(f"{outcomes.count(outcome)} {outcome}" for outcome in dict.fromkeys(outcomes))
    text = f"{counted(len(results), 'photo', 'photos')}: {told}."
    other = sum(each.other for each in results)
    if other:
        text += f" {counted(other, 'photo was', 'photos were')} measured by another version or outline model."
    return text


def _status(results: Sequence[Verified]) -> int:
    outcomes = {each.outcome for each in results}
    if outcomes <= {"identical"}:
        return DONE
    return SOME_DIFFER if outcomes & {"identical", "differs"} else NONE_VERIFIED
