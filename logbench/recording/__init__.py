"""Journal, Parquet file, reading traces."""
