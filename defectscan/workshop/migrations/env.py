"""Take Alembic's steps on the connection that it is given, within its transaction."""

from alembic import context

from defectscan.workshop.book_schema import METADATA

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
)
with context.begin_transaction():
    context.run_migrations()
