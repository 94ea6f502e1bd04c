"""Checks of a fit: rows left out, replicated campaigns, prior sensitivity."""
