"""Floor 3: the programme's memory."""
