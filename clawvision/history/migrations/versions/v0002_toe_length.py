"""The toe lengths again, narrow: a herd's due list reads them all, and joins over every measure took too long."""

from __future__ import annotations

from alembic import op
from sqlalchemy import Column, Double, ForeignKeyConstraint, Index, Integer, MetaData, Table, Text

revision = "0002"
down_revision = "0001"

_TEXT = Text().with_variant(Text(collation="C"), "postgresql")
METADATA = MetaData(naming_convention={"fk": "%(table_name)s_%(column_0_name)s_fk", "pk": "%(table_name)s_pk"})
# As far as a foreign key must know it.
Table("photo", METADATA, Column("id", Integer, primary_key=True, autoincrement=False))
TOE_LENGTH = Table(
    "toe_length",
    METADATA,
    Column("animal", _TEXT, primary_key=True),
    Column("foot", _TEXT, primary_key=True),
    Column("claw", _TEXT, primary_key=True),
    Column("day", _TEXT, primary_key=True),
    Column("photo_id", Integer, primary_key=True, autoincrement=False),
    Column("value", Double, nullable=False),
    Column("uncertainty", Double, nullable=False),
    Column("stage", _TEXT, nullable=False),
    Column("status", _TEXT, nullable=False),
    Column("trimmed", _TEXT),
    Column("profile", _TEXT),
    ForeignKeyConstraint(["photo_id"], ["photo.id"]),
    Index("toe_length_photo", "photo_id"),
    sqlite_with_rowid=False,
)

_FILL = """
INSERT INTO toe_length
    (animal, foot, claw, day, photo_id, value, uncertainty, stage, status, trimmed, profile)
SELECT photo.animal, photo.foot, measure.claw, photo.day, photo.id, measure.value, measure.uncertainty,
    photo.stage, photo.status, photo.trimmed, photo.profile
FROM photo JOIN measure ON measure.photo_id = photo.id
WHERE photo.current = 1 AND photo.foot IS NOT NULL AND photo.day IS NOT NULL AND photo.status <> 'refused'
    AND measure.claw IN ('outer', 'inner') AND measure.measure = 'toe_length' AND measure.value IS NOT NULL
"""


def upgrade() -> None:
    """Make the table, and fill it from the photos that are there."""
    TOE_LENGTH.create(op.get_bind())
    op.execute(_FILL)
