"""The manifest, measures by hand, and what repeated photos came to."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cache
from pathlib import Path

from tests.fuzz import mutate
from tests.fuzz.reader import SAMPLES, Reader, write


def _manifest(data: bytes, place: Path) -> None:
    from clawvision.manifest import collect, read_manifest

    path = write(place, "photos.csv", data)
    requests = read_manifest(path)
    root = place.resolve()
    for each in requests:
        assert each.path.resolve().is_relative_to(root), f"{each.name} leads out of the folder"
        assert each.animal
    collect([place])


def _manifest_seeds() -> Sequence[bytes]:
    rich = (
        "photo,animal,foot,view,claw,stage,taken,profile,offset_mm,trimmed,locomotion,signs,tick_mm,points,x_pen\n"
        "a.jpg,Bracken,LF,side,outer,before,2030-05-31T08:15,jersey,25,2030-01-02,3,heat;pain,1,,12\n"
        "b/c.jpg,Juniper,RH,sole,inner,after,2030-05-31,,-2.5,,1,,0.5,10 20 300 40 50,\n"
    )
    return ((SAMPLES / "photos.csv").read_bytes(), rich.encode(), rich.replace(",", ";").encode("utf-16"))


def _hand(data: bytes, place: Path) -> None:
    from clawvision.repeatability.hand import read_hand

    read_hand(write(place, "hand.csv", data), ("toe_length", "toe_angle"), ("length_difference",))


def _hand_seeds() -> Sequence[bytes]:
    return (
        b"animal,foot,claw,measure,value,taken,stage,operator\nBracken,LF,outer,toe_length,81.5,2030-05-31,check,Ann\n"
        b"Bracken,LF,both,length_difference,3.2,,,\nJuniper,RH,inner,toe_angle,48,2030-06-01T10:00,before,Bo\n",
    )


def _smallest(data: bytes, place: Path) -> None:
    from clawvision.repeatability.smallest import read_smallest

    read_smallest(write(place, "repeatability.json", data))


@cache
def _smallest_seeds() -> Sequence[bytes]:
    import tempfile

    from click.testing import CliRunner

    from clawvision.cli import main
    from tests.repeatability import photos

    with tempfile.TemporaryDirectory() as folder:
        run = photos.write(Path(folder) / "out", photos.herd(claws=8, photos=3))
        told = CliRunner().invoke(main, ["repeatability", str(run), "--out", f"{folder}/repeats"])
        assert told.exit_code == 0, told.output
        data = (Path(folder) / "repeats" / "repeatability.json").read_bytes()
        return (re.sub(rb'"(started|finished)": "[^"]*"', rb'"\1": "2030-05-31T08:00:00+00:00"', data),)


READERS: dict[str, Reader] = {
    "manifest": Reader(_manifest, _manifest_seeds, mutate.table),
    "hand": Reader(_hand, _hand_seeds, mutate.table),
    "smallest": Reader(_smallest, _smallest_seeds, mutate.json_text),
}
