"""The checks for authors of plug-ins pass what works and fail on what breaks in use."""

import types

import numpy as np
import pandas as pd
import pytest

import thermcmp as tc
from thermcmp import _plugin_registry, testing
from thermcmp.errors import InputError, PluginError
from thermcmp.hooks import Question, hookimpl
from thermcmp.model import terms
from thermcmp.physics import airflow
from thermcmp.physics.airflow import PowerLaw


def plugin(hook, *returned, doc="Return items."):
    module = types.ModuleType("lab")
    answers = list(returned)

    def function():
        return answers.pop(0) if len(answers) > 1 else answers[0]

    function.__doc__ = doc
    module.items = hookimpl(specname=hook)(function)
    return module


@pytest.mark.parametrize("module", [airflow, terms])
def test_the_built_ins_conform(module, monkeypatch):
    monkeypatch.setattr(_plugin_registry, "_BUILT_INS", ())
    testing.check_plugin(module)


class Rising(PowerLaw):
    def factor(self, flow_speed, reference, exponent):
        return super().factor(flow_speed, reference, -exponent)

    def slope(self, flow_speed, reference, exponent):
        return -super().slope(flow_speed, reference, -exponent)


class Branching(PowerLaw):
    def factor(self, flow_speed, reference, exponent):
        if float(exponent) > 0.0:
            return super().factor(flow_speed, reference, exponent)
        return 1.0 + 0.0 * np.asarray(flow_speed)


def ask(fit):
    """Return an answer."""


@pytest.mark.parametrize(
    ("module", "words"),
    [
        (plugin("thermcmp_airflow_laws", [Rising(name="x")]), "does not fall with flow"),
        (plugin("thermcmp_questions", [Question("x", lambda fit: None)]), "worker processes"),
        (plugin("thermcmp_questions", [Question("x", lambda fit: None)]), "'ask': .*no docstring"),
        (plugin("thermcmp_terms", [tc.Term("x", ("rig",))], []), r"returns \[Term.*\], then \[\]"),
        (plugin("thermcmp_terms", [tc.Term("board", ("rig",))]), "returns already"),
        (plugin("thermcmp_terms", (each for each in ())), "type generator"),
        (plugin("thermcmp_terms", [], doc=None), "thermcmp_terms has no docstring"),
        (plugin("thermcmp_terms", [tc.Term("x", ("coler_model",))]), "misspelt column"),
    ],
)
def test_what_breaks_in_use_fails(module, words):
    with pytest.raises((InputError, PluginError), match=words):
        testing.check_plugin(module)


def test_a_law_that_branches_on_the_exponent_fails():
    with pytest.raises(InputError, match="do not branch on the exponent"):
        testing.check_plugin(plugin("thermcmp_airflow_laws", [Branching(name="x")]))


def test_a_wrong_hook_fails():
    with pytest.raises(PluginError, match="did you mean 'thermcmp_terms'"):
        testing.check_plugin(plugin("thermcmp_term", []))
    testing.check_plugin(plugin("thermcmp_questions", [Question("x", ask)]))


class Lines:
    """A reader of blank-separated columns under their names."""

    name, suffixes, first_bytes = "lines", (".lines",), (b"elapsed_s",)

    def __init__(self, drift=0.0):
        self.drift = drift
        self.seen = 0

    def read(self, path, reading, book):
        """Read the columns."""
        self.seen += 1
        frame = pd.read_csv(path, sep=" ")
        yield frame.assign(memory_c=frame["memory_c"] + self.drift * self.seen)


def test_a_reader_is_checked_on_a_file_of_its_format(tmp_path):
    log = testing.sample_log()
    log.to_csv(tmp_path / "run.lines", sep=" ", index=False)
    frame = testing.check_reader(Lines(), tmp_path / "run.lines")
    assert frame["memory_c"].tolist() == log["memory_c"].tolist()
    with pytest.raises(InputError, match="a second reading differs"):
        testing.check_reader(Lines(drift=1.0), tmp_path / "run.lines")
    for values, words in ((log["ambient_c"] * 1.8 + 32.0, "is in °F"), (np.nan, "no reading")):
        log.assign(ambient_c=values).to_csv(tmp_path / "run.lines", sep=" ", index=False)
        with pytest.raises(InputError, match=words):
            testing.check_reader(Lines(), tmp_path / "run.lines")
    (tmp_path / "run.other").write_text("x")
    with pytest.raises(InputError, match=r"(?s)not an ending.*begins otherwise"):
        testing.check_reader(Lines(), tmp_path / "run.other")


def test_the_sample_log_is_reduced_to_its_rise():
    """A rise of 60 K was put in; three readings in ten minutes of steady state give it back."""
    frame = testing.sample_log(3000).rename(columns={"elapsed_s": "time_s"})
    rows = tc.reduce_telemetry(frame, run={"run": "R"}).rows
    rise = float(rows["temperature_c"].iloc[0] - rows["ambient_c"].iloc[0])
    assert rise == pytest.approx(60.0, abs=0.1)


def test_an_answer_is_checked():
    draws = {"a": np.linspace(0.0, 1.0, 50)}
    good = tc.make_answer("x", "X", draws, sentences=["It is so."])
    testing.check_answer(good)
    with pytest.raises(InputError, match="no finding in words"):
        testing.check_answer(tc.make_answer("x", "X", draws))
    turned = good.table.assign(low_k=2.0)
    with pytest.raises(InputError, match="interval without its mean"):
        testing.check_answer(tc.make_answer("x", "X", draws, table=turned, sentences=["It is so."]))
    for broken, words in (
        ({"table": good.table.assign(mean_k=np.nan)}, "no mean and no reason"),
        ({"table": good.table.assign(mean_k=9.0, low_k=8.0, high_k=9.0)}, "without its draws"),
        ({"sentences": [" "]}, "no finding in words"),
        ({"figure": lambda answer, ax: None}, "an empty figure"),
    ):  # fmt: skip
        with pytest.raises(InputError, match=words):
            testing.check_answer(
                tc.make_answer("x", "X", draws, **{"sentences": ["It is so."], **broken})
            )


def test_the_sample_rows_are_a_campaign():
    rows = testing.sample_rows()
    assert set(rows["sensor"]) == {"memory", "junction", "edge"}
    assert len(rows) == len(tc.simulate("revision study", seed=1, remounts=2).results)
