"""Arguments of a fit in which all but the coolers and what a test adds is known."""

from thermcmp.model.priors import HalfNormal, Known, Normal

BARE = {
    "terms": ["cooler_model"],
    "priors": {
        "baseline": Normal(50.0, 100.0),
        "cooler_model sd": Known(100.0),
        "airflow baseline": Normal(20.0, 1e-3),
        "constant part": Normal(0.0, 1e-3),
        "airflow exponent": Normal(0.65, 1e-3),
        "residual sd": HalfNormal(0.5),
    },
    "draws": 4000,
    "seed": 1,
    "expand": "none",
}
