"""The first tables, and the guards that keep every row as it was entered."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

TABLES = (
    "entry",
    "photo",
    "job",
    "panel",
    "test_spot",
    "pass",
    "state",
    "shot",
    "film_reading",
    "note",
    "decision",
    "result",
)
REFUSAL = "nothing in the job book is overwritten"


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "entry",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("uid", sa.String(32), nullable=False, unique=True),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("job_id", sa.Integer, sa.ForeignKey("entry.id"), nullable=False, index=True),
        sa.Column("thing_id", sa.Integer, sa.ForeignKey("entry.id"), nullable=False, index=True),
        sa.Column("supersedes_id", sa.Integer, sa.ForeignKey("entry.id"), unique=True),
        sa.Column("withdrawn", sa.Boolean, nullable=False),
        sa.Column("recorded_at", sa.String(32), nullable=False),
        sa.Column("recorded_by", sa.Text, nullable=False),
    )
    op.create_table(
        "photo",
        sa.Column("sha256", sa.String(64), primary_key=True),
        sa.Column("size_bytes", sa.BigInteger, nullable=False),
        sa.Column("suffix", sa.String(8), nullable=False),
    )
    _create(
        "job",
        _text("title"),
        _text("about"),
        sa.Column("number", sa.Integer, nullable=False),
    )
    _create("panel", _text("name"), sa.Column("material", sa.String(16), nullable=False))
    _create("test_spot", _panel(), _text("name"), sa.Column("gentleness", sa.Integer))
    _create(
        "pass",
        _panel(),
        _refers("test_spot_id"),
        *map(_text, ("who", "machine", "pad", "polish", "speed", "section")),
        sa.Column("time_min", sa.Float(53)),
    )
    _create("state", _panel(), _refers("test_spot_id"), _refers("after_pass_id"))
    photo = sa.ForeignKey("photo.sha256")
    _create(
        "shot",
        _refers("state_id", nullable=False),
        sa.Column("sha256", sa.String(64), photo, nullable=False, index=True),
        _text("file_name"),
        sa.Column("mm_per_px", sa.Float(53)),
    )
    _create(
        "film_reading",
        _panel(),
        _refers("test_spot_id"),
        _refers("after_pass_id"),
        sa.Column("film_um", sa.Float(53), nullable=False),
        _text("spot"),
        _text("gauge"),
    )
    _create("note", _refers("panel_id"), _text("text"))
    _create(
        "decision",
        _panel(),
        _refers("state_id"),
        *map(_text, ("answer", "reason", "version")),
        *map(_json, ("figures", "settings")),
    )
    _create(
        "result",
        _refers("state_id", nullable=False),
        _refers("before_state_id"),
        _text("version"),
        *map(_json, ("settings", "sha256s", "record")),
    )
    _guard()


def downgrade() -> None:
    """Refuse: a book without tables would have lost what was entered."""
    raise NotImplementedError("the first tables are not taken back: the entries would be lost")


def _create(name: str, *columns: sa.Column[object]) -> None:
    entry = sa.ForeignKey("entry.id")
    key = sa.Column("entry_id", sa.Integer, entry, primary_key=True, autoincrement=False)
    op.create_table(name, key, *columns)


def _refers(name: str, *, nullable: bool = True) -> sa.Column[object]:
    return sa.Column(name, sa.Integer, sa.ForeignKey("entry.id"), nullable=nullable, index=True)


def _panel() -> sa.Column[object]:
    return _refers("panel_id", nullable=False)


def _text(name: str) -> sa.Column[object]:
    return sa.Column(name, sa.Text, nullable=False)


def _json(name: str) -> sa.Column[object]:
    return sa.Column(name, sa.JSON, nullable=False)


def _guard() -> None:
    """Let the database itself refuse to change or delete a row."""
    if op.get_bind().dialect.name == "sqlite":
        for table in TABLES:
            for action in ("UPDATE", "DELETE"):
                op.execute(
                    f'CREATE TRIGGER "{table}_no_{action.lower()}" BEFORE {action} ON "{table}" '
                    f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
                )
        return
    op.execute(
        "CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{REFUSAL}'; END $$"
    )
    for table in TABLES:
        op.execute(
            f'CREATE TRIGGER "{table}_stays" BEFORE UPDATE OR DELETE OR TRUNCATE ON "{table}" '
            "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
        )
