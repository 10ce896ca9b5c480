"""Columnar files: Parquet, and Arrow tables as files (Feather) or streams."""
