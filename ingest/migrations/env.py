"""What Alembic runs for every migration: on the connection that `ingest.database` hands over."""

from alembic import context

from ingest.database import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    # SQLite alters a table by copying it; batch mode writes that copy.
    render_as_batch=True,
    transactional_ddl=True,
)
context.run_migrations()
