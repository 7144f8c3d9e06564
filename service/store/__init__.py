"""The store: one embedded database file, and the decoded recordings as Parquet beside it."""
