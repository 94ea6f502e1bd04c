"""Terms, priors and design arrays of the thermal model, and which contrasts are estimable."""
