"""The inbox of triage and its journal."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from unittest.mock import patch

from tests.fuzz import mutate
from tests.fuzz.reader import Reader, write


def _journal(data: bytes, place: Path) -> None:
    """Work an empty inbox off with this journal."""
    from clawvision import batch
    from clawvision.triage.rounds import Triage, TriageSettings
    from tests.batch.fakes import run_here
    from tests.triage.fakes import Noting

    inbox, out = place / "inbox", place / "out"
    if out.exists():
        shutil.rmtree(out)
    inbox.mkdir(exist_ok=True)
    out.mkdir()
    write(out, "triage.json", data)
    with patch.object(batch, "run_tasks", run_here):
        Triage(inbox, out, TriageSettings(worker=Noting(out / "log"), settle_s=0.0)).round()
    outside = [path.name for path in place.iterdir() if path not in (inbox, out)]
    assert not outside and not list(inbox.iterdir()), f"written outside: {outside}"


def _journal_seeds() -> Sequence[bytes]:
    photo = {
        **{"name": "a.jpg", "source": "Ann/a.jpg", "sha256": "ab" * 32, "size": 5, "mtime_ns": 7, "readable": True},
        **{"came": "2030-05-31T08:00:00+00:00", "file": "abababababababababab.jpg"},
    }
    line = {
        **{
            "sender": "Ann",
            "animal": "Bracken",
            "level": "this week",
            "at_least": True,
            "text": "Look.",
            "reasons": [],
        },
        **{
            "reasons": [],
            "came": "2030-05-31T08:00:00+00:00",
            "ask": ["How does she walk?"],
            "answer": "answers/Ann.txt",
        },
        "feet": [
            {
                **{"foot": "LF", "date": None, "level": "this week", "at_least": False, "text": "x", "reasons": ["y"]},
                "photos": ["a.jpg"],
            }
        ],
        "to_look_at": [{"photo": "a.jpg", "status": "review", "picture": "senders/Ann/annotated/a.jpg", "why": ["z"]}],
    }
    sender = {**{"name": "Ann", "folder": "Ann", "photos": [photo], "context": "", "open": False}, "notes": ["n"]}
    waiting = {"sender": "Bo", "source": "Bo/b.jpg", "since": "2030-05-31T08:00:00+00:00", "why": "cut"}
    return (
        json.dumps(
            {"schema": "clawvision/triage/1", "senders": [{**sender, "animals": [line]}], "waiting": [waiting]}
        ).encode(),
    )


def _inbox(data: bytes, place: Path) -> None:
    """Take the input's lines for names of senders and files, make these, and list them."""
    from clawvision.triage.inbox import key_of, list_inbox, read_found, shown_name
    from clawvision.triage.names import safe_name

    inbox = place / "inbox"
    if inbox.exists():
        shutil.rmtree(inbox)
    inbox.mkdir()
    for line in data.split(b"\n\n")[:12]:
        folder, _, name = line.partition(b"|")
        with suppress(OSError, ValueError):
            there = inbox / os.fsdecode(folder.replace(b"/", b"_")[:200])
            if folder and folder not in (b".", b".."):
                there.mkdir(exist_ok=True)
                file = there / os.fsdecode(name.replace(b"/", b"_")[:240])
                if name.startswith(b"->"):
                    file.symlink_to(os.fsdecode(name[2:]))
                elif name.startswith(b"#"):
                    os.mkfifo(file)
                else:
                    file.write_bytes(b"x")
    taken: list[str] = []
    listing = list_inbox(inbox)
    for each in (*listing.pictures, *listing.tables, *listing.sidecars):
        read_found(each, 100)
        assert each.source.isprintable() and each.sender.isprintable()
        made = safe_name(each.sender, taken)
        taken.append(made)
        assert made not in ("", ".", "..") and not set(made) & set('/\\\0:*?"<>|')
        assert shown_name(each.path.name).isprintable()
        assert key_of(each.sender).isprintable()
    assert all(note.isprintable() for note in listing.notes)


def _inbox_seeds() -> Sequence[bytes]:
    return (
        b"Ann|a.jpg\n\nAnn|photos.csv\n\nBo\x1b[31m|b\nc.JPG\n\nCON|nul.png\n\nAnn|a.outline.json\n\nEve|->/etc/passwd\n\n"
        b"Eve|#pipe.jpg\n\n=1+1|=cmd.jpg\n\n<b>|<img src=x>.jpg\n\n\xff\xfe|\xe2\x80\xae.jpg",
    )


READERS: dict[str, Reader] = {
    "journal": Reader(_journal, _journal_seeds, mutate.json_text),
    "inbox": Reader(_inbox, _inbox_seeds, mutate.bytewise),
}
