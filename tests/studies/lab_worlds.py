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
    fewest_specimens: int = 1  # of a card at each of its laboratories
    uneven: float = 0.0  # share of cards whose lot has two kinds of specimens, UNEVEN apart
    islands: int = 1  # groups of laboratories without a common card
    chain_k: float | None = None  # products this far apart instead of at random
    cell_k: float = 0.0  # what one card reads off at one of its laboratories, besides
    upset_k: float = 0.0  # standard deviation of the cards at one bad laboratory, besides


WORLDS = {
    "five laboratories": World(),
    "one laboratory 5 K off": World(odd_k=5.0),
    "one specimen of each": World(most_specimens=1),
    "two islands of laboratories, 6 K apart": World(labs=4, islands=2),
    "a chain of like products": World(products=20, chain_k=0.7),
    "forty products, one laboratory 5 K off": World(products=40, odd_k=5.0),
    "a third of the lots uneven, one specimen": World(
        labs=1, between_k=0.0, most_specimens=1, uneven=1 / 3
    ),
    "a third of the lots uneven, two specimens": World(
        labs=1, between_k=0.0, fewest_specimens=2, most_specimens=2, uneven=1 / 3
    ),
}
#: Networks with something to detect, and one with nothing.
INCONSISTENT = {
    "consistent": World(),
    "one card 4 K off at one laboratory": World(cell_k=4.0),
    "one card 8 K off at one laboratory": World(cell_k=8.0),
    "one laboratory whose cards scatter by 3 K": World(upset_k=3.0),
    "one laboratory whose cards scatter by 6 K": World(upset_k=6.0),
}
ISLANDS_APART_K = 6.0
UNEVEN = 0.13  # as a share of the resistance
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
    #: The card and the laboratory that are off; either is None where nothing is.
    off: tuple


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
    fault = np.random.default_rng([seed, 1])
    is_uneven = fault.random(world.products) < world.uneven
    off = (None, None)
    if world.upset_k:
        bad = int(fault.integers(world.labs))
        favour[bad] += fault.normal(0.0, world.upset_k, world.products)
        off = (None, f"Lab {bad}")

    def rise(p, rpm, watt, share=1.0):
        return watt * (conductive[p] + convective[p] * (SPEED_RPM / rpm) ** bend[p]) * share

    def specimen(p):
        kind = is_uneven[p] * UNEVEN * (fault.integers(2) - 0.5)
        return 1.0 + rng.normal(0, world.specimen) + kind

    def reading(p, lab, rpm, watt, share, mount):
        added = (offset[lab] + favour[lab, p] + mount) * watt / POWER_W
        return rise(p, rpm, watt, share) + added + rng.normal(0.0, world.scatter_k)

    rows = []
    for p in range(world.products):
        near = [lab for lab in range(world.labs) if lab % world.islands == p % world.islands]
        specimens = int(rng.integers(world.fewest_specimens, world.most_specimens + 1))
        for lab in rng.choice(near, int(rng.integers(1, len(near) + 1)), replace=False):
            for s in range(int(rng.integers(world.fewest_specimens, specimens + 1))):
                share, mount = specimen(p), rng.normal(0, world.mount_k)
                for r, rpm in enumerate((rng.uniform(1200, 2000), rng.normal(SPEED_RPM, 10))):
                    watt, room = rng.normal(POWER_W, 12.0), air[lab] + rng.normal(0.0, 0.5)
                    warm = reading(p, lab, rpm, watt, share, mount)
                    rows.append({
                        "run": f"{lab}-{p}-{s}-{r}", "sensor": "memory", "product": f"Card {p:02d}",
                        "cooler_model": f"Cooler {p:02d}", "board_model": f"Board {p:02d}",
                        "cooler_id": f"c{lab}-{p}-{s}", "board_id": f"b{lab}-{p}-{s}",
                        "assembly": f"a{lab}-{p}-{s}", "assembly_kind": "factory",
                        "lab": f"Lab {lab}", "session": f"s{lab}-{p}", "bench": f"bench {lab}",
                        "fan_rpm": round(rpm), "fan_mode": "fixed", "power_w": round(watt, 1),
                        "ambient_c": round(room, 1), "temperature_c": round(room + warm, 1),
                    })  # fmt: skip
    rows = pd.DataFrame(rows)
    off = _move_cell(rows, world.cell_k, fault) or off
    names = [f"Card {p:02d}" for p in range(world.products)]
    further_c = {
        name: AIR_C
        + reading(p, world.labs, SPEED_RPM, POWER_W, specimen(p), rng.normal(0, world.mount_k))
        for p, name in enumerate(names)
    }
    return Library(
        rows,
        {name: rise(p, SPEED_RPM, POWER_W) + mean for p, name in enumerate(names)},
        further_c,
        {name: p % world.islands for p, name in enumerate(names)},
        off,
    )


def _move_cell(rows, cell_k, rng):
    """Move a card's readings at one of its laboratories, up or down; return card and laboratory."""
    if not cell_k:
        return None
    labs = rows.groupby("product")["lab"].nunique()
    card = rng.choice(labs.index[labs > 1])
    lab = rng.choice(rows.loc[rows["product"].eq(card), "lab"].unique())
    cell = rows["product"].eq(card) & rows["lab"].eq(lab)
    rows.loc[cell, "temperature_c"] += cell_k * rng.choice([-1.0, 1.0])
    return card, lab
