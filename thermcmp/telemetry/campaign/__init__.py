"""A folder of logs and its run sheet."""
