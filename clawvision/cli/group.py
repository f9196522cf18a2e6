"""The command ``clawvision`` itself: its subcommands, and what an error looks like."""

from __future__ import annotations

import os
import signal
import sys
import threading
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from importlib import import_module
from typing import Any, NoReturn

import click

import clawvision
from clawvision.errors import ClawvisionError
from clawvision.plain import plain

INTERRUPTED = 130
HELP_OPTIONS = ["-h", "--help"]
TRACEBACK = "CLAWVISION_TRACEBACK"

# Loaded when they are asked for: what one command needs to start, another need not wait for.
_COMMANDS = {
    "assess": "clawvision.cli.assess",
    "explain": "clawvision.cli.explain",
    "check": "clawvision.cli.check",
    "triage": "clawvision.cli.triage",
    "report": "clawvision.cli.report_page",
    "card": "clawvision.cli.card",
    "calibrate": "clawvision.cli.calibrate",
    "demo": "clawvision.cli.demo",
    "herd": "clawvision.cli.herd",
    "repeatability": "clawvision.cli.repeatability",
    "compare": "clawvision.cli.compare",
    "history": "clawvision.cli.history",
    "review": "clawvision.cli.review",
}


class ClawvisionGroup(click.Group):
    """A group whose every failure is one message on standard error and an exit status with a meaning."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        module = _COMMANDS.get(cmd_name)
        command = None if module is None else getattr(import_module(module), cmd_name)
        assert command is None or isinstance(command, click.Command)
        if command is not None:
            # Its own, since click keeps the names that it first asks for, and a command may be called by itself first.
            command.context_settings.setdefault("help_option_names", HELP_OPTIONS)
        return command

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        windows_expand_args: bool = True,
        **extra: Any,
    ) -> Any:
        """Run the command. In standalone mode, as from a shell, end the process with the exit status."""

        command = partial(
            super().main,
            args=args,
            prog_name=prog_name or "clawvision",
            complete_var=complete_var,
            standalone_mode=False,
            windows_expand_args=windows_expand_args,
            **extra,
        )
        if not standalone_mode:
            return command()
        with _sigterm_as_interrupt():
            sys.exit(_status_of(command))


def _status_of(command: Callable[[], Any]) -> int:
    try:
        status = command()
    except ClawvisionError as error:
        _say(_lines(str(error)))
        return error.exit_code
    except click.ClickException as error:
        hint = ""
        if isinstance(error, click.UsageError) and error.ctx is not None:
            hint = f" See: {error.ctx.command_path} --help"
        _say(_lines(error.format_message()) + hint)
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        _say("interrupted.")
        return INTERRUPTED
    except Exception as error:
        if os.environ.get(TRACEBACK):
            traceback.print_exc()
        what = plain(f"{type(error).__name__}: {error}")
        _say(f"a defect of the program ({what}). Set {TRACEBACK}=1 to see where, and please report it.")
        return 1
    return status if isinstance(status, int) else 0


def _say(message: str) -> None:
    click.echo(f"clawvision: {message}", err=True)


def _lines(text: str) -> str:
    return "\n".join(plain(line) for line in text.splitlines())


@contextmanager
def _sigterm_as_interrupt() -> Iterator[None]:
    """Let a request to end stop the run as the keyboard's interrupt does, with the processes it started."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def interrupt(number: int, frame: object) -> NoReturn:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@click.group(
    "clawvision",
    cls=ClawvisionGroup,
    invoke_without_command=True,
    context_settings={"help_option_names": HELP_OPTIONS, "max_content_width": 100},
)
@click.version_option(clawvision.__version__, "--version", prog_name="clawvision", message="%(prog)s %(version)s")
@click.pass_context
def main(context: click.Context) -> None:
    """Measure cattle claws from photos that show a scale card.

    From a folder of photos come, for each claw, lengths in millimetres and angles in degrees with their
    uncertainty, pictures with everything drawn in, and a plain word on which feet somebody has to lift, and how
    soon. It says what it does not know. It gives no diagnosis and no line to cut to: that is for the trimmer, who
    sees the sole, and for the veterinarian.

    \b
    First steps:
      clawvision card                          write the scale card; print it
      clawvision check IMG_0412.jpg            tell whether a photo will do, at the cow
      clawvision assess photos/ --out result/  measure and assess the photos
      clawvision explain result/ ANIMAL        tell what is said about one animal, and why
      clawvision report result/                write it all as a page to read, send on and print
      clawvision demo --out demo/              the same with sample photos

    \b
    Exit status:
      0    done; everything was measured
      1    an error of the program itself
      2    wrong usage: an option, a manifest or a profile cannot be used
      3    some photos need a person's look or were refused
      4    no photo could be measured
      5    the output cannot be written
      6    an optional package is missing; the message says how to install it
      130  interrupted
    """
    if context.invoked_subcommand is None:
        click.echo(context.get_help(), err=True)
        context.exit(2)
