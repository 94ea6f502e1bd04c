"""Dyestuff (Davies & Goldsmith 1972, ch. 6): six batches of five readings, as results rows."""

import numpy as np
import pandas as pd

from thermcmp.model.priors import HalfNormal, Normal

#: Standard deviations of batches and of readings by lme4.
TAU, SIGMA = np.sqrt(1764.05) / 10.0, np.sqrt(2451.25) / 10.0
#: A flat mean.
FLAT = {"baseline": Normal(150.0, 1e5), "residual sd": HalfNormal(9.0)}


def dyestuff_rows(outside):
    """A batch is an assembly of one card."""
    data = outside.r_data("lme4", "Dyestuff")
    return pd.DataFrame(
        {
            "run": [f"r{i}" for i in range(30)], "sensor": "memory", "cooler_model": "Heron-C1",
            "board_model": "Heron-B1", "assembly": data["Batch"].astype(str), "lab": "North",
            "temperature_c": data["Yield"] / 10.0, "ambient_c": 0.0, "fan_rpm": 1800.0,
            "power_w": 200.0,
        }
    )  # fmt: skip


def at_known_spreads(posterior):
    """Return a posterior whose spreads are those of lme4 at every draw."""
    held = {"assembly sd": TAU, "residual sd": SIGMA}
    return posterior.assign({name: posterior[name] * 0.0 + value for name, value in held.items()})
