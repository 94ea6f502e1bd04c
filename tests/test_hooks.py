"""Plug-ins: registration, refusal, isolation of failures, clashes and versions."""

import os
import re
import subprocess
import sys
import textwrap
import types
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

import pandas as pd
import pytest

import thermcmp as tc
from thermcmp import hooks
from thermcmp.errors import InputError, PluginError, ThermcmpError
from thermcmp.hooks import PluginStatus, Question, Section, hookimpl
from thermcmp.model.terms import Term, registered_terms
from thermcmp.physics.airflow import PowerLaw, airflow_law, airflow_laws
from thermcmp.questions.plugin_questions import ask, ask_questions
from thermcmp.reporting.plugin_sections import added_parts
from thermcmp.telemetry.campaign.folder import reduce_logs
from thermcmp.telemetry.reading.frame import read_telemetry

pytestmark = pytest.mark.usefixtures("fresh_registry")


def plugin(name="lab plug-in", **functions):
    """Make a module-like plug-in of marked functions."""
    module = types.ModuleType(name)
    for hook, function in functions.items():
        function.__name__ = hook
        setattr(module, hook, hookimpl(function))
    return module


def law_plugin(law, name="lab plug-in"):
    return plugin(name, thermcmp_airflow_laws=lambda: [law])


def answer(kind="echo"):
    return tc.make_answer(kind, kind, {"a": [1.0, 2.0]})


def distribution(folder, name, module, source, entry="main"):
    """Put an installed distribution with one entry point of our group into a folder."""
    (folder / f"{module}.py").write_text(textwrap.dedent(source))
    info = folder / f"{name.replace('-', '_')}-1.2.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.2\n")
    (info / "entry_points.txt").write_text(f"[thermcmp]\n{entry} = {module}\n")


GOOD = """
    from thermcmp.hooks import hookimpl
    from thermcmp.physics.airflow import PowerLaw

    @hookimpl
    def thermcmp_airflow_laws():
        return [PowerLaw(name="{law}")]
"""


@pytest.fixture
def site(tmp_path, monkeypatch):
    monkeypatch.syspath_prepend(str(tmp_path))
    before = set(sys.modules)
    yield tmp_path
    for name in set(sys.modules) - before:
        if name.startswith("zz_"):
            del sys.modules[name]


# --- built-ins -------------------------------------------------------------------


def test_built_ins_come_first_through_the_same_hooks():
    records = hooks.plugins()
    assert [r.name for r in records[:2]] == ["thermcmp.physics.airflow", "thermcmp.model.terms"]
    assert {r.status for r in records[:2]} == {PluginStatus.BUILT_IN}
    assert "airflow law 'power law'" in records[0].provides
    assert airflow_law("power law") == airflow_laws()[0] == PowerLaw()
    names = [term.name for term in registered_terms()]
    assert {"cooler_model", "board_model", "memory_vendor", "assembly"} <= set(names)
    assert len(set(names)) == len(names)


def test_listing_the_plugins_loads_no_statistics():
    script = (
        "import sys, thermcmp as tc; tc.plugins(); "
        "print(sorted({'arviz', 'matplotlib', 'pymc', 'pytensor', 'xarray'} & set(sys.modules)))"
    )
    environment = {**os.environ, "PYTHONPATH": str(Path(hooks.__file__).parents[1])}
    done = subprocess.run(
        [sys.executable, "-c", script], env=environment, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_a_built_in_law_is_found_without_loading_installed_plugins(site):
    distribution(site, "zz-broken", "zz_broken", "raise RuntimeError('boom')")
    assert airflow_law("power law") == PowerLaw()  # no PluginWarning, which is an error here
    assert "zz_broken" not in sys.modules


def test_an_unknown_law_is_refused_with_the_nearest_name():
    with pytest.raises(InputError, match="did you mean 'power law'"):
        airflow_law("power lw")


# --- use and forget --------------------------------------------------------------


def test_use_repeat_and_forget():
    law = PowerLaw(name="wide law", exponent_prior_sd=0.2)
    module = law_plugin(law)
    hooks.use_plugin(module)
    hooks.use_plugin(module)
    assert airflow_law("wide law").law is law
    record = hooks.plugins()[-1]
    assert (record.name, record.status) == ("lab plug-in", PluginStatus.LOADED)
    assert record.provides == ("airflow law 'wide law'",)
    hooks.forget_plugin("lab plug-in")
    assert record not in hooks.plugins()
    with pytest.raises(InputError, match="unknown airflow law"):
        airflow_law("wide law")
    hooks.use_plugin(module, name="again")
    assert airflow_law("wide law").law is law


def test_an_object_with_methods_is_a_plugin():
    class Terms:
        @hookimpl
        def thermcmp_terms(self):
            return [Term("paste", ("paste",))]

    hooks.use_plugin(Terms())
    assert [t.item.name for t in hooks.provided("thermcmp_terms")][-1] == "paste"
    assert hooks.plugins()[-1].name.endswith("Terms")


@pytest.mark.parametrize("name", ["thermcmp.physics.airflow", "nowhere"])
def test_built_ins_and_unknown_plugins_cannot_be_forgotten(name):
    with pytest.raises(InputError, match="cannot be forgotten"):
        hooks.forget_plugin(name)
    assert airflow_law("power law") == PowerLaw()


# --- refusal at registration -----------------------------------------------------


def unmarked():
    module = types.ModuleType("m")
    module.thermcmp_terms = lambda: []
    return module


def wrapper():
    module = types.ModuleType("m")

    def thermcmp_terms():
        return (yield)

    module.thermcmp_terms = hookimpl(wrapper=True)(thermcmp_terms)
    return module


def versioned(version):
    module = law_plugin(PowerLaw(name="old"))
    module.api_version = version
    return module


class LawClass:
    name = "class, not instance"


class Marked:
    @hookimpl
    def thermcmp_terms(self):
        return []


@pytest.mark.parametrize(
    ("bad", "message"),
    [
        (plugin(thermcmp_airflow_law=lambda: []), "did you mean 'thermcmp_airflow_laws'"),
        (plugin(thermcmp_terms=lambda fit: []), "takes fit, but hooks are called without"),
        (plugin(thermcmp_terms=lambda scale=1.0: []), "takes scale"),
        (plugin(thermcmp_terms=lambda *more: []), "takes more"),
        (Marked, "takes self.*register an instance"),
        (plugin(thermcmp_terms=lambda: None), "returned a value of type NoneType.*a list"),
        (plugin(thermcmp_terms=lambda: [object()]), "lacks name"),
        (plugin(thermcmp_airflow_laws=lambda: [LawClass()]), "lacks column, unit, expo.*slope"),
        (plugin(thermcmp_airflow_laws=lambda: [PowerLaw]), "class PowerLaw.*an instance"),
        (plugin(thermcmp_terms=lambda: [Term(" ", ("rig",))]), "use a text"),
        (plugin(thermcmp_terms=lambda: [types.SimpleNamespace(name=3)]), "use a text"),
        (plugin(thermcmp_terms=lambda: 1 / 0), "thermcmp_terms raised ZeroDivisionError"),
        (unmarked(), "'thermcmp_terms' has a hook's prefix but is not marked"),
        (wrapper(), "is a wrapper"),
        (types.ModuleType("empty"), "has no hook"),
        ("a name", "has no hook"),
        (versioned(2), "written for plug-in API 2, this is 1. Fix: update thermcmp"),
        (versioned(0), "written for plug-in API 0, this is 1. Fix: update the plug-in"),
        (versioned("1.0"), "written for plug-in API '1.0'"),
    ],
)
def test_invalid_plugins_are_refused_and_named(bad, message):
    before = (hooks.plugins(), airflow_laws(), registered_terms())
    with pytest.raises(PluginError, match=f"plug-in 'bad one'.*{message}") as caught:
        hooks.use_plugin(bad, name="bad one")
    assert isinstance(caught.value, ThermcmpError)
    assert (hooks.plugins(), airflow_laws(), registered_terms()) == before


def test_matching_api_version_and_renamed_function_are_accepted():
    module = types.ModuleType("renamed")
    module.api_version = 1
    module.my_laws = hookimpl(specname="thermcmp_airflow_laws")(lambda: [PowerLaw(name="lab law")])
    hooks.use_plugin(module)
    assert airflow_law("lab law").name == "lab law"


def test_a_refused_plugin_changes_nothing_and_can_be_registered_once_fixed():
    module = plugin(
        thermcmp_airflow_laws=lambda: [PowerLaw(name="half")], thermcmp_terms=lambda: 1 / 0
    )
    with pytest.raises(PluginError) as caught:
        hooks.use_plugin(module)
    assert isinstance(caught.value.__cause__, ZeroDivisionError)
    assert "half" not in [law.name for law in airflow_laws()]
    module.thermcmp_terms = hookimpl(specname="thermcmp_terms")(lambda: [])
    hooks.use_plugin(module)
    assert airflow_law("half").name == "half"


# --- clashes ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("hook", "make"),
    [
        ("thermcmp_airflow_laws", lambda: PowerLaw(name="same")),
        ("thermcmp_terms", lambda: Term("same", ("paste",))),
        ("thermcmp_questions", lambda: Question("same", lambda fit: answer())),
        ("thermcmp_report_sections", lambda: Section("same", lambda fit, answers: "")),
    ],
)
def test_two_items_of_one_name_name_both_plugins(hook, make):
    hooks.use_plugin(plugin("first", **{hook: lambda: [make()]}))
    with pytest.raises(PluginError, match=r"'second'.*'same'.*'first'.*Fix"):
        hooks.use_plugin(plugin("second", **{hook: lambda: [make()]}))
    with pytest.raises(PluginError, match=r"'twice'.*'other'.*'twice'"):
        twin = [Term("other", ("paste",)), Term("other", ("paste",))]
        hooks.use_plugin(plugin("twice", thermcmp_terms=lambda: twin))


def test_a_built_in_cannot_be_replaced():
    with pytest.raises(PluginError, match=r"'power law', which plug-in 'thermcmp.physics.airflow'"):
        hooks.use_plugin(law_plugin(PowerLaw(exponent_prior_mean=2.0)))
    assert airflow_law("power law").exponent_prior_mean == 0.65


def test_one_name_for_two_plugins_is_refused_with_the_fix():
    hooks.use_plugin(law_plugin(PowerLaw(name="a")))
    with pytest.raises(PluginError, match=r"forget_plugin\('lab plug-in'\)"):
        hooks.use_plugin(law_plugin(PowerLaw(name="b")))


# --- installed plug-ins ----------------------------------------------------------


@pytest.mark.parametrize("broken", ["aa", "mm", "zz"])
@pytest.mark.parametrize(
    ("source", "why"),
    [
        ("raise RuntimeError('boom')", "RuntimeError: boom"),
        ("import sys; sys.exit(3)", "SystemExit: 3"),
        ("import no_such_package_here", "ModuleNotFoundError"),
        ("def thermcmp_terms(): return []", "not marked"),
    ],
)
def test_a_broken_plugin_is_named_and_the_others_load(site, broken, source, why):
    for place in ("aa", "mm", "zz"):
        bad = place == broken
        text = source if bad else GOOD.format(law=f"law {place}")
        distribution(site, f"{place}-pack", f"zz_{place}", text, entry=place)
    with pytest.warns(hooks.PluginWarning, match=f"plug-in '{broken}' .{broken}-pack 1.2.*{why}"):
        laws = airflow_laws()
    good = sorted({"aa", "mm", "zz"} - {broken})
    assert {f"law {place}" for place in good} <= {law.name for law in laws}
    failed = [r for r in hooks.plugins() if r.status is PluginStatus.FAILED]  # warned once only
    assert [(r.name, r.distribution, r.version) for r in failed] == [
        (broken, f"{broken}-pack", "1.2")
    ]
    assert why in failed[0].error
    assert "Traceback" in failed[0].traceback
    loaded = {r.name for r in hooks.plugins() if r.status is PluginStatus.LOADED}
    assert set(good) <= loaded


def test_strict_mode_makes_a_failure_an_error_each_time(site, monkeypatch):
    monkeypatch.setenv("THERMCMP_STRICT_PLUGINS", "1")
    distribution(site, "bad-pack", "zz_bad", "raise RuntimeError('boom')")
    for _ in range(2):
        with pytest.raises(PluginError, match=r"bad-pack 1.2.*RuntimeError: boom"):
            registered_terms()
    monkeypatch.setenv("THERMCMP_STRICT_PLUGINS", "0")
    assert registered_terms()


def test_damaged_metadata_does_not_hide_a_plugin(site):
    distribution(site, "odd-pack", "zz_odd", GOOD.format(law="odd law"), entry="odd")
    (site / "odd_pack-1.2.dist-info" / "METADATA").write_text("Metadata-Version: 2.1\n")
    record = next(r for r in hooks.plugins() if r.name == "odd")
    assert (record.version, record.status) == ("?", PluginStatus.LOADED)
    assert airflow_law("odd law").name == "odd law"


@pytest.mark.parametrize("seed", ["0", "1", "42"])
def test_an_installed_clash_has_one_outcome_under_any_hash_seed(tmp_path, seed):
    for place in ("bb", "aa"):
        distribution(tmp_path, f"{place}-pack", f"zz_{place}", GOOD.format(law="one"), entry=place)
    script = (
        "import warnings; warnings.simplefilter('ignore')\n"
        "from thermcmp import hooks\n"
        "for r in hooks.plugins():\n"
        "    if r.name in ('aa', 'bb'): print(r.name, r.status.value, r.error)\n"
    )
    root = str(Path(hooks.__file__).parents[1])
    environment = dict(os.environ, PYTHONHASHSEED=seed)
    environment["PYTHONPATH"] = os.pathsep.join([str(tmp_path), root])
    done = subprocess.run(
        [sys.executable, "-c", script], env=environment, capture_output=True, text=True, check=True
    )
    lines = done.stdout.splitlines()
    assert lines[0].strip() == "aa loaded"
    assert lines[1].startswith("bb failed plug-in 'bb' (bb-pack 1.2)")
    assert "which plug-in 'aa' (aa-pack 1.2) returns already" in lines[1]


def test_a_plugin_is_disabled_by_its_name_or_its_package(site, monkeypatch):
    for place in ("aa", "bb", "cc"):
        law = GOOD.format(law=f"law {place}")
        distribution(site, f"{place}-pack", f"zz_{place}", law, entry=place)
    monkeypatch.setenv("THERMCMP_DISABLE_PLUGINS", "aa, cc-pack")
    records = {r.name: r for r in hooks.plugins()}
    assert [str(records[name].status) for name in ("aa", "bb", "cc")] == [
        "disabled", "loaded", "disabled",
    ]  # fmt: skip
    assert "disabled by THERMCMP_DISABLE_PLUGINS" in records["cc"].error
    assert "zz_aa" not in sys.modules
    names = [law.name for law in airflow_laws()]
    assert "law bb" in names
    assert "law aa" not in names
    # In this script it is wanted.
    hooks.use_plugin(law_plugin(PowerLaw(name="law aa"), "aa"))
    assert airflow_law("law aa").name == "law aa"


def test_a_disabled_name_that_nothing_has_is_asked_about(site, monkeypatch):
    distribution(site, "pump-pack", "zz_pump", GOOD.format(law="pump"), entry="pump")
    monkeypatch.setenv("THERMCMP_DISABLE_PLUGINS", "pmup")
    with pytest.warns(hooks.PluginWarning, match="no installed plug-in: pmup.*mean 'pump'"):
        hooks.plugins()


def test_a_record_has_origin_version_hooks_and_state(site):
    distribution(site, "pump-pack", "zz_pump", GOOD.format(law="pump"), entry="pump")
    module = plugin("mine", thermcmp_questions=lambda: [Question("why", lambda fit: answer())])
    module.__version__ = "0.3"
    hooks.use_plugin(module)
    records = {r.name: r for r in hooks.plugins()}
    pump, mine = records["pump"], records["mine"]
    assert (pump.origin, pump.version, pump.hooks) == (
        "pump-pack", "1.2", ("thermcmp_airflow_laws",),
    )  # fmt: skip
    assert (mine.origin, mine.version, mine.hooks) == ("use_plugin", "0.3", ("thermcmp_questions",))


def test_the_steps_are_logged(site, monkeypatch, caplog):
    distribution(site, "pump-pack", "zz_pump", GOOD.format(law="pump"), entry="pump")
    distribution(site, "bad-pack", "zz_bad", "raise RuntimeError('boom')", entry="bad")
    monkeypatch.setenv("THERMCMP_DISABLE_PLUGINS", "")
    with (
        caplog.at_level("DEBUG", logger="thermcmp.plugins"),
        pytest.warns(hooks.PluginWarning, match="boom"),
    ):
        hooks.plugins()
    assert re.search(r"'pump' \(pump-pack 1.2\) registered in .* ms: airflow law", caplog.text)
    assert re.search(r"'bad' .* failed: .*RuntimeError: boom", caplog.text)


def test_the_command_line_lists_the_plugins_and_leaves_some_out(site):
    distribution(site, "pump-pack", "zz_pump", GOOD.format(law="pump"), entry="pump")
    distribution(site, "fan-pack", "zz_fan", GOOD.format(law="fan"), entry="fan")
    distribution(site, "bad-pack", "zz_bad", "raise RuntimeError('boom')", entry="bad")
    root = str(Path(hooks.__file__).parents[1])
    done = subprocess.run(
        [sys.executable, "-m", "thermcmp", "--no-plugin", "pump", "plugins"],
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(site), root])},
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    lines = done.stdout.splitlines()
    assert "pump 1.2 (pump-pack): disabled" in lines
    assert "fan 1.2 (fan-pack): loaded" in lines
    assert lines[lines.index("fan 1.2 (fan-pack): loaded") + 1].strip() == "thermcmp_airflow_laws"
    assert "bad 1.2 (bad-pack): failed" in lines
    assert "plug-in 'bad' (bad-pack 1.2): its import raised RuntimeError: boom" in done.stdout


@pytest.mark.parametrize("turned", [False, True])
def test_the_outcome_of_a_clash_does_not_follow_the_order_of_the_file_system(
    site, monkeypatch, turned
):
    for place in ("bb", "aa"):
        distribution(site, f"{place}-pack", f"zz_{place}", GOOD.format(law="one"), entry=place)
    points = list(metadata.entry_points(group="thermcmp"))
    monkeypatch.setattr(metadata, "entry_points", lambda group: points[::-1] if turned else points)
    with pytest.warns(hooks.PluginWarning, match="plug-in 'bb' .* 'one', which plug-in 'aa'"):
        hooks.plugins()


# --- questions and report sections -----------------------------------------------


def test_a_question_that_raises_is_named_and_the_others_are_answered():
    def broken(fit):
        raise KeyError("no such column")

    hooks.use_plugin(plugin("a", thermcmp_questions=lambda: [Question("bad", broken)]))
    good = answer()
    hooks.use_plugin(plugin("b", thermcmp_questions=lambda: [Question("echo", lambda fit: good)]))
    hooks.use_plugin(plugin("c", thermcmp_questions=lambda: [Question("odd", lambda fit: 3)]))
    named = r"plug-in 'a': its question 'bad' \(hook thermcmp_questions\) raised Key"
    with pytest.raises(PluginError, match=named) as caught:
        ask("a fit", "bad")
    assert isinstance(caught.value.__cause__, KeyError)
    with pytest.warns(
        hooks.PluginWarning, match=r"(?s)'a'.*KeyError.*'c'.*returned a value of type int"
    ):
        answers = ask_questions("a fit")
    assert [each.kind for each in answers] == [good.kind]
    assert answers[0].source == "plug-in b ?"


def test_a_question_that_ends_the_program_is_a_failure_of_its_plugin():
    def leaves(fit):
        raise SystemExit(3)

    module = plugin("a", thermcmp_questions=lambda: [Question("bad", leaves)])
    module.__version__ = "0.7"
    hooks.use_plugin(module)
    with pytest.warns(hooks.PluginWarning, match=r"plug-in 'a' \(0.7\): .*raised SystemExit: 3"):
        assert ask_questions("a fit") == ()


def test_a_hook_that_ends_the_program_is_refused():
    with pytest.raises(PluginError, match="its hook thermcmp_questions raised SystemExit"):
        hooks.use_plugin(plugin("a", thermcmp_questions=lambda: sys.exit(1)))


def test_a_law_that_raises_names_its_plugin():
    class Broken(PowerLaw):
        def factor(self, flow_speed, reference, exponent):
            if reference == 2000.0:
                raise KeyError("no map of this pump")
            return super().factor(flow_speed, reference, exponent)

        def slope(self, flow_speed, reference, exponent):
            return super().slope(flow_speed, reference, exponent)

    hooks.use_plugin(law_plugin(Broken(name="pump law", column="pump_rpm"), "pumps"))
    law = airflow_law("pump law")
    assert (law.name, law.column, law.unit, law.exponent_prior_sd) == (
        "pump law", "pump_rpm", "rpm", 0.10,
    )  # fmt: skip
    with pytest.raises(PluginError, match=r"'pumps': its airflow law 'pump law' .*KeyError"):
        law.factor([1000.0], 2000.0, 0.6)
    # What is wrong with the rows is said of the rows.
    with pytest.raises(InputError, match="needs turning fans"):
        law.slope([0.0], 2000.0, 0.6)


class OddReader:
    """A reader that fails in one of several ways."""

    name, suffixes = "odd", (".odd",)

    def __init__(self, how):
        self.how = how

    def read(self, path, reading, book):
        if self.how == "at once":
            raise KeyError("no such channel")
        yield pd.DataFrame({"elapsed_s": [0.0, 1.0], "power_w": [1.0, 2.0]})
        if self.how == "later":
            raise SystemExit(2)
        if self.how == "no frame":
            yield {"power_w": 3.0}


@pytest.mark.parametrize(
    ("how", "words"),
    [("at once", "KeyError"), ("later", "SystemExit"), ("no frame", "type dict")],
)
def test_a_reader_that_raises_names_its_plugin_and_refuses_its_log_alone(tmp_path, how, words):
    log = tmp_path / "run.odd"
    log.write_text("x")
    hooks.use_plugin(plugin("a", thermcmp_readers=lambda: [OddReader(how)]))
    named = f"plug-in 'a': its telemetry reader 'odd' .*{words}"
    with pytest.raises(PluginError, match=named):
        read_telemetry(log)
    with pytest.raises(PluginError, match=f"telemetry reader 'odd' .*{words}"):
        read_telemetry(log, reader=OddReader(how))
    sheet = pd.DataFrame(
        [{"file": "run.odd", "run": "R1", "cooler_model": "A", "board_model": "B"}]
    )
    refused = reduce_logs([log], sheet, progress=False).refused
    assert re.search(named, refused["reason"].iloc[0])


def test_a_scan_that_ctrl_c_ended_goes_on_at_the_next_call(site, monkeypatch):
    good = textwrap.dedent(GOOD)
    distribution(site, "a-pack", "zz_stopped", "import zz_stops\n" + good.format(law="one"), "aa")
    distribution(site, "b-pack", "zz_after", good.format(law="two"), "bb")
    (site / "zz_stops.py").write_text("raise KeyboardInterrupt")
    with pytest.raises(KeyboardInterrupt):
        hooks.plugins()
    (site / "zz_stops.py").write_text("")
    names = [record.name for record in hooks.plugins() if record.status is PluginStatus.LOADED]
    assert {"aa", "bb"} <= set(names)


def test_a_section_that_raises_is_named_and_the_others_are_rendered():
    @dataclass
    class Fit:
        name: str

    def page(fit, answers):
        return f"<p>{fit.name}, {len(answers)} answers</p>"

    sections = [Section("bad", lambda fit, answers: 1 / 0), Section("page", page)]
    hooks.use_plugin(plugin("s", thermcmp_report_sections=lambda: sections))
    bad, good = added_parts(Fit("demo"), [answer()])
    assert (bad.title, good.title) == ("bad", "page")
    assert "report section 'bad' (hook thermcmp_report_sections) raised Zero" in bad.failure
    assert good.html == "<p>demo, 1 answers</p>"
