"""Published effects as results rows: temperatures are the effects, times ten."""

import numpy as np
from plain_rows import plain_rows

from thermcmp.model.priors import Normal

#: Kelvins per published unit of the meta-analyses, and their zero.
SCALE, ZERO = 10.0, 50.0
VAGUE = {"baseline": Normal(ZERO, 1000.0)}


def summaries(effect, variance, **columns):
    """Rows of published summaries: their stated error is all their scatter."""
    return plain_rows(
        temperature_c=ZERO + SCALE * np.asarray(effect),
        ambient_c=0.0,
        n=10,
        standard_error_k=SCALE * np.sqrt(variance),
        **columns,
    )
