"""Text tables whose columns stand at constant places in the line, blanks inside cells and empty cells included."""
