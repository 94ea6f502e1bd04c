"""The general engine: NUTS through PyMC."""
