"""The tables of the job book: one of entries, one more for each kind of entry."""

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Integer,
    MetaData,
    String,
    Table,
    Text,
)

METADATA = MetaData()

# Numbers are given by the book, under the writers' lock: they are the order of entry.
ENTRY = Table(
    "entry",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("uid", String(32), nullable=False, unique=True),
    Column("kind", String(16), nullable=False),
    Column("job_id", Integer, ForeignKey("entry.id"), nullable=False, index=True),
    Column("thing_id", Integer, ForeignKey("entry.id"), nullable=False, index=True),
    # Unique: an entry is corrected once; the next correction corrects the correction.
    Column("supersedes_id", Integer, ForeignKey("entry.id"), unique=True),
    Column("withdrawn", Boolean, nullable=False),
    Column("recorded_at", String(32), nullable=False),
    Column("recorded_by", Text, nullable=False),
)

PHOTO = Table(
    "photo",
    METADATA,
    Column("sha256", String(64), primary_key=True),
    Column("size_bytes", BigInteger, nullable=False),
    Column("suffix", String(8), nullable=False),
)


def _kind(name: str, *columns: Column[object]) -> Table:
    key = Column("entry_id", Integer, ForeignKey("entry.id"), primary_key=True, autoincrement=False)
    return Table(name, METADATA, key, *columns)


def _refers(name: str, *, nullable: bool = True) -> Column[object]:
    return Column(name, Integer, ForeignKey("entry.id"), nullable=nullable, index=True)


def _text(name: str) -> Column[object]:
    return Column(name, Text, nullable=False)


def _json(name: str) -> Column[object]:
    return Column(name, JSON, nullable=False)


TABLES = {
    table.name: table
    for table in (
        _kind("job", _text("title"), _text("about"), Column("number", Integer, nullable=False)),
        _kind("panel", _text("name"), Column("material", String(16), nullable=False)),
        _kind(
            "test_spot",
            _refers("panel_id", nullable=False),
            _text("name"),
            Column("gentleness", Integer),
        ),
        _kind(
            "pass",
            _refers("panel_id", nullable=False),
            _refers("test_spot_id"),
            *map(_text, ("who", "machine", "pad", "polish", "speed", "section")),
            Column("time_min", Float(53)),
        ),
        _kind(
            "state",
            _refers("panel_id", nullable=False),
            _refers("test_spot_id"),
            _refers("after_pass_id"),
        ),
        _kind(
            "shot",
            _refers("state_id", nullable=False),
            Column("sha256", String(64), ForeignKey("photo.sha256"), nullable=False, index=True),
            _text("file_name"),
            Column("mm_per_px", Float(53)),
        ),
        _kind(
            "film_reading",
            _refers("panel_id", nullable=False),
            _refers("test_spot_id"),
            _refers("after_pass_id"),
            Column("film_um", Float(53), nullable=False),
            _text("spot"),
            _text("gauge"),
        ),
        _kind("note", _refers("panel_id"), _text("text")),
        _kind(
            "decision",
            _refers("panel_id", nullable=False),
            _refers("state_id"),
            *map(_text, ("answer", "reason", "version")),
            *map(_json, ("figures", "settings")),
        ),
        _kind(
            "result",
            _refers("state_id", nullable=False),
            _refers("before_state_id"),
            _text("version"),
            *map(_json, ("settings", "sha256s", "record")),
        ),
        _kind("deck", *map(_text, ("ident", "title")), *map(_json, ("key", "sha256s"))),
        _kind(
            "grades",
            _refers("deck_id", nullable=False),
            *map(_text, ("rater", "session", "graded_on", "source")),
            _json("grades"),
        ),
    )
}
