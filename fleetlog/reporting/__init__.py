"""Gathers findings and renders the templates of reports/."""

from __future__ import annotations

from fleetlog.reporting.gathered import CostSummary, MethodText, ReportFindings
from fleetlog.reporting.write import write_report

__all__ = ["CostSummary", "MethodText", "ReportFindings", "write_report"]
