"""The fast engine: effects integrated out exactly, importance sampling of the rest."""
