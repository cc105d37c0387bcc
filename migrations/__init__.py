"""The database's schema, as alembic shells over named SQL files."""
