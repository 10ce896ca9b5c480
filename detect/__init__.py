"""Floor 2: a Recording to points, events, states and phases."""
