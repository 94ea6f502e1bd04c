"""The effect of each factor."""
