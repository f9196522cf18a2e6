"""What the program kept itself: the history's export, and finished photos of an earlier run."""

from __future__ import annotations

import gzip
import json
import random
import zlib
from collections.abc import Sequence
from contextlib import ExitStack
from functools import cache
from pathlib import Path
from typing import Any

from tests.fuzz import mutate
from tests.fuzz.reader import Reader, thin, write


@cache
def _export() -> bytes:
    import tempfile

    from clawvision.history.exchange import export_store
    from clawvision.history.store import add, open_store
    from tests.history import made

    with tempfile.TemporaryDirectory() as folder:
        with open_store(str(Path(folder) / "h"), "create") as store:
            add(store, made.herd(1, 1))
            export_store(store, Path(folder) / "h.gz")
        return gzip.decompress((Path(folder) / "h.gz").read_bytes())


_stores: dict[Path, Any] = {}


def _import(data: bytes, place: Path) -> None:
    from clawvision.history.exchange import import_store
    from clawvision.history.store import open_store

    if place not in _stores:
        opened = ExitStack()  # for as long as the process lasts
        _stores[place] = opened, opened.enter_context(open_store(str(place / "store.sqlite"), "create"))
    import_store(_stores[place][1], write(place, "in.jsonl.gz", data))


def _import_change(data: bytes, chance: random.Random) -> bytes:
    """Change lines; three of four get the key that goes with what they hold now, so that they are believed."""
    if chance.random() < 0.1:
        return mutate.bytewise(data, chance)
    try:
        lines = gzip.decompress(data).split(b"\n")
    except (OSError, EOFError, ValueError, zlib.error):
        return mutate.bytewise(data, chance)
    if len(lines) > 8:  # a few photos, and a foot with its photos
        chosen = chance.sample(lines[2:-2], 3) if chance.random() < 0.6 else [*lines[2:5], lines[-3]]
        lines = [*lines[:2], *sorted(chosen, key=lambda line: line.startswith(b'{"foot')), *lines[-2:]]
    at = chance.randrange(len(lines))
    if len(lines[at]) < 400_000:
        lines[at] = mutate.json_text(lines[at], chance)
    lines = [each for each in lines if each and not each.startswith(b'{"end"')]
    if chance.random() < 0.75:
        lines = _keyed(lines)
    lines.append(json.dumps({"end": {"lines": len(lines)}}).encode())
    return gzip.compress(b"\n".join(lines) + b"\n", 1, mtime=0)


def _keyed(lines: list[bytes]) -> list[bytes]:
    from clawvision.history import exchange

    class Key(Exception):
        pass

    def told(made: Any, key: str) -> Any:
        raise Key(made.key)

    made: dict[str, Any] = {}
    out = []
    same = exchange._same
    for line in lines:
        try:
            parsed = exchange._parsed(line)
            kind, value = next((k, v) for k, v in parsed if v is not None)
            if kind == "provenance":
                exchange._same = lambda each, key: each  # type: ignore[assignment]
                entry = exchange._provenance(value)
                data = json.loads(line)
                made[entry.key] = entry
                data["provenance"]["key"] = entry.key
                out.append(json.dumps(data).encode())
                continue
            exchange._same = told
            if kind in ("photo", "foot"):
                exchange._photo(value, made) if kind == "photo" else exchange._foot(value, made)
            out.append(line)
        except Key as key:
            data = json.loads(line)
            data[kind]["key"] = str(key)
            out.append(json.dumps(data).encode())
        except Exception:
            out.append(line)
        finally:
            exchange._same = same
    return out


def _kept(data: bytes, place: Path) -> None:
    """Take a finished photo of an earlier run from the output folder."""
    from clawvision import store
    from clawvision.types import PhotoRequest

    (slot,) = store.slots([PhotoRequest(path=place / "a.jpg", name="a.jpg")], place)
    slot.record.parent.mkdir(exist_ok=True)
    slot.record.write_bytes(data)
    store.load(slot, "key")


def _kept_seeds() -> Sequence[bytes]:
    from clawvision.output.record import dumps, photo_record
    from clawvision.store import KeptRecord
    from tests.output import made

    data = json.loads(
        dumps(KeptRecord(key="key", picture="a.jpg", picture_sha256="ab" * 32, photo=photo_record(made.side_result())))
    )
    thin(data)
    return (json.dumps(data).encode(),)


READERS: dict[str, Reader] = {
    "import": Reader(_import, lambda: (gzip.compress(_export(), 1, mtime=0),), _import_change),
    "kept": Reader(_kept, _kept_seeds, mutate.json_text),
}
