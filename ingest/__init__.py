"""Floor 2: log files to a Recording."""
