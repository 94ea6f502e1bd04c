"""How people write numbers, units and small tables."""
