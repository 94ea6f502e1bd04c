"""The fits with known truth, for these tests."""

from known_fits import (  # noqa: F401 - fixtures
    aliased,
    bench,
    card_sweep,
    crossed,
    fit_known,
    peers,
    quiet_world,
    specimens,
)
