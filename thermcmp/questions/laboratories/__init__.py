"""How laboratories differ, and what a further one would read."""
