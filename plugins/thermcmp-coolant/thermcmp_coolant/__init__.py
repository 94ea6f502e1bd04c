"""Coolant-flow law for liquid-cooled cards, as a plug-in of thermcmp."""

from __future__ import annotations

from thermcmp.hooks import hookimpl
from thermcmp.physics.airflow import AirflowLaw
from thermcmp_coolant.cold_plate import WATER, ChannelPlate, Coolant, warming_k_per_w
from thermcmp_coolant.law import CoolantLaw, convection_share

__all__ = [
    "WATER",
    "ChannelPlate",
    "Coolant",
    "CoolantLaw",
    "convection_share",
    "warming_k_per_w",
]

#: Version of thermcmp's hooks that this package is written for.
api_version = 1


@hookimpl
def thermcmp_airflow_laws() -> list[AirflowLaw]:
    """Return the coolant-flow law with its default cold plate."""
    return [CoolantLaw()]
