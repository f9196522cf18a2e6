"""Photos, their claws, measures and outlines, and what was found on feet.

The tables as they were then: a migration does not follow later changes of the program.
"""

from __future__ import annotations

from alembic import op
from sqlalchemy import (
    CheckConstraint,
    Column,
    Double,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    MetaData,
    SmallInteger,
    Table,
    Text,
    text,
)

revision = "0001"
down_revision = None

_TEXT = Text().with_variant(Text(collation="C"), "postgresql")
METADATA = MetaData(
    naming_convention={
        "ck": "%(table_name)s_%(constraint_name)s",
        "fk": "%(table_name)s_%(column_0_name)s_fk",
        "pk": "%(table_name)s_pk",
        "uq": "%(table_name)s_%(column_0_name)s_uq",
    }
)

Table(
    "provenance",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("key", _TEXT, nullable=False, unique=True),
    Column("software", _TEXT, nullable=False),
    Column("parameters_sha256", _TEXT, nullable=False),
    Column("parameters", _TEXT, nullable=False),
    Column("model_sha256", _TEXT),
)

Table(
    "photo",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("key", _TEXT, nullable=False, unique=True),
    Column("subject", _TEXT, nullable=False),
    Column("current", SmallInteger, nullable=False),
    Column("provenance_id", Integer, ForeignKey("provenance.id"), nullable=False),
    Column("assessed", _TEXT, nullable=False),
    Column("name", _TEXT, nullable=False),
    Column("sha256", _TEXT),
    Column("animal", _TEXT, nullable=False),
    Column("foot", _TEXT),
    Column("view", _TEXT),
    Column("claw", _TEXT),
    Column("claw_asked", _TEXT),
    Column("stage", _TEXT, nullable=False),
    Column("taken", _TEXT),
    Column("day", _TEXT),
    Column("trimmed", _TEXT),
    Column("locomotion", SmallInteger),
    Column("signs", _TEXT, nullable=False),
    Column("profile", _TEXT),
    Column("status", _TEXT, nullable=False),
    Column("reasons", _TEXT, nullable=False),
    Column("camera_make", _TEXT),
    Column("camera_model", _TEXT),
    Column("asked", _TEXT, nullable=False),
    CheckConstraint("length(key) = 64", name="key"),
    CheckConstraint("current IN (0, 1)", name="current"),
    CheckConstraint("sha256 IS NULL OR length(sha256) = 64", name="sha256"),
    CheckConstraint("locomotion BETWEEN 1 AND 5", name="locomotion"),
    CheckConstraint("length(day) = 10", name="day"),
    CheckConstraint("length(trimmed) = 10", name="trimmed"),
    CheckConstraint("foot IN ('LF', 'RF', 'LH', 'RH')", name="foot"),
    CheckConstraint("view IN ('side', 'sole', 'front', 'rear')", name="view"),
    CheckConstraint("claw IN ('outer', 'inner', 'left', 'right')", name="claw"),
    CheckConstraint("stage IN ('before', 'after', 'check')", name="stage"),
    CheckConstraint("status IN ('measured', 'review', 'refused')", name="status"),
    CheckConstraint("length(name) <= 1000", name="name"),
    CheckConstraint("length(animal) <= 200", name="animal"),
    CheckConstraint("length(taken) <= 64", name="taken"),
    CheckConstraint("length(profile) <= 200", name="profile"),
    Index(
        "photo_one_current",
        "subject",
        unique=True,
        sqlite_where=text("current = 1"),
        postgresql_where=text("current = 1"),
    ),
    Index(
        "photo_of_foot",
        "animal",
        "foot",
        "day",
        sqlite_where=text("current = 1"),
        postgresql_where=text("current = 1"),
    ),
)

Table(
    "claw",
    METADATA,
    Column("photo_id", Integer, primary_key=True, autoincrement=False),
    Column("claw", _TEXT, primary_key=True),
    Column("confidence", Double, nullable=False),
    Column("source", _TEXT, nullable=False),
    Column("outline_mm", _TEXT),
    Column("landmarks_mm", _TEXT, nullable=False),
    ForeignKeyConstraint(["photo_id"], ["photo.id"]),
    CheckConstraint("claw IN ('outer', 'inner', 'left', 'right')", name="claw"),
    CheckConstraint("confidence BETWEEN 0 AND 1", name="confidence"),
    CheckConstraint("source IN ('automatic', 'sidecar')", name="source"),
    sqlite_with_rowid=False,
)

Table(
    "measure",
    METADATA,
    Column("photo_id", Integer, primary_key=True, autoincrement=False),
    Column("claw", _TEXT, primary_key=True),
    Column("measure", _TEXT, primary_key=True),
    Column("value", Double),
    Column("uncertainty", Double),
    Column("unit", _TEXT, nullable=False),
    Column("reason", _TEXT),
    Column("flags", _TEXT, nullable=False),
    Column("budget", _TEXT, nullable=False),
    ForeignKeyConstraint(["photo_id"], ["photo.id"]),
    CheckConstraint("(value IS NULL) = (uncertainty IS NULL)", name="both"),
    sqlite_with_rowid=False,
)

Table(
    "foot_assessment",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("key", _TEXT, nullable=False, unique=True),
    Column("subject", _TEXT, nullable=False),
    Column("provenance_id", Integer, ForeignKey("provenance.id"), nullable=False),
    Column("assessed", _TEXT, nullable=False),
    Column("animal", _TEXT, nullable=False),
    Column("foot", _TEXT),
    Column("stage", _TEXT, nullable=False),
    Column("day", _TEXT),
    Column("profile", _TEXT, nullable=False),
    Column("level", _TEXT, nullable=False),
    Column("urgency", _TEXT, nullable=False),
    Column("findings", _TEXT, nullable=False),
    CheckConstraint("length(key) = 64", name="key"),
    CheckConstraint("length(day) = 10", name="day"),
    CheckConstraint("foot IN ('LF', 'RF', 'LH', 'RH')", name="foot"),
    CheckConstraint("stage IN ('before', 'after', 'check')", name="stage"),
    CheckConstraint("length(animal) <= 200", name="animal"),
    Index("foot_assessment_of_foot", "animal", "foot", "day"),
    Index("foot_assessment_subject", "subject"),
)

Table(
    "foot_photo",
    METADATA,
    Column("foot_id", Integer, primary_key=True, autoincrement=False),
    Column("photo_id", Integer, primary_key=True, autoincrement=False),
    ForeignKeyConstraint(["foot_id"], ["foot_assessment.id"]),
    ForeignKeyConstraint(["photo_id"], ["photo.id"]),
    sqlite_with_rowid=False,
)


def upgrade() -> None:
    """Make the tables."""
    METADATA.create_all(op.get_bind(), checkfirst=False)
