"""``clawvision demo``: the sample herd, written out and assessed."""

from __future__ import annotations

from pathlib import Path

import click

import clawvision
from clawvision.cli.assess import Asked, run
from clawvision.cli.options import running_options
from clawvision.errors import MissingExtraError, OutputError, UsageError
from clawvision.manifest import MANIFEST_NAME, read_manifest
from clawvision.output.atomic import write_atomic

SAMPLES = Path(clawvision.__file__).resolve().parent.parent / "sample_images"


@click.command("demo", short_help="Write the sample photos and assess them.")
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder for the photos and the results; made if missing.",
)
@click.option(
    "--scenes",
    type=click.IntRange(1, 200),
    metavar="N",
    help="Instead of the herd: N feet drawn at random by the scene maker (needs PyTorch; some 20 s a foot).",
)
@click.option("--open", "show", is_flag=True, help="Write the report of it too and open it in the browser.")
@running_options
def demo(out: Path, scenes: int | None, show: bool, jobs: int | None, quiet: bool) -> int:
    """Copy the photos of an invented herd to DIR/photos and assess them to DIR/result.

    It does what clawvision assess DIR/photos --out DIR/result does, so that everything can be seen before the first
    photo of one's own: the manifest, the pictures with their measures, the findings, and what is said of
    photos that cannot be measured; some of them were made bad on purpose, which is why the exit status is 3.

    The sample photos come with a clone of the repository, not with an installed package. With --scenes, feet made on
    the spot take their place; their truth lies in DIR/scenes.

    \b
    Example:
      clawvision demo --out demo/
      clawvision demo --out demo/ --open
      clawvision demo --out demo/ --scenes 3

    \b
    Exit status:
      as of clawvision assess; 2 also where the sample photos are not there, 6 where PyTorch is missing for --scenes
    """
    photos = out / "photos"
    if scenes is None:
        copy_samples(SAMPLES, photos)
    else:
        make_photos(scenes, out / "scenes", photos)
    return run((photos,), out / "result", None, Asked(jobs=jobs, quiet=quiet, page=show, show=show))


def make_photos(count: int, scenes: Path, photos: Path) -> None:
    """Render feet with their truth into ``scenes``, and put their photos and manifest into ``photos``.

    Raises
    ------
    MissingExtraError
        If PyTorch is not installed.
    OutputError
        If the folders cannot be written.
    """
    try:
        import torch

        from clawvision.scenes.write import write_scenes
    except ImportError:
        raise MissingExtraError("The scene maker needs PyTorch.", "pip install 'clawvision[scenes]'") from None
    try:
        numbers, device = range(1, count + 1), torch.device("cpu")
        write_scenes(scenes, 1, numbers, held_out=False, device=device, size=(1200, 900), finer=1)
        for source in (scenes / MANIFEST_NAME, *sorted(scenes.glob("*.jpg"))):
            write_atomic(photos / source.name, source.read_bytes())
    except OSError as error:
        raise OutputError(f"{scenes} cannot be written ({error.strerror}).", "Name another folder.") from None


def copy_samples(samples: Path, photos: Path) -> None:
    """Copy manifest, photos and outline files of the sample herd.

    Raises
    ------
    UsageError
        If the samples are not there.
    OutputError
        If they cannot be written, or would replace another file.
    """
    if not (samples / MANIFEST_NAME).is_file():
        raise UsageError(
            "This installation has no sample photos.",
            "Clone the repository, install it from there with: pip install -e . and give the command again.",
        )
    requests = read_manifest(samples / MANIFEST_NAME)
    names = [request.name for request in requests]
    names += [str(Path(name).with_suffix(".outline.json")) for name in names]
    for name in (MANIFEST_NAME, *names):
        source = samples / name
        if not source.is_file():
            continue  # not every photo has an outline file, and one photo is missing on purpose
        data = source.read_bytes()
        target = photos / name
        try:
            same = target.read_bytes() == data
        except FileNotFoundError:
            write_atomic(target, data)
        except OSError as error:
            raise OutputError(f"{target} cannot be written ({error.strerror}).", "Name another folder.") from None
        else:
            if not same:
                raise OutputError(f"{target} is there already and is another file.", "Name an empty folder with --out.")
