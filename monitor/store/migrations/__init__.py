"""Steps from each schema to the next, run by alembic."""
