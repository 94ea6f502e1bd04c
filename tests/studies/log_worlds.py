"""Simulated bench logs of many kinds with known truth, for studies of the reduction.

A card is two bodies in parallel under a power and a fan speed that may change with time; each
follows its own steady rise exactly from second to second. Nothing of the library is used.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

#: Constant part and fan exponent of the resistance.
STILL, EXPONENT = 0.35, 0.65
#: Fan speed of the nominal resistance [rpm].
NOMINAL_RPM = 1800.0


@dataclass
class World:
    """One simulated run: its log, the true steady rises, and what a user states."""

    frame: pd.DataFrame
    truth: dict[str, float]
    options: dict = field(default_factory=dict)


@dataclass
class Card:
    """A card on a bench; every value is drawn, and a kind of log changes some of them."""

    rng: np.random.Generator
    seconds: int
    idle_s: int = 60
    after_s: int = 0
    period_s: float = 1.0
    step_k: float = 0.1
    noise_k: float = 0.15
    phi: float = 0.5
    ambient_c: float = 22.0
    power_w: float = 250.0
    fan_rpm: float = NOMINAL_RPM
    #: Share of the slow body in each rise, and both time constants [s].
    slow: float = 0.1
    constants_s: tuple[float, float] = (80.0, 350.0)
    rises_k: tuple[float, float] = (48.0, 60.0)
    #: Added rise at each second [K], and factors of power and fan speed at each second.
    extra_k: np.ndarray | None = None
    power_factor: np.ndarray | None = None
    fan_factor: np.ndarray | None = None

    @classmethod
    def draw(cls, rng, **fixed):
        """Draw a card on a usual bench."""
        drawn = {
            "seconds": int(rng.integers(1200, 2400)),
            "idle_s": int(rng.integers(20, 120)),
            "step_k": float(rng.choice([0.1, 0.25, 0.5, 1.0])),
            "noise_k": float(rng.choice([0.08, 0.15, 0.3])),
            "phi": float(rng.choice([0.0, 0.5, 0.9])),
            "ambient_c": float(rng.uniform(19.0, 26.0)),
            "power_w": float(rng.uniform(150.0, 350.0)),
            "fan_rpm": float(rng.uniform(1300.0, 2300.0)),
            "slow": float(rng.uniform(0.0, 0.15)),
            "constants_s": (float(rng.uniform(40.0, 130.0)), float(rng.uniform(250.0, 450.0))),
            "rises_k": (float(rng.uniform(35.0, 60.0)), float(rng.uniform(45.0, 70.0))),
        }
        return cls(rng, **(drawn | fixed))

    @property
    def times_s(self) -> np.ndarray:
        """Every second of the record."""
        return np.arange(float(self.seconds))

    @property
    def loaded(self) -> np.ndarray:
        """Whether the card is at load at each second."""
        t = self.times_s
        return (t >= self.idle_s) & (t < self.seconds - self.after_s)

    def drive(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Power [W], fan speed [rpm] and the share of the nominal rise at each second."""
        ones = np.ones(self.seconds)
        power = np.where(self.loaded, self.power_w, 22.0)
        power = power * np.where(self.loaded, self.power_factor if self.power_factor is not None
                                 else ones, 1.0)  # fmt: skip
        fan = self.fan_rpm * (self.fan_factor if self.fan_factor is not None else ones)
        air = STILL + (1.0 - STILL) * (fan / self.fan_rpm) ** -EXPONENT
        return power, fan, power / self.power_w * air

    def followed(self, drive: np.ndarray) -> np.ndarray:
        """What the bodies of the card have followed of a drive at each second."""
        followed = np.zeros(self.seconds)
        for part, constant in zip((1.0 - self.slow, self.slow), self.constants_s, strict=True):
            keep, level = np.exp(-1.0 / constant), drive[0]
            for second in range(self.seconds):
                level = drive[second] + (level - drive[second]) * keep
                followed[second] += part * level
        return followed

    def rise(self, rise_k: float) -> np.ndarray:
        """The rise of a sensor at each second [K]."""
        rise = rise_k * self.followed(self.drive()[2])
        return rise + (0.0 if self.extra_k is None else self.extra_k)

    def noise(self, sd: float) -> np.ndarray:
        """Noise of first order with a standard deviation."""
        shocks = self.rng.standard_normal(self.seconds + 60) * np.sqrt(1.0 - self.phi**2)
        values, level = np.empty(len(shocks)), 0.0
        for i, shock in enumerate(shocks):
            level = self.phi * level + shock
            values[i] = level
        return sd * values[60:]

    def log(self) -> World:
        """The log as a logger writes it, and the true rises under the last conditions."""
        rng, n, t = self.rng, self.seconds, self.times_s
        power, fan, share = self.drive()
        air = self.ambient_c + 0.1 * np.sin(2.0 * np.pi * t / 2400.0 + rng.uniform(0.0, 6.0))
        columns = {"time_s": t}
        for name, rise_k in zip(("memory_c", "junction_c"), self.rises_k, strict=True):
            shown = self.followed(air) + self.rise(rise_k) + self.noise(self.noise_k)
            columns[name] = np.round(np.round(shown / self.step_k) * self.step_k, 3)
        columns["ambient_c"] = np.round(air + 0.04 * rng.standard_normal(n), 2)
        columns["fan_rpm"] = np.round(fan + 4.0 * rng.standard_normal(n))
        columns["power_w"] = np.round(power + 0.8 * rng.standard_normal(n), 1)
        columns["load_percent"] = np.where(self.loaded, 99.0, 1.0)
        frame = pd.DataFrame(columns)
        if self.period_s != 1.0:
            wanted = np.arange(0.0, n - 1.0, self.period_s)
            frame = frame.iloc[wanted.astype(int)].reset_index(drop=True)
        last = share[np.flatnonzero(self.loaded)[-1]]
        truth = {"memory": self.rises_k[0] * last, "junction": self.rises_k[1] * last}
        return World(frame, truth)


def good(rng):
    """A usual run."""
    return Card.draw(rng).log()


def good_long(rng):
    """A run of an hour and its cooling."""
    return Card.draw(rng, seconds=3900, after_s=300).log()


def good_coarse(rng):
    """Whole degrees and little noise: a reading may rest for minutes."""
    return Card.draw(rng, step_k=1.0, noise_k=float(rng.choice([0.0, 0.05]))).log()


def good_unlike_sensors(rng):
    """A quiet sensor in whole degrees, beside one with other and slower parts."""
    fixed = {"seconds": int(rng.integers(1200, 2400)), "idle_s": 40, "power_w": 250.0,
             "fan_rpm": NOMINAL_RPM, "ambient_c": 22.0}  # fmt: skip
    quiet = Card.draw(rng, step_k=1.0, noise_k=float(rng.choice([0.0, 0.05])), **fixed).log()
    constants = (float(rng.uniform(40.0, 200.0)), float(rng.uniform(250.0, 700.0)))
    other = Card.draw(rng, constants_s=constants, slow=float(rng.uniform(0.0, 0.2)), **fixed).log()
    quiet.frame["junction_c"] = other.frame["junction_c"]
    quiet.truth["junction"] = other.truth["junction"]
    return quiet


def good_whole_seconds(rng):
    """Stamps in whole seconds at periods that are none."""
    world = Card.draw(rng, period_s=float(rng.choice([1.2, 1.35, 1.45, 2.3, 2.49, 3.4]))).log()
    world.frame["time_s"] = np.floor(world.frame["time_s"])
    return world


def good_fan_switched(rng):
    """A fan that is switched within the first minutes of the soak, and then held."""
    seconds = int(rng.integers(1500, 2400))
    at = int(rng.integers(120, 420))
    factor = np.where(np.arange(seconds) < at, rng.choice([0.75, 0.85, 1.2]), 1.0)
    return Card.draw(rng, seconds=seconds, fan_factor=factor).log()


def good_power_cut(rng):
    """Full power at first, then a limit cuts it at full load."""
    seconds = int(rng.integers(1500, 2400))
    at = int(rng.integers(90, 300))
    factor = np.where(np.arange(seconds) < at, 300.0 / 170.0, 1.0)
    return Card.draw(rng, seconds=seconds, power_w=170.0, power_factor=factor).log()


def good_power_cut_no_load(rng):
    """The same without a logged load."""
    world = good_power_cut(rng)
    del world.frame["load_percent"]
    return world


def good_fan_hunts_in_warm_up(rng):
    """A fan that creeps up for three minutes and is then held."""
    seconds = int(rng.integers(1500, 2400))
    factor = np.interp(np.arange(seconds), [0.0, rng.uniform(120.0, 240.0)], [0.8, 1.0])
    return Card.draw(rng, seconds=seconds, fan_factor=factor).log()


def good_looped(rng):
    """A looped test with pauses of two seconds, which the protocol allows."""
    card = Card.draw(rng)
    factor = np.where(np.arange(card.seconds) % 30 < 2, 22.0 / card.power_w, 1.0)
    card.power_factor = factor
    world = card.log()
    world.frame.loc[factor < 1.0, "load_percent"] = 1.0
    mean = float(factor[-300:].mean())
    world.truth = {name: rise * mean for name, rise in zip(world.truth, card.rises_k, strict=True)}
    return world


def _from(rng, world, low=0.25, high=0.75):
    """A second within a share of the record."""
    n = len(world.frame)
    return int(rng.integers(int(low * n), int(high * n)))


def frozen(rng):
    """A sensor that freezes while it warms up or later."""
    card = Card.draw(rng)
    world = card.log()
    at = card.idle_s + int(rng.integers(30, 400))
    world.frame.loc[at:, "memory_c"] = world.frame["memory_c"].iloc[at]
    return world


def frozen_idle(rng):
    """A sensor that freezes before the load."""
    card = Card.draw(rng)
    world = card.log()
    at = card.idle_s // 2
    world.frame.loc[at:, "memory_c"] = world.frame["memory_c"].iloc[at]
    return world


def clipped(rng):
    """A sensor that cannot show more than a ceiling below its true level."""
    world = Card.draw(rng).log()
    top = world.frame["memory_c"].max() - rng.uniform(2.0, 20.0)
    world.frame["memory_c"] = world.frame["memory_c"].clip(upper=np.round(top))
    return world


def clipped_noise(rng):
    """A noisy sensor whose ceiling is within its noise."""
    world = Card.draw(rng, noise_k=float(rng.uniform(0.8, 1.5)), step_k=0.1, phi=0.3).log()
    level = world.frame["memory_c"].iloc[-300:].mean()
    world.frame["memory_c"] = world.frame["memory_c"].clip(upper=np.round(level, 1))
    return world


def all_zero(rng):
    """A sensor that reads zero throughout."""
    world = Card.draw(rng).log()
    world.frame["memory_c"] = 0.0
    return world


def dropouts(rng):
    """Single readings of zero."""
    world = Card.draw(rng).log()
    at = rng.choice(len(world.frame), int(rng.integers(3, 40)), replace=False)
    world.frame.loc[at, rng.choice(["memory_c", "ambient_c", "power_w", "fan_rpm"])] = 0.0
    return world


def overflow(rng):
    """A probe that returns its power-up or broken-line value now and then, or for a minute."""
    world = Card.draw(rng).log()
    value = rng.choice([85.0, -127.0])
    at = _from(rng, world)
    world.frame.loc[at : at + int(rng.choice([0, 3, 60])), "memory_c"] = value
    return world


def warm_ambient(rng):
    """An ambient in °F under a bare heading."""
    world = Card.draw(rng).log()
    world.frame["ambient_c"] = np.round(world.frame["ambient_c"] * 1.8 + 32.0, 1)
    return world


def swapped(rng):
    """Ambient and sensor in each other's place."""
    world = Card.draw(rng).log()
    world.frame = world.frame.rename(columns={"ambient_c": "memory_c", "memory_c": "ambient_c"})
    return world


def typed_sensor(rng):
    """A sensor's column that was typed in."""
    world = Card.draw(rng).log()
    world.frame["memory_c"] = round(float(rng.uniform(50.0, 80.0)), 1)
    return world


def throttled(rng):
    """A clock that falls at full load, with the rise of the power that is left."""
    card = Card.draw(rng)
    world = card.log()
    n = len(world.frame)
    late = np.arange(n) > int(rng.uniform(0.3, 0.9) * n)
    world.frame["core_mhz"] = np.round(np.where(late, 2050.0, 2500.0) + 5 * rng.standard_normal(n))
    world.truth = {}
    return world


def clock_settles(rng):
    """A clock that gives way by two per cent as the card warms up, which is usual: good."""
    world = Card.draw(rng).log()
    t = world.frame["time_s"].to_numpy()
    clock = 2500.0 - 50.0 * (1.0 - np.exp(-t / 120.0))
    world.frame["core_mhz"] = np.round(clock + 8.0 * rng.standard_normal(len(t)))
    return world


def set_points(rng):
    """Columns of a target and a limit beside the sensors: good, without rows for these."""
    world = Card.draw(rng).log()
    return World(world.frame.assign(target_c=83.0, limit_c=95.0), world.truth)


def _cycling(rng, low, high):
    """A run of a length in a range [s], with a limit cycle that it may not hold whole."""
    seconds = int(rng.integers(low, high))
    period, swing = rng.uniform(350.0, 1200.0), rng.uniform(0.5, 2.1)
    t = np.arange(float(seconds))
    cycle = swing * np.sin(2.0 * np.pi * t / period + rng.uniform(0.0, 2.0 * np.pi))
    return Card.draw(rng, seconds=seconds, idle_s=30, extra_k=cycle).log()


def slow_cycle(rng):
    """A limit cycle of 350 to 1,200 s, cut at any moment."""
    return _cycling(rng, 1500, 4000)


def short_cycle(rng):
    """A limit cycle in a run that is only as long as the protocol asks, or a little longer."""
    return _cycling(rng, 930, 1500)


def stopped_in_a_cycle(rng):
    """A limit cycle in a run that stopped early."""
    return _cycling(rng, 500, 900)


def good_short(rng):
    """A run that is only as long as the protocol asks."""
    return Card.draw(rng, seconds=int(rng.integers(930, 1200)), idle_s=30).log()


def good_stopped_early(rng):
    """A run that stopped before its soak was over."""
    return Card.draw(rng, seconds=int(rng.integers(560, 900)), idle_s=30).log()


def creeping(rng):
    """A rise that climbs all the time, as a cooler's paste or dust may make it."""
    seconds = int(rng.integers(1500, 3600))
    slope = rng.uniform(0.05, 0.5) / 60.0
    t = np.arange(float(seconds))
    world = Card.draw(rng, seconds=seconds, extra_k=slope * t).log()
    world.truth = {}
    return world


#: Kinds whose every row is right, and kinds with a column that must not be taken at its word.
GOOD = (
    good, good_long, good_coarse, good_unlike_sensors, good_whole_seconds, good_fan_switched,
    good_power_cut,
    good_power_cut_no_load, good_fan_hunts_in_warm_up, good_looped, clock_settles, set_points,
    dropouts, overflow, good_short, good_stopped_early,
)  # fmt: skip
BAD = (
    frozen, frozen_idle, clipped, clipped_noise, all_zero, warm_ambient, swapped, typed_sensor,
    throttled,
)  # fmt: skip
MOVING = (slow_cycle, short_cycle, stopped_in_a_cycle, creeping)
