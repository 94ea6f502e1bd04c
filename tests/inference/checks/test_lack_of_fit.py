"""Repeats judge a model that its own scatter cannot judge."""

import numpy as np
import pytest
from scipy import stats

from thermcmp.inference.checks.lack_of_fit import lack_of_fit
from thermcmp.inference.diagnostics import Health
from thermcmp.inference.fitting import fit

SPEEDS, REPEATS = (1200.0, 1800.0, 2400.0), 4


def swaps(make_rows, *, seed, added_k, noise_k=0.3):
    """Two coolers on two boards, three speeds, repeats; `added_k` is what no part explains."""
    rng = np.random.default_rng(seed)
    rows = [
        (cooler, board, speed, 30.0 + 5.0 * cooler - 3.0 * board + 40.0 * (1800.0 / speed) ** 0.65)
        for cooler in (0, 1)
        for board in (0, 1)
        for speed in SPEEDS
        for _ in range(REPEATS)
    ]
    cooler, board, speed, rise = np.array(rows).T
    rise = rise + added_k(cooler, board, speed) + noise_k * rng.standard_normal(len(rise))
    names = np.char.add("Heron-C", (cooler + 1).astype(int).astype(str))
    boards = np.char.add("Heron-B", (board + 1).astype(int).astype(str))
    return make_rows(
        temperature_c=22.0 + rise,
        fan_rpm=speed,
        cooler_model=names,
        cooler_id=np.char.add(names, "-1"),
        board_model=boards,
        board_id=np.char.add(boards, "-1"),
        assembly=np.char.add(names, boards),
        fan_mode="fixed",
    )


def model_of(rows, seed):
    terms = ["cooler_model", "board_model"]
    return fit(rows, terms=terms, engine="conditional", expand="none", draws=800, seed=seed)


def test_a_right_model_passes_and_its_p_is_even(make_rows):
    nothing = lambda cooler, board, speed: 0.0  # noqa: E731
    found = [
        lack_of_fit(model_of(swaps(make_rows, seed=seed, added_k=nothing), seed))
        for seed in range(12)
    ]
    assert all(test.status is Health.OK and test.sentence == "" for test in found)
    assert np.mean([test.repeats_k for test in found]) == pytest.approx(0.3, rel=0.1)
    assert stats.kstest([test.p for test in found], "uniform").pvalue > 0.01


def test_a_cooler_that_does_not_fit_one_board_is_seen_and_named(make_rows):
    rows = swaps(make_rows, seed=1, added_k=lambda cooler, board, speed: 6.0 * cooler * board)
    model = model_of(rows, 1)
    found = lack_of_fit(model)
    assert found.repeats_k == pytest.approx(0.3, rel=0.3)
    # Two additive effects leave a quarter of 6 K in each of twelve cells, eight of them free.
    assert found.misfit_k == pytest.approx(1.5 * np.sqrt(12 / 8), rel=0.1)
    assert found.cause.startswith("the pairing of cooler and board")
    assert found.status is Health.BAD
    assert model.health is Health.BAD
    assert any(s.startswith("Misfit of set points") for s in model.diagnostics.sentences)


def remounted(rows, seed, spread_k=1.0):
    """The same runs, each repeat in an assembly of its own that takes some kelvins with it."""
    number = np.arange(len(rows)) % REPEATS
    names = rows["assembly"].astype(str) + " no. " + (number + 1).astype(str)
    luck_k = np.random.default_rng([seed, 9]).normal(0.0, spread_k, names.nunique())
    each = names.astype("category").cat.codes.to_numpy()
    return rows.assign(assembly=names, temperature_c=rows["temperature_c"] + luck_k[each])


@pytest.mark.parametrize("bump_k", [0.0, 3.0])
def test_assemblies_of_the_same_parts_repeat_what_none_repeats_itself(make_rows, bump_k):
    """The middle speed hotter than between the others: no exponent has that."""
    found, names = [], ["cooler_model", "board_model", "assembly"]
    for seed in range(8):
        rows = swaps(make_rows, seed=seed, added_k=lambda c, b, speed: bump_k * (speed == 1800.0))
        model = fit(remounted(rows, seed), terms=names, expand="none", draws=1200, seed=seed)
        found.append(lack_of_fit(model))
    assert all(test.repeats == "assemblies of the same parts" for test in found)
    if not bump_k:
        assert all(test.status is Health.OK for test in found)
        assert np.mean([test.repeats_k for test in found]) == pytest.approx(0.3, rel=0.15)
    else:
        assert all(test.status is not Health.OK for test in found)
        assert all("while assemblies of the same parts scatter by" in t.sentence for t in found)


def test_remounts_without_a_name_of_their_own_are_asked_about(make_rows):
    rows = swaps(make_rows, seed=3, added_k=lambda cooler, board, speed: 0.0)
    session = np.arange(len(rows)) % 3
    mounted = np.unique(rows["assembly"], return_inverse=True)[1] * 3 + session
    remount_k = np.random.default_rng(4).normal(0.0, 2.0, 12)
    rows = rows.assign(
        session=np.char.add("day ", session.astype(str)),
        temperature_c=rows["temperature_c"] + remount_k[mounted],
    )
    found = lack_of_fit(model_of(rows, 3))
    assert found.status is not Health.OK
    assert "4 assemblies were run in several sessions" in found.sentence


def test_heat_along_the_fan_speed_is_named_as_that(make_rows):
    bent = lambda cooler, board, speed: 5.0 * (np.abs(speed - 1800.0) < 1.0)  # noqa: E731
    found = lack_of_fit(model_of(swaps(make_rows, seed=2, added_k=bent), 2))
    assert found.status is not Health.OK
    assert found.cause.startswith("fan speed")


def test_without_repeats_there_is_no_test(make_rows):
    rows = swaps(make_rows, seed=3, added_k=lambda cooler, board, speed: 0.0)
    single = rows.iloc[::REPEATS].assign(assembly=[f"m{i}" for i in range(len(rows) // REPEATS)])
    assert lack_of_fit(model_of(single, 3)) is None
