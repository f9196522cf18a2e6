"""``clawvision review``: a local page on which a person puts outlines right."""

from __future__ import annotations

from pathlib import Path

import click

from clawvision import review as extra
from clawvision.output.read import read_assessment
from clawvision.plain import plain


@click.command("review", short_help="Put outlines right on a local page.")
@click.argument("out", type=click.Path(path_type=Path))
@click.option(
    "--photos",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    metavar="FOLDER",
    help="The assessed photos; outline files are written beside them.  [default: where the assessment's command had"
    " them]",
)
@click.option("--port", type=click.IntRange(0, 65535), default=0, show_default=True, help="0 takes a free one.")
@click.option("--host", default="127.0.0.1", show_default=True, metavar="ADDRESS", help="IP address to listen at.")
@click.option("--no-open", is_flag=True, help="Do not start a browser; only tell the address.")
@click.option(
    "--export",
    "export_to",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Serve no page: write the photos that have an outline file as training data into DIR, which is made.",
)
def review(out: Path, photos: Path | None, port: int, host: str, no_open: bool, export_to: Path | None) -> int:
    """Show the photos of an assessment on a page of this machine, to put their outlines right by hand.

    OUT is a folder that clawvision assess wrote, or a file assessment.json. Photos that need a person come first.
    On the page outlines and landmarks are dragged, drawn anew or found from a few clicks; the measures follow at once.
    What is saved is an outline file beside the photo, with who made it and when: run clawvision assess again, and it
    counts.

    The page is served on this machine alone and only to who has the whole printed address; nothing leaves the machine.
    Ctrl+C ends it.

    --export writes, for each photo that has an outline file, the upright picture as PNG without any of its EXIF data,
    a mask PNG (1 the outer or left claw, 2 the inner or right one), the outline file, and an index.json of all.

    \b
    Examples:
      clawvision review result/ --photos photos/
      clawvision review result/ --no-open --port 8642
      clawvision review result/ --photos photos/ --export drawn/

    \b
    Exit status:
      0  the page was served until it was interrupted, or the data were written
      2  wrong usage, an assessment that cannot be read, or photos that are not there
      5  the data cannot be written
      6  the packages of the extra review are missing; the message says how to install them
    """
    record = read_assessment(out)
    # The measuring chain and the server load only now: help and wrong usage need neither.
    from clawvision.review.folder import photo_folder, review_photos, settings_again

    chosen = review_photos(record, photo_folder(record, out, photos))
    settings = settings_again(record)
    if export_to is not None:
        from clawvision.review.export import export

        count = export(chosen, settings, export_to)
        click.echo(f"{count} photos with outlines written to {plain(export_to)}.", err=True)
        return 0
    extra.need()
    from clawvision.review.serve import serve
    from clawvision.review.workbench import Workbench

    def tell(address: str) -> None:
        click.echo(f"{len(chosen)} photos to review. The page, until Ctrl+C:", err=True)
        click.echo(address)

    serve(Workbench(chosen, settings), host=host, port=port, open_browser=not no_open, tell=tell)
    click.echo("Ended.", err=True)
    return 0
