"""What Alembic runs: the steps, on the connection that it is given, inside that connection's transaction."""

from alembic import context

from clawvision.history.schema import METADATA, VERSION_TABLE

context.configure(
    connection=context.config.attributes["connection"], target_metadata=METADATA, version_table=VERSION_TABLE
)
with context.begin_transaction():
    context.run_migrations()
