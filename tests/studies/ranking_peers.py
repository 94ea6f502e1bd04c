"""Other ways to order the products of several laboratories: each a value per product, low is cool.

Means as a reader takes them from tables, and a general mixed model (statsmodels): products as
fixed effects, laboratories and assemblies as random ones, one slope along the logarithm of fan
speed, rises brought to one power in proportion.
"""

import warnings

import numpy as np
import statsmodels.formula.api as smf


def raw_means(rows):
    """Mean temperature of all runs."""
    return rows.groupby("product")["temperature_c"].mean()


def rise_means(rows):
    """Mean rise over ambient."""
    return _rise(rows).groupby(rows["product"]).mean()


def best_specimens(rows):
    """Mean rise of the coolest specimen."""
    return _rise(rows).groupby([rows["product"], rows["assembly"]]).mean().groupby("product").min()


def mixed_model(rows, rpm, watt):
    """Product effects by restricted maximum likelihood."""
    table = rows.assign(
        y=_rise(rows) * watt / rows["power_w"], x=np.log(rows["fan_rpm"] / rpm), one=1
    )
    random = {"lab": "0 + C(lab)", "assembly": "0 + C(assembly)"}
    with warnings.catch_warnings():
        # A spread at its boundary of zero.
        warnings.simplefilter("ignore")
        model = smf.mixedlm("y ~ 0 + C(product) + x", table, groups="one", vc_formula=random)
        effects = model.fit(reml=True).fe_params.filter(like="C(product)")
    return effects.rename(lambda name: name.partition("[")[2].rstrip("]"))


def _rise(rows):
    return rows["temperature_c"] - rows["ambient_c"]
