"""What holds for all studies."""

import pytest


def pytest_collection_modifyitems(items):
    """Let worlds have repeats that follow their order, by chance or since their paste ages."""
    for item in items:
        if "studies" in item.path.parts:
            item.add_marker(pytest.mark.filterwarnings("ignore:repeats follow their order"))
