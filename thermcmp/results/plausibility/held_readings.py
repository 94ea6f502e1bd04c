"""Readings near the highest that do not answer what should move them: held by a limit."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from thermcmp._types import Array, IntArray
from thermcmp.results.plausibility.run_order import PARTS

#: Readings within this of the highest may be held at one temperature [K]: a loop wanders by
#: some tenths (common practice, no source).
_BAND_K: Final = 1.5
#: What may move a reading beside its air, and how many fan speeds of its assembly must be in the
#: band: power and fan speed; or the fan alone, where a card near its limit lowers its power. Two
#: set points may agree by chance, more of them do not (choices).
_MOVERS: Final = ((np.array([1.0, 1.0]), 1), (np.array([0.0, 1.0]), 3))
#: Fan speeds closer than this share are one (common practice, no source).
_ONE_SPEED: Final = 0.04
#: Fewest readings of the band, of assemblies with several of them, that are judged (a choice).
_FEWEST: Final = 4
#: Parts that make a card, and how many of its highest readings may be off.
_CARD: Final = ["cooler_model", "board_model"]
_TOPS: Final = 4
#: From the median distance of normal errors to their standard deviation.
_TO_SD: Final = 1.4826
#: How many times as far apart as they read, and at least by how much [K], power, fan speed and
#: air should have moved them (choices: of 1,482 tables without a limit 10 were asked
#: about, 9 of them with first runs some kelvins hot).
_TIMES: Final = 2.0
_APART_K: Final = 0.7
#: The rise follows power, and the inverse root of the fan speed, by these shares, give or take
#: the standard deviations; cards differ in them by parts of them (common practice, no source).
_USUAL: Final = np.array([0.9, 0.8])
_USUAL_SD: Final = np.array([0.15, 0.4])
_CARDS_APART: Final = np.array([0.14, 0.42])
_FAN_EXPONENT: Final = 0.5
#: Standard deviations by which a card may follow power and fan less than is found.
_LEAST: Final = 2.0
_DIRECTIONS: Final = 16
_ROUNDS: Final = 4
#: Least scatter of readings about what moves them [K].
_LEAST_SCATTER_K: Final = 0.1


@dataclass(frozen=True, slots=True)
class _Shares:
    """Shares by which a rise follows power and fan speed, and what they leave unexplained."""

    mean: Array
    cov: Array
    scatter_k: float

    def for_a_card(self) -> _Shares:
        """Return them as what is known of a card before its own readings."""
        apart = np.diag((_CARDS_APART * self.mean) ** 2)
        return _Shares(self.mean, self.cov + apart, self.scatter_k)

    @property
    def possible(self) -> Array:
        """Shares about as far from the likeliest as they may be, and those, shape (k, 2)."""
        angle = np.linspace(0.0, 2.0 * np.pi, _DIRECTIONS, endpoint=False)
        around = np.linalg.cholesky(self.cov) @ np.array([np.cos(angle), np.sin(angle)])
        return np.maximum(self.mean + np.vstack([np.zeros(2), _LEAST * around.T]), 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class _Readings:
    """Readings of a group: by temperature, air and what power and fan would add to the rise."""

    read_c: Array
    air_c: Array
    #: By how much power and fan speed would raise each, shape (n, 2) [K].
    by_k: Array
    assembly: IntArray
    card: IntArray
    #: Fan speeds that were set, counted through all assemblies.
    speed: IntArray

    def at(self, places: IntArray) -> _Readings:
        """Return some of the readings, their assemblies counted from 0."""
        return _Readings(
            self.read_c[places], self.air_c[places], self.by_k[places],
            np.unique(self.assembly[places], return_inverse=True)[1], self.card[places],
            self.speed[places],
        )  # fmt: skip

    def in_company(self) -> _Readings:
        """Return those that are not the only one of their assembly."""
        return self.at(np.flatnonzero(np.bincount(self.assembly)[self.assembly] > 1))


@dataclass(frozen=True, slots=True, eq=False)
class Held:
    """Readings that stay near the highest, and what should have moved them."""

    rows: pd.DataFrame
    #: By how much they should have moved, as a standard deviation [K].
    should_k: float
    #: Whether the power is lower where less air should have made them hotter.
    gives_way: bool


def held_readings(rows: pd.DataFrame, by: list[str]) -> Iterator[Held]:
    """Yield the readings of a group that stay near the highest whatever should move them.

    Only runs of one assembly are compared, so that no
    difference between parts enters; how far conditions move a card is learned from its other
    readings, and from those of the other cards.
    """
    known = rows.dropna(subset=["power_w", "fan_rpm", "ambient_c"])
    parts = [known[name].astype("string").fillna("") for name in PARTS if name in known]
    assembly, card = (
        np.asarray(known.groupby([*by, *names], observed=True, sort=False).ngroup(), np.intp)
        for names in (parts, _CARD)
    )
    for places in map(np.asarray, known.groupby(by, observed=True).indices.values()):
        group = known.take(places)
        air_c, power_w, fan_rpm = (
            group[name].to_numpy(float) for name in ("ambient_c", "power_w", "fan_rpm")
        )
        read_c = group["temperature_c"].to_numpy(float)
        rise_k = float(np.median(read_c - air_c))
        # A stopped fan is no speed.
        flow = np.where(fan_rpm > 0.0, fan_rpm, np.nan) / max(float(np.median(fan_rpm)), 1.0)
        by_k = rise_k * np.column_stack(
            [power_w / np.median(power_w) - 1.0, np.nan_to_num(flow, nan=1.0) ** -_FAN_EXPONENT - 1]
        )
        of_card, speed = card[places], _speeds(fan_rpm, assembly[places])
        stay = np.unique(assembly[places], return_inverse=True)[1]
        readings = _Readings(read_c, air_c, by_k, stay, of_card, speed)
        for gives_way, (movers, speeds) in enumerate(_MOVERS):
            near, should_k = _held(readings, movers, speeds)
            if len(near):
                yield Held(group.take(np.sort(near)), should_k, bool(gives_way))
                break


def _speeds(fan_rpm: Array, assembly: IntArray) -> IntArray:
    """Return a number of each fan speed that was set in an assembly, shape (n,)."""
    order = np.lexsort((fan_rpm, assembly))
    speed = np.log(np.maximum(fan_rpm[order], 1.0))
    is_new = (np.diff(assembly[order]) != 0) | (np.diff(speed) > _ONE_SPEED)
    numbers = np.zeros(len(order), np.intp)
    numbers[order[1:]] = np.cumsum(is_new)
    return numbers


def _held(readings: _Readings, movers: Array, speeds: int) -> tuple[IntArray, float]:
    """Return the places of the held readings, and by how much they should have moved [K].

    The highest reading may be an outlier, so that bands below it are looked at too.
    """
    read_c, none = readings.read_c, np.zeros(0, np.intp)
    # Where nothing reads lower nothing shows that the readings move at all.
    if np.ptp(read_c) == 0.0:
        return none, 0.0
    by_card = np.argsort(readings.card, kind="stable")
    cards = np.split(by_card, np.flatnonzero(np.diff(readings.card[by_card])) + 1)
    below = [mine[read_c[mine] <= read_c[mine].max() - _BAND_K] for mine in cards]
    start = _Shares(_USUAL, np.diag(_USUAL_SD**2), _APART_K)
    usual = _learned(readings.at(np.concatenate(below)), start).for_a_card()
    # All cards may share a limit, or each may have its own.
    for group in (cards, *([mine] for mine in cards)):
        mine = np.concatenate(group)
        for top_c in np.unique(read_c[mine])[::-1][:_TOPS]:
            bands = [_in_band(readings, own, top_c, speeds) for own in group]
            near = np.concatenate([places for places, _ in bands])
            if len(near) < _FEWEST:
                continue
            moves = [
                _moved(readings.at(places), readings.at(lower), usual, movers)
                for places, lower in bands
                if len(places)
            ]
            did_k, should_k, scatter_k = (
                _rms(np.concatenate(each)) for each in zip(*moves, strict=True)
            )
            if should_k > max(_TIMES * float(np.hypot(did_k, scatter_k)), _APART_K):
                return near, should_k
    return none, 0.0


def _in_band(
    readings: _Readings, own: IntArray, top_c: float, speeds: int
) -> tuple[IntArray, IntArray]:
    """Return the places of a card's readings in the band below a temperature, and of the lower."""
    read_c = readings.read_c[own]
    near = (read_c <= top_c) & (read_c > top_c - _BAND_K)
    # A lone reading of its assembly has nothing to be held against.
    assembly = np.unique(readings.assembly[own], return_inverse=True)[1]
    near &= np.bincount(assembly, near)[assembly] > 1
    if near.any() and speeds > 1:
        kinds = np.unique(np.column_stack([assembly, readings.speed[own]])[near], axis=0)
        near &= np.bincount(kinds[:, 0], minlength=assembly.max() + 1)[assembly] >= speeds
    return own[near], own[~near & (read_c <= top_c)]


def _moved(
    near: _Readings, lower: _Readings, usual: _Shares, movers: Array
) -> tuple[Array, Array, Array]:
    """Return how far readings of a card moved, should have moved at least, and scatter [K]."""
    shares = _learned(lower, usual)
    should = [
        _centred(near.air_c + near.by_k @ (movers * each), near.assembly)
        for each in shares.possible
    ]
    scatter = np.full(len(near.read_c), shares.scatter_k)
    return _centred(near.read_c, near.assembly), min(should, key=_rms), scatter


def _learned(readings: _Readings, known: _Shares) -> _Shares:
    """Return the shares after these readings, which may be held or off themselves in part."""
    some = readings.in_company()
    if len(some.read_c) == 0:
        return known
    rise = _centred(some.read_c - some.air_c, some.assembly)
    by_k = np.column_stack([_centred(each, some.assembly) for each in some.by_k.T])
    precision, weight = np.linalg.inv(known.cov), np.ones(len(rise))
    mean, cov, scatter_k = known.mean, known.cov, known.scatter_k
    for _ in range(_ROUNDS):
        weighted = by_k.T * (weight / scatter_k**2)
        cov = np.asarray(np.linalg.inv(precision + weighted @ by_k), dtype=float)
        mean = np.asarray(cov @ (precision @ known.mean + weighted @ rise), dtype=float)
        left = rise - by_k @ mean
        scatter_k = max(_TO_SD * float(np.median(np.abs(left))), _LEAST_SCATTER_K)
        weight = 1.0 / (1.0 + (left / (2.0 * scatter_k)) ** 2)
    return _Shares(mean, cov, scatter_k)


def _centred(values: Array, group: IntArray) -> Array:
    """Return values less the mean of their group."""
    count, total = np.bincount(group), np.bincount(group, values)
    return np.asarray(values - (total / np.maximum(count, 1))[group])


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2)))
