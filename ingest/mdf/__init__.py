"""Measurement data files (MDF, versions 3 and 4), through the library of the extra `mdf4`."""
