"""Save and load fits as netCDF files.

The group ``posterior`` is what ArviZ reads; the group ``fit`` holds the rows (as Parquet
bytes, which keep every type) and the settings.
"""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, astuple, fields, replace
from pathlib import Path
from typing import Any, Final, Literal
from uuid import uuid4

import numpy as np

from thermcmp.errors import LibraryError
from thermcmp.inference.diagnostics import Check, Diagnostics, Health
from thermcmp.inference.posterior import Fit
from thermcmp.inference.sensor_fits import SensorFits, marked_as_joint
from thermcmp.model.design import Reference, build_design
from thermcmp.model.identifiability import find_aliases
from thermcmp.model.measurement_error import MeasurementError
from thermcmp.model.observation import Residuals, Steps
from thermcmp.model.priors import Gamma, HalfCauchy, HalfNormal, Known, Normal
from thermcmp.model.rows import LeftOut
from thermcmp.model.terms import Acts, Role, Term
from thermcmp.physics.airflow import airflow_law
from thermcmp.results.arrow import from_arrow, to_arrow

#: 5 added the part of the rise that does not follow board power, and errors of readings;
#: 6 errors that the runs of a bench share, pairings, covariates and further terms.
FORMAT: Final = 6
#: Oldest version whose posterior has all that the model has.
OLDEST_FORMAT: Final = 6


def save_fit(fit: Fit, path: Path) -> Path:
    """Save a fit to `path`; see `Fit.save`."""
    return _written(path, lambda temporary: _write(fit, temporary, ""))


def save_sensor_fits(fits: SensorFits, path: Path) -> Path:
    """Save fits of several sensors to `path`; see `SensorFits.save`."""
    import xarray as xr

    settings = {
        "format": FORMAT,
        "sensors": list(fits),
        "together": fits.together,
        "correlation_shape": fits.correlation_shape,
    }

    def write(temporary: Path) -> None:
        head = xr.Dataset(attrs={"thermcmp": json.dumps(settings)})
        head.to_netcdf(temporary, engine="h5netcdf")
        for number, fit in enumerate(fits.values()):
            _write(fit, temporary, f"sensor {number}/")

    return _written(path, write)


def load_fit(path: str | Path) -> Fit:
    """Load a fit that `Fit.save` wrote.

    Parameters
    ----------
    path : str or Path
        The netCDF file.

    Returns
    -------
    Fit
        The fit, which answers questions like the saved one.

    Raises
    ------
    LibraryError
        If the file is missing, is not a saved fit, or is of another format than this
        library reads.
    InputError
        If its airflow law comes from a plug-in that is not loaded.
    """
    return _read(Path(path), "", "Fit.save")


def load_sensor_fits(path: str | Path) -> SensorFits:
    """Load fits of several sensors that `SensorFits.save` wrote.

    Parameters
    ----------
    path : str or Path
        The netCDF file.

    Returns
    -------
    SensorFits
        The fits.

    Raises
    ------
    LibraryError
        If the file is missing, holds no such fits, or is of another format than this
        library reads.
    InputError
        If an airflow law comes from a plug-in that is not loaded.
    """
    import xarray as xr

    path, writer = Path(path), "SensorFits.save"
    try:
        with xr.open_dataset(path, engine="h5netcdf") as head:
            settings = json.loads(head.attrs["thermcmp"])
    except (OSError, KeyError, ValueError) as error:
        raise _not_saved(path, writer, error) from error
    _check_format(path, settings)
    fits = {
        sensor: _read(path, f"sensor {number}/", writer)
        for number, sensor in enumerate(settings["sensors"])
    }
    # A file of an earlier version has no fingerprint of the joint posterior.
    return SensorFits(
        marked_as_joint(fits), tuple(settings["together"]), settings["correlation_shape"]
    )


def _written(path: Path, write: Callable[[Path], None]) -> Path:
    """Write a temporary file and move it to the path once complete."""
    temporary = path.with_name(f"_tmp-{uuid4().hex}.nc")
    try:
        write(temporary)
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)
    return path


def _write(fit: Fit, file: Path, prefix: str) -> None:
    """Write the groups of one fit to a file."""
    import pyarrow.parquet as pq
    import xarray as xr

    buffer = io.BytesIO()
    pq.write_table(to_arrow(fit.results), buffer)
    rows = np.frombuffer(buffer.getvalue(), dtype=np.uint8)
    kept = xr.Dataset(
        {"rows_parquet": ("byte", rows)}, attrs={"thermcmp": json.dumps(_settings(fit))}
    )
    mode: Literal["a", "w"] = "a" if file.exists() else "w"
    fit.posterior.to_netcdf(file, group=f"{prefix}posterior", mode=mode, engine="h5netcdf")
    kept.to_netcdf(file, group=f"{prefix}fit", mode="a", engine="h5netcdf")


def _not_saved(path: Path, writer: str, error: Exception) -> LibraryError:
    reader = _reader_of(path) if path.is_file() else ""
    # For a damaged file of the right kind, do not suggest the reader that refused it.
    if reader and reader != {"Fit.save": "load_fit"}.get(writer, "load_sensor_fits"):
        return LibraryError(
            f"{path}: not written by {writer}, but a file for {reader}. Fix: read it with {reader}."
        )
    return LibraryError(f"{path}: not a saved fit ({error}). Fix: give a file written by {writer}.")


def _reader_of(path: Path) -> str:
    """Return the name of the function that reads this file, or "" if none does."""
    import h5netcdf

    try:
        with h5netcdf.File(path, "r") as file:
            if "fit" in file.groups:
                return "load_fit"
            return "load_sensor_fits" if "thermcmp" in file.attrs else ""
    except OSError:
        return ""


def _check_format(path: Path, settings: Mapping[str, Any]) -> None:
    if settings["format"] < OLDEST_FORMAT:
        raise LibraryError(
            f"{path}: saved before a sensor's rise had a part that does not follow board power. "
            "Fix: fit its rows again."
        )
    if settings["format"] > FORMAT:
        raise LibraryError(
            f"{path}: saved by a newer version (format {settings['format']}, this one reads up to "
            f"{FORMAT}). Fix: update thermcmp."
        )


def _read(path: Path, prefix: str, writer: str) -> Fit:
    """Return the fit in the groups of a file."""
    import pyarrow.parquet as pq
    import xarray as xr

    try:
        with xr.open_dataset(path, group=f"{prefix}fit", engine="h5netcdf") as kept:
            settings = json.loads(kept.attrs["thermcmp"])
            rows = kept["rows_parquet"].to_numpy().tobytes()
        with xr.open_dataset(path, group=f"{prefix}posterior", engine="h5netcdf") as stored:
            posterior = stored.load()
    except (OSError, KeyError, ValueError) as error:
        raise _not_saved(path, writer, error) from error
    _check_format(path, settings)
    design = build_design(
        from_arrow(pq.read_table(io.BytesIO(rows))),
        sensor=settings["sensor"],
        terms=_terms(settings["terms"]),
        law=airflow_law(settings["airflow"]),
        reference=Reference(
            power_w=settings["reference"]["power_w"], flow_speed=settings["reference"]["drive"]
        ),
        priors={name: _prior(form) for name, form in settings["priors"].items()},
        residuals=Residuals(settings["residuals"]),
        steps=Steps(settings["steps"]),
        errors=MeasurementError(**settings["errors"]),
    )
    checks = [
        Check(n, float("nan") if v is None else v, t, Health(s))
        for n, v, t, s in settings["checks"]
    ]
    left_out = tuple(LeftOut(reason, tuple(runs)) for reason, runs in settings["left_out"])
    return Fit(
        posterior=posterior,
        design=replace(design, left_out=left_out, notes=tuple(settings["notes"])),
        engine=settings["engine"],
        engine_reason=settings["engine_reason"],
        diagnostics=Diagnostics(tuple(checks)),
        aliases=find_aliases(design),
        fingerprint=settings["fingerprint"],
        versions=settings["versions"],
        seed=settings["seed"],
        fitted_with=tuple(settings.get("fitted_with", ())),
        joint_fingerprint=settings.get("joint_fingerprint", ""),
    )


def _settings(fit: Fit) -> dict[str, Any]:
    """Return everything except draws and rows, as JSON values."""
    return {
        "format": FORMAT,
        "sensor": fit.sensor,
        "terms": [_term_form(term) for term in fit.design.terms],
        "airflow": fit.design.law.name,
        "reference": {"power_w": fit.reference.power_w, "drive": fit.reference.flow_speed},
        "priors": {name: _form(prior) for name, prior in fit.priors.items()},
        "residuals": str(fit.design.residuals),
        "steps": str(fit.design.steps),
        "errors": asdict(fit.design.errors),
        "engine": fit.engine,
        "engine_reason": fit.engine_reason,
        "checks": [
            (c.name, c.value if np.isfinite(c.value) else None, c.threshold, str(c.status))
            for c in fit.diagnostics.checks
        ],
        "left_out": [(item.reason, item.runs) for item in fit.design.left_out],
        "notes": fit.design.notes,
        "fingerprint": fit.fingerprint,
        "versions": dict(fit.versions),
        "seed": fit.seed,
        "fitted_with": fit.fitted_with,
        "joint_fingerprint": fit.joint_fingerprint,
    }


_FAMILIES: Final[dict[str, Any]] = {
    "normal": Normal,
    "half-normal": HalfNormal,
    "half-Cauchy": HalfCauchy,
    "known": Known,
    "gamma": Gamma,
}


def _form(prior: Any) -> tuple[Any, ...]:
    for name, family in _FAMILIES.items():
        if isinstance(prior, family):
            values: tuple[Any, ...] = astuple(prior)
            return (name, *values)
    raise LibraryError(f"no stored form of the prior {prior!r}")


def _prior(form: Sequence[Any]) -> Any:
    name, *values = form
    return _FAMILIES[name](*values)


def _term_form(term: Term) -> dict[str, Any]:
    form = {each.name: getattr(term, each.name) for each in fields(term)}
    form["scale"] = _form(term.scale)
    form["slope"] = None if term.slope is None else _form(term.slope)
    return form


def _terms(stored: list[dict[str, Any]]) -> tuple[Term, ...]:
    return tuple(
        Term(
            **{
                **form,
                "columns": tuple(form["columns"]),
                "role": Role(form["role"]),
                "scale": _prior(form["scale"]),
                "slope": None if form["slope"] is None else _prior(form["slope"]),
                "acts": Acts(form["acts"]),
            }
        )
        for form in stored
    )
