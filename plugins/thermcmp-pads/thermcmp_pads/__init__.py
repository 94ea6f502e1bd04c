"""Thermal pads and pastes as a covariate, as a plug-in of thermcmp."""

from __future__ import annotations

import numpy as np
import pandas as pd

from thermcmp import Normal, Term
from thermcmp.errors import Fault, InputError
from thermcmp.hooks import hookimpl
from thermcmp_pads.resistance import Chip, bond_line_k_per_w, constriction_k_per_w, joint_k_per_w

__all__ = [
    "COLUMN",
    "Chip",
    "bond_line_k_per_w",
    "constriction_k_per_w",
    "joint_k_per_w",
    "pad_term",
    "with_joint",
]

#: Version of thermcmp's hooks that this package is written for.
api_version = 1
#: Column of the joint's resistance [K/W], along which the term is a slope.
COLUMN = "joint_k_per_w"
_STATED = ("pad_thickness_mm", "pad_conductivity_w_per_m_k", "pad_coverage")


def with_joint(
    rows: pd.DataFrame, chip: Chip | None = None, contact_mm2_k_per_w: float = 0.0
) -> pd.DataFrame:
    """Return results rows with the joint's resistance worked out of what they state of the pad.

    Parameters
    ----------
    rows : pandas.DataFrame
        Results rows with ``pad_thickness_mm``, ``pad_conductivity_w_per_m_k`` and, unless the
        chip is covered, ``pad_coverage``.
    chip : Chip, optional
        The chip under the pad.
    contact_mm2_k_per_w : float
        Specific resistance of both contacts together [mm² K/W].

    Returns
    -------
    pandas.DataFrame
        The rows with the column ``joint_k_per_w``; blank where a row states no pad.

    Raises
    ------
    InputError
        If a column is missing or a value is not above zero.
    """
    lacking = [name for name in _STATED[:2] if name not in rows]
    if lacking:
        faults = [Fault("the column is missing", "add it", column=name) for name in lacking]
        raise InputError("The joints cannot be computed:", faults)
    thickness, conductivity = (rows[name].astype(float).to_numpy() for name in _STATED[:2])
    coverage = rows[_STATED[2]].astype(float).to_numpy() if _STATED[2] in rows else np.ones(1)
    joint = joint_k_per_w(
        thickness, conductivity, coverage, chip=chip, contact_mm2_k_per_w=contact_mm2_k_per_w
    )
    return rows.assign(**{COLUMN: joint})


def pad_term(heat_w: float = 3.0, heat_sd_w: float = 2.0) -> Term:
    """Return the term of the joint: its slope is the heat that flows through one joint.

    Parameters
    ----------
    heat_w : float
        Heat through the joint at the fit's reference power [W]: what one chip dissipates.
    heat_sd_w : float
        Its standard error [W].

    Returns
    -------
    Term
        A covariate of the resistance, in K per K/W.
    """
    return Term(
        "joint", values=COLUMN, slope=Normal(heat_w, heat_sd_w), meaning="heat through the joint"
    )


@hookimpl
def thermcmp_terms() -> list[Term]:
    """Return the term with the heat of an invented memory chip; it needs the column's numbers."""
    return [pad_term()]
