"""Runs migrations on the connection, and in the transaction, that the store hands over."""

from alembic import context

from monitor.store.schema import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
