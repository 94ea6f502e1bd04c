"""Save and load fits as netCDF files.

The group ``posterior`` is what ArviZ reads; the group ``fit`` holds the rows (as Parquet
bytes, which keep every type) and the settings. The file ends in its own hash, behind what
netCDF readers read.
"""

from __future__ import annotations

import hashlib
import io
import json
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, astuple, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp._files import what_it_is, write_whole
from thermcmp.errors import LibraryError, ThermcmpError, ThermcmpWarning
from thermcmp.hooks import find_provided, plugins
from thermcmp.inference.checks.outlier import Outlier
from thermcmp.inference.diagnostics import Check, Diagnostics, Health
from thermcmp.inference.expansion import Expansion
from thermcmp.inference.posterior import Fit, package_versions
from thermcmp.inference.sensor_fits import SensorFits, marked_as_joint
from thermcmp.model.design import Design, Reference, build_design
from thermcmp.model.identifiability import find_aliases
from thermcmp.model.measurement_error import errors_of_values
from thermcmp.model.observation import Residuals, Steps
from thermcmp.model.priors import Gamma, HalfCauchy, HalfNormal, Known, Normal
from thermcmp.model.rows import LeftOut
from thermcmp.model.terms import Acts, Role, Term
from thermcmp.physics.airflow import airflow_law
from thermcmp.physics.noise_law import FAN_SOUND_LAW, noise_law_named
from thermcmp.results.arrow import from_arrow, to_arrow
from thermcmp.results.hashing import content_hash

if TYPE_CHECKING:
    import xarray as xr

#: 5 added the part of the rise that does not follow board power, and errors of readings;
#: 6 errors that the runs of a bench share, pairings, covariates, further terms, and the seal;
#: 7 the noise law.
FORMAT: Final = 7
#: Oldest version whose posterior has all that the model has.
OLDEST_FORMAT: Final = 6
#: Stands between a file's content and its hash.
_SEAL: Final = b"\nthermcmp sha256 "
_SEAL_LENGTH: Final = len(_SEAL) + 64


def save_fit(fit: Fit, path: Path) -> Path:
    """Save a fit to `path`; see `Fit.save`."""
    return _save(path, lambda file: _write(fit, file, ""))


def save_sensor_fits(fits: SensorFits, path: Path) -> Path:
    """Save fits of several sensors to `path`; see `SensorFits.save`."""
    settings = {
        "format": FORMAT,
        "sensors": list(fits),
        "together": fits.together,
        "correlation_shape": fits.correlation_shape,
    }

    def write(file: Any) -> None:
        file.attrs["thermcmp"] = json.dumps(settings)
        for number, fit in enumerate(fits.values()):
            _write(fit, file, f"sensor {number}/")

    return _save(path, write)


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
        If its airflow or noise law comes from a plug-in that is not loaded.
    """
    path = Path(path)
    with _reading(path, "Fit.save") as content:
        return _read(path, content, "")


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
        If an airflow or noise law comes from a plug-in that is not loaded.
    """
    import xarray as xr

    path = Path(path)
    with _reading(path, "SensorFits.save") as content:
        with xr.open_dataset(io.BytesIO(content), engine="h5netcdf") as head:
            settings = json.loads(head.attrs["thermcmp"])
        _check_format(path, content, settings)
        fits = {
            sensor: _read(path, content, f"sensor {number}/")
            for number, sensor in enumerate(settings["sensors"])
        }
        # A file of an earlier version has no fingerprint of the joint posterior.
        return SensorFits(
            marked_as_joint(fits), tuple(settings["together"]), settings["correlation_shape"]
        )


def _save(path: Path, write: Callable[[Any], None]) -> Path:
    """Write a netCDF file by a function that fills it."""
    import h5netcdf

    # Encoded in memory: where the disk is full, HDF5 ends the whole process.
    buffer = io.BytesIO()
    with h5netcdf.File(buffer, "w") as file:
        write(file)
    content = buffer.getvalue()
    seal = _SEAL + hashlib.sha256(content).hexdigest().encode()
    write_whole(path, content + seal)
    return path


def _write(fit: Fit, file: Any, prefix: str) -> None:
    """Write the groups of one fit to an open netCDF file."""
    import pyarrow.parquet as pq
    import xarray as xr
    from xarray.backends import H5NetCDFStore

    buffer = io.BytesIO()
    pq.write_table(to_arrow(fit.design.rows), buffer)
    rows = np.frombuffer(buffer.getvalue(), dtype=np.uint8)
    kept = xr.Dataset(
        {"rows_parquet": ("byte", rows)}, attrs={"thermcmp": json.dumps(_settings(fit))}
    )
    for name, group in (("posterior", fit.posterior), ("fit", kept)):
        group.dump_to_store(H5NetCDFStore(file.create_group(f"{prefix}{name}")))


@contextmanager
def _reading(path: Path, writer: str) -> Iterator[bytes]:
    """Return a saved file's content after its seal was checked, and name what is wrong with it."""
    try:
        kind = what_it_is(path)
        if kind:
            raise LibraryError(f"{path}: {kind}. Fix: give a file written by {writer}.")
        content = path.read_bytes()
    except OSError as error:
        raise _not_saved(path, writer, b"", error) from error
    if _is_sealed(content):
        digest = hashlib.sha256(content[:-_SEAL_LENGTH]).hexdigest()
        if content[-64:] != digest.encode():
            raise _altered(path)
    try:
        yield content
    except (ThermcmpError, Warning):
        raise
    # The bytes of a file without a seal may be anything, and so may be what its readers raise.
    except Exception as error:
        raise _not_saved(path, writer, content, error) from error


def _is_sealed(content: bytes) -> bool:
    return content[-_SEAL_LENGTH:-64] == _SEAL


def _altered(path: Path) -> LibraryError:
    return LibraryError(
        f"{path}: altered since it was saved. Fix: restore it from a backup, or fit its rows again."
    )


def _not_saved(path: Path, writer: str, content: bytes, error: Exception) -> LibraryError:
    reader = _reader_of(content)
    # For a damaged file of the right kind, do not suggest the reader that refused it.
    if reader and reader != {"Fit.save": "load_fit"}.get(writer, "load_sensor_fits"):
        return LibraryError(
            f"{path}: not written by {writer}, but a file for {reader}. Fix: read it with {reader}."
        )
    return LibraryError(f"{path}: not a saved fit ({error}). Fix: give a file written by {writer}.")


def _reader_of(content: bytes) -> str:
    """Return the name of the function that reads a file, or "" if none does."""
    import h5netcdf

    try:
        with h5netcdf.File(io.BytesIO(content), "r") as file:
            if "fit" in file.groups:
                return "load_fit"
            return "load_sensor_fits" if "thermcmp" in file.attrs else ""
    # As above: the bytes may be anything.
    except Exception:
        return ""


def _check_format(path: Path, content: bytes, settings: Mapping[str, Any]) -> None:
    if settings["format"] < OLDEST_FORMAT:
        raise LibraryError(
            f"{path}: saved before cooler and board could depend on each other (format "
            f"{settings['format']}). Fix: fit its rows again."
        )
    if settings["format"] > FORMAT:
        raise LibraryError(
            f"{path}: saved by a newer version (format {settings['format']}, this one reads up to "
            f"{FORMAT}). Fix: update thermcmp."
        )
    if not _is_sealed(content):
        raise _altered(path)


def _check_origin(path: Path, settings: Mapping[str, Any], fingerprint: str) -> None:
    """Check that a fit belongs to its rows, and warn where other versions made it."""
    if settings["fingerprint"] != fingerprint:
        raise _altered(path)
    own = {"thermcmp": package_versions().get("thermcmp")}
    own |= {f"plug-in {r.name}": r.version or "?" for r in plugins() if r.takes_part}
    others = [f"{name} {version}, read by {own[name]}"
              for name, version in settings["versions"].items()
              if name in own and own[name] != version]  # fmt: skip
    if others:
        warnings.warn(
            f"{path}: fitted by {'; '.join(others)}; a fit by this version may "
            "give other numbers. Fix: fit its rows again where the two must agree.",
            ThermcmpWarning,
            stacklevel=6,
        )


def _require_laws(path: Path, settings: Mapping[str, Any]) -> None:
    """Refuse a fit whose law is that of a plug-in which is not loaded."""
    laws = {"thermcmp_airflow_laws": settings["airflow"],
            "thermcmp_noise_laws": settings.get("noise", FAN_SOUND_LAW.name)}  # fmt: skip
    for hook, name in laws.items():
        if find_provided(hook, name) is None:
            made_with = [f"{n} {v}" for n, v in settings["versions"].items() if "plug-in" in n]
            raise LibraryError(
                f"{path}: its law '{name}' is not loaded; it was fitted with "
                f"{', '.join(made_with) or 'a plug-in'}. Fix: install that plug-in, or register "
                "it with use_plugin first."
            )


def _check_levels(path: Path, design: Design, posterior: xr.Dataset) -> None:
    """Check that the rows part into the levels that the draws are of."""
    for term, levels in zip(design.terms, design.levels, strict=True):
        name = f"{term.name} level"
        if name in posterior.coords and posterior.coords[name].to_numpy().tolist() != list(levels):
            raise LibraryError(
                f"{path}: this version parts the rows otherwise ({term.name}). Fix: fit its rows "
                "again."
            )


def _read(path: Path, content: bytes, prefix: str) -> Fit:
    """Return the fit in the groups of a file."""
    import pyarrow.parquet as pq
    import xarray as xr

    with xr.open_dataset(io.BytesIO(content), group=f"{prefix}fit", engine="h5netcdf") as kept:
        settings = json.loads(kept.attrs["thermcmp"])
        rows = kept["rows_parquet"].to_numpy().tobytes()
    _check_format(path, content, settings)
    _require_laws(path, settings)
    group = f"{prefix}posterior"
    with xr.open_dataset(io.BytesIO(content), group=group, engine="h5netcdf") as stored:
        posterior = stored.load()
    design = build_design(
        from_arrow(pq.read_table(io.BytesIO(rows))),
        sensor=settings["sensor"],
        terms=_terms(settings["terms"]),
        law=airflow_law(settings["airflow"]),
        noise=noise_law_named(settings.get("noise", FAN_SOUND_LAW.name)),
        reference=Reference(
            power_w=settings["reference"]["power_w"], flow_speed=settings["reference"]["drive"]
        ),
        priors={name: _prior(form) for name, form in settings["priors"].items()},
        residuals=Residuals(settings["residuals"]),
        steps=Steps(settings["steps"]),
        errors=errors_of_values(settings["errors"]),
    )
    _check_origin(path, settings, content_hash(design.measured_rows))
    _check_levels(path, design, posterior)
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
        expansions=tuple(_expansion(form, design) for form in settings["expansions"]),
        findings=None if settings["findings"] is None else tuple(settings["findings"]),
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
        "noise": fit.design.noise.name,
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
        "expansions": [_expansion_form(expansion) for expansion in fit.expansions],
        "findings": fit.findings,
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


def _expansion_form(expansion: Expansion) -> dict[str, Any]:
    outlier = None if expansion.outlier is None else asdict(expansion.outlier)
    return {"term": expansion.term.name, "outlier": outlier, "cooler": expansion.cooler}


def _expansion(form: Mapping[str, Any], design: Design) -> Expansion:
    term = next(term for term in design.terms if term.name == form["term"])
    outlier = None if form["outlier"] is None else Outlier(**form["outlier"])
    return Expansion(term, outlier=outlier, cooler=form["cooler"])


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
