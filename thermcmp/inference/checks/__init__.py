"""Whether a fit can be trusted: rows left out, data made by the fit, the prior's pull."""
