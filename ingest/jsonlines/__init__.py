"""JSON lines, and JSON arrays of objects: one object per sample."""
