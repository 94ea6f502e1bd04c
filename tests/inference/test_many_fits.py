"""Many fits on several processes or machines: any executor's map, the same bits, in order."""

from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context

import numpy as np
import pytest

import thermcmp as tc


@pytest.fixture(scope="module")
def campaigns():
    made = (tc.simulate(seed=seed, remounts=1).results for seed in range(4))
    return [rows[rows["sensor"].eq("memory")] for rows in made]


@pytest.fixture(scope="module")
def job():
    return partial(tc.fit, sensor="memory", draws=400, seed=3)


def same(fits, others):
    return all(
        np.array_equal(fit.effects, other.effects) and str(fit.health) == str(other.health)
        for fit, other in zip(fits, others, strict=True)
    )


def test_a_pool_of_processes_gives_the_same_fits_in_order(campaigns, job):
    here = list(map(job, campaigns))
    assert not same(here, here[::-1])
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        assert same(pool.map(job, campaigns), here)


def test_a_cluster_gives_the_same_fits_and_answers_in_order(campaigns, job):
    import distributed

    cluster = {"n_workers": 2, "threads_per_worker": 1, "dashboard_address": ":0"}
    with (
        distributed.LocalCluster(**cluster, silence_logs=50) as local,
        distributed.Client(local) as client,
    ):
        fits = list(client.get_executor(pure=False).map(job, campaigns))
    assert same(fits, map(job, campaigns))
    # An answer asks a fit from elsewhere as one from here.
    here = job(campaigns[0])
    assert tc.separate(fits[0]).table.equals(tc.separate(here).table)
