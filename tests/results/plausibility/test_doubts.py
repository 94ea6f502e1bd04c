"""What in a table that is sound in form is asked about, and what is not."""

import re
import sys
import warnings

import numpy as np
import pandas as pd
import pytest
from plain_rows import card_rows

import thermcmp as tc
from thermcmp.errors import ThermcmpWarning
from thermcmp.results.plausibility.doubts import find_doubts
from thermcmp.results.plausibility.run_order import climbs_with_order
from thermcmp.results.validation import check_results


@pytest.fixture(scope="module")
def campaigns():
    return [tc.simulate(seed=seed).results for seed in range(10)]


def rounded(rows, step_k):
    """Rows of a sensor that reads in steps."""
    steps = (rows["temperature_c"] / step_k).round() * step_k
    return rows.assign(temperature_c=steps, resolution_k=step_k)


def clipped(rows, share):
    """Rows of a sensor in whole degrees, that share of them at its limit."""
    limit_c = round(rows["temperature_c"].quantile(1.0 - share))
    return rounded(rows.assign(temperature_c=rows["temperature_c"].clip(upper=limit_c)), 1.0)


def memory_of(campaign, size=None):
    rows = campaign[campaign["sensor"] == "memory"].reset_index(drop=True)
    return rows if size is None else rows.sample(size, random_state=1).reset_index(drop=True)


def test_no_doubt_about_sound_campaigns(campaigns):
    """The simulated bench shares no formula with the checks."""
    for campaign in campaigns:
        assert find_doubts(campaign) == []
        for size in (None, 18):
            for step_k in (0.1, 0.5, 1.0, 2.0):
                assert find_doubts(rounded(memory_of(campaign, size), step_k)) == []


def test_a_laboratory_in_fahrenheit_is_asked_about():
    """161 °F in a room of 72 °F stated as °C; a warm case, or hot silicon alone, is not."""
    rows = card_rows("Kite", "1", temperature_c=[161.0, 169.0], ambient_c=72.0, lab="West")
    (doubt,) = find_doubts(check_results_quietly(rows))
    assert doubt.startswith("The memory sensor of West reads 165 °C in air of 72 °C")
    assert "'temperature_c [°F]'" in doubt
    for warm, air in ((118.0, 55.0), (131.0, 22.0)):
        sound = rows.assign(temperature_c=[warm - 4.0, warm + 4.0], ambient_c=air)
        assert find_doubts(check_results_quietly(sound)) == []


def check_results_quietly(rows):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ThermcmpWarning)
        return check_results(rows)


class TestRowsAtOneReading:
    def test_half_of_a_small_table_at_its_highest_reading(self, campaigns, tmp_path):
        for campaign in campaigns[:3]:
            rows = clipped(memory_of(campaign, 18), 0.5)
            limit_c = rows["temperature_c"].max()
            at_limit = rows["temperature_c"] == limit_c
            path = tmp_path / "bench.csv"
            kept = ["run", "sensor", "cooler_model", "board_model", "temperature_c", "ambient_c",
                    "fan_rpm", "power_w"]  # fmt: skip
            rows[kept].to_csv(path, index=False)
            words = (
                f"^in bench.csv: {at_limit.sum()} of 18 rows of 'memory' read exactly {limit_c:g}"
            )
            with pytest.warns(ThermcmpWarning, match=words) as caught:
                read = tc.read_results(path)
            assert "Fix: set at_limit to yes in " in str(caught[0].message)
            with pytest.warns(ThermcmpWarning, match=words):
                check_results(read)
            # As the warning has it, so it ends.
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                check_results(read.assign(at_limit=at_limit))
                check_results(read.assign(regulated=at_limit))
                check_results(read.assign(protocol_verdict=at_limit.map({True: "refused"})))

    def test_each_file_by_itself(self, campaigns):
        rows = memory_of(campaigns[0], 36)
        files = ["a.csv"] * 18 + ["b.csv"] * 18
        parts = pd.concat([clipped(rows[:18], 0.5), rounded(rows[18:], 1.0)])
        assert [doubt[:9] for doubt in find_doubts(parts.assign(source_file=files))] == [
            "in a.csv:"
        ]

    def test_repeats_of_the_hottest_set_point_are_no_limit(self, campaigns):
        rows = rounded(memory_of(campaigns[0], 18), 1.0).sort_values("temperature_c")
        control = pd.concat([rows.iloc[[-1]]] * 12).assign(run=[f"c{i}" for i in range(12)])
        assert find_doubts(pd.concat([rows, control], ignore_index=True)) == []


@pytest.fixture
def bench():
    """Two cards at several fan speeds and powers: a rise with a constant part and one by flow."""

    def measured(seed, fan_k):
        rng = np.random.default_rng([seed, 5])
        rows = pd.DataFrame(
            [
                (cooler, assembly, rpm, watt)
                for cooler in ("Tern-H1", "Tern-H2")
                for assembly in range(3)
                for rpm, watt in [(1350, 200), (1650, 205), (1750, 200), (1950, 195), (2250, 200),
                                  (1750, 165)]
            ],
            columns=["cooler_model", "assembly", "fan_rpm", "power_w"],
        ).sample(frac=1.0, random_state=seed, ignore_index=True)  # fmt: skip
        count = len(rows)
        rows[["fan_rpm", "power_w"]] *= 1.0 + 0.004 * rng.standard_normal((count, 2))
        # Two paths in series, of which air has one.
        flow = (rows["fan_rpm"] / 1800.0) ** -0.8
        rise_k = (60.0 - fan_k + fan_k * flow) * (0.04 + 0.96 * rows["power_w"] / 200.0)
        rise_k += 4.0 * rows["cooler_model"].eq("Tern-H1") + 0.25 * rng.standard_normal(count)
        air_c = 22.0 + 0.6 * rng.standard_normal(count)
        rows["assembly"] = rows["cooler_model"] + " " + rows["assembly"].astype(str)
        rows = rows.assign(
            run=[f"T{number}" for number in range(count)],
            sensor="memory",
            board_model="Tern-P1",
            session="day 1",
            ambient_c=air_c.round(2),
            temperature_c=(air_c + rise_k).round(1),
        )
        return check_results(rows).assign(wander_k=0.2 * rng.standard_normal(count))

    return measured


class TestReadingsHeldByALimit:
    """A loop that throttles holds a sensor within some tenths (common practice, no source)."""

    def throttled(self, rows, share=0.4):
        limit_c = rows["temperature_c"].quantile(1.0 - share)
        wander_k = np.random.default_rng(4).normal(0.0, 0.25, len(rows))
        hot = rows["temperature_c"] > limit_c
        return rows.assign(temperature_c=rows["temperature_c"].mask(hot, limit_c + wander_k))

    def test_readings_that_stop_answering_near_their_highest(self, campaigns):
        asked = 0
        for campaign in campaigns:
            doubts = find_doubts(self.throttled(memory_of(campaign)))
            asked += any("did the card throttle there?" in doubt for doubt in doubts)
        assert asked == len(campaigns)

    def test_a_quarter_of_the_old_card_s_runs_is_enough(self, bench):
        asked = 0
        for seed in range(10):
            rows = bench(seed, fan_k=26.0)
            limit_c = rows["temperature_c"].quantile(0.88)
            held = rows["temperature_c"].clip(upper=limit_c + rows.pop("wander_k"))
            asked += bool(find_doubts(rows.assign(temperature_c=held)))
        assert asked >= 9

    def test_runs_whose_power_fell_so_that_they_keep_the_limit(self, bench):
        asked = 0
        for seed in range(10):
            rows = bench(seed, fan_k=26.0)
            air_c, limit_c = rows["ambient_c"], rows["temperature_c"].quantile(0.5)
            share = ((limit_c - air_c) / (rows["temperature_c"] - air_c)).clip(upper=1.0)
            held = rows["temperature_c"].clip(upper=limit_c + rows.pop("wander_k"))
            fallen = rows.assign(temperature_c=held, power_w=rows["power_w"] * share)
            asked += any(
                "the power lower where the fan is slower" in doubt for doubt in find_doubts(fallen)
            )
            # Two set points that agree, by less power at the lower speed, are none.
            few = fallen[fallen["fan_rpm"].gt(1850.0) | fallen["power_w"].lt(170.0)]
            assert not find_doubts(few)
        assert asked >= 9

    def test_a_cooler_that_hardly_answers_its_fan_is_not_accused(self, bench):
        for seed in range(10):
            rows = bench(seed, fan_k=26.0).drop(columns="wander_k")
            stiff = bench(seed, fan_k=1.0).drop(columns="wander_k")
            rows.loc[rows["cooler_model"].eq("Tern-H1")] = stiff
            assert find_doubts(rows) == []

    def test_a_stated_limit_or_target_is_not_asked_about(self, campaigns):
        rows = self.throttled(memory_of(campaigns[0]))
        hot = memory_of(campaigns[0])["temperature_c"] > rows["temperature_c"].quantile(0.55)
        assert find_doubts(rows.assign(at_limit=hot)) == []
        assert find_doubts(rows.assign(regulated=hot)) == []


def test_air_that_was_warmer_with_one_cooler_of_a_session_is_asked_about(campaigns):
    rows = memory_of(campaigns[0])
    newest = rows["cooler_model"].max()
    warmer = rows["ambient_c"] + 3.0 * rows["cooler_model"].eq(newest).astype(float)
    (doubt,) = find_doubts(rows.assign(ambient_c=warmer))
    assert re.search(f"the air was [23].. K warmer with {newest} than with .*exhaust", doubt)
    # A warm day warms both.
    first = rows["session"].eq(rows["session"].iloc[0])
    assert find_doubts(rows.assign(ambient_c=rows["ambient_c"] + 3.0 * first.astype(float))) == []


def test_rows_no_warmer_than_the_air_are_asked_about(campaigns):
    rows = memory_of(campaigns[0], 18)
    rows.loc[[2, 5], "temperature_c"] = rows["ambient_c"] - [0.0, 0.5] * 9
    words = f"of 'memory' .{rows['run'][2]}, {rows['run'][5]}. read no more than ambient"
    with pytest.warns(ThermcmpWarning, match=f"^2 rows {words}"):
        check_results(rows)
    rows.loc[[2, 5], "temperature_c"] = rows["ambient_c"] + 0.1
    assert find_doubts(rows) == []


class TestReadingsTypedIn:
    @pytest.mark.parametrize(
        ("column", "value", "error"),
        [
            ("ambient_c", 22.3, "ambient_error_k"),
            ("power_w", 200.4, "power_error_w"),
            ("fan_rpm", 1423.0, "fan_error_rpm"),
        ],
    )
    def test_one_value_to_the_last_digit_in_all_runs(self, campaigns, column, value, error):
        rows = memory_of(campaigns[0], 18).assign(**{column: value})
        with pytest.warns(ThermcmpWarning, match=f"{value:g} .* in all 18 runs.* in {error}"):
            check_results(rows)
        assert find_doubts(rows.assign(**{error: 0.3})) == []
        # Few runs may agree, and one other reading shows that it was read.
        assert find_doubts(rows[:11]) == []
        rows.loc[3, column] = value + 1.0
        assert find_doubts(rows) == []

    @pytest.mark.parametrize(
        ("column", "value"),
        [("ambient_c", 22.0), ("ambient_c", 22.5), ("power_w", 201.0), ("fan_rpm", 1850.0)],
    )
    def test_round_values_are_set_points(self, campaigns, column, value):
        assert find_doubts(memory_of(campaigns[0], 18).assign(**{column: value})) == []


class TestCopiedRuns:
    def test_rows_pasted_twice_under_other_names_are_asked_about_once(self, campaigns):
        rows = memory_of(campaigns[0], 18)
        again = rows.iloc[:6].assign(run=[f"copy {k}" for k in range(6)], lab="Elsewhere")
        (doubt,) = find_doubts(pd.concat([rows, again], ignore_index=True))
        assert doubt.startswith("6 runs read exactly as another run of the same parts does")
        assert f"copy 0 as {rows['run'].iloc[0]}" in doubt

    def test_repeats_on_coarse_instruments_agree_by_themselves(self):
        rng = np.random.default_rng(2)
        speed = np.tile([1500.0, 2000.0], 20)
        rows = card_rows(
            "Alder",
            "Alder-1",
            temperature_c=np.round(75.0 - speed / 200.0 + rng.normal(0.0, 0.5, 40)),
            ambient_c=np.round(22.0 + rng.normal(0.0, 0.4, 40)),
            fan_rpm=speed,
            power_w=200.0,
        ).assign(run=[f"r{k}" for k in range(40)])
        assert not any("read exactly as" in doubt for doubt in find_doubts(check_results(rows)))


class TestOrderOfRuns:
    def repeats(self, rise_k, fan_rpm=1800.0):
        n = len(rise_k)
        return pd.DataFrame(
            {
                "run": [f"R{i + 1}" for i in range(n)],
                "sensor": "memory",
                "cooler_model": "Alder r1",
                "board_model": "Quarz",
                "assembly": "first",
                "temperature_c": [22.1 + rise for rise in rise_k],
                "ambient_c": [22.1 + 0.1 * (i % 3) for i in range(n)],
                "power_w": [250.0 + i % 4 for i in range(n)],
                "fan_rpm": fan_rpm,
            }
        )

    def test_repeats_that_climb(self, tmp_path):
        path = tmp_path / "bench.csv"
        self.repeats([52.0, 52.3, 52.2, 54.6, 54.4, 54.8]).to_csv(path, index=False)
        with pytest.warns(ThermcmpWarning, match="repeats follow their order in the table") as said:
            rows = tc.read_results(path)
        assert "R1 to R6 (the later half +2." in str(said[0].message)
        # In the order of time they scatter.
        times = pd.to_datetime([f"2031-03-0{day}T08:00Z" for day in (1, 4, 2, 5, 3, 6)])
        assert find_doubts(rows.assign(started_at=times)) == []

    def mounted(self, *assemblies):
        """Repeats of several assemblies, one after the other."""
        rows = self.repeats([each for repeats in assemblies for each in repeats])
        names = [f"m{k}" for k, repeats in enumerate(assemblies) for _ in repeats]
        return rows.assign(assembly=names)

    def test_three_runs_an_assembly_that_climb(self):
        rows = self.mounted([52.0, 53.9, 56.2], [50.1, 52.0, 54.0], [53.3, 55.2, 57.4])
        with pytest.warns(ThermcmpWarning, match=r"R1 to R3 \(the later half \+3.* R7 to R9"):
            check_results(rows)

    def test_assemblies_that_climb_together_are_seen_where_none_is_alone(self):
        climb = np.array([0.0, 0.7, 1.1]) + np.random.default_rng(1).normal(0.0, 0.35, (8, 3))
        rows = self.mounted(*(50.0 + climb))
        with pytest.warns(ThermcmpWarning, match=r"8 sets of repeats \(the last \+\d\.\d K from"):
            check_results(rows)

    def test_assemblies_that_scatter_are_seldom_asked_about(self):
        rng = np.random.default_rng(8)
        asked = sum(
            bool(climbs_with_order(self.mounted(*rises).assign(started_at=pd.NaT)))
            for rises in 50.0 + rng.normal(0.0, 1.0, (200, 8, 3))
        )
        assert asked <= 10

    def test_one_run_far_off_at_the_end_is_an_outlier_and_no_climb(self):
        rows = self.mounted([52.0, 52.2, 61.3], [50.1, 50.0, 50.3], [53.3, 53.2, 53.0])
        assert climbs_with_order(rows.assign(started_at=pd.NaT)) == []

    def test_a_sweep_of_set_points_is_no_order(self):
        sweep = self.repeats(
            [60.0, 58.0, 56.0, 54.0, 52.0, 50.0], [1000 + 200 * i for i in range(6)]
        )
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            check_results(sweep)
            check_results(self.repeats([52.0, 54.3, 52.2, 54.6, 52.4, 54.8]))
            # A fan that wanders takes the rise with it.
            wandering = [1760.0, 1775.0, 1790.0, 1805.0, 1820.0, 1835.0]
            check_results(self.repeats([54.8, 54.4, 54.0, 53.0, 52.4, 52.0], wandering))


def test_a_stated_drift_is_asked_about_until_the_error_covers_it():
    rows = TestOrderOfRuns().repeats([52.0, 52.4, 52.2]).assign(drift_k_per_min=[0.02, 0.4, -0.3])
    with pytest.warns(ThermcmpWarning, match=r"2 rows of 'memory' \(R2, R3\) drifted .* 0.4 K/min"):
        checked = check_results(rows)
    for settled in (
        {"standard_error_k": 1.5},
        {"protocol_verdict": "corrected"},
        {"protocol_verdict": "refused"},
        {"drift_k_per_min": 0.05},
    ):
        assert find_doubts(checked.assign(**settled)) == []


class TestPowerAtTheEndOfARange:
    def asked(self, rows):
        return [doubt for doubt in find_doubts(rows) if "board power" in doubt]

    def test_a_meter_that_ends_below_the_card_s_power(self, campaigns):
        for campaign in campaigns[:3]:
            rows = memory_of(campaign).assign(power_error_w=float("nan"))
            end_w = round(rows["power_w"].quantile(0.6), 1)
            rows["power_w"] = rows["power_w"].clip(upper=end_w)
            (doubt,) = self.asked(rows)
            assert f"board power is exactly {end_w:g} W, the highest reading" in doubt
            assert "power_error_w in " in doubt
            assert self.asked(rows.assign(power_error_w=2.0)) == []

    def test_two_powers_typed_in_are_set_points(self, campaigns):
        rows = memory_of(campaigns[0]).assign(power_error_w=float("nan"))
        middle_w = rows["power_w"].median()
        assert self.asked(rows.assign(power_w=rows["power_w"].gt(middle_w) * 20.0 + 200.0)) == []


def test_bench_assemblies_without_a_name_are_asked_about_where_runs_repeat(campaigns):
    rows = memory_of(campaigns[0]).assign(assembly=pd.NA, session="one")
    benches = rows[rows["assembly_kind"] == "bench"]
    assert any("do not name it" in doubt for doubt in find_doubts(rows))
    once = benches.drop_duplicates(["cooler_model", "board_model"])
    assert not any("do not name it" in doubt for doubt in find_doubts(once))


def test_what_a_table_is_asked_about_takes_no_step_for_each_assembly():
    """A step of its own for each of 40,000 assemblies was most of an import's time."""

    def calls(assemblies):
        few = TestOrderOfRuns().repeats([52.0, 52.3, 52.3, 52.0])
        few = few.assign(power_w=250.0, ambient_c=22.0)
        rows = check_results(
            pd.concat(
                [few.assign(assembly=f"a{k}", run=few["run"] + f" {k}") for k in range(assemblies)],
                ignore_index=True,
            )
        )
        count = 0

        def counted(frame, event, argument):
            nonlocal count
            count += event == "call"

        sys.setprofile(counted)
        try:
            assert find_doubts(rows) == []
        finally:
            sys.setprofile(None)
        return count

    assert calls(100) < 1.5 * calls(10)


@pytest.mark.parametrize(
    ("column", "heading"),
    [("session", "sesion"), ("started_at", "started"), ("assembly", "Assembly nr"),
     ("firmware", "firmwares"), ("noise_dba", "noise")],
)  # fmt: skip
def test_a_heading_that_misses_its_column_is_asked_about(campaigns, column, heading):
    rows = memory_of(campaigns[0], 18)
    rows = rows.rename(columns={column: heading}).drop(columns="noise_floor_dba")
    words = f"The column '{heading}' is not read, and '{column}' is blank: is it that?"
    with pytest.warns(ThermcmpWarning, match=words):
        check_results(rows)


def test_columns_of_ones_own_are_not_taken_for_misspelt_ones(campaigns):
    rows = memory_of(campaigns[0], 18).drop(columns=["session", "firmware", "lab", "bench"])
    own = dict.fromkeys(("technician", "pad_coverage", "paste", "lab_tech", "room", "note"), "x")
    assert find_doubts(check_results(rows.assign(**own))) == []
