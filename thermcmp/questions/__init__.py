"""The questions that a fit answers: separation, attribution, ranking, margin."""
