"""From found points to the numbers the programme is flown for: each with its band, the points behind it and those left out."""
