"""The month's report: its findings, and what renders the templates of reports/ with them."""

from __future__ import annotations

from fleetlog.reporting.findings import CostSummary, MethodText, ReportFindings
from fleetlog.reporting.write import write_report

__all__ = ["CostSummary", "MethodText", "ReportFindings", "write_report"]
