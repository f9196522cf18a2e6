"""Opening a page that was written, in the browser of whoever gave the command."""

from __future__ import annotations

import webbrowser
from pathlib import Path

import click

from clawvision.plain import plain


def open_page(file: Path) -> None:
    """Open a page in the usual browser; where there is none, say so and leave it at that: the page is written."""
    try:
        opened = webbrowser.open(file.resolve().as_uri())
    except (webbrowser.Error, OSError):
        opened = False
    if not opened:
        click.echo(f"No browser could be opened. Open this file yourself: {plain(file)}", err=True)
