"""The command line, above all floors and on the public face only."""
