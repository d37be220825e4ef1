"""The numbers and where they come from: dated data files, their reader and their checks."""
