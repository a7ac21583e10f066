"""Every revision that the schema has had, in Alembic's form."""
