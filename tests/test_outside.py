"""The switch that turns absent published data from a skip into a failure."""

import pytest


def test_absent_data_skips_unless_all_is_required(outside, monkeypatch):
    monkeypatch.delenv("THERMCMP_REQUIRE_ALL", raising=False)
    with pytest.raises(pytest.skip.Exception, match="a set is absent"):
        outside.missing("a set")


def test_absent_data_fails_where_all_is_required(outside, monkeypatch):
    monkeypatch.setenv("THERMCMP_REQUIRE_ALL", "1")
    with pytest.raises(pytest.fail.Exception, match="a set is absent and"):
        outside.missing("a set")


def test_certified_sets_have_the_published_size(outside):
    found = outside.nist_anova("SmLs02")
    assert len(found.y) == 1809
    assert len(set(found.group.tolist())) == 9
    assert found.f == 201.0
