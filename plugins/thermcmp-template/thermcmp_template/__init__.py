"""The smallest plug-in of thermcmp: an airflow law for laminar flow along fins."""

from __future__ import annotations

from thermcmp.hooks import hookimpl
from thermcmp.physics.airflow import AirflowLaw, PowerLaw

#: Version of thermcmp's hooks that this package is written for.
api_version = 1


@hookimpl
def thermcmp_airflow_laws() -> list[AirflowLaw]:
    """Return a power law whose exponent is near that of a laminar plate (Pohlhausen 1921)."""
    return [PowerLaw(name="laminar flow", exponent_prior_mean=0.5, exponent_prior_sd=0.05)]
