"""NMEA 0183: sentences of a satellite receiver."""
