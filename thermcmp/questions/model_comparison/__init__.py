"""Other models of a fit's rows, and what they do to its answers."""
