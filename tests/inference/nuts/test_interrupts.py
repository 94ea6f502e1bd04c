"""Ctrl-C while NUTS samples reaches the caller, with either sampler, and leaves nothing behind."""

import os
import signal
import threading

import pytest

from thermcmp.inference.nuts import engine
from thermcmp.inference.nuts.engine import Sampler
from thermcmp.model.design import build_design
from thermcmp.model.terms import BUILT_IN
from thermcmp.physics.airflow import airflow_law
from thermcmp.results.validation import check_results


@pytest.fixture(autouse=True)
def heard():
    """Ctrl-C is an exception, which a shell in the background may have turned off."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.fixture
def design(make_rows, monkeypatch):
    """Return a design for which the sampler samples one normal variable: quick to compile."""
    import pymc as pm

    def one_variable(design):
        with pm.Model() as model:
            pm.Normal("x")
        return model

    monkeypatch.setattr(engine, "pymc_model", one_variable)
    rows = check_results(make_rows(run=["r1", "r2"], assembly="m1"))
    return build_design(rows, sensor=None, terms=BUILT_IN, law=airflow_law("power law"))


def test_an_interrupt_stops_the_sampler_and_raises(design, monkeypatch):
    nutpie = pytest.importorskip("nutpie")
    cancelled = []

    class Interrupted:
        def wait(self):
            raise KeyboardInterrupt

        def cancel(self):
            cancelled.append(True)

    class Compiled:
        def with_data(self):
            return self

    monkeypatch.setattr(nutpie, "compile_pymc_model", lambda model: Compiled())
    monkeypatch.setattr(nutpie, "sample", lambda *args, **options: Interrupted())
    with pytest.raises(KeyboardInterrupt):
        Sampler(design).sample(design, draws=10, chains=2, seed=1)
    assert cancelled == [True]


@pytest.mark.study
def test_a_signal_ends_a_long_run(design, monkeypatch):
    nutpie = pytest.importorskip("nutpie")
    start, started = nutpie.sample, []

    def interrupt_soon():
        threading.Timer(0.5, os.kill, (os.getpid(), signal.SIGINT)).start()

    def sample(*args, **options):
        if options.get("blocking", True):
            interrupt_soon()
            return start(*args, **options)
        started.append(start(*args, **options))
        interrupt_soon()
        return started[0]

    sampler = Sampler(design)
    monkeypatch.setattr(nutpie, "sample", sample)
    with pytest.raises(KeyboardInterrupt):
        sampler.sample(design, draws=3_000_000, chains=2, seed=1)
    assert started[0].is_finished


@pytest.mark.parametrize("chain", [0, 1])
def test_an_interrupted_chain_of_pymc_raises_and_no_further_chain_runs(design, monkeypatch, chain):
    draws = []

    class Interrupted(engine._WholeChains):
        def __call__(self, trace, draw):
            super().__call__(trace, draw)
            draws.append(draw.chain)
            if draws.count(chain) == 3:
                signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr(engine, "find_spec", lambda name: None)
    monkeypatch.setattr(engine, "_WholeChains", Interrupted)
    with pytest.raises(KeyboardInterrupt):
        Sampler(design).sample(design, draws=10, chains=2, seed=1)
    assert draws.count(chain) == 3
    assert set(draws) == set(range(chain + 1))
