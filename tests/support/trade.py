"""What the trade holds for true of pumps, as a fleet would state it."""

from __future__ import annotations

from datetime import date

from fleetlog.faults import DesignChange
from fleetlog.settings import Settings

#: Pumps built from December 2017 on carry the improved bushing (common practice, no source).
SINCE_2017 = Settings(
    design_changes=(DesignChange("internal_bushing", "improved", built_from=date(2017, 12, 1)),)
)
SINCE_2017_TOML = """
[[design_changes]]
component = "internal_bushing"
variant = "improved"
built_from = 2017-12-01
"""
