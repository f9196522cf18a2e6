"""``clawvision report``: an assessment as a page to read, to send on and to print."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from clawvision.cli.browse import open_page
from clawvision.cli.options import profiles_option
from clawvision.errors import OutputError
from clawvision.findings.profiles import load_profiles
from clawvision.output.read import read_assessment
from clawvision.plain import plain
from clawvision.report.catalogue import LANGUAGES, Language
from clawvision.report.html import Pictures
from clawvision.report.pdf import need_pdf
from clawvision.report.write import PAGE, Wanted, write_page, write_pdfs


@click.command("report", short_help="Write an assessment as a page to read, send on and print.")
@click.argument("out", type=click.Path(path_type=Path))
@click.option(
    "--to",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.html",
    help="File to write; report.html in OUT if left out. The full pictures are linked only from within OUT.",
)
@click.option(
    "--language", type=click.Choice(LANGUAGES), default="en", show_default=True, help="Language that it is read in."
)
@click.option(
    "--words",
    type=click.Choice(["plain", "exact"]),
    default="plain",
    show_default=True,
    help="Findings in a farmer's words first, or in a veterinarian's; the others are folded.",
)
@click.option(
    "--pictures",
    type=click.Choice(["none", "small"]),
    default="small",
    show_default=True,
    help="Small pictures in the page, or only links to them.",
)
@click.option(
    "--pdf",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Also write a printed page for each animal, animal-001.pdf and so on, the most urgent first.",
)
@profiles_option(", to show what is usual")
@click.option(
    "--history",
    metavar="ADDRESS",
    help="Store of clawvision history, a file or postgresql://…, to show how each foot's claws grew.",
)
@click.option("--open", "show", is_flag=True, help="Open the page in the browser when it is written.")
def report(
    out: Path,
    to: Path | None,
    language: Language,
    words: Literal["plain", "exact"],
    pictures: Pictures,
    pdf: Path | None,
    profile_dirs: tuple[Path, ...],
    history: str | None,
    show: bool,
) -> None:
    """Write what an assessment says as one page of HTML.

    OUT is a folder that clawvision assess wrote.

    First comes who has to be lifted, and when. Then, for each animal and foot: the pictures, how soon and why, every
    finding with its numbers, limits and sources to unfold, the measures beside what is usual, what is said about
    trimming, what to ask, and the cautions. Last come the photos to take again.

    The page is one file that needs no network and runs no script. It opens on a telephone and prints on A4. Nothing is
    judged again: what it says is in the record.

    \b
    Examples:
      clawvision report result/ --open
      clawvision report result/ --history herd.sqlite
      clawvision report result/ --language de --pdf pages/
      clawvision report result/ --to herd.html --pictures none --words exact

    \b
    Exit status:
      0  it was written
      2  wrong usage, or an assessment that cannot be read
      5  the output cannot be written
      6  an optional package is missing; the message says how to install it
    """
    record = read_assessment(out)
    folder = out if out.is_dir() else out.parent
    file = folder / PAGE if to is None else to
    if file.is_dir():
        raise OutputError(f"{file} is a folder.", "Name a file with --to.")
    if pdf is not None and pdf.exists() and not pdf.is_dir():
        raise OutputError(f"{pdf} is there already and is no folder.", "Name another folder with --pdf.")
    if pdf is not None:
        need_pdf()  # before anything is written
    wanted = Wanted(language, words == "exact", pictures, load_profiles(profile_dirs), history)
    page = write_page(record, folder, file, wanted)
    click.echo(f"{plain(file)} written.", err=True)
    if pdf is not None:
        count = write_pdfs(record, folder, pdf, page, language)
        click.echo(f"{count} pages written to {plain(pdf)}.", err=True)
    if show:
        open_page(file)
