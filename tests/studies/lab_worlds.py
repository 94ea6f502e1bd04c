"""Libraries of several laboratories, written out apart from the library.

Each card has a conductive and a convective resistance of its own, each specimen differs from its
line by a share of both, each mounting and each laboratory adds its own, and a laboratory favours
some cards. Laboratories run at their own ambient, power and fan speeds.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd


@dataclass(frozen=True)
class World:
    """One kind of library."""

    products: int = 14
    labs: int = 5
    between_k: float = 2.0  # standard deviation between laboratories
    odd_k: float = 0.0  # what one of them is off in addition
    favour_k: float = 0.5  # standard deviation of laboratory and product
    specimen: float = 0.02  # standard deviation of a specimen's resistance, as a share
    mount_k: float = 0.7
    scatter_k: float = 0.3
    most_specimens: int = 3
    islands: int = 1  # groups of laboratories without a common card
    chain_k: float | None = None  # products this far apart instead of at random


WORLDS = {
    "five laboratories": World(),
    "one laboratory 5 K off": World(odd_k=5.0),
    "one specimen of each": World(most_specimens=1),
    "two islands of laboratories, 6 K apart": World(labs=4, islands=2),
    "a chain of like products": World(products=20, chain_k=0.7),
}
ISLANDS_APART_K = 6.0
POWER_W, SPEED_RPM, AIR_C = 220.0, 1500.0, 21.0


@dataclass(frozen=True)
class Library:
    """Rows of a library with its truth."""

    rows: pd.DataFrame
    #: Rise of each product's line at the reference, at the mean of all conceivable laboratories.
    rise_k: dict
    #: Reading of a new specimen of each product at a laboratory that is not among the rows.
    further_c: dict
    island: dict


def library(seed, world):
    """Draw a library."""
    rng = np.random.default_rng(seed)
    conductive = rng.normal(0.16, 0.025, world.products)  # K/W
    convective = rng.normal(0.13, 0.02, world.products)  # K/W at the reference speed
    bend = rng.normal(0.65, 0.05, world.products)
    if world.chain_k is not None:
        convective[:] = 0.13
        conductive = 0.15 + world.chain_k / POWER_W * np.arange(world.products)
    # The last one is a further laboratory, of which nothing is known.
    island = np.append(np.arange(world.labs) % world.islands, rng.integers(world.islands))
    offset = rng.normal(0.0, world.between_k, world.labs + 1) + ISLANDS_APART_K * island
    offset[rng.integers(world.labs)] += world.odd_k
    offset[-1] += world.odd_k * (rng.random() < 1.0 / world.labs)
    mean = world.odd_k / world.labs + ISLANDS_APART_K * (world.islands - 1) / 2.0
    air = rng.uniform(20.0, 26.0, world.labs + 1)
    favour = rng.normal(0.0, world.favour_k, (world.labs + 1, world.products))

    def rise(p, rpm, watt, share=1.0):
        return watt * (conductive[p] + convective[p] * (SPEED_RPM / rpm) ** bend[p]) * share

    def reading(p, lab, rpm, watt, share, mount):
        added = (offset[lab] + favour[lab, p] + mount) * watt / POWER_W
        return rise(p, rpm, watt, share) + added + rng.normal(0.0, world.scatter_k)

    rows = []
    for p in range(world.products):
        near = [lab for lab in range(world.labs) if lab % world.islands == p % world.islands]
        specimens = int(rng.integers(1, world.most_specimens + 1))
        for lab in rng.choice(near, int(rng.integers(1, len(near) + 1)), replace=False):
            for s in range(int(rng.integers(1, specimens + 1))):
                share, mount = 1.0 + rng.normal(0, world.specimen), rng.normal(0, world.mount_k)
                for r, rpm in enumerate((rng.uniform(1200, 2000), rng.normal(SPEED_RPM, 10))):
                    watt, here = rng.normal(POWER_W, 12.0), air[lab] + rng.normal(0.0, 0.5)
                    warm = reading(p, lab, rpm, watt, share, mount)
                    rows.append({
                        "run": f"{lab}-{p}-{s}-{r}", "sensor": "memory", "product": f"Card {p:02d}",
                        "cooler_model": f"Cooler {p:02d}", "board_model": f"Board {p:02d}",
                        "cooler_id": f"c{lab}-{p}-{s}", "board_id": f"b{lab}-{p}-{s}",
                        "assembly": f"a{lab}-{p}-{s}", "assembly_kind": "factory",
                        "lab": f"Lab {lab}", "session": f"s{lab}-{p}", "bench": f"bench {lab}",
                        "fan_rpm": round(rpm), "fan_mode": "fixed", "power_w": round(watt, 1),
                        "ambient_c": round(here, 1), "temperature_c": round(here + warm, 1),
                    })  # fmt: skip
    names = [f"Card {p:02d}" for p in range(world.products)]
    new = [
        reading(
            p, world.labs, SPEED_RPM, POWER_W, 1.0 + rng.normal(0, world.specimen),
            rng.normal(0, world.mount_k),
        )
        for p in range(world.products)
    ]  # fmt: skip
    return Library(
        pd.DataFrame(rows),
        {name: rise(p, SPEED_RPM, POWER_W) + mean for p, name in enumerate(names)},
        {name: AIR_C + warm for name, warm in zip(names, new, strict=True)},
        {name: p % world.islands for p, name in enumerate(names)},
    )
