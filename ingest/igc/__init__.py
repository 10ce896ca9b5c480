"""IGC flight recorder files."""
