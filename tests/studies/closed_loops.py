"""Runs of cards whose firmware holds a sensor, from the formula of the model written out anew.

A run has its own ambient, power and scatter; the loop then moves the fan, or cuts the power,
until the sensor stands at the target. Where it cannot, it stays at its own limit and the run
is an ordinary one.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

REFERENCE_W, REFERENCE_RPM = 200.0, 1800.0


@dataclass(frozen=True)
class Card:
    """A cooler on the one board: rise and airflow part at the reference [K]."""

    name: str
    rise_k: float
    airflow_k: float
    exponent: float = 0.65


@dataclass(frozen=True)
class Bench:
    """What differs from run to run, and between which speeds the fan can turn."""

    scatter_k: float = 0.5
    ambient_c: tuple = (20.0, 24.0)
    power_w: tuple = (185.0, 215.0)
    fan_rpm: tuple = (600.0, 4000.0)
    highest_w: float = 260.0

    def frame(self, rows):
        frame = pd.DataFrame(rows)
        return frame.assign(
            run=[f"r{i}" for i in range(len(frame))],
            sensor="memory",
            cooler_id=frame["cooler_model"] + "-1",
            board_model="Heron-B1",
            lab="North",
            assembly=frame["cooler_model"] + " mount 1",
        )

    def free(self, card, speeds, rng):
        """Runs at fixed fan speeds."""
        rows = []
        for speed in speeds:
            ambient, power, own = self._own(rng)
            g = (speed / REFERENCE_RPM) ** -card.exponent
            rise = power / REFERENCE_W * (card.rise_k + card.airflow_k * (g - 1.0)) + own
            rows.append(self._row(card, ambient + rise, ambient, power, speed, ""))
        return rows

    def by_fan(self, card, target_c, count, rng):
        """Runs in which the fan holds the target."""
        rows = []
        for _ in range(count):
            ambient, power, own = self._own(rng)
            wanted = (target_c - ambient - own) * REFERENCE_W / power
            g = 1.0 + (wanted - card.rise_k) / card.airflow_k
            speed = REFERENCE_RPM * g ** (-1.0 / card.exponent) if g > 0 else np.inf
            lowest, highest = self.fan_rpm
            if lowest <= speed <= highest:
                rows.append(self._row(card, target_c, ambient, power, speed, "fan"))
                continue
            speed = min(max(speed, lowest), highest)
            g = (speed / REFERENCE_RPM) ** -card.exponent
            rise = power / REFERENCE_W * (card.rise_k + card.airflow_k * (g - 1.0)) + own
            rows.append(self._row(card, ambient + rise, ambient, power, speed, ""))
        return rows

    def by_power(self, card, target_c, speeds, rng):
        """Runs in which a power limit holds the target, the fan at fixed speeds."""
        rows = []
        for speed in speeds:
            ambient, _, own = self._own(rng)
            g = (speed / REFERENCE_RPM) ** -card.exponent
            rise = card.rise_k + card.airflow_k * (g - 1.0)
            power = REFERENCE_W * (target_c - ambient - own) / rise
            if power <= self.highest_w:
                rows.append(self._row(card, target_c, ambient, power, speed, "power"))
                continue
            warm = ambient + self.highest_w / REFERENCE_W * rise + own
            rows.append(self._row(card, warm, ambient, self.highest_w, speed, ""))
        return rows

    def _own(self, rng):
        own = self.scatter_k * rng.standard_normal()
        return rng.uniform(*self.ambient_c), rng.uniform(*self.power_w), own

    def _row(self, card, temperature, ambient, power, speed, by):
        return {
            "cooler_model": card.name,
            "temperature_c": temperature,
            "ambient_c": ambient,
            "power_w": power,
            "fan_rpm": speed,
            "regulated": bool(by),
            "regulated_by": by or None,
        }
