"""Sentences of a ranking."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from thermcmp.questions.phrases import few_named, percent_words, range_words
from thermcmp.questions.ranking.ranked import SURE, Network, Ranked
from thermcmp.questions.ranking.tables import front_chances

#: Chance of being on the front from which a product is named there.
_WORTH_NAMING: Final = 0.1


def ranking_sentences(
    ranked: Ranked, matters_k: float, prob: float, *, as_bought: bool = False
) -> tuple[str, ...]:
    """Return the coolest of each network, how its products are grouped, and what is quiet."""
    if not ranked.networks:
        return ("No product can be ranked at these conditions.",)
    apart = len(ranked.networks) > 1
    sentences = [_apart_words(ranked.networks)] if apart else []
    for number, network in enumerate(ranked.networks, start=1):
        lead = f"Network {number}: " if apart else ""
        words = _network_sentences(network, matters_k, prob)
        words += _front_sentences(network, prob) if as_bought else []
        sentences += [lead + sentence for sentence in words]
    return tuple(sentences)


def link_caveats(ranked: Ranked) -> list[str]:
    """Name the run that would link networks that no run compares."""
    if not ranked.networks:
        return []
    first, *others = ranked.networks
    return [
        f"No run compares {_named(network)} with {_named(first)}: only the assumed spread of "
        f"laboratories and benches links them, so they are ranked apart. To link them: run one of "
        f"these cards, or one of the former, at {_at(network)} and at {_at(first)}."
        for network in others
    ]


def unreached_caveats(ranked: Ranked) -> list[str]:
    """Name the products that have no value at the conditions."""
    names = ", ".join(entry.name for entry in ranked.unreached)
    return [f"Not ranked, see their health: {names}."] if names else []


def _network_sentences(network: Network, matters_k: float, prob: float) -> list[str]:
    temperatures, groups, entries = network.temperatures, network.groups, network.entries
    if len(entries) == 1:
        only = range_words(entries[0].temperature, prob, "°C")
        return [f"{entries[0].name} at {only}, with nothing to compare it to."]
    leaders = [e.name for e, group in zip(entries, groups, strict=True) if group == groups[0]]
    best = float(np.mean(temperatures[:, 0] == temperatures.min(axis=1)))
    sentences = [
        f"Coolest: {entries[0].name} at {range_words(entries[0].temperature, prob, '°C')}; "
        f"{percent_words(best)} probability that it is the coolest of all."
    ]
    if len(leaders) > 1:
        sentences.append(
            f"{', '.join(leaders)} cannot be separated: no gap to {leaders[0]} is clearly "
            f"above {matters_k:g} K."
        )
    count = groups[-1] - groups[0] + 1
    if count > 1:
        sentences.append(
            f"{len(entries)} products fall into {count} groups; with at least {SURE:.0%} "
            f"probability the coolest of every group is more than {matters_k:g} K warmer than the "
            "coolest of the group before it."
        )
    return sentences


def _front_sentences(network: Network, prob: float) -> list[str]:
    """Describe the quietest product, and those that no other beats in temperature and noise."""
    heard = [(entry, entry.noise) for entry in network.entries if entry.noise is not None]
    if len(heard) < 2:
        return []
    levels = np.stack([level for _, level in heard], axis=1)
    warmth = np.stack([entry.temperature for entry, _ in heard], axis=1)
    quiet = int(np.argmin(levels.mean(axis=0)))
    surely = float(np.mean(levels[:, quiet] == levels.min(axis=1)))
    chances = front_chances(warmth, levels)
    order = [k for k in np.argsort(-chances, kind="stable") if chances[k] >= _WORTH_NAMING]
    named = few_named([f"{heard[k][0].name} ({percent_words(chances[k])})" for k in order])
    return [
        f"Quietest: {heard[quiet][0].name} at {range_words(levels[:, quiet], prob, 'dB(A)')}; "
        f"{percent_words(surely)} probability that it is the quietest of all.",
        "Chances that no other is both cooler and quieter: " + named + ".",
    ]


def _apart_words(networks: Sequence[Network]) -> str:
    return (
        f"The products form {len(networks)} networks that no run compares: each is ranked by "
        "itself, and temperatures of different networks must not be set against each other."
    )


def _named(network: Network) -> str:
    return few_named([entry.name for entry in network.entries], 3)


def _at(network: Network) -> str:
    return few_named(network.places, 3).replace(", ", " or ")
