"""Saving a fit and getting the same one back."""

import json
import os
import subprocess
import sys
import textwrap
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from thermcmp.errors import LibraryError, ThermcmpWarning
from thermcmp.hooks import forget_plugin, hookimpl, use_plugin
from thermcmp.inference import storage
from thermcmp.inference.arviz_adapter import posterior_group
from thermcmp.inference.diagnostics import Check, Diagnostics, Health
from thermcmp.inference.fitting import fit
from thermcmp.inference.storage import load_fit
from thermcmp.model.design import Reference, build_design
from thermcmp.model.measurement_error import MeasurementError
from thermcmp.model.priors import HalfNormal, Normal
from thermcmp.model.terms import Role, Term
from thermcmp.questions.separation.question import separate

ERRORS = MeasurementError(fan_speed=0.002, power=0.02, ambient_k=0.1, power_gain=0.03)


@pytest.fixture(scope="module")
def fitted(revision):
    rows = revision.copy()
    rows.loc[3, "regulated"] = True
    return fit(
        rows,
        draws=1200,
        seed=5,
        priors={"airflow exponent": Normal(0.65, 0.1), "assembly sd": HalfNormal(1.5)},
        reference=Reference(210.0, 1700.0),
        errors=ERRORS,
    )


@pytest.fixture
def saved(fitted, tmp_path):
    return fitted.save(tmp_path / "fit.nc")


def test_a_saved_fit_comes_back_whole(fitted, saved):
    again = load_fit(saved)
    assert again.posterior.equals(fitted.posterior)
    assert str(again) == str(fitted)
    assert again.priors == fitted.priors
    assert again.reference == Reference(210.0, 1700.0)
    assert again.design.errors == fitted.design.errors == ERRORS
    benches = ("North lab · bench A", "North lab · bench B")
    assert again.design.shared.names == tuple(f"gain of power, {bench}" for bench in benches)
    np.testing.assert_array_equal(again.effects, fitted.effects)
    assert again.fingerprint == fitted.fingerprint
    assert again.versions == fitted.versions
    assert (again.engine, again.engine_reason, again.seed) == (
        "conditional",
        *(fitted.engine_reason, 5),
    )
    assert again.diagnostics == fitted.diagnostics
    assert len(fitted.design.left_out) == 1
    assert again.design.left_out == fitted.design.left_out
    assert again.design.notes == fitted.design.notes
    assert again.aliases.contrasts == fitted.aliases.contrasts
    assert again.results.equals(fitted.results)
    assert (again.results.dtypes == fitted.results.dtypes).all()
    for name in ("index", "rise_k", "power_ratio", "flow_speed", "known_variance", "run_scatter"):
        assert np.array_equal(getattr(again.design, name), getattr(fitted.design, name)), name


def test_a_loaded_fit_gives_the_same_answer(fitted, saved):
    asked, again = separate(fitted), separate(load_fit(saved))
    assert again.table.equals(asked.table)
    assert again.sentences == asked.sentences
    assert again.draws.equals(asked.draws)


def test_a_fit_of_readings_at_the_limit_is_saved_too(clamped_fit, tmp_path):
    again = load_fit(clamped_fit.save(tmp_path / "clamped.nc"))
    assert again.engine_reason == clamped_fit.engine_reason
    assert again.posterior.equals(clamped_fit.posterior)
    assert again.diagnostics == clamped_fit.diagnostics
    assert np.array_equal(again.design.at_limit, clamped_fit.design.at_limit)


def test_saving_replaces_in_one_step_and_leaves_nothing_behind(fitted, saved, monkeypatch):
    before = saved.read_bytes()

    def broken(*args, **kwargs):
        raise OSError("disk full")

    monkeypatch.setattr(os, "fsync", broken)
    with pytest.raises(OSError, match="disk full"):
        fitted.save(saved)
    monkeypatch.undo()
    assert saved.read_bytes() == before
    fitted.save(saved)
    assert [path.name for path in saved.parent.iterdir()] == ["fit.nc"]


FULL = """
    import resource
    from pathlib import Path
    from thermcmp.inference.storage import load_fit
    loaded = load_fit({saved!r})
    resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, 30_000))
    try:
        loaded.save(Path({target!r}))
    except OSError as error:
        print("refused:", error.strerror)
"""


def test_a_full_disk_is_an_error_and_leaves_nothing(saved, tmp_path):
    pytest.importorskip("resource")
    target = tmp_path / "full" / "fit.nc"
    target.parent.mkdir()
    script = textwrap.dedent(FULL).format(saved=str(saved), target=str(target))
    ran = subprocess.run(
        [sys.executable, "-c", script], check=False, capture_output=True, text=True
    )
    assert (ran.returncode, ran.stdout[:8]) == (0, "refused:"), ran.stderr
    assert list(target.parent.iterdir()) == []


def test_no_flipped_bit_loads(saved):
    whole = saved.read_bytes()
    rng = np.random.default_rng(3)
    for bit in [*rng.integers(0, 8 * len(whole), 60), *range(8 * len(whole) - 30, 8 * len(whole))]:
        flipped = bytearray(whole)
        flipped[bit // 8] ^= 1 << (bit % 8)
        saved.write_bytes(flipped)
        with pytest.raises(LibraryError, match=r"fit\.nc: .*Fix:"):
            load_fit(saved)


def test_mutated_files_are_refused_by_name(saved):
    whole = saved.read_bytes()
    rng = np.random.default_rng(4)
    for _ in range(40):
        start, length = (int(n) for n in rng.integers(0, (len(whole), 3000)))
        end = start + length
        change = [b"", bytes(length), rng.bytes(length), whole[:length]][int(rng.integers(4))]
        saved.write_bytes(whole[:start] + change + whole[end:])
        if saved.read_bytes() == whole:
            continue
        with pytest.raises(LibraryError, match=r"fit\.nc: .*Fix:"):
            load_fit(saved)


def test_a_file_without_its_seal_is_refused(saved):
    saved.write_bytes(saved.read_bytes()[: -storage._SEAL_LENGTH])
    with pytest.raises(LibraryError, match="altered"):
        load_fit(saved)


def test_rows_that_are_not_those_of_the_fit_are_refused(fitted, tmp_path):
    forged = replace(fitted, fingerprint="0" * 64)
    with pytest.raises(LibraryError, match="altered"):
        load_fit(forged.save(tmp_path / "forged.nc"))


def test_a_fit_of_another_version_is_read_with_a_warning(fitted, tmp_path):
    older = replace(fitted, versions={**fitted.versions, "thermcmp": "0.1.9"})
    with pytest.warns(ThermcmpWarning, match=r"fitted by thermcmp 0\.1\.9"):
        load_fit(older.save(tmp_path / "older.nc"))


def test_a_file_of_the_format_before_the_seal_is_of_another_model(saved):
    with pytest.raises(LibraryError, match="Fix: fit its rows again"):
        load_fit(with_settings(saved, format=5))


def test_a_folder_or_a_pipe_is_no_fit(tmp_path):
    os.mkfifo(tmp_path / "pipe.nc")
    for name, kind in (("", "a folder"), ("pipe.nc", "a pipe")):
        with pytest.raises(LibraryError, match=kind):
            load_fit(tmp_path / name)


def test_undefined_check_values_survive(fitted, tmp_path):
    check = Check("largest R-hat", float("nan"), "at most 1.01", Health.BAD)
    again = load_fit(replace(fitted, diagnostics=Diagnostics((check,))).save(tmp_path / "a.nc"))
    assert np.isnan(again.diagnostics.checks[0].value)
    assert again.health is Health.BAD


@pytest.mark.parametrize("content", [b"", b"no netCDF file at all"])
def test_a_foreign_file_is_named(tmp_path, content):
    path = tmp_path / "other.nc"
    path.write_bytes(content)
    with pytest.raises(LibraryError, match=r"other\.nc: not a saved fit .* Fix:"):
        load_fit(path)


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(LibraryError, match=r"absent\.nc"):
        load_fit(tmp_path / "absent.nc")


def test_another_netcdf_file_is_no_fit(tmp_path):
    path = tmp_path / "weather.nc"
    xr.Dataset({"wind": ("time", np.arange(3.0))}).to_netcdf(path, engine="h5netcdf")
    with pytest.raises(LibraryError, match=r"weather\.nc: not a saved fit"):
        load_fit(path)


def with_settings(path, **changes):
    """Rewrite the settings of a saved fit."""
    with xr.open_dataset(path, group="fit", engine="h5netcdf") as found:
        kept = found.load()
    with xr.open_dataset(path, group="posterior", engine="h5netcdf") as found:
        posterior = found.load()
    kept.attrs["thermcmp"] = json.dumps(json.loads(kept.attrs["thermcmp"]) | changes)
    posterior.to_netcdf(path, group="posterior", engine="h5netcdf", mode="w")
    kept.to_netcdf(path, group="fit", engine="h5netcdf", mode="a")
    return path


def test_a_newer_format_asks_for_an_update(saved):
    with pytest.raises(LibraryError, match=r"newer version .* update thermcmp"):
        load_fit(with_settings(saved, format=99))


def test_a_format_without_the_constant_part_asks_for_a_new_fit(saved):
    with pytest.raises(LibraryError, match=r"fit\.nc: saved before .* Fix: fit its rows again"):
        load_fit(with_settings(saved, format=4))


class Rigs:
    """A plug-in with one term."""

    @hookimpl
    def thermcmp_terms(self):
        return [Term("rig", ("bench",), Role.NUISANCE, HalfNormal(1.0), "rigs")]


def test_a_term_that_is_not_registered_comes_back(demo, tmp_path):
    """A term given as an object."""
    own = Term("rig", ("bench",), Role.NUISANCE, HalfNormal(0.7), "rigs")
    made = fit(demo, sensor="memory", draws=400, seed=1, terms=[own, "lab"])
    loaded = load_fit(made.save(tmp_path / "own.nc"))
    assert loaded.design.terms == made.design.terms
    assert loaded.design.levels == made.design.levels


def test_a_term_of_a_plugin_comes_back_without_it(demo, tmp_path):
    use_plugin(Rigs(), "rigs")
    try:
        made = fit(demo, sensor="memory", draws=400, seed=1, terms=["rig", "lab"])
    finally:
        forget_plugin("rigs")
    loaded = load_fit(made.save(tmp_path / "rig.nc"))
    assert loaded.design.terms == made.design.terms
    assert loaded.posterior.equals(made.posterior)


def test_arviz_opens_the_posterior(fitted, saved):
    import arviz

    opened = arviz.from_netcdf(str(saved), engine="h5netcdf")
    found = posterior_group(opened, "posterior")
    assert dict(found.sizes) == dict(fitted.posterior.sizes)
    for name in fitted.parameter_names:
        assert np.array_equal(found[name].to_numpy(), fitted.posterior[name].to_numpy()), name
    if hasattr(opened, "close"):
        opened.close()


def test_a_fit_whose_rows_part_otherwise_is_not_read(saved, monkeypatch):
    # As by a version that counts unnamed assemblies in another way.
    monkeypatch.setattr(
        "thermcmp.inference.storage.build_design",
        lambda *args, **more: _renamed(build_design(*args, **more)),
    )
    with pytest.raises(LibraryError, match="Fix: fit its rows again"):
        load_fit(saved)


def _renamed(design):
    levels = tuple(tuple(f"{name} *" for name in names) for names in design.levels)
    return replace(design, levels=levels)
