"""Refit the same model to fewer rows."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from thermcmp._types import BoolArray
from thermcmp.inference.engines import run_engine

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit


def fit_without(
    fit: Fit, left_out: BoolArray, *, seed: int | None = None, draws: int | None = None
) -> Fit:
    """Return a fit of the same terms, levels, priors and reference without some rows, (n,)."""
    design, keep = fit.design, ~left_out
    parts: dict[str, Any] = {
        "rows": design.rows[keep].reset_index(drop=True),
        "shared": design.shared.of_rows(keep),
    }
    for item in fields(design):
        value = getattr(design, item.name)
        if isinstance(value, np.ndarray):  # all arrays of a design have a row each
            parts[item.name] = value[keep]
    fewer = replace(design, **parts)
    count = draws or fit.posterior.sizes["chain"] * fit.posterior.sizes["draw"]
    chosen = run_engine(fewer, fit.engine, count, fit.seed if seed is None else seed)
    return replace(
        fit,
        posterior=chosen.run.posterior,
        diagnostics=chosen.run.diagnostics,
        design=chosen.design,
        fitted_with=(),
        joint_fingerprint="",
    )
