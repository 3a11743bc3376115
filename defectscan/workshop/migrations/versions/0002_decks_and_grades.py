"""Decks of photos to be graded, and raters' grades."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

TABLES = ("deck", "grades")
REFUSAL = "nothing in the job book is overwritten"


def upgrade() -> None:
    """Make the tables, guarded like the first ones."""
    _create("deck", *map(_text, ("ident", "title")), *map(_json, ("key", "sha256s")))
    deck = sa.ForeignKey("entry.id")
    _create(
        "grades",
        sa.Column("deck_id", sa.Integer, deck, nullable=False, index=True),
        *map(_text, ("rater", "session", "graded_on", "source")),
        _json("grades"),
    )
    for table in TABLES:
        if op.get_bind().dialect.name == "sqlite":
            for action in ("UPDATE", "DELETE"):
                op.execute(
                    f'CREATE TRIGGER "{table}_no_{action.lower()}" BEFORE {action} ON "{table}" '
                    f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
                )
        else:
            op.execute(
                f'CREATE TRIGGER "{table}_stays" BEFORE UPDATE OR DELETE OR TRUNCATE ON "{table}" '
                "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
            )


def downgrade() -> None:
    """Refuse: the grades would be lost."""
    raise NotImplementedError("decks and grades are not taken back: the entries would be lost")


def _create(name: str, *columns: sa.Column[object]) -> None:
    entry = sa.ForeignKey("entry.id")
    key = sa.Column("entry_id", sa.Integer, entry, primary_key=True, autoincrement=False)
    op.create_table(name, key, *columns)


def _text(name: str) -> sa.Column[object]:
    return sa.Column(name, sa.Text, nullable=False)


def _json(name: str) -> sa.Column[object]:
    return sa.Column(name, sa.JSON, nullable=False)
