"""The tables of a store. Made and changed by the migrations alone; this is what they come to.

Texts are compared by their bytes in both databases, so that both sort alike. Days are ISO 8601 texts, which sort as
days do. JSON stays text as written, so that what comes out is what went in.
"""

from __future__ import annotations

from typing import Final, get_args

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

from clawvision.types import ClawName, Foot, Stage, Status, View

HEAD: Final = "0002"
"""The newest version; that of a store stands in its table VERSION_TABLE."""
VERSION_TABLE: Final = "clawvision_version"
FOOT: Final = "foot"
"""In place of a claw's name: a measure of both claws together."""

LIMITS: Final = {
    "name": 1000,
    "animal": 200,
    "profile": 200,
    "taken": 64,
    "camera": 200,
    "measure": 80,
    "reason": 2000,
    "version": 64,
    "json": 4_000_000,
}
"""Longest texts, in characters. Longer ones are refused when they are read, and by the tables where it costs little."""

METADATA = MetaData(
    naming_convention={
        "ck": "%(table_name)s_%(constraint_name)s",
        "fk": "%(table_name)s_%(column_0_name)s_fk",
        "pk": "%(table_name)s_pk",
        "uq": "%(table_name)s_%(column_0_name)s_uq",
    }
)


def _text() -> Text:
    kind: Text = Text().with_variant(Text(collation="C"), "postgresql")
    return kind


def _one_of(column: str, words: tuple[str, ...]) -> CheckConstraint:
    return CheckConstraint(f"{column} IN ({', '.join(repr(word) for word in words)})", name=column)


def _at_most(column: str, kind: str) -> CheckConstraint:
    return CheckConstraint(f"length({column}) <= {LIMITS[kind]}", name=column)


PROVENANCE = Table(
    "provenance",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("key", _text(), nullable=False, unique=True),
    Column("software", _text(), nullable=False),
    Column("parameters_sha256", _text(), nullable=False),
    Column("parameters", _text(), nullable=False),
    Column("model_sha256", _text()),
)
"""With what photos were measured: version, every setting that bears on the result, the outline model."""

PHOTO = Table(
    "photo",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("key", _text(), nullable=False, unique=True),
    Column("subject", _text(), nullable=False),
    Column("current", SmallInteger, nullable=False),
    Column("provenance_id", Integer, ForeignKey("provenance.id"), nullable=False),
    Column("assessed", _text(), nullable=False),
    Column("name", _text(), nullable=False),
    Column("sha256", _text()),
    Column("animal", _text(), nullable=False),
    Column("foot", _text()),
    Column("view", _text()),
    Column("claw", _text()),
    Column("claw_asked", _text()),
    Column("stage", _text(), nullable=False),
    Column("taken", _text()),
    Column("day", _text()),
    Column("trimmed", _text()),
    Column("locomotion", SmallInteger),
    Column("signs", _text(), nullable=False),
    Column("profile", _text()),
    Column("status", _text(), nullable=False),
    Column("reasons", _text(), nullable=False),
    Column("camera_make", _text()),
    Column("camera_model", _text()),
    Column("asked", _text(), nullable=False),
    CheckConstraint("length(key) = 64", name="key"),
    CheckConstraint("current IN (0, 1)", name="current"),
    CheckConstraint("sha256 IS NULL OR length(sha256) = 64", name="sha256"),
    CheckConstraint("locomotion BETWEEN 1 AND 5", name="locomotion"),
    CheckConstraint("length(day) = 10", name="day"),
    CheckConstraint("length(trimmed) = 10", name="trimmed"),
    _one_of("foot", get_args(Foot)),
    _one_of("view", get_args(View)),
    _one_of("claw", get_args(ClawName)),
    _one_of("stage", get_args(Stage)),
    _one_of("status", get_args(Status)),
    _at_most("name", "name"),
    _at_most("animal", "animal"),
    _at_most("taken", "taken"),
    _at_most("profile", "profile"),
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
"""A photo as one run saw it. Of one subject (the file's hash) exactly one version is current; reads see only that."""

CLAW = Table(
    "claw",
    METADATA,
    Column("photo_id", Integer, primary_key=True, autoincrement=False),
    Column("claw", _text(), primary_key=True),
    Column("confidence", Double, nullable=False),
    Column("source", _text(), nullable=False),
    Column("outline_mm", _text()),
    Column("landmarks_mm", _text(), nullable=False),
    ForeignKeyConstraint(["photo_id"], ["photo.id"]),
    _one_of("claw", get_args(ClawName)),
    CheckConstraint("confidence BETWEEN 0 AND 1", name="confidence"),
    _one_of("source", ("automatic", "sidecar")),
    sqlite_with_rowid=False,
)
"""A claw of a photo with its outline, JSON: [[x, …], [y, …]] in mm."""

MEASURE = Table(
    "measure",
    METADATA,
    Column("photo_id", Integer, primary_key=True, autoincrement=False),
    Column("claw", _text(), primary_key=True),
    Column("measure", _text(), primary_key=True),
    Column("value", Double),
    Column("uncertainty", Double),
    Column("unit", _text(), nullable=False),
    Column("reason", _text()),
    Column("flags", _text(), nullable=False),
    Column("budget", _text(), nullable=False),
    ForeignKeyConstraint(["photo_id"], ["photo.id"]),
    # Checked in each of a million rows, so only what no reader before it can see from the row's own texts.
    CheckConstraint("(value IS NULL) = (uncertainty IS NULL)", name="both"),
    sqlite_with_rowid=False,
)
"""One row a measure, in the order of the photos, so that those of one photo lie side by side."""

FOOT_ASSESSMENT = Table(
    "foot_assessment",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("key", _text(), nullable=False, unique=True),
    Column("subject", _text(), nullable=False),
    Column("provenance_id", Integer, ForeignKey("provenance.id"), nullable=False),
    Column("assessed", _text(), nullable=False),
    Column("animal", _text(), nullable=False),
    Column("foot", _text()),
    Column("stage", _text(), nullable=False),
    Column("day", _text()),
    Column("profile", _text(), nullable=False),
    Column("level", _text(), nullable=False),
    Column("urgency", _text(), nullable=False),
    Column("findings", _text(), nullable=False),
    CheckConstraint("length(key) = 64", name="key"),
    CheckConstraint("length(day) = 10", name="day"),
    _one_of("foot", get_args(Foot)),
    _one_of("stage", get_args(Stage)),
    _at_most("animal", "animal"),
    Index("foot_assessment_of_foot", "animal", "foot", "day"),
    Index("foot_assessment_subject", "subject"),
)
"""What a run found on a foot at one stage and day: findings and urgency, JSON."""

FOOT_PHOTO = Table(
    "foot_photo",
    METADATA,
    Column("foot_id", Integer, primary_key=True, autoincrement=False),
    Column("photo_id", Integer, primary_key=True, autoincrement=False),
    ForeignKeyConstraint(["foot_id"], ["foot_assessment.id"]),
    ForeignKeyConstraint(["photo_id"], ["photo.id"]),
    sqlite_with_rowid=False,
)
"""Which photos an assessment of a foot rests on. Where one of them is no longer current, neither is it."""

TOE_LENGTH = Table(
    "toe_length",
    METADATA,
    Column("animal", _text(), primary_key=True),
    Column("foot", _text(), primary_key=True),
    Column("claw", _text(), primary_key=True),
    Column("day", _text(), primary_key=True),
    Column("photo_id", Integer, primary_key=True, autoincrement=False),
    Column("value", Double, nullable=False),
    Column("uncertainty", Double, nullable=False),
    Column("stage", _text(), nullable=False),
    Column("status", _text(), nullable=False),
    Column("trimmed", _text()),
    Column("profile", _text()),
    ForeignKeyConstraint(["photo_id"], ["photo.id"]),
    Index("toe_length_photo", "photo_id"),
    sqlite_with_rowid=False,
)
"""The toe lengths of current photos again, narrow and in the order in which growth is read: of a whole herd at once."""
