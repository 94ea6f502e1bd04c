"""Products ranked by the smallest of several sensors' margins."""
