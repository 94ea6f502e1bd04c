"""The groups of a fit for ArviZ: draws, densities, replicated readings, data, with units."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError
from thermcmp.inference.arviz_adapter import as_container
from thermcmp.inference.censoring import readings_of
from thermcmp.inference.checks.leave_out import LeaveOut
from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.inference.checks.prior_sensitivity import prior_log_densities, row_log_likelihood
from thermcmp.inference.checks.residuals import fitted_rise, row_variance
from thermcmp.inference.checks.student_weights import new_weights
from thermcmp.inference.conditional.engine import CHAINS
from thermcmp.inference.engines import as_dataset
from thermcmp.inference.positive_convection import convective_parts, positive_draws
from thermcmp.model.design import EXPONENT, RESIDUAL
from thermcmp.model.observation import DEGREES

if TYPE_CHECKING:
    import xarray as xr

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.design import Design

#: The reading, and the density of a whole assembly given the others.
RISE: Final = "rise_k"
BY_ASSEMBLY: Final = "rise_k_by_assembly"
#: Most draws times rows of one group.
MOST_CELLS: Final = 20_000_000
#: Fewest draws.
FEWEST: Final = 400
#: Draws from the prior.
PRIOR_DRAWS: Final = 2000
#: Columns that say what a run was.
_LABELS: Final = (
    "cooler_model", "cooler_id", "board_model", "board_id", "memory_vendor", "assembly_kind",
    "assembly", "session", "lab", "firmware",
)  # fmt: skip


def arviz_groups(fit: Fit, draws: int | None) -> Any:
    """Return a fit as ArviZ's container of this version; see `Fit.to_arviz`."""
    if draws is not None and draws < FEWEST:
        fault = Fault("too few draws", f"give {FEWEST} or more", column="draws", value=str(draws))
        raise InputError("The fit cannot be exported:", [fault])
    most = draws or max(FEWEST, MOST_CELLS // len(fit.design.rise_k))
    fit = _thinned(fit, most)
    seed = 0 if fit.seed is None else fit.seed
    prior = _prior(fit, min(most, PRIOR_DRAWS) // CHAINS * CHAINS, seed)
    observed = _by_run(fit, {RISE: fit.design.rise_k})
    groups = {
        "posterior": fit.posterior,
        "log_likelihood": _log_likelihood(fit),
        "log_prior": _log_prior(fit),
        "posterior_predictive": _replicated(fit, seed),
        "prior": prior.posterior,
        "prior_predictive": _replicated(prior, seed),
        "observed_data": observed,
        "constant_data": _constants(fit),
    }
    about = {
        "inference_library": "thermcmp",
        "inference_library_version": fit.versions.get("thermcmp", ""),
        "sensor": fit.sensor,
        "engine": fit.engine,
        "health": str(fit.health),
        "reference_power_w": fit.reference.power_w,
        "reference_flow_speed": f"{fit.reference.flow_speed:g} {fit.design.law.unit}",
        "fingerprint": fit.fingerprint,
    }
    return as_container(
        {
            name: _with_units(_moving(group), fit.design).assign_attrs(about)
            for name, group in groups.items()
        }
    )


def _thinned(fit: Fit, most: int) -> Fit:
    """Return the fit with at most so many draws, evenly spaced in each chain."""
    length = fit.posterior.sizes["draw"]
    kept = np.unique(np.linspace(0, length - 1, max(1, most // CHAINS)).astype(np.intp))
    posterior = fit.posterior.isel(draw=kept).assign_coords(draw=np.arange(len(kept)))
    return replace(fit, posterior=posterior)


def _moving(group: xr.Dataset) -> xr.Dataset:
    """Return a group of draws without constants, such as a spread that is known."""
    if "chain" not in group.dims:
        return group
    still = [name for name, each in group.items() if float(np.ptp(each.to_numpy())) == 0.0]
    return group.drop_vars(still)


def _with_units(group: xr.Dataset, design: Design) -> xr.Dataset:
    """Return a group whose variables state their units."""
    slopes = {
        term.name: f"K per unit of {term.values}"
        for term in design.terms
        if term.values is not None and not term.columns
    }
    own = {EXPONENT: "1", DEGREES: "1", "power_w": "W", "ambient_c": "degC"} | slopes
    own[design.law.column] = design.law.unit
    labels = {name: {"units": own.get(str(name), "K")} for name in group.data_vars}
    for name, each in group.data_vars.items():
        if "units" in each.attrs or each.dtype.kind not in "fiu":
            labels[name] = {}
    return group.assign({name: group[name].assign_attrs(units) for name, units in labels.items()})


def _run_names(fit: Fit) -> list[str]:
    units = units_of(fit, "run")
    return [units.names[code] for code in units.codes]


def _by_run(fit: Fit, columns: dict[str, Array]) -> xr.Dataset:
    """Return arrays with a value per run, shape (n,)."""
    import xarray as xr

    variables = {name: ("run", values) for name, values in columns.items()}
    return xr.Dataset(variables, {"run": _run_names(fit)})


def _drawn(values: Array, unit: str, names: list[str]) -> tuple[tuple[str, ...], Array]:
    """Return values of draws by run or assembly, (S, m), laid out by chain."""
    return ("chain", "draw", unit), values.reshape(CHAINS, -1, len(names))


def _log_likelihood(fit: Fit) -> xr.Dataset:
    """Return the log density of each row, and of each assembly given the others."""
    import xarray as xr

    rows = np.concatenate([each for _, each in row_log_likelihood(fit)])
    runs = _run_names(fit)
    variables = {RISE: _drawn(rows, "run", runs)}
    coords: dict[str, Any] = {"run": runs}
    units = units_of(fit, "assembly")
    limited = np.bincount(units.codes, fit.design.at_limit) > 0
    is_stepped = len(readings_of(fit.design).step) > 0
    kept = np.flatnonzero(~limited)
    if len(units.names) > 1 and len(kept) and not is_stepped:
        (left,) = LeaveOut(fit, [units.codes], draws=fit.draw_count).each()
        names = [units.names[place] for place in kept]
        variables[BY_ASSEMBLY] = _drawn(left.log_density[:, kept], "assembly", names)
        coords["assembly"] = names
    group = xr.Dataset(variables, coords)
    group[RISE].attrs = {
        "units": "log(1/K)",
        "meaning": "log density of each reading given effects and parameters",
    }
    if BY_ASSEMBLY in group:
        group[BY_ASSEMBLY].attrs = {
            "units": "log density",
            "meaning": "log density of an assembly's readings given those of all others and the "
            "parameters, effects integrated out: az.loo of it leaves assemblies out",
        }
    return group


def _log_prior(fit: Fit) -> xr.Dataset:
    """Return the log density of each parameter's prior."""
    import xarray as xr

    densities = prior_log_densities(fit).reshape(len(fit.parameter_names), CHAINS, -1)
    return xr.Dataset(
        {
            name: (("chain", "draw"), values, {"units": "log density"})
            for name, values in zip(fit.parameter_names, densities, strict=True)
        }
    )


def _replicated(fit: Fit, seed: int) -> xr.Dataset:
    """Return new readings of the same runs in the same assemblies.

    A reading that was at the limit, or at the floor, shows no more or less than that.
    """
    import xarray as xr

    rng, design, parts = np.random.default_rng(seed), fit.design, []
    for part, mean in fitted_rise(fit):
        variance = row_variance(fit, part, new_weights(fit, part, rng))
        new = mean + np.sqrt(variance) * rng.standard_normal(mean.shape)
        limit, side = design.at_limit, design.side[design.at_limit]
        new[:, limit] = side * np.minimum(side * new[:, limit], side * design.rise_k[limit])
        parts.append(new)
    runs = _run_names(fit)
    return xr.Dataset({RISE: _drawn(np.concatenate(parts), "run", runs)}, {"run": runs})


def _prior(fit: Fit, count: int, seed: int) -> Fit:
    """Return the fit with draws from its prior in place of the posterior."""
    rng, design = np.random.default_rng(seed + 1), fit.design

    def drawn(name: str) -> Array:
        return np.asarray(fit.priors[name].from_standard(rng.standard_normal(count)))

    names = [EXPONENT, RESIDUAL, *(term.spread for term in design.terms)]
    names += [DEGREES] if DEGREES in fit.priors else []
    scalars = {name: drawn(name) for name in names}
    columns = [
        np.asarray(prior.from_standard(rng.standard_normal(count)))[:, None]
        for prior in design.fixed_priors
    ]
    for term, levels in zip(design.terms, design.levels, strict=True):
        z = rng.standard_normal((count, len(levels)))
        columns.append(term.prior_mean + scalars[term.spread][:, None] * z)
    effects = np.hstack(columns)
    # As of the posterior: no cooler is heated by more air.
    taken, _ = positive_draws(convective_parts(design, effects))
    kept = {name: values[taken] for name, values in scalars.items()}
    return replace(fit, posterior=as_dataset(design, kept, effects[taken]))


def _constants(fit: Fit) -> xr.Dataset:
    """Return what was set and assembled in each run."""
    design, rows = fit.design, fit.design.rows
    columns: dict[str, Array] = {
        "power_w": design.power_ratio * design.reference.power_w,
        design.law.column: design.flow_speed,
        "ambient_c": rows["ambient_c"].to_numpy(float),
        "known_sd_k": np.sqrt(design.known_variance),
    }
    for name in _LABELS:
        if name in rows:
            columns[name] = rows[name].astype("string").fillna("").to_numpy(str)
    return _by_run(fit, columns)
