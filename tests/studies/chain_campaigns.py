"""Campaigns of a cooler improved in steps, with the steps stated."""

from dataclasses import replace

import numpy as np

from thermcmp.inference.fitting import fit
from thermcmp.model.conditions import Conditions
from thermcmp.simulation import RunPlan, Scenario, draw_truth, measure
from thermcmp.simulation.scheduling import Visit, runs_in_order

REFERENCE = Conditions(power_w=200.0, fan_rpm=1800.0)
BASE, PADS, SPRINGS, BOTH, ALL = (
    "Alder",
    "Alder, pads",
    "Alder, springs",
    "Alder, pads and springs",
    "Alder, all three",
)
CHAIN = (BASE, PADS, BOTH, ALL)
FEATURES = {
    BASE: {},
    PADS: {"pads": "thick"},
    SPRINGS: {"springs": "stiff"},
    BOTH: {"pads": "thick", "springs": "stiff"},
    ALL: {"pads": "thick", "springs": "stiff", "back plate": "fitted"},
}
#: Rise against the first build [K]; pads and springs together bring 0.8 K less than each.
RISE_K = {BASE: 0.0, PADS: -2.5, SPRINGS: -1.8, BOTH: -3.5, ALL: -4.4}


def chain_plan(builds, *, remounts=3, speeds=(1400.0, 2200.0), seed=0, boards=None):
    """Each build mounted `remounts` times on the bench, once in every session."""
    visits = [
        Visit(
            product=None,
            cooler_model=name,
            cooler_id=f"{name}, number 1",
            board_model=(boards or {}).get(name, "Alder-B1"),
            board_id=f"{(boards or {}).get(name, 'Alder-B1')}-1",
            memory_vendor="Quill",
            assembly_kind="bench",
            assembly_number=k + 1,
            session=k,
            firmware="fw 1",
            stock_firmware=(),
            fan_speeds_rpm=speeds,
            equal_noise_dba=None,
            power_w=200.0,
        )
        for k in range(remounts)
        for name in builds
    ]
    return RunPlan(runs_in_order(visits, np.random.default_rng(seed)), ())


def chain_results(rise_k, *, seed=1, scenario=None, **options):
    """Results and truth of a chain; specimens add nothing, so the steps are as stated."""
    world = scenario or Scenario(bad_mount_probability=0.0)
    plan = chain_plan(rise_k, seed=seed, **options)
    truth = draw_truth(plan, world, seed=seed)
    effects = {
        sensor: {
            **terms,
            "cooler_model": dict(rise_k),
            "cooler": dict.fromkeys(terms["cooler"], 0.0),
            "cooler_model airflow": dict.fromkeys(rise_k, 0.0),
            "cooler airflow": dict.fromkeys(terms["cooler airflow"], 0.0),
        }
        for sensor, terms in truth.effects.items()
    }
    truth = replace(truth, effects=effects)
    return measure(plan, truth, world, seed=seed + 1), truth


def chain_fit(rise_k, *, draws=2000, **options):
    """A fit of the memory sensor of such a campaign."""
    results, _ = chain_results(rise_k, **options)
    return fit(results, "memory", reference=REFERENCE, draws=draws, seed=5)
