"""An invented herd of few claws over time, as rows and as a store."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from clawvision.findings.quantities import DAYS_PER_MONTH
from clawvision.history.rows import ToeLength
from clawvision.history.store import add, open_store
from clawvision.output.models import ClawRecord, MeasureRecord, PhotoRecord
from tests.history import made

START = date(2031, 1, 1)
Reading = tuple[int, float]


def day(number: int) -> date:
    return START + timedelta(days=number)


def line(rate: float, start: float = 80.0, days: Sequence[int] = (0, 60, 120, 180)) -> list[Reading]:
    """Lengths on a straight line."""
    return [(each, start + rate * each / DAYS_PER_MONTH) for each in days]


def row(number: int, value: float, **other: Any) -> ToeLength:
    """A row of the store's narrow table; U is 4 mm unless told otherwise."""
    usual = {
        "animal": "Invented 1",
        "foot": "LH",
        "claw": "outer",
        "day": day(number),
        "value": value,
        "uncertainty": 4.0,
        "stage": "check",
        "status": "measured",
        "trimmed": None,
        "profile": None,
    }
    return ToeLength(**(usual | other))


def rows(readings: Sequence[Reading], **other: Any) -> list[ToeLength]:
    return [row(number, value, **other) for number, value in readings]


def side_photo(animal: str, foot: str, claw: str, number: int, length: float, **other: Any) -> PhotoRecord:
    """The record of a side photo with a toe length and nothing else; U is 2 mm."""
    asked = {name: other.pop(name) for name in ("trimmed", "profile") if name in other}
    seen = made.Visit(0, foot, day(number))
    measures = {"toe_length": MeasureRecord(value=length, uncertainty=2.0, unit="mm")}
    of_claw = ClawRecord(outline_px=None, landmarks_px={}, confidence=1.0, source="sidecar", measures=measures)
    usual = made.photo(seen, "side", {claw: of_claw}, {}, claw)
    name = f"{animal}_{foot}_{claw}_{number}.jpg".replace(" ", "-")
    return usual.model_copy(
        update={
            "animal": animal,
            "photo": name,
            "sha256": made.hashlib.sha256(name.encode()).hexdigest(),
            "asked": usual.asked.model_copy(update={"trimmed": None} | asked),
        }
        | other
    )


def stored(address: Path, photos: Sequence[PhotoRecord], name: str = "2031-07-01T00:00:00+00:00") -> Path:
    """A store of these photos, judged."""
    with open_store(str(address), "create") as store:
        add(store, made.assessment(photos, made.run(name)))
    return address


def herd(address: Path) -> Path:
    """Four cows: 1 grows fast on one claw, 2 is ordinary and trimmed, 3 is long already, 4 has one photo a claw."""
    photos = [
        *(side_photo("Invented 1", "LH", "outer", *each) for each in line(9.0, 78.0)),
        *(side_photo("Invented 1", "LH", "inner", *each) for each in line(4.0, 78.0)),
        *(side_photo("Invented 2", "LH", "outer", *each) for each in line(4.2, 80.0, (0, 60, 120))),
        *(side_photo("Invented 2", "LH", "inner", *each) for each in line(4.1, 80.0, (0, 60, 120))),
        *(
            side_photo("Invented 2", "LH", claw, number, length, trimmed=day(130))
            for claw in ("outer", "inner")
            for number, length in ((150, 80.0), (180, 84.0))
        ),
        *(side_photo("Invented 3", "LH", "outer", *each) for each in line(4.5, 104.0)),
        *(side_photo("Invented 3", "LH", "inner", *each) for each in line(4.3, 79.0)),
        side_photo("Invented 4", "RF", "outer", 180, 84.0),
    ]
    return stored(address, photos)
