"""HDF5 files: datasets as columns, units from attributes; MATLAB 7.3 files are HDF5 inside."""
