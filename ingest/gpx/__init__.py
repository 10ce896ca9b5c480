"""GPX track files."""
