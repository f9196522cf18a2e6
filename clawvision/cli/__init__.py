"""The command line: options in, exit status out. What it does is in the library; nothing is measured here."""

from clawvision.cli.group import main

__all__ = ["main"]
