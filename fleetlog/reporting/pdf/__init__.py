"""The month's report as a PDF: what its page says, set for paper."""

from fleetlog.reporting.pdf.typeset import write_pdf

__all__ = ["write_pdf"]
