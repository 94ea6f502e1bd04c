"""The public face: light to import, whole, typed and shipped."""

import ast
import importlib
import importlib.util
import json
import os
import re
import subprocess
import sys
import tomllib
import zipfile
from itertools import chain
from pathlib import Path

import pytest

import thermcmp

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "thermcmp"
#: Imported on first use only.
HEAVY = (
    "arviz", "arviz_stats", "h5netcdf", "jinja2", "matplotlib", "nutpie", "numpy", "openpyxl",
    "pandas", "pandera", "pingouin", "pluggy", "pyarrow", "pymc", "pytensor", "rich", "scipy",
    "xarray",
)  # fmt: skip
#: What needs no sampler, figure or statistics package may not load one either.
STATISTICS = ("arviz", "h5netcdf", "matplotlib", "nutpie", "pingouin", "pymc", "pytensor", "xarray")
#: Names that scripts rely on; each is public as soon as it exists.
PROMISED = {
    "Build", "Conditions", "Fit", "Library", "Protocol", "Reduction", "ThermcmpError", "attribute",
    "classical_check", "fit", "load_fit", "margin", "plan", "plugins", "rank", "read_results",
    "read_telemetry", "reduce_logs", "reduce_telemetry", "repeatability", "report", "separate",
    "simulate", "use_plugin",
}  # fmt: skip


def loaded_after(statement):
    """Top-level packages that a fresh Python holds after a statement."""
    code = f"{statement}\nimport json, sys\nprint(json.dumps(sorted(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    return {name.split(".")[0] for name in json.loads(done.stdout)}


def test_importing_the_package_loads_nothing_heavy():
    assert loaded_after("import thermcmp") & set(HEAVY) == set()


def test_words_and_errors_load_nothing_heavy():
    statement = "from thermcmp import Build, Conditions, InputError\nConditions(ambient_c=30.0)"
    assert loaded_after(statement) & set(HEAVY) == set()


def test_the_library_loads_no_statistics():
    loaded = loaded_after("from thermcmp import Library, read_results")
    assert loaded & set(STATISTICS) == set()


def test_the_measure_sees_what_is_loaded():
    assert {"decimal", "thermcmp"} <= loaded_after("import thermcmp, decimal")


def test_every_public_name_resolves_to_its_home():
    assert thermcmp.__all__ == sorted(thermcmp.__all__)
    assert set(thermcmp.__all__) == set(thermcmp._HOMES)
    for name, home in thermcmp._HOMES.items():
        assert getattr(thermcmp, name) is getattr(importlib.import_module(home), name), name


def test_what_type_checkers_see_is_what_is_there():
    tree = ast.parse((PACKAGE / "__init__.py").read_text(encoding="utf-8"))
    block = next(node for node in tree.body if isinstance(node, ast.If))
    seen = {
        alias.asname or alias.name: node.module
        for node in block.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert seen == thermcmp._HOMES


def defined_names():
    """(module, name) of each public function and class of the package."""
    for path in sorted(PACKAGE.rglob("*.py")):
        module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef | ast.ClassDef):
                yield module.removesuffix(".__init__"), node.name


def test_promised_names_are_public_where_they_exist():
    existing = {name for _, name in defined_names()} & PROMISED
    assert existing - set(thermcmp.__all__) == set()
    assert {"fit", "separate", "attribute", "rank", "margin", "report"} <= existing


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'seperate'"):
        thermcmp.__getattr__("seperate")
    assert set(thermcmp.__all__) <= set(dir(thermcmp))


def test_every_error_derives_from_one():
    from thermcmp import errors

    ours = [
        item
        for item in vars(errors).values()
        if isinstance(item, type) and issubclass(item, BaseException)
    ]
    warned = [item for item in ours if issubclass(item, Warning)]
    assert warned == [errors.ThermcmpWarning]
    raised = [item for item in ours if item not in warned]
    assert len(raised) >= 7
    assert all(issubclass(item, errors.ThermcmpError) for item in raised)
    # What is wrong with a caller's value stays what Python calls it.
    assert issubclass(errors.InputError, ValueError)


def test_the_version_is_stated_once():
    stated = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert stated["project"]["version"] == thermcmp.__version__


def test_the_licence_of_each_dependency_is_listed():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    named = [*project["dependencies"], *chain(*project["optional-dependencies"].values())]
    listed = (ROOT / "docs/dependencies.md").read_text(encoding="utf-8").partition("\n\n`")[0]
    packages = {re.match(r"[\w.-]+", each)[0] for each in named}
    assert packages - set(re.findall(r"[\w.-]+", listed)) == set()


def test_the_package_states_what_a_wheel_must_hold():
    build = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["hatch"]
    wheel = build["build"]["targets"]["wheel"]
    assert wheel["packages"] == ["thermcmp"]
    assert wheel["force-include"] == {"datasets/demo": "thermcmp/_demo"}
    assert (PACKAGE / "py.typed").is_file()


def test_the_wheel_holds_demo_template_and_types(tmp_path, outside):
    if importlib.util.find_spec("hatchling") is None:
        outside.missing("hatchling, which builds the wheel,")
    done = subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    (wheel,) = tmp_path.glob("thermcmp-*.whl")
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    at = ROOT / "datasets" / "demo"
    files = [path.relative_to(at).as_posix() for path in at.rglob("*") if path.is_file()]
    assert {"campaign.csv", "columns.json", "truth.json"} <= set(files)
    demo = {f"thermcmp/_demo/{file}" for file in files}
    templates = {
        path.relative_to(ROOT).as_posix()
        for path in (PACKAGE / "reporting" / "templates").iterdir()
    }
    sources = {path.relative_to(ROOT).as_posix() for path in PACKAGE.rglob("*.py")}
    assert len(templates) >= 1
    assert names >= {"thermcmp/py.typed", *demo, *templates, *sources}
    # Nothing but the package and its metadata.
    assert {name.split("/")[0].split("-")[0] for name in names} == {"thermcmp"}
