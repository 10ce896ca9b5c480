"""Delimited text: any table of samples in rows of text, whatever wrote it."""
