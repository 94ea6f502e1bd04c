"""The Parquet store of results rows."""
