"""Spreadsheets: every sheet that holds a table of samples."""
