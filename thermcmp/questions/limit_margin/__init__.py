"""The margin to a temperature limit in a warm case."""
