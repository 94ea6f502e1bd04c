"""Published tests of two or six cards by many laboratories, some of which were held back.

Written out apart from the library. A laboratory tests a number of specimens of each card of its
choice at its own fan speed, power and room, and publishes the mean rise with its standard error.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd


@dataclass(frozen=True)
class World:
    """One kind of literature."""

    labs: int = 24
    cards: int = 2
    gap_k: float = -1.0  # of neighbouring cards
    between_k: float = 1.5  # standard deviation between laboratories
    favour_k: float = 0.3  # of laboratory and card
    specimen_k: float = 2.0  # of one specimen, which a laboratory of n has by the root of n
    share: float = 1.0  # of the unsuited results that are published all the same
    suited: str = "significant"  # cooler by 1.64 standard errors; or "cool", for a card by itself


WORLDS = {
    "two cards, all published": World(),
    "two cards, one in five insignificant differences": World(share=0.2),
    "two cards, no insignificant difference": World(share=0.0),
    "six cards, all published": World(labs=12, cards=6, suited="cool"),
    "six cards, one in five warm results of few specimens": World(
        labs=12, cards=6, share=0.2, suited="cool"
    ),
    "six cards, no warm result of few specimens": World(labs=12, cards=6, share=0.0, suited="cool"),
}
SIZES = (1, 2, 4, 8, 16)
FEW = 4
#: Share of the cards that a laboratory has, where there are more than two.
TESTED = 0.7
POWER_W, SPEED_RPM = 220.0, 1500.0


def library(seed, world):
    """Draw laboratories until as many have published something; return their rows."""
    rng = np.random.default_rng(seed)
    rows, published = [], 0
    while published < world.labs:
        lab = f"Lab {published:02d}"
        size, air = int(rng.choice(SIZES)), rng.uniform(20.0, 26.0)
        rpm, watt = rng.uniform(1350, 1650), rng.normal(POWER_W, 8.0)
        favour = rng.normal(0.0, world.favour_k, world.cards)
        luck = rng.normal(0.0, world.specimen_k / np.sqrt(size), world.cards)
        error = world.specimen_k / np.sqrt(size)
        if world.suited == "significant":
            differ = world.gap_k + np.diff(favour + luck)
            kept = np.repeat((differ < -1.64 * error * 2**0.5) | (rng.random() < world.share), 2)
        else:
            kept = (favour + luck < 0.0) | (size >= FEW) | (rng.random(world.cards) < world.share)
            kept &= rng.random(world.cards) < TESTED
        if not kept.any():
            continue
        published += 1
        offset = rng.normal(0.0, world.between_k)
        for card in np.flatnonzero(kept):
            still, moved = 0.17 * watt, 0.09 * watt * (SPEED_RPM / rpm) ** 0.7
            added = (offset + world.gap_k * card + favour[card] + luck[card]) * watt / POWER_W
            rows.append({
                "run": f"{lab}-{card}", "sensor": "memory", "product": f"Card {card}",
                "cooler_model": f"Cooler {card}", "board_model": f"Board {card}", "lab": lab,
                "fan_rpm": round(rpm), "power_w": round(watt, 1), "ambient_c": round(air, 1),
                "temperature_c": round(air + still + moved + added, 2), "n": size,
                "standard_error_k": round(error, 3),
            })  # fmt: skip
    return pd.DataFrame(rows)
