"""All that a store holds, table by table, for comparing."""

from __future__ import annotations

from typing import Any

from sqlalchemy import select

from clawvision.history.schema import METADATA, TOE_LENGTH
from clawvision.history.store import Store, open_store


def everything(address: str) -> dict[str, list[tuple[Any, ...]]]:
    """Return all rows of all tables, in the order of their keys."""
    with open_store(address) as store:
        return _rows(store)


def _rows(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    with store.reading() as connection:
        return {
            name: [tuple(row) for row in connection.execute(select(table).order_by(*table.primary_key.columns))]
            for name, table in METADATA.tables.items()
        }


def sound(address: str) -> None:
    """Check what must hold in every store, whatever was added to it in whatever order."""
    tables = everything(address)
    photo = [dict(zip(_names("photo"), row, strict=True)) for row in tables["photo"]]
    for subject in {each["subject"] for each in photo}:
        versions = [each for each in photo if each["subject"] == subject]
        last = max(versions, key=lambda each: (each["assessed"], each["id"]))
        assert [each["id"] for each in versions if each["current"]] == [last["id"]]
    by_id = {each["id"]: each for each in photo}
    expected = []
    for row in tables["measure"]:
        measure = dict(zip(_names("measure"), row, strict=True))
        of = by_id[measure["photo_id"]]
        if (
            measure["measure"] == "toe_length"
            and measure["value"] is not None
            and measure["claw"] in ("outer", "inner")
            and of["current"]
            and of["foot"]
            and of["day"]
            and of["status"] != "refused"
        ):
            told = of | measure | {"photo_id": of["id"]}
            expected.append(tuple(told[name] for name in _names(TOE_LENGTH.name)))
    assert tables["toe_length"] == sorted(expected, key=lambda row: row[:5])


def _names(table: str) -> list[str]:
    return [column.name for column in METADATA.tables[table].columns]
