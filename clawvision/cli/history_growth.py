"""``clawvision history show``, ``due`` and ``plot``: what a store tells of feet over time."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, get_args

import click

from clawvision.cli import report
from clawvision.cli.names import known_animal
from clawvision.cli.options import profiles_option, repeats_option, together
from clawvision.errors import OutputError, UsageError
from clawvision.findings.herd import counted
from clawvision.findings.profiles import load_profiles
from clawvision.history import need
from clawvision.output.atomic import write_atomic
from clawvision.plain import plain
from clawvision.repeatability.smallest import SEM_SHARE, read_smallest
from clawvision.types import Foot

if TYPE_CHECKING:
    from clawvision.history.growth import FootGrowth, LimitName
    from clawvision.history.rows import StoredFinding

F = TypeVar("F", bound=Callable[..., Any])
_DAY = click.DateTime(["%Y-%m-%d"])


def _growth_options(command: F) -> F:
    decorated: F = together(
        repeats_option,
        click.option(
            "--limit",
            type=click.Choice(["watch", "flag"]),
            default="watch",
            show_default=True,
            help="The length that dates are given for: the profile's toe_length_watch or toe_length_flag.",
        ),
        profiles_option(),
        click.option(
            "--on",
            type=_DAY,
            metavar="DATE",
            help="As if today were this day: photos taken later do not count.  [default: today]",
        ),
    )(command)
    return decorated


_FOOT = click.option("--foot", type=click.Choice(get_args(Foot), case_sensitive=False), help="Only this foot.")


@click.command("show", short_help="Tell how an animal's claws grew, and what was found.")
@click.argument("address")
@click.argument("animal")
@_FOOT
@_growth_options
@click.option("--json", "as_json", is_flag=True, help="The same as JSON, for programs.")
def show(
    address: str,
    animal: str,
    foot: Foot | None,
    limit: LimitName,
    profile_dirs: tuple[Path, ...],
    on: datetime | None,
    repeatability: Path | None,
    as_json: bool,
) -> None:
    """Tell how the claws of ANIMAL grew longer over time, foot by foot.

    For each claw come its toe lengths by day with their uncertainty (k = 2), the trims that break them, how fast it
    grows longer, by its own photos and with the herd's other claws, where it stands among them, how that compares with
    the profile and with its partner, and when it meets the profile's limit, with an interval of 95 %. Then what was
    found on the foot earlier.

    A rate is growth less wear. A date is a day to look at the foot by: no day and no length to cut to.

    \b
    Examples:
      clawvision history show herd.sqlite Clover
      clawvision history show herd.sqlite Clover --foot LH --limit flag --json

    \b
    Exit status:
      0  it was told
      2  wrong usage, a store that cannot be read, or no such animal or foot in it
      6  an optional package is missing; the message says how to install it
    """
    feet = _feet(address, animal, foot, limit, profile_dirs, _today(on), repeatability)
    from clawvision.history.told import cautions_text, foot_json, foot_text

    if as_json:
        _print(foot_json(feet[0][0].animal, feet, limit))
    else:
        _print("\n\n\n".join(foot_text(each, findings, limit) for each, findings in feet) + f"\n\n{cautions_text()}")


@click.command("due", short_help="List the feet to look at by a day, worst first.")
@click.argument("address")
@click.option("--by", type=_DAY, metavar="DATE", help="Feet that are, or may be, due by this day.  [default: today]")
@_growth_options
@click.option(
    "--csv", "table", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help="Also write it as a table."
)
@click.option("--json", "as_json", is_flag=True, help="The same as JSON, for programs.")
def due(
    address: str,
    by: datetime | None,
    limit: LimitName,
    profile_dirs: tuple[Path, ...],
    on: datetime | None,
    repeatability: Path | None,
    table: Path | None,
    as_json: bool,
) -> None:
    """List the feet of the store at ADDRESS that somebody should look at by a day, worst first.

    A foot is on the list where a claw is beyond the profile's limit, beyond its uncertainty, or may be by then: where
    the early end of the interval of 95 % is not later. Each claw says why: its length, how fast it grows longer, and
    the range of dates. At the end come feet of which this is not known, with the reason: unknown is not fine.

    A date is a day to look at the foot by: no day and no length to cut to.

    \b
    Examples:
      clawvision history due herd.sqlite
      clawvision history due herd.sqlite --by 2031-06-30 --limit flag --csv due.csv

    \b
    Exit status:
      0  the list was written
      2  wrong usage, or a store that cannot be read
      5  the table cannot be written
      6  an optional package is missing; the message says how to install it
    """
    need("history")
    from clawvision.history.due import read_due
    from clawvision.history.store import open_store
    from clawvision.history.told import cautions_text, due_csv, due_json, due_text

    today = _today(on)
    day = today if by is None else by.date()
    if day < today:
        raise UsageError(f"--by {day} is before {today}.", "Name a day that is to come, or set --on as well.")
    profiles = load_profiles(profile_dirs)
    with open_store(address) as store:
        least = _least_u_mm(repeatability)
        found = read_due(store, profiles, by=day, until=today, limit=limit, least_u_mm=least)
    if table is not None:
        with _writing(table):
            write_atomic(table, due_csv(found, limit))
    if as_json:
        _print(due_json(found, today, limit))
    else:
        _print(f"{due_text(found, today, limit)}\n\n{cautions_text()}")


@click.command("plot", short_help="Draw an animal's toe lengths over time.")
@click.argument("address")
@click.argument("animal")
@click.option(
    "--to",
    required=True,
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Folder for the pictures, an SVG and a PNG a foot; made if missing.",
)
@_FOOT
@_growth_options
def plot(
    address: str,
    animal: str,
    to: Path,
    foot: Foot | None,
    limit: LimitName,
    profile_dirs: tuple[Path, ...],
    on: datetime | None,
    repeatability: Path | None,
) -> None:
    """Draw the toe lengths of ANIMAL over time, a picture a foot, as SVG (to print) and as PNG.

    Bars are uncertainties (k = 2), lines end at trims, and the hatched band tells where a claw's length is foretold to
    be until it meets the profile's limit. Claws differ by their marks and strokes, so that the picture can be printed
    in black and white. Equal stores give equal files, with the same version of the package that draws.

    \b
    Example:
      clawvision history plot herd.sqlite Clover --to pictures/

    \b
    Exit status:
      0  the pictures were written
      2  wrong usage, a store that cannot be read, or nothing to draw
      5  a picture cannot be written
      6  an optional package is missing; the message says how to install it
    """
    need("plots")
    from clawvision.history.pictures import foot_picture

    feet = [each for each, _ in _feet(address, animal, foot, limit, profile_dirs, _today(on), repeatability)]
    drawn = [each for each in feet if any(claw.readings.series.readings for claw in each.claws)]
    if not drawn:
        raise UsageError(f'There is no toe length of "{plain(animal)}" to draw.', "Take side photos of named feet.")
    for each in drawn:
        picture = foot_picture(each, limit)
        stem = to / f"{_file_name(each.animal)}_{each.foot}"
        with _writing(to):
            to.mkdir(parents=True, exist_ok=True)
            write_atomic(stem.with_name(f"{stem.name}.svg"), picture.svg)
            write_atomic(stem.with_name(f"{stem.name}.png"), picture.png)
    report.tell(f"{plain(to)} written: {counted(len(drawn), 'foot', 'feet')}.", quiet=False)


def _feet(
    address: str,
    animal: str,
    foot: Foot | None,
    limit: LimitName,
    profile_dirs: tuple[Path, ...],
    today: date,
    repeatability: Path | None,
) -> list[tuple[FootGrowth, tuple[StoredFinding, ...]]]:
    """Return the feet of an animal with what was found on each."""
    need("history")
    from clawvision.history.due import read_herd
    from clawvision.history.growth import foot_growth
    from clawvision.history.store import animals, foot_findings, open_store

    profiles = load_profiles(profile_dirs)
    with open_store(address) as store:
        names = [each.animal for each in animals(store)]
        name = known_animal(animal, names, "The store")
        findings = [each for each in foot_findings(store, name) if each.day is None or each.day <= today]
        herd = read_herd(store, profiles, today, _least_u_mm(repeatability))
    feet = foot_growth(herd, name, foot, limit, [each.foot for each in findings])
    if not feet:
        what = "no named foot" if foot is None else f"nothing of {foot}"
        raise UsageError(f"The store holds {what} of {plain(name)}.", "Name the foot in photos.csv, or another animal.")
    return [(each, tuple(found for found in findings if found.foot == each.foot)) for each in feet]


def _least_u_mm(repeatability: Path | None) -> float:
    """Return the standard uncertainty below which no toe length is taken, by what repeated photos differ by."""
    if repeatability is None:
        return 0.0
    return read_smallest(repeatability).get(("side", "toe_length"), 0.0) * SEM_SHARE


def _today(on: datetime | None) -> date:
    return date.today() if on is None else on.date()


def _file_name(animal: str) -> str:
    """Return a name for files that leads nowhere else."""
    return re.sub(r"[^\w-]+", "_", plain(animal)).strip("_")[:80] or "animal"


@contextmanager
def _writing(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise OutputError(f"{path} cannot be written: {error.strerror}.", "Check the place and its rights.") from error


def _print(text: str) -> None:
    """Write to standard output, also where it takes fewer characters than the text may hold."""
    encoding = sys.stdout.encoding or "utf-8"
    click.echo(text.encode(encoding, "backslashreplace").decode(encoding))
