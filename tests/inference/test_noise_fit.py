"""The noise law's posterior on runs with a known law."""

import types

import numpy as np
import pytest

import thermcmp as tc
from thermcmp.errors import LibraryError, NotEstimableError
from thermcmp.hooks import forget_plugin, hookimpl, use_plugin
from thermcmp.inference.diagnostics import Health
from thermcmp.inference.noise_fit import fit_noise
from thermcmp.physics.noise_law import NoiseLaw
from thermcmp.prediction.fitted_build import noise_law
from thermcmp.results.validation import check_results


@pytest.fixture(scope="module")
def noise(make_rows):
    """Two coolers: 38 dB at 1800 rpm and 54 dB a decade; 41 dB and 60 dB a decade."""
    rng = np.random.default_rng(6)
    loud = np.repeat([False, True], 12)
    speed = np.tile([1200.0, 1500.0, 1800.0, 2200.0, 2700.0, 3200.0], 4)
    level = np.where(loud, 41.0, 38.0) + np.where(loud, 60.0, 54.0) * np.log10(speed / 1800.0)
    rows = make_rows(
        cooler_model=np.where(loud, "B", "A"),
        cooler_id=np.where(loud, "B-1", "A-1"),
        assembly=np.where(loud, "m2", "m1"),
        fan_rpm=speed,
        noise_dba=level + rng.normal(0.0, 0.2, 24),
        mic_distance_m=0.5,
    )
    return fit_noise(check_results(rows), reference_rpm=1800.0, draws=2000, seed=1)


@pytest.mark.parametrize(("model", "level", "slope"), [("A", 38.0, 54.0), ("B", 41.0, 60.0)])
def test_the_law_put_in_comes_back(noise, model, level, slope):
    assert noise.diagnostics.health is Health.OK
    for draws, truth, widest in zip(noise.law(model), (level, slope), (0.6, 1.5), strict=True):
        low, high = np.quantile(draws, [0.005, 0.995])
        assert low < truth < high
        assert draws.std() < widest


def test_levels_typed_in_once_for_each_speed_are_fitted(make_rows):
    speed = np.tile([1400.0, 2200.0], 8)
    rows = make_rows(fan_rpm=speed, noise_dba=np.where(speed > 2000.0, 42.0, 31.5))
    found = fit_noise(check_results(rows), reference_rpm=1400.0, draws=1000, seed=1)
    (model,) = found.table["cooler_model"]
    truths = 31.5, 10.5 / np.log10(2200.0 / 1400.0)
    for draws, truth in zip(found.law(model), truths, strict=True):
        low, high = np.quantile(draws, [0.005, 0.995])
        assert low < truth < high


def test_speed_at_a_level_is_the_inverse_of_the_level(noise):
    speed = noise.speed_rpm("A", 42.0)
    assert noise.level_dba("A", speed) == pytest.approx(np.full(len(speed), 42.0), abs=1e-9)
    assert noise.speed_rpm("A", 38.0).mean() == pytest.approx(1800.0, rel=0.02)
    assert np.mean(noise.speed_rpm("B", 42.0) < noise.speed_rpm("A", 42.0)) > 0.99


@pytest.mark.parametrize("floor_dba", [None, 33.0])
def test_a_background_that_is_not_stated_flattens_the_level_and_is_asked_about(
    make_rows, floor_dba
):
    rng = np.random.default_rng(3)
    speed = np.tile([1200.0, 1500.0, 1800.0, 2200.0, 2700.0], 3)
    fan = 36.0 + 50.0 * np.log10(speed / 1800.0)
    heard = 10.0 * np.log10(10.0 ** (fan / 10.0) + 10.0**3.3) + rng.normal(0.0, 0.2, 15)
    rows = make_rows(
        cooler_model="A",
        cooler_id="A-1",
        assembly="m1",
        fan_rpm=speed,
        noise_dba=heard,
        noise_floor_dba=np.nan if floor_dba is None else floor_dba,
        mic_distance_m=0.5,
    )
    noise = fit_noise(check_results(rows), reference_rpm=1800.0, draws=2000, seed=1)
    said = [note for note in noise.notes if "A by " in note and "noise_floor_dba" in note]
    assert len(said) == (floor_dba is None)
    assert all(note in str(noise) for note in said)


def test_a_model_that_was_not_measured_has_no_law(noise):
    assert noise.law("C") is None
    assert noise.level_dba("C", 1800.0) is None
    assert noise.speed_rpm("C", 40.0) is None


def hum_and_air(fan_rpm):
    return 10.0 * np.log10(1.0 + (np.asarray(fan_rpm) / 1400.0) ** 5)


def test_a_plugins_law_is_fitted_kept_and_asked(make_rows, fresh_registry, tmp_path):
    # Levels of a motor's hum and of the air, added as energies, apart from the library's law.
    rng, speed = np.random.default_rng(4), np.tile([900.0, 1400.0, 1900.0, 2400.0], 6)
    level = 10.0 * np.log10(10.0**3.3 + 10.0 ** (3.3 + 5.0 * np.log10(speed / 1400.0)))
    rows = make_rows(
        assembly=np.repeat(["a", "b", "c"], 8),
        fan_rpm=speed,
        temperature_c=70.0 - 10.0 * np.log(speed / 1800.0) + rng.normal(0.0, 0.3, 24),
        noise_dba=level + rng.normal(0.0, 0.2, 24),
        mic_distance_m=0.5,
    )
    lab = types.ModuleType("lab")
    laws = hookimpl(lambda: [NoiseLaw("hum and air", hum_and_air)])
    lab.__version__, lab.thermcmp_noise_laws = "1.2", laws
    use_plugin(lab)
    usual, better = (
        tc.fit(rows, noise=name, draws=2000, seed=1) for name in ("fan sound law", "hum and air")
    )
    assert better.versions["plug-in lab"] == "1.2"
    again = tc.load_fit(better.save(tmp_path / "fit.nc"))
    cooler = rows["cooler_model"].iloc[0]
    levels = {}
    for name, fit in {"usual": usual, "better": better, "again": again}.items():
        levels[name] = noise_law(fit, 0.5).level_dba(cooler, 750.0).mean()
    truth = 10.0 * np.log10(10.0**3.3 + 10.0 ** (3.3 + 5.0 * np.log10(750.0 / 1400.0)))
    assert levels["better"] == levels["again"] == pytest.approx(truth, abs=0.3)
    assert abs(levels["usual"] - truth) > 1.0
    forget_plugin("lab")
    with pytest.raises(LibraryError, match=r"'hum and air' is not loaded.* plug-in lab 1\.2\. Fix"):
        tc.load_fit(tmp_path / "fit.nc")


def test_without_levels_there_is_no_fit(make_rows):
    rows = check_results(make_rows(noise_dba=[np.nan, np.nan]))
    with pytest.raises(NotEstimableError, match="Fix: measure noise_dba"):
        fit_noise(rows, reference_rpm=1800.0)


def test_a_newly_bought_cooler_strays_from_its_line_by_the_specimens_spread(noise):
    level, slope = noise.law("A")
    fresh_level, fresh_slope = noise.law("A", fresh_seed=3)
    np.testing.assert_array_equal(slope, fresh_slope)
    # One specimen tested: its own deviation is taken off, a new one put on, both of the
    # spread's size; the mean stays within what 2000 draws tell.
    apart = fresh_level - level
    assert fresh_level.std() > level.std()
    assert abs(apart.mean()) < 0.5
    again = noise.law("A", fresh_seed=3)[0]
    np.testing.assert_array_equal(again, fresh_level)
    strays = [noise.law("A", fresh_seed=seed)[0] for seed in range(40)]
    found = np.var(np.stack(strays), axis=0).mean()
    # 40 seeds of 2000 draws; heavy-tailed in the spread.
    assert found == pytest.approx(np.mean(noise.specimen_sd**2), rel=0.05)


def levels(make_rows, distance, lab, seed=9):
    """One cooler at 38 dB(A) and 1800 rpm at 0.5 m, read at several speeds by some laboratories."""
    lab = np.repeat(lab, 6)
    speed = np.tile([1200.0, 1500.0, 1800.0, 2200.0, 2700.0, 3200.0], len(lab) // 6)
    level = 38.0 + 54.0 * np.log10(speed / 1800.0)
    noise = np.random.default_rng(seed).normal(0.0, 0.1, len(lab))
    return check_results(
        make_rows(
            lab=lab,
            session=lab,
            fan_rpm=speed,
            noise_dba=level + noise,
            mic_distance_m=np.repeat(distance, 6),
        )
    )


def test_a_distance_that_is_not_stated_is_an_unknown(make_rows):
    stated = fit_noise(levels(make_rows, [0.5], ["North"]), reference_rpm=1800.0, seed=2)
    silent = fit_noise(levels(make_rows, [np.nan], ["North"]), reference_rpm=1800.0, seed=2)
    (known, _), (wide, slope) = (model.law(only(model)) for model in (stated, silent))
    # 20 lg 2 = 6.02 dB at the ends of a 90 % interval: 3.66 dB beside what is there anyway.
    assert wide.std() == pytest.approx(np.hypot(known.std(), 3.66), rel=0.1)
    assert slope.mean() == pytest.approx(54.0, abs=1.0)
    (note,) = [note for note in silent.design.notes if "microphone" in note]
    assert "0.5 m is taken, 0.25 to 1 m with 90%" in note
    assert not any("microphone" in note for note in stated.design.notes)


def test_the_unknown_distance_does_not_follow_the_question(make_rows):
    rows = levels(make_rows, [np.nan], ["North"])
    half, one = (fit_noise(rows, reference_rpm=1800.0, mic_distance_m=d, seed=2) for d in (0.5, 1))
    gap = half.law(only(half))[0].mean() - one.law(only(one))[0].mean()
    # ISO 3744 free field: 20 lg(1 / 0.5); the prior of the level, 15 dB wide, pulls a little.
    assert gap == pytest.approx(6.02, abs=0.5)


def test_a_laboratory_that_states_its_distance_learns_that_of_another(make_rows):
    # South read from 1 m and does not say so: its levels lie 6.02 dB lower.
    rows = levels(make_rows, [0.5, np.nan], ["North", "South"])
    south = rows["lab"].eq("South")
    rows = rows.assign(noise_dba=rows["noise_dba"].where(~south, rows["noise_dba"] - 6.02))
    model = fit_noise(rows, reference_rpm=1800.0, seed=2)
    level, _ = model.law(only(model))
    assert level.mean() == pytest.approx(38.0, abs=0.5)
    assert level.std() < 0.8
    assert model.effects[:, 2].mean() == pytest.approx(-6.02, abs=0.5)


def only(model):
    (name,) = model.design.rows["cooler_model"].unique()
    return name


def test_the_table_has_the_law_of_each_cooler(noise):
    table = noise.table.set_index("cooler_model")
    assert table.loc["A", "level_dba"] == pytest.approx(noise.law("A")[0].mean())
    assert table.loc["B", "slope_high_db"] == pytest.approx(np.quantile(noise.law("B")[1], 0.95))
    assert list(table["readings"]) == [12, 12]
    assert table.loc["A", ["lowest_rpm", "highest_rpm"]].tolist() == [1200.0, 3200.0]
    assert "Noise by the fan sound law at 1800 rpm, 0.5 m; health ok" in str(noise)
