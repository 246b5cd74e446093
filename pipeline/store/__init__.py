"""The store: DuckDB, its schema, its ledger, and the SQL files that count."""
