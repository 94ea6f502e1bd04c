"""Report sections that plug-ins add."""

from __future__ import annotations

from thermcmp.hooks import Section, guarded, provided


def report_sections() -> tuple[Section, ...]:
    """Return all report sections of plug-ins; one that raises names its plug-in."""
    return tuple(
        Section(plugin.key, guarded(plugin, plugin.item.render, str))
        for plugin in provided("thermcmp_report_sections")
    )
