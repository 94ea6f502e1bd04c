"""One build predicted: the numbers of margin and rank, and what is not known."""

import numpy as np
import pytest

from thermcmp.errors import InputError, NotEstimableError
from thermcmp.inference.fitting import fit
from thermcmp.model.conditions import Build, Conditions
from thermcmp.physics.fan_controls import TargetTemperature
from thermcmp.physics.firmware import Firmware
from thermcmp.prediction.builds import Scope, build_of
from thermcmp.prediction.fitted_build import FittedBuild
from thermcmp.questions.build_prediction.question import predict
from thermcmp.questions.limit_margin.question import margin
from thermcmp.questions.ranking.question import rank

OLD = "Alder r1 / fw 1"


def rows(answer):
    return answer.table.set_index("quantity")


@pytest.mark.parametrize("scope", ["specimens", "product line"])
@pytest.mark.parametrize("loop", [False, True])
def test_it_is_the_margins_row(specimens, scope, loop):
    firmware = Firmware(name="fw 1", fan=TargetTemperature(88.0, 1000.0, 3000.0)) if loop else None
    asked = {"firmware": firmware, "scope": scope, "ambient_c": 25.0}
    answer = predict(specimens.fit, OLD, **asked)
    row = margin(specimens.fit, OLD, limit_c=100.0, **asked).table.set_index("ambient_c").loc[25.0]
    found = rows(answer)
    for quantity, mean, low in (
        ("temperature", "mean_c", "low_c"),
        ("fan speed", "fan_rpm", "fan_rpm_low"),
        ("noise", "noise_dba", "noise_dba_low"),
    ):
        assert found.loc[quantity, "mean"] == pytest.approx(row[mean], abs=1e-9)
        assert found.loc[quantity, "low"] == pytest.approx(row[low], abs=1e-9)
    assert answer.firmware == ("fw 1" if loop else None)
    assert answer.plot().get_xlabel() == "Memory temperature [°C]"


def test_at_equal_conditions_it_is_the_rankings_specimen(specimens):
    held = Conditions(noise_dba=40.0, power_w=210.0)
    answer = predict(specimens.fit, "Alder r1", held, scope="specimens")
    ranked = rank(specimens.fit, held, scope="specimens").table.set_index("product")
    assert rows(answer).loc["temperature", "mean"] == pytest.approx(
        ranked.loc["Alder r1", "mean_c"], abs=1e-9
    )
    assert answer.draws["noise_dba"].to_numpy() == pytest.approx(40.0, abs=1e-9)
    assert set(answer.draws["power_w"].to_numpy()) == {210.0}


def test_draws_are_the_air_and_the_rise(specimens):
    at = Conditions(ambient_c=24.0, case_rise_k=6.0, altitude_m=1500.0)
    answer = predict(specimens.fit, OLD, at, fan_rpm=1700.0, power_w=220.0, scope="specimens")
    fitted = FittedBuild(specimens.fit, build_of(specimens.fit, OLD), Scope.SPECIMENS, at)
    expected = 30.0 + fitted.rise(1700.0, 220.0)
    np.testing.assert_allclose(answer.draws["temperature_c"], expected, atol=1e-9)
    assert answer.setting.source == "stated"
    assert at.altitude_words in answer.caveats
    assert "at 1500 m, at 1700 rpm and 220 W, the cards tested of" in answer.sentences[0]


def test_a_noise_that_is_not_known_is_nan_with_the_reason(specimens):
    silent = fit(specimens.fit.results.assign(noise_dba=np.nan), "memory", draws=400, seed=5)
    answer = predict(silent, OLD)
    row = rows(answer).loc["noise"]
    assert np.isnan(answer.draws["noise_dba"]).all()
    assert row[["mean", "sd", "low", "high"]].isna().all()
    assert row["health"] == "not estimable: no level of this cooler was measured"
    assert "Its noise is not known" in answer.sentences[1]
    with pytest.raises(InputError, match="Equal noise needs measured noise"):
        predict(silent, OLD, noise_dba=40.0)


def test_conditions_out_of_reach_give_no_number(specimens):
    answer = predict(specimens.fit, OLD, fan_rpm=9000.0)
    row = rows(answer).loc["temperature"]
    assert np.isnan(row["mean"])
    assert row["health"].startswith("not estimable: 9000 rpm is too far from the measured")
    assert "has no prediction" in answer.sentences[0]
    with pytest.raises(NotEstimableError, match="not reached: 70 dB"):
        predict(specimens.fit, OLD, noise_dba=70.0)


def test_what_does_not_go_together_is_refused(specimens):
    firmware = Firmware(name="fw 1", fan=TargetTemperature(88.0, 1000.0, 3000.0))
    for stated in ({"noise_dba": 40.0}, {"fan_rpm": 1800.0}):
        with pytest.raises(InputError, match="'fw 1' sets the fan"):
            predict(specimens.fit, OLD, firmware=firmware, **stated)
    with pytest.raises(InputError, match="give firmware= too"):
        predict(specimens.fit, OLD, control=specimens.fit)
    unseen = Build(cooler_model="Alder-C9", board_model="Alder-B1")
    with pytest.raises(NotEstimableError, match="Alder-C9"):
        predict(specimens.fit, unseen, fan_rpm=1800.0, power_w=200.0)


def test_a_power_far_from_the_builds_own_is_stated_with_the_run(specimens):
    # Another card covers the power, so that it lies within those of the fit.
    far = specimens.fit.results.copy()
    own = far["product"].eq("Alder r1")
    far.loc[own, ["power_w", "temperature_c"]] *= [1.5, 1.2]
    wide = fit(far, "memory", draws=400, seed=5)
    words = "200 W is far from the"
    answer = predict(wide, OLD, power_w=200.0, fan_rpm=1700.0)
    caveats = [caveat for caveat in answer.caveats if words in caveat]
    assert len(caveats) == 1
    assert "run it at about 200 W" in caveats[0]
    warm = margin(wide, OLD, power_w=200.0, fan_rpm=1700.0, limit_c=100.0)
    assert caveats[0] in warm.caveats
    ranked = rank(wide, power_w=200.0).table.set_index("product")["health"]
    assert f"; {words}" in ranked["Alder r1"]
    assert words not in ranked["Alder r2"]
    for near in (predict(wide, OLD, power_w=330.0), predict(specimens.fit, OLD, power_w=200.0)):
        assert not [caveat for caveat in near.caveats if "is far from the" in caveat]
