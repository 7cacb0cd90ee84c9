"""A back catalogue: many files measured and judged on an executor, a row each, into a folder of Parquet files."""
