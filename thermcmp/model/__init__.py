"""Terms, priors, design arrays and what they can tell apart."""
