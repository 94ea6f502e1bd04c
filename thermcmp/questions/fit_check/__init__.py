"""Whether a fit can be trusted."""
