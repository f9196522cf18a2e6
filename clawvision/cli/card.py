"""``clawvision card``: something to print."""

from __future__ import annotations

from pathlib import Path

import click

from clawvision.output.atomic import write_atomic
from clawvision.printing import PrintKind, printable, write_drawing
from clawvision.printing.page import Paper


@click.command("card", short_help="Write the scale card, or a lens target, for printing.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="File to write; its ending (.pdf, .svg or .png) tells the format.  [default: scale-card.pdf, or"
    " lens-target-KIND.pdf]",
)
@click.option(
    "--paper",
    type=click.Choice(["a4", "letter"]),
    default="a4",
    show_default=True,
    help="Paper in the printer: A4 or US Letter.",
)
@click.option(
    "--target",
    "kind",
    type=click.Choice(["card", "charuco", "chessboard"]),
    default="card",
    show_default=True,
    help="What to print: scale cards, or a target for calibrating a lens.",
)
@click.option(
    "--dpi",
    type=click.IntRange(100, 1200),
    default=600,
    show_default=True,
    help="Pixels per inch of a .png file. PDF and SVG are drawn with lines and need none.",
)
def card(out: Path | None, paper: Paper, kind: PrintKind, dpi: int) -> None:
    """Write a page to print, true to size.

    The scale card lies in every photo and tells how large things are. It has the size of a bank card; a page
    holds as many as fit, with marks to cut along. On the page stand two check lines of 100 mm and on each card a
    ruler of 50 mm: measure them before use, since many printers shrink a page unless they are set to "actual
    size" or 100 %. If a line is too short or too long, print again; if it stays so, divide what it measures by
    100 and give the result to clawvision assess as --print-scale.

    Print on matt white card; gloss makes glare. Disinfect a card between feet, and keep each farm's own.

    The targets charuco and chessboard are for clawvision calibrate. charuco is the better one: it may be
    partly out of the picture.

    An existing file of the same name is replaced. PDF needs an extra package: pip install 'clawvision[print]'.

    \b
    Examples:
      clawvision card
      clawvision card --out card.pdf --paper letter
      clawvision card --out card.png --dpi 300
      clawvision card --target charuco --out target.svg

    \b
    Exit status:
      0  the file was written
      2  wrong usage
      5  the file cannot be written
      6  the package that writes PDF is missing
    """
    path = out or Path("scale-card.pdf" if kind == "card" else f"lens-target-{kind}.pdf")
    write_atomic(path, write_drawing(printable(kind, paper), path.suffix, dpi))
    click.echo(f"{path} written. Print it at 100 % and measure its check lines before use.", err=True)
