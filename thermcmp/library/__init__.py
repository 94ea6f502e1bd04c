"""Results rows: their schema and checks, the table reader and the Parquet store."""
