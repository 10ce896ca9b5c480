"""Flight physics: pure functions, plain arrays in and out, SI units, no state."""
