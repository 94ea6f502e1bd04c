"""Deliberately broken plug-ins: each is named with its hook, and everything else goes on."""

import itertools
import math
import sys
import types
import warnings
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import thermcmp as tc
from thermcmp import hooks
from thermcmp.errors import PluginError
from thermcmp.hooks import PluginWarning, Question, Section, hookimpl
from thermcmp.inference.fitting import named_terms
from thermcmp.model.design import BASELINE, FIXED, RESIDUAL, SHARED, build_design
from thermcmp.model.priors import Normal
from thermcmp.model.terms import RESERVED, Role, Term
from thermcmp.physics.airflow import PowerLaw, airflow_law
from thermcmp.physics.noise_law import NoiseLaw, noise_law_named
from thermcmp.questions.plugin_questions import ask_questions
from thermcmp.reporting.plugin_sections import added_parts


def plugin(name="broken", **functions):
    """Return a module-like plug-in of marked functions."""
    module = types.ModuleType(name)
    module.__version__ = "1.2"
    for hook, function in functions.items():
        setattr(module, hook, hookimpl(specname=hook)(function))
    return module


def law(**changes):
    """Return a plug-in with one airflow law, some members replaced."""

    class Law(PowerLaw):
        pass

    given = {"name": "lab law"}
    for name, value in changes.items():
        if callable(value):
            setattr(Law, name, value)
        else:
            given[name] = value
    return plugin(thermcmp_airflow_laws=lambda: [Law(**given)])


def terms(*items):
    return plugin(thermcmp_terms=lambda: list(items))


def noise(item):
    return plugin(thermcmp_noise_laws=lambda: [item])


NUMBERS = itertools.count()


class LabReader:
    """A reader of an invented format; the words in the file say what goes wrong."""

    name, suffixes = "lab", (".lab",)

    def __init__(self, rows=None, **members):
        self.rows = rows
        for name, value in members.items():
            setattr(self, name, value)

    def read(self, path, reading, book):
        return self.rows()


def reader(rows=None, **members):
    return plugin(thermcmp_readers=lambda: [LabReader(rows, **members)])


def question(ask):
    return plugin(thermcmp_questions=lambda: [Question("lab question", ask)])


def answer(**parts):
    return tc.make_answer("good", "Good", {"a": [1.0, 2.0]}, sentences=["It is."], **parts)


def section(render):
    return plugin(thermcmp_report_sections=lambda: [Section("lab part", render)])


def unmarked():
    module = types.ModuleType("broken")
    module.thermcmp_terms = lambda: []
    return module


def versioned(version):
    module = terms()
    module.api_version = version
    return module


def raising(error):
    def call(*arguments):
        raise error

    return call


def chunk(**columns):
    return pd.DataFrame({"elapsed_s": [0.0, 1.0], "memory_c": [50.0, 51.0], **columns})


def other_columns():
    yield chunk()
    yield chunk(power_w=[1.0, 2.0])


class Abort(BaseException):
    """What a library may raise to end a program."""


class MuteError(Exception):
    def __str__(self):
        raise ValueError("no words")


def drifting():
    """Return a law whose numbers differ from call to call, but at the reference."""

    def factor(self, speed, ref, m):
        return PowerLaw().factor(speed, ref, m) * np.where(
            np.asarray(speed) == ref, 1.0, 1.0 + 1e-12 * next(NUMBERS)
        )

    return law(factor=factor)


class NoColumn:
    name = "lab law"

    @property
    def column(self):
        raise ZeroDivisionError("no column")


#: Refused when they are registered: what is wrong, and words of the message.
AT_REGISTRATION = {
    "an unknown hook": (plugin(thermcmp_term=lambda: []), "'thermcmp_term'"),
    "an unmarked hook": (unmarked(), "not marked"),
    "a hook with arguments": (plugin(thermcmp_terms=lambda fit: []), "takes fit"),
    "a hook that returns nothing": (plugin(thermcmp_terms=lambda: None), "NoneType"),
    "a hook that raises": (plugin(thermcmp_terms=lambda: 1 / 0), "ZeroDivisionError"),
    "a hook that ends the program": (
        plugin(thermcmp_terms=lambda: sys.exit(3)), "SystemExit",
    ),
    "a hook that raises what is no Exception": (
        plugin(thermcmp_terms=lambda: raising(Abort("now"))()), "Abort: now",
    ),
    "a hook whose error has no words": (
        plugin(thermcmp_terms=lambda: raising(MuteError())()), "raised MuteError",
    ),
    "another API version": (versioned(99), "API 99"),
    "a class for an object": (plugin(thermcmp_airflow_laws=lambda: [PowerLaw]), "the class"),
    "a law that has a name only": (
        plugin(thermcmp_airflow_laws=lambda: [SimpleNamespace(name="x")]), "lacks column, unit",
    ),
    "a law with a built-in's name": (law(name="power law"), "returns already"),
    "a law that is not 1 at the reference": (
        law(factor=lambda self, speed, ref, m: 2.0 * (np.asarray(speed) / ref) ** -m,
            slope=lambda self, speed, ref, m: 0.0 * np.asarray(speed)),
        "at the reference is not 1",
    ),
    "a law with another slope": (
        law(slope=lambda self, speed, ref, m: np.asarray(speed) / ref), "not the factor's deriv",
    ),
    "a law that gives NaN": (
        law(factor=lambda self, speed, ref, m: np.asarray(speed) * math.nan), "not a number",
    ),
    "a law that gives one number for all": (law(factor=lambda *_: 1.0), "per flow speed"),
    "a law that raises": (law(factor=raising(KeyError("map"))), "KeyError"),
    "a law that rises with flow": (
        law(factor=lambda self, speed, ref, m: PowerLaw().factor(speed, ref, -m),
            slope=lambda self, speed, ref, m: -PowerLaw().slope(speed, ref, -m)),
        "does not fall with flow",
    ),
    "a law that ends at twice its reference": (
        law(factor=lambda self, speed, ref, m: np.where(
            np.asarray(speed) > 1.9 * ref, np.nan, PowerLaw().factor(speed, ref, m))),
        "not a number",
    ),
    "a law of other ratios under another reference": (
        law(factor=lambda self, speed, ref, m: (1.0 + (np.asarray(speed) - ref) / 2e3) ** -m,
            slope=lambda self, speed, ref, m: -np.log(1.0 + (np.asarray(speed) - ref) / 2e3)
            * (1.0 + (np.asarray(speed) - ref) / 2e3) ** -m),
        "under another reference",
    ),
    "a law that gives another number each time": (drifting(), "second time"),
    "a law whose prior has no end": (law(exponent_prior_sd=1e6), "correct formula or prior"),
    "a law of another unit than its column": (law(unit="1000/min"), "another unit"),
    "a law whose column raises": (
        plugin(thermcmp_airflow_laws=lambda: [NoColumn()]), "ZeroDivisionError",
    ),
    "a law whose prior has no width": (law(exponent_prior_sd=0.0), "sd > 0"),
    "a law whose exponent is a text": (law(exponent_prior_mean="0.6"), "type str"),
    "a law whose factor takes two": (law(factor=lambda self, speed, ref: 1.0), "3 argument"),
    "a noise law that is a function": (noise(lambda n: n), "lacks name, shape"),
    "a noise law of another kind": (
        noise(SimpleNamespace(name="x", shape=np.log10)), "NoiseLaw",
    ),
    "a noise law that falls": (noise(NoiseLaw("x", np.negative)), "does not rise"),
    "a noise law that is flat at its end": (
        noise(NoiseLaw("x", lambda n: np.minimum(n, 4000.0))), "does not rise",
    ),
    "a noise law that gives one number for all": (
        noise(NoiseLaw("x", lambda n: 40.0)), "per fan speed",
    ),
    "a noise law that gives another number each time": (
        noise(NoiseLaw("x", lambda n: np.log10(n) + next(NUMBERS))), "second time",
    ),
    "a noise law of no numbers": (noise(NoiseLaw("x", lambda n: n * math.nan)), "not a number"),
    "a term that is only a name": (terms(SimpleNamespace(name="x")), "thermcmp.Term"),
    "a term without a name": (
        plugin(thermcmp_terms=lambda: [Term(columns="rig")]), "TypeError",
    ),
    "a term of a misspelt column": (
        terms(Term("x", ("coler_model",))), "did you mean 'cooler_model'",
    ),
    "a covariate of a misspelt column": (
        terms(Term("x", values="ambient_C")), "did you mean 'ambient_c'",
    ),
    "a term with a built-in's name": (terms(Term("board", ("rig",))), "returns already"),
    "a term with a parameter's name": (
        plugin(thermcmp_terms=lambda: [Term("baseline", ("rig",))]), "the model's own name",
    ),
    "a term with the name of a term's parameter": (
        plugin(thermcmp_terms=lambda: [Term("board level", ("rig",))]), "the model's own name",
    ),
    "a covariate of what is explained": (
        plugin(thermcmp_terms=lambda: [Term("x", values="temperature_c")]), "explains nothing",
    ),
    "a term whose prior is a number": (terms(Term("x", ("rig",), scale=3.0)), "HalfNormal"),
    "a term whose columns are numbers": (terms(Term("x", (3,))), "not names of columns"),
    "a term whose role is a text": (terms(Term("x", ("rig",), role="part")), "Role"),
    "a term whose prior is beyond any rise": (
        terms(Term("x", ("rig",), scale=Normal(500.0, 1.0))), "beyond any rise",
    ),
    "a pairing of one part": (terms(Term("x", ("rig",), Role.PAIRING)), "both parts"),
    "a reader of endings without a dot": (reader(suffixes=("lab",)), "'.xyz'"),
    "a reader whose endings are a text": (reader(suffixes=".lab"), "tuple"),
    "a reader that reads a path only": (reader(read=lambda path: []), "3 argument"),
    "a reader whose first bytes are a text": (reader(first_bytes=("#",)), "tuple of bytes"),
    "a reader of every CSV table": (
        plugin(thermcmp_results_readers=lambda: [LabReader(suffixes=(".csv",), read=str)]),
        "state the first_bytes",
    ),
    "a question without a fit": (question(lambda: None), "of a fit alone"),
    "a section of the fit alone": (section(lambda fit: ""), "2 argument"),
}  # fmt: skip

#: Named when they are used.
IN_USE = {
    "a reader that raises": (reader(raising(KeyError("column"))), "KeyError"),
    "a reader that yields no frames": (reader(lambda: [{"memory_c": 1.0}]), "type dict"),
    "a reader of changing columns": (reader(other_columns), "differ between chunks"),
    "a reader of times as text": (
        reader(lambda: [chunk(recorded_at=["10:00", "10:01"])]), "not datetime64",
    ),
    "a reader of mixed cells": (reader(lambda: [chunk(power_w=[1.0, {}])]), "raised Arrow"),
    "a reader that ends the program": (reader(raising(SystemExit(1))), "SystemExit"),
    "a reader that raises what is no Exception": (reader(raising(Abort("now"))), "Abort: now"),
    "a reader whose error has no words": (reader(raising(MuteError())), "raised MuteError"),
    "a reader of line numbers as text": (reader(lambda: [chunk(line=["a", "b"])]), "ValueError"),
    "a question that raises what is no Exception": (question(raising(Abort("now"))), "Abort: now"),
    "a question whose figure raises": (
        question(lambda fit: answer(figure=raising(KeyError("ax")))), "KeyError: 'ax'",
    ),
    "a question whose answer has no title": (
        question(lambda fit: tc.make_answer("x", 3, {"a": [1.0, 2.0]})), "AttributeError",
    ),
    "a question whose table has no names": (
        question(lambda fit: answer(table=pd.DataFrame({"x": [1.0]}))), "KeyError",
    ),
    "a question whose sentences are numbers": (
        question(lambda fit: replace(answer(), sentences=(3,))), "TypeError",
    ),
    "a question of no numbers": (
        question(lambda fit: tc.make_answer("x", "X", {"a": [math.nan]})), "not a finite number",
    ),
    "a section that is not closed": (section(lambda fit, answers: "<p><div>"), "not closed: div"),
    "a section that hides the page": (section(lambda fit, answers: "<!-- x"), "not closed"),
    "a section that ends the page": (section(lambda fit, answers: "</main>"), "not open: main"),
    "a section that needs a network": (
        section(lambda fit, answers: '<img src="https://example.org/x.png">'), "example.org",
    ),
    "a question that raises": (question(raising(KeyError("sensor"))), "KeyError"),
    "a question that returns a number": (question(lambda fit: 3), "type int"),
    "a section that raises": (section(raising(ZeroDivisionError("page"))), "ZeroDivisionError"),
    "a section that returns no text": (section(lambda fit, answers: None), "type NoneType"),
    "a covariate in another unit than its prior": (
        terms(Term("shims", values="shim_um", slope=Normal(5.0, 1.0))), "expects 2500 K",
    ),
    "a covariate of no measurements": (
        terms(Term("shims", values="huge", slope=Normal(0.0, 1.0))), "'huge' is not a number",
    ),
    "a covariate that half of the rows lack": (
        terms(Term("shims", values="pad_mm", slope=Normal(0.0, 5.0))), "'pad_mm' is not a number",
    ),
}  # fmt: skip

#: A covariate that no row has takes no part, and that is all.
SILENT = terms(Term("shims", values="shim_mm", slope=Normal(0.0, 5.0)))


pytestmark = pytest.mark.usefixtures("fresh_registry")


@pytest.fixture(scope="module")
def rows():
    made = tc.simulate("revision study", seed=3, remounts=2).results
    made = made[made["sensor"] == "memory"].reset_index(drop=True)
    places = np.arange(len(made))
    odd = places % 2 == 1
    return made.assign(
        pad_mm=np.where(odd, 1.0, np.nan), shim_um=np.where(odd, 500.0, 1000.0), huge=1e200 * places
    )


def use_everything(rows, folder):
    """Read logs, design a fit, ask and render; return what was left out, as it was named."""
    good = Question("good", lambda fit: answer())
    hooks.use_plugin(plugin("good", thermcmp_questions=lambda: [good]))
    (folder / "a.csv").write_text("elapsed_s,memory_c\n0,50\n1,51\n2,52\n")
    (folder / "b.lab").write_text("x")
    sheet = pd.DataFrame(
        {"file": ["a.csv", "b.lab"], "run": ["A", "B"], "cooler_model": "C", "board_model": "D"}
    )
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        reduced = tc.reduce_logs(folder, sheet, progress=False)
        chosen = named_terms(None, rows, "memory")
        design = build_design(rows, sensor="memory", terms=chosen, law=airflow_law("power law"))
        answers = ask_questions(None)
        parts = added_parts(None, ())
    # The rest goes on.
    assert len(tc.read_telemetry(folder / "a.csv")) == 3
    assert "cooler_model" in [term.name for term in design.terms]
    assert "good" in [each.kind for each in answers]
    named = [str(w.message) for w in caught if issubclass(w.category, PluginWarning)]
    return [*named, *reduced.refused["reason"], *(part.failure for part in parts)]


@pytest.mark.parametrize("case", AT_REGISTRATION)
def test_a_plugin_that_cannot_work_is_refused_and_named(case, rows, tmp_path):
    broken, words = AT_REGISTRATION[case]
    with pytest.raises(PluginError) as caught:
        hooks.use_plugin(broken, "lab tools")
    message = str(caught.value)
    version = " (1.2)" if hasattr(broken, "__version__") else ""
    assert message.startswith(f"plug-in 'lab tools'{version}: ")
    assert "thermcmp_" in message or "API" in message
    assert words in message
    assert "Fix: " in message or "raised" in message
    assert "lab tools" not in " ".join(use_everything(rows, tmp_path))


@pytest.mark.parametrize("case", IN_USE)
def test_a_plugin_that_fails_in_use_is_named_and_the_rest_goes_on(case, rows, tmp_path):
    broken, words = IN_USE[case]
    hooks.use_plugin(broken, "lab tools")
    named = [text for text in use_everything(rows, tmp_path) if "plug-in 'lab tools'" in text]
    assert len(named) == 1
    assert "(1.2)" in named[0]
    assert words in named[0]


class NoName:
    @property
    def __name__(self):
        raise ZeroDivisionError("no name")


class NoVersion:
    @property
    def api_version(self):
        raise ZeroDivisionError("no version")


class NoNames:
    def __dir__(self):
        raise ZeroDivisionError("no names")


@pytest.mark.parametrize("kind", [NoName, NoVersion, NoNames])
def test_an_object_that_cannot_be_looked_at_is_named(kind):
    with pytest.raises(PluginError, match=rf"plug-in '{kind.__name__}': .*ZeroDivisionError: no"):
        hooks.use_plugin(kind())


def test_how_a_plugin_treats_floating_point_errors_does_not_stay(rows, tmp_path):
    def strict(fit):
        np.seterr(all="raise")
        return answer()

    before = np.geterr()
    hooks.use_plugin(question(strict), "lab tools")
    use_everything(rows, tmp_path)
    assert np.geterr() == before


def test_a_law_that_fails_past_its_trial_names_its_plugin():
    def ending(self, speed, ref, m):
        return np.where(np.asarray(speed) > 4100.0, np.nan, PowerLaw().factor(speed, ref, m))

    hooks.use_plugin(law(factor=ending), "lab tools")
    with pytest.raises(PluginError, match=r"'lab tools' \(1.2\): .*not a finite number"):
        airflow_law("lab law").factor([5000.0], 1000.0, 0.6)
    hooks.use_plugin(noise(NoiseLaw("thin", lambda n: np.where(n == 700.0, np.nan, n))), "hum")
    with pytest.raises(PluginError, match=r"'hum' \(1.2\): .*not a finite number"):
        noise_law_named("thin").decades([700.0], 1000.0)


def test_a_covariate_that_no_row_has_is_left_out(rows, tmp_path):
    hooks.use_plugin(SILENT, "lab tools")
    assert "lab tools" not in " ".join(use_everything(rows, tmp_path))
    # It was asked for, so it is an error to lack it.
    chosen = named_terms(["shims"], rows, "memory")
    with pytest.raises(tc.InputError, match="no such column"):
        build_design(rows, sensor="memory", terms=chosen, law=airflow_law("power law"))


def test_a_covariate_counts_in_the_rows_of_its_sensor(rows):
    filled = rows.assign(pad_mm=1.0)
    both = pd.concat([filled, filled.assign(sensor="edge", pad_mm=np.nan)], ignore_index=True)
    hooks.use_plugin(IN_USE["a covariate that half of the rows lack"][0], "lab tools")
    assert "shims" in [term.name for term in named_terms(None, both, "memory")]


def test_at_least_thirty_kinds_are_tried():
    assert len(AT_REGISTRATION) + len(IN_USE) >= 30


def test_the_reserved_names_are_those_of_the_model():
    own = {*FIXED, SHARED, RESIDUAL.removesuffix(" sd"), "airflow exponent"}
    assert own == RESERVED
    assert BASELINE in RESERVED
