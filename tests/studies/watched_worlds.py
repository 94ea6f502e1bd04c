"""Simulated runs that are watched at the bench, with the true steady rise at every second.

The cards are those of `log_worlds`; nothing of the library is used.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from log_worlds import Card

#: Length of a run: a start at idle and an hour at load [s].
SECONDS = 3700


@dataclass
class Watched:
    """A run, and the true steady rise of each sensor under the conditions of each second."""

    frame: pd.DataFrame
    truth: dict[str, np.ndarray]
    start_s: float


def _watched(card, mean_share=False):
    """Write a card's log; where its conditions cycle, their mean over the load is the truth."""
    frame = card.log().frame
    share = card.drive()[2]
    if mean_share:
        share = np.full(card.seconds, share[card.loaded].mean())
    names = ("memory", "junction")
    truth = {name: rise * share for name, rise in zip(names, card.rises_k, strict=True)}
    return Watched(frame, truth, float(card.idle_s))


def usual(rng):
    """Constant fan and power, with a slow part of up to 15 % of 250 to 450 s."""
    return _watched(Card.draw(rng, seconds=SECONDS))


def slow(rng):
    """A slow part of up to 20 % of 300 to 800 s."""
    constants = (float(rng.uniform(40.0, 130.0)), float(rng.uniform(300.0, 800.0)))
    share = float(rng.uniform(0.0, 0.2))
    return _watched(Card.draw(rng, seconds=SECONDS, constants_s=constants, slow=share))


def cycling_fan(rng):
    """A fan that swings by 1 to 6 % every 60 to 600 s."""
    t = np.arange(float(SECONDS))
    swing, period = rng.uniform(0.01, 0.06), rng.uniform(60.0, 600.0)
    factor = 1.0 + swing * np.sin(2.0 * np.pi * t / period + rng.uniform(0.0, 6.0))
    return _watched(Card.draw(rng, seconds=SECONDS, fan_factor=factor), mean_share=True)


def power_step(rng):
    """Power that steps by 5 to 30 % some time after the load began."""
    at, low = int(rng.integers(200, 1200)), rng.uniform(0.7, 0.95)
    late = np.arange(SECONDS) >= at
    factor = np.where(late, low, 1.0) if rng.random() < 0.5 else np.where(late, 1.0, low)
    return _watched(Card.draw(rng, seconds=SECONDS, power_factor=factor))


def drifting_ambient(rng):
    """A room that warms up or cools down by 1 to 4 K an hour, which sensors follow later."""
    world = _watched(Card.draw(rng, seconds=SECONDS))
    k_per_s = rng.choice([-1.0, 1.0]) * rng.uniform(1.0, 4.0) / 3600.0
    t = np.arange(float(SECONDS))
    for name, late_s in (("memory_c", 120.0), ("junction_c", 80.0), ("ambient_c", 1e-3)):
        late_s *= rng.uniform(0.6, 1.6)
        drift = k_per_s * (t - late_s * (1.0 - np.exp(-t / late_s)))
        world.frame[name] = np.round(world.frame[name] + drift, 2)
    return world


def slow_cycle(rng):
    """A rise that swings by 0.5 to 2 K every 350 to 1,200 s."""
    t = np.arange(float(SECONDS))
    period, swing = rng.uniform(350.0, 1200.0), rng.uniform(0.5, 2.0)
    cycle = swing * np.sin(2.0 * np.pi * t / period + rng.uniform(0.0, 6.0))
    return _watched(Card.draw(rng, seconds=SECONDS, extra_k=cycle))


STEADY = (usual, slow, power_step, drifting_ambient)
CYCLING = (cycling_fan, slow_cycle)
