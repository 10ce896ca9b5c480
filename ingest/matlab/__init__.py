"""MATLAB files of version 5 to 7 (not HDF5): vectors, matrices and structs."""
