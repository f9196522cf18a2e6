"""Options that more than one command has, so that they are spelt and explained once."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, get_args

import click

from clawvision.executors import Limits
from clawvision.types import Engine, Settings

_LIMITS = Limits()
F = TypeVar("F", bound=Callable[..., Any])

CALIBRATION = Path("calibration")
_MOST_JOBS = 4
_DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "\\t": "\t"}


class LocalPath(click.Path):
    """A path of this computer. A URL, which as a path would be an odd folder here, is refused."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if "://" in str(value):
            self.fail("this has to be a folder of this computer, not a URL.", param, ctx)
        return super().convert(value, param, ctx)


class PhotosPlace(click.Path):
    """A folder or file of this computer as a path, or the URL of another place as text."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        return value if "://" in str(value) else super().convert(value, param, ctx)


def usual_jobs() -> int:
    """Return as many jobs as there are cores for this process, at most 4 since each may take 600 MB."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(cores, _MOST_JOBS)


def _delimiter(context: click.Context, parameter: click.Parameter, value: str | None) -> str | None:
    return value if value is None else _DELIMITERS.get(value.casefold(), value)


def together(*options: Callable[[F], F]) -> Callable[[F], F]:
    """Return a decorator that adds options in this order, which is that of the help."""

    def added(command: F) -> F:
        for option in reversed(options):
            command = option(command)
        return command

    return added


def profiles_option(purpose: str = "") -> Callable[[F], F]:
    """Return the option that names folders of profiles; ``purpose`` is told behind what it is."""
    return click.option(
        "--profiles",
        "profile_dirs",
        multiple=True,
        type=click.Path(path_type=Path, exists=True, file_okay=False),
        metavar="DIR",
        help=f"Folder with the herd's own profiles{purpose}; may be given several times.",
    )


def rules_option(command: F) -> F:
    """Add the option that names a herd's own rows of the table of rules."""
    option = click.option(
        "--rules",
        type=click.Path(path_type=Path, exists=True, dir_okay=False),
        metavar="FILE",
        help="The herd's own rows for the table of rules, which are laid over the packaged ones.",
    )
    decorated: F = option(command)
    return decorated


def running_options(command: F) -> F:
    """Add the options of commands that run the chain: they change how fast and how loud, never the result."""
    decorated: F = together(
        click.option(
            "--jobs",
            "-j",
            type=click.IntRange(1, 256),
            metavar="N",
            help=f"Photos to work on at the same time.  [default: one a core, at most {_MOST_JOBS}]",
        ),
        click.option("--quiet", "-q", is_flag=True, help="Say nothing but errors: the exit status tells the rest."),
    )(command)
    return decorated


def working_options(command: F) -> F:
    """Add the options that say where the photos are worked on, and what one may take; they bear on no result."""
    decorated: F = together(
        click.option(
            "--cluster",
            metavar="ADDRESS",
            help="Work on a Dask cluster instead of on this computer: the address of its scheduler, such as"
            " tcp://host:8786. Its workers must see the same folders under the same names.",
        ),
        click.option(
            "--max-seconds",
            type=click.FloatRange(1, 86_400),
            default=_LIMITS.seconds,
            show_default=True,
            metavar="S",
            help="Give up a photo that takes longer.",
        ),
        click.option(
            "--max-memory-gb",
            type=click.FloatRange(1, 10_000),
            default=(_LIMITS.memory_bytes or 0) / 1e9,
            show_default=True,
            metavar="GB",
            help="Give up a photo that needs more memory; kept to on Linux.",
        ),
    )(command)
    return decorated


def measuring_options(command: F) -> F:
    """Add the options that bear on what is measured and how it is judged."""
    decorated: F = together(
        click.option(
            "--profile",
            metavar="NAME",
            help="Reference profile for photos whose manifest row names none.  [default: the packaged default,"
            " marked as assumed]",
        ),
        profiles_option(),
        rules_option,
        click.option(
            "--calibration",
            "calibration_dirs",
            multiple=True,
            type=click.Path(path_type=Path, exists=True, file_okay=False),
            metavar="DIR",
            help="Folder with lens calibrations, as clawvision calibrate makes them; may be given several"
            f" times.  [default: {CALIBRATION} where the command is given, if there is one]",
        ),
        click.option(
            "--print-scale",
            type=click.FloatRange(0.8, 1.25),
            default=1.0,
            show_default=True,
            metavar="RATIO",
            help="What a check line of the printed card measures, divided by what it should: 49.3 mm of 50 mm"
            " is 0.986.",
        ),
        click.option(
            "--tick-mm",
            type=click.FloatRange(0, 100, min_open=True),
            default=1.0,
            show_default=True,
            metavar="MM",
            help="Tick spacing of a ruler in the photo, where the manifest names none.",
        ),
        click.option(
            "--engine",
            type=click.Choice(get_args(Engine)),
            default="opencv",
            show_default=True,
            help="What runs the network that outlines claws. onnxruntime, an extra package, takes half the time; as"
            " it rounds otherwise, measures differ by less than a tenth of their stated uncertainty.",
        ),
        click.option(
            "--max-file-mb",
            type=click.FloatRange(0, 10_000, min_open=True),
            default=80.0,
            show_default=True,
            metavar="MB",
            help="Refuse larger files.",
        ),
        click.option(
            "--max-megapixels",
            type=click.FloatRange(0, 1_000, min_open=True),
            default=120.0,
            show_default=True,
            metavar="MP",
            help="Refuse pictures of more million pixels, before they are unpacked.",
        ),
    )(command)
    return decorated


def usual_calibration() -> tuple[Path, ...]:
    """Return the calibration folder of the folder where the command is given, if there is one."""
    return (CALIBRATION,) if CALIBRATION.is_dir() else ()


def settings_of(
    *,
    max_file_mb: float,
    max_megapixels: float,
    print_scale: float,
    tick_mm: float,
    calibration_dirs: tuple[Path, ...],
    blur_background: bool,
    engine: Engine,
) -> Settings:
    """Return what ``measuring_options`` and ``picture_option`` ask for."""
    return Settings(
        max_file_bytes=round(max_file_mb * 1e6),
        max_pixels=round(max_megapixels * 1e6),
        print_scale=print_scale,
        tick_mm=tick_mm,
        calibration_dirs=tuple(str(folder) for folder in calibration_dirs or usual_calibration()),
        blur_background=blur_background,
        engine=engine,
    )


def picture_option(command: F) -> F:
    """Add the option of what the annotated pictures show."""
    option = click.option(
        "--blur-background",
        is_flag=True,
        help="Blur all but the measured foot, the reference and what is drawn in the pictures that are made; the whole"
        " picture where nothing was measured.",
    )
    decorated: F = option(command)
    return decorated


def repeats_option(command: F) -> F:
    """Add the option that names what repeated photos differ by."""
    option = click.option(
        "--repeatability",
        type=click.Path(path_type=Path, exists=True, dir_okay=False),
        metavar="FILE",
        help="A repeatability.json of the same way of taking photos: nothing smaller than its smallest detectable"
        " changes is taken for a change.",
    )
    decorated: F = option(command)
    return decorated


def table_options(command: F) -> F:
    """Add the options of the table of measures, for spreadsheets of countries with a decimal comma."""
    decorated: F = together(
        click.option(
            "--csv-delimiter",
            metavar="CHAR",
            callback=_delimiter,
            help="Between the cells of measures.csv: one character, or comma, semicolon, tab.  [default: comma;"
            " semicolon with a decimal comma]",
        ),
        click.option(
            "--csv-decimal",
            type=click.Choice([".", ","]),
            default=".",
            show_default=True,
            help="Decimal sign in measures.csv.",
        ),
    )(command)
    return decorated
